"""Two sliced files of the same coupons side by side: what the slicing changed, and what sizes make of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fitassay.analysis import rounding
from fitassay.analysis.gcode.slicing import Slicing
from fitassay.analysis.gcode.slicing_words import changes_of
from fitassay.analysis.gcode.trace_data import Trace
from fitassay.analysis.gcode.trace_words import direction_text, order_text, walls_of

SAME_SIZE_MM = 0.01
"""Sizes that change by less are the same to a caliper."""

SAME_SHARE = 0.005
"""Figures that change by less of themselves are the same."""


@dataclass(frozen=True, kw_only=True)
class Row:
    """One figure of two files: what it is, in words in the old and in the new one, and whether it changed."""

    what: str
    old: str
    new: str
    changed: bool


def rows_of(old: Trace, new: Trace) -> tuple[Row, ...]:
    """All figures that at least one of the files tells, in the order in which they matter to sizes."""
    rows = []
    for what, value, unit, digits, same in _NUMBERS:
        a, b = value(old), value(new)
        if np.isfinite(a) or np.isfinite(b):
            changed = bool(np.isfinite(a) != np.isfinite(b) or abs(a - b) > max(same, SAME_SHARE * abs(a)))
            rows.append(
                Row(what=what, old=_shown(a, unit, digits), new=_shown(b, unit, digits), changed=changed)
            )
    for what, words in _WORDS:
        a, b = words(old), words(new)
        if a or b:
            rows.append(Row(what=what, old=a or "none", new=b or "none", changed=a != b))
    return tuple(rows)


def sentences_of(old: Trace, new: Trace) -> tuple[str, ...]:
    """What becomes of sizes by the two files alone, and why."""
    if old.place is None or new.place is None or old.bead is None or new.bead is None:
        return ("One of the files has no outline whose path could be compared.",)
    bead = new.bead.fed - old.bead.fed
    path = new.place.offset - old.place.offset
    opening = path + new.place.opening - old.place.opening
    said = []
    for what, by_path, by_bead in (("Outsides", 2 * path, bead), ("Openings", -2 * opening, -bead)):
        moved = by_path + by_bead
        shown = [rounding.fixed(value, 3, signed=True) for value in (by_path, by_bead)]
        parts = f"path {shown[0]} mm, bead {shown[1]} mm"
        if abs(moved) > SAME_SIZE_MM:
            way = "larger" if moved > 0 else "smaller"
            said.append(f"{what} come out {abs(moved):.3f} mm {way} than by the old file ({parts}).")
        else:
            said.append(f"{what} come out as by the old file ({parts}).")
    return tuple(said)


def _shown(value: float, unit: str, digits: int) -> str:
    if not np.isfinite(value):
        return "not seen"
    return f"{rounding.fixed(value, digits)} {unit}".strip()


def _place(trace: Trace, index: int) -> float:
    stands = {c.what: c.stands_mm for c in changes_of(trace)}
    return stands.get(("outsides", "openings")[index], float("nan"))


def _bead(name: str, factor: float = 1.0) -> Callable[[Trace], float]:
    def value(trace: Trace) -> float:
        found = None if trace.bead is None else getattr(trace.bead, name)
        return float("nan") if found is None else factor * float(found)

    return value


def _of_slicing(read: Callable[[Slicing], float]) -> Callable[[Trace], float]:
    return lambda trace: float("nan") if trace.slicing is None else read(trace.slicing)


def _speed(what: str) -> Callable[[Trace], float]:
    return _of_slicing(lambda slicing: slicing.speeds.get(what, float("nan")))


def _first(name: str) -> Callable[[Trace], float]:
    def value(trace: Trace) -> float:
        found = None if trace.first_layer is None else getattr(trace.first_layer, name)
        return float("nan") if found is None else float(found)

    return value


# What it is, how to read it, its unit, decimals, and how much is no change.
_NUMBERS: tuple[tuple[str, Callable[[Trace], float], str, int, float], ...] = (
    ("path outward, outsides", lambda t: _place(t, 0), "mm", 3, 0.003),
    ("path outward, openings", lambda t: _place(t, 1), "mm", 3, 0.003),
    ("bead, outer walls", _bead("width"), "mm", 3, 0.003),
    ("bead, inner walls", _bead("inner"), "mm", 3, 0.003),
    ("bead fed for", _bead("fed"), "mm", 3, 0.003),
    ("flow", _bead("flow", 100.0), "%", 1, 0.5),
    ("layer", lambda t: t.layer_height_mm, "mm", 3, 0.001),
    ("first layer", lambda t: t.first_layer_mm, "mm", 3, 0.001),
    ("first layer outward", _first("outward"), "mm", 3, 0.01),
    ("first layer fed for", _first("bead"), "mm", 3, 0.005),
    ("speed, outer walls", _speed("outer walls"), "mm/s", 0, 0.5),
    ("speed, inner walls", _speed("inner walls"), "mm/s", 0, 0.5),
    ("speed, filling", _speed("filling"), "mm/s", 0, 0.5),
    ("gap at seams", _of_slicing(lambda s: s.gap), "mm", 2, 0.05),
    ("coasting", _of_slicing(lambda s: s.coasting), "mm", 1, 0.1),
    ("scarf seam", _of_slicing(lambda s: s.scarf), "mm", 1, 0.1),
    ("wipe", _of_slicing(lambda s: s.wipe), "mm", 1, 0.1),
    ("filament in all", lambda t: t.filament_mm, "mm", 0, 1.0),
)

_WORDS: tuple[tuple[str, Callable[[Trace], str]], ...] = (
    ("walls", lambda t: str(walls_of(t))),
    ("order", order_text),
    ("direction", lambda t: direction_text(t).partition(":")[0]),
    ("seams", lambda t: "" if t.slicing is None else t.slicing.seam.partition(" from")[0].partition(",")[0]),
    (
        "round outlines",
        lambda t: "" if t.slicing is None else ("arcs" if t.slicing.arcs else "straight pieces"),
    ),
    ("words", lambda t: ", ".join(dict.fromkeys(c.text for c in t.tally.changes if not c.idle))),
)
