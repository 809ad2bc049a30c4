"""Several sliced files of one print, one a plate, as one trace."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.gcode.coupon_paths import walk_loops
from fitassay.analysis.gcode.heights import Heights
from fitassay.analysis.gcode.offset import PathPlace
from fitassay.analysis.gcode.trace_data import Bead, Trace
from fitassay.analysis.gcode.words import Tally
from fitassay.coupons.feature import Manifest
from fitassay.coupons.wording import listed

DIFFER_MM = 0.01
"""Files whose paths or beads differ by more were sliced with different settings."""

FINEST_U_MM = 5e-4
"""Weight of a file whose coordinates hide its spread."""


def merged(traces: Sequence[Trace], manifest: Manifest) -> Trace:
    """One trace of several files; a coupon that several hold counts where it was traced last.

    Parameters
    ----------
    traces : sequence of Trace
        At least one, in the order in which they were traced.
    manifest : Manifest
        Of the print.
    """
    if len(traces) == 1:
        return traces[0]
    owner = {key: trace for trace in traces for key in trace.found}
    keys = [c.id for c in manifest.coupons if c.id in owner]
    used = [t for t in traces if any(owner[k] is t for k in keys)]
    place = _common_place(used)
    bead = _common_bead(used)
    width = next((t.walk.manifest.line_width_mm for t in used if t.bead is not None), manifest.line_width_mm)
    offset = None if place is None else place.offset + width / 2
    found = {k: owner[k].found[k] for k in keys}
    slicers = {k: owner[k].slicers[k] for k in keys}
    loops = {k: walk_loops(found[k], offset or 0.0) for k in keys}
    turned = replace(manifest, coupons=tuple(found[k].coupon for k in keys), line_width_mm=width)
    return replace(
        used[-1],
        file=listed(t.file for t in used),
        found=found,
        missing=tuple(c.id for c in manifest.coupons if c.id not in owner),
        place=place,
        offset_mm=offset,
        bead=bead,
        layers=max(t.layers for t in used),
        features=tuple(f for k in keys for f in owner[k].features if f.coupon == k),
        walk=SetWalk(turned, slicers, loops),
        slicers=slicers,
        loops=loops,
        heights=_together_heights(used),
        relative_filament_assumed=any(t.relative_filament_assumed for t in used),
        copies={k: n for t in used for k, n in t.copies.items() if owner.get(k) is t},
        filament_mm=sum(t.filament_mm for t in used),
        wall_filament_mm={k: v for t in used for k, v in t.wall_filament_mm.items() if owner.get(k) is t},
        piece_filament_mm={k: v for t in used for k, v in t.piece_filament_mm.items() if owner.get(k) is t},
        tally=_together([t.tally for t in used]),
        warnings=(*_differences(used), *(f"{t.file}: {w}" for t in used for w in t.warnings)),
    )


def _together_heights(traces: list[Trace]) -> Heights:
    """The heights of the file that is farthest off, with the tops of all."""
    worst = max(traces, key=lambda t: abs(t.heights.offset) + 10 * abs(t.heights.scale)).heights
    return replace(worst, tops={k: v for t in traces for k, v in t.heights.tops.items()})


def _common_place(traces: list[Trace]) -> PathPlace | None:
    """The files' path places, weighed by their uncertainties."""
    places = [t.place for t in traces if t.place is not None]
    if not places:
        return None
    weight = np.array([1 / max(p.u, FINEST_U_MM) ** 2 for p in places])
    weight /= weight.sum()

    def mean(values: list[float]) -> float:
        return float(np.dot(weight, values))

    offset = mean([p.offset for p in places])
    between = mean([(p.offset - offset) ** 2 for p in places])
    return PathPlace(
        offset=offset,
        u=float(np.sqrt(mean([p.u**2 for p in places]) + between)),
        opening=mean([p.opening for p in places]),
        bores={d: v for p in places for d, v in p.bores.items()},
        scale=np.array([mean([float(p.scale[k]) for p in places]) for k in (0, 1)]),
        spread=float(np.sqrt(mean([p.spread**2 for p in places]) + between)),
        axes=(_axis(places, weight, 0), _axis(places, weight, 1)),
        account=tuple(dict.fromkeys(a for p in places for a in p.account)),
    )


def _axis(places: list[PathPlace], weight: np.ndarray, axis: int) -> tuple[float, float]:
    rows = [(p.axes[axis], w) for p, w in zip(places, weight, strict=True) if np.isfinite(p.axes[axis][0])]
    if not rows:
        return float("nan"), float("nan")
    means, spreads, w = (np.array(v) for v in zip(*((a[0], a[1], w) for a, w in rows), strict=True))
    mean = float(np.average(means, weights=w))
    return mean, float(np.sqrt(np.average(spreads**2 + (means - mean) ** 2, weights=w)))


def _common_bead(traces: list[Trace]) -> Bead | None:
    beads = [t.bead for t in traces if t.bead is not None]
    if not beads:
        return None
    widths = [b.width for b in beads]
    return replace(
        beads[0],
        width=float(np.mean(widths)),
        spread=max(max(b.spread for b in beads), (max(widths) - min(widths)) / 2),
    )


def _differences(traces: list[Trace]) -> list[str]:
    said = []
    offsets = [(t.file, t.offset_mm) for t in traces if t.offset_mm is not None]
    if offsets and max(o for _, o in offsets) - min(o for _, o in offsets) > DIFFER_MM:
        told = ", ".join(f"{name} {offset:+.3f} mm" for name, offset in offsets)
        said.append(
            f"The files' paths stand at different places ({told}): slice all plates with the same settings."
        )
    widths = [(t.file, t.bead.width) for t in traces if t.bead is not None]
    if widths and max(w for _, w in widths) - min(w for _, w in widths) > DIFFER_MM:
        told = ", ".join(f"{name} {width:.3f} mm" for name, width in widths)
        said.append(f"The files' beads differ ({told}): slice all plates with the same settings.")
    return said


def _together(tallies: list[Tally]) -> Tally:
    total = Tally(name=listed(t.name for t in tallies))
    for tally in tallies:
        total.lines += tally.lines
        total.bytes += tally.bytes
        total.unknown.update(tally.unknown)
        total.text_lines += tally.text_lines
        total.bad_checksums += tally.bad_checksums
        total.loose_arcs += tally.loose_arcs
        total.unread_moves += tally.unread_moves
        total.changes += tally.changes
        total.change_count += tally.change_count
        total.numbers_missing += tally.numbers_missing
    return total
