"""The rules that make a coupon measurable: named figures, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass, field, fields


def _rule(value: float, reason: str) -> float:
    return field(default=value, metadata={"reason": reason})


@dataclass(frozen=True, kw_only=True)
class Rules:
    """All lengths [mm]; change one by ``Rules(outside_gap=5.0)``."""

    outside_gap: float = _rule(4.0, "an outside jaw is up to 4 mm deep beyond the face it touches")
    outside_flank: float = _rule(4.0, "an outside jaw is up to 4 mm thick and needs that much plain flank")
    slack: float = _rule(
        0.5, "a fat print closes a gap between two walls by some tenths; jaws must still go in"
    )
    outside_jaw: float = _rule(3.0, "width of flank that an outside jaw's flat is taken to cover")
    inside_opening: float = _rule(5.0, "the two nibs of closed inside jaws are just under 5 mm wide")
    inside_depth: float = _rule(3.0, "inside jaws taper at the tip; 3 mm in they are straight")
    band_start: float = _rule(1.0, "a squashed first layer bulges up to a millimetre high")
    chamfer: float = _rule(0.6, "the bulge of the first layers must not reach under the jaws")
    undercut: float = _rule(2.0, "the path must reverse for more than any play, 1.5 mm, and does so for 2")
    notch: float = _rule(2.0, "a seam in it leaves at least 1.5 mm of the loop's own move before a flank")
    rail: float = _rule(3.0, "thinner walls between openings bend when inside jaws push")
    edge: float = _rule(3.0, "room around a plate's pieces for clips, a skirt and the bed's rounded rim")
    part_gap: float = _rule(4.0, "room to get a blade under each piece, and strings stay apart")
    headroom: float = _rule(1.0, "nozzle lift over the tallest piece")
    column: float = _rule(60.0, "a lever long enough to see 0.05 % of scale with 0.02 mm of reading noise")
    span_share: float = _rule(0.8, "the longest span uses the bed but stays off its worn or curled rim")
    caliper_share: float = _rule(0.98, "a piece printed too large must still go between the jaws")
    mark_stroke: float = _rule(
        0.8, "a groove that stays open where the outline is drawn some tenths too far out"
    )
    mark_depth: float = _rule(0.5, "deep enough to cast a shadow")
    mark_edge: float = _rule(0.5, "least that a groove leaves beside it, about one bead")
    ladder_middle: float = _rule(0.5, "clearance of the middle rung: wide enough for printers not known yet")
    ladder_step: float = _rule(0.1, "nine rungs, 0.1 to 0.9 mm; halve it once the right clearance is known")
    smallest_side: float = _rule(40.0, "shorter beds hold no comb with room for jaws")

    @classmethod
    def table(cls) -> tuple[tuple[str, float, str], ...]:
        """Name, default [mm] and reason of every rule."""
        return tuple((f.name, float(f.default), f.metadata["reason"]) for f in fields(cls))  # type: ignore[arg-type]
