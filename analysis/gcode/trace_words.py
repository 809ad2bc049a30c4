"""A trace in words: what deserves a warning before anything is printed."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.gcode.bead_words import bead_remarks
from fitassay.analysis.gcode.changes import Change, sentence
from fitassay.analysis.gcode.coupons_apart import distances
from fitassay.analysis.gcode.height_words import height_remarks
from fitassay.analysis.gcode.round_holes import polygon_holes
from fitassay.analysis.gcode.trace_data import Trace
from fitassay.analysis.gcode.wall_order import usual_order
from fitassay.coupons.feature import Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.wording import count

FEW_OUTLINES = 0.05
"""So many of the outlines have room for all walls that are set."""

SCALE_WARNING = 5e-4
OFFSET_WARNING_MM = 0.02
BORE_WARNING_MM = 0.01
SPREAD_WARNING_MM = 0.01
WAVER_WARNING_MM = 0.015
APART_WARNING_MM = 0.03
FIRST_LAYER_WARNING_MM = 0.03
FIRST_BEAD_WARNING = 0.08
GAP_WARNING_MM = 0.5
ANGLE_WARNING = np.deg2rad(0.02)
SHEAR_WARNING = np.deg2rad(0.03)


def direction_text(trace: Trace) -> str:
    """Which way the outer walls run."""
    # A single bead draws both outlines of its wall; only the outer one says which way it runs.
    loops = [o for p in trace.found.values() for o in p.outer if not (p.coupon.single_wall and o.opening)]
    if not loops:
        return "not seen"
    left = np.mean([o.left for o in loops])
    if left > 0.99:
        return "material on the left: outlines counter-clockwise, openings clockwise"
    if left < 0.01:
        return "material on the right: outlines clockwise, openings counter-clockwise"
    by_layer: dict[tuple[str, int, float], list[bool]] = {}
    for key, p in trace.found.items():
        for o in p.outer:
            by_layer.setdefault((key, o.ring, round(o.path.z, 3)), []).append(o.left)
    layers: dict[float, set[bool]] = {}
    for (_, _, z), lefts in by_layer.items():
        layers.setdefault(z, set()).update(lefts)
    if all(len(lefts) == 1 for lefts in layers.values()):
        return "the other way round from layer to layer"
    turns = [o for o in loops if (o.path.area > 0)]
    if len(turns) in (0, len(loops)):
        return "outlines and openings alike " + ("counter-clockwise" if turns else "clockwise")
    return "mixed"


def order_text(trace: Trace) -> str:
    """Whether outer or inner walls come first."""
    return usual_order(
        (o.order, o.walls) for p in trace.found.values() if not p.coupon.single_wall for o in p.outer
    )


def walls_of(trace: Trace) -> int:
    """Number of walls side by side where there is room for all; 0 where none was seen."""
    walls = [o.walls for p in trace.found.values() if not p.coupon.single_wall for o in p.outer] or [
        o.walls for p in trace.found.values() for o in p.outer
    ]
    if not walls:
        return 0
    # Where the material is thin the inner ones are left out.
    counts = np.bincount(walls)
    return int(np.flatnonzero(counts >= FEW_OUTLINES * len(walls))[-1])


def warnings_of(trace: Trace, manifest: Manifest, machine: Machine) -> tuple[str, ...]:
    """What ought to be put right, or known, before this file is printed; sentences."""
    return tuple(
        [
            *_placing(trace),
            *_askew(trace),
            *_copies(trace),
            *_path(trace, machine["settings.contour_mm"]),
            *height_remarks(trace, manifest),
            *_first_layer(trace, machine["settings.first_layer_mm"]),
            *_walls(trace, manifest),
            *_seams(trace),
            *_file(trace),
        ]
    )


def _placing(trace: Trace) -> list[str]:
    said = []
    by_text: dict[str, list[str]] = {}
    for key, paths in trace.found.items():
        if paths.place.turn.text:
            by_text.setdefault(paths.place.turn.text, []).append(key)
    for text, keys in by_text.items():
        verb = "is" if len(keys) == 1 else "are"
        whose = "its" if len(keys) == 1 else "their"
        tail = f"{whose} readings are taken along the machine's axes as the piece lies"
        if any(trace.found[k].place.turn.mirrored for k in keys):
            tail = "a mirrored piece cannot be read by its marks; slice it as it was made"
        said.append(f"{', '.join(keys)} {verb} {text}: {tail}.")
    if trace.place is not None and np.abs(trace.place.scale).max() > SCALE_WARNING:
        x, y = 100 * trace.place.scale
        said.append(
            f"The file is enlarged by {x:+.2f} % in x and {y:+.2f} % in y against the drawing; slice at 100 %, or "
            "its readings will be compared with the enlarged sizes."
        )
    return said


def _askew(trace: Trace) -> list[str]:
    shears = [p.place.shear for p in trace.found.values() if not p.coupon.single_wall]
    shear = float(np.median(shears)) if shears else 0.0
    if abs(shear) > SHEAR_WARNING and not _wavers(trace):
        return [
            f"The path itself is skewed by {np.rad2deg(shear):+.2f} degrees (x moves along with y), as a skew "
            "compensation worked into the file does: the readings will hold the machine's skew and this together."
        ]
    return [
        f"{key} is turned by {np.rad2deg(paths.place.angle):+.2f} degrees counter-clockwise; lay it straight, its "
        "flanks are no longer square to the axes."
        for key, paths in trace.found.items()
        if abs(paths.place.angle) > ANGLE_WARNING and not _wavers(trace)
    ]


def _wavers(trace: Trace) -> bool:
    return trace.place is not None and trace.place.wavers > WAVER_WARNING_MM


def _path(trace: Trace, contour_mm: float) -> list[str]:
    said = []
    if trace.offset_mm is not None and trace.bead is not None:
        offset, half = trace.offset_mm, trace.bead.width / 2
        if abs(offset - half) < OFFSET_WARNING_MM:
            said.append(
                f"The path is drawn on the outline, {half:.3f} mm outside its place: every outside size will come "
                f"out {2 * half:.2f} mm large and every opening as much small. Set the horizontal size compensation "
                f"to {-half:+.3f} mm, or let the program draw half a bead inside."
            )
        elif abs(offset) > OFFSET_WARNING_MM and abs(offset - contour_mm) > OFFSET_WARNING_MM:
            way = "outside" if offset > 0 else "inside"
            said.append(
                f"The path stands {abs(offset):.3f} mm {way} its place: a horizontal size compensation is in "
                f"force that machine.toml does not tell (it says {contour_mm:g} mm), or the program draws otherwise "
                "than half a bead inside."
            )
        elif abs(contour_mm) > OFFSET_WARNING_MM and abs(offset) <= OFFSET_WARNING_MM:
            said.append(
                f"machine.toml says that a horizontal size compensation of {contour_mm:+g} mm is set, but the path "
                "does not show it: correct whichever is wrong before you follow the advice."
            )
    said += [
        f"Coupon {key} is drawn {abs(off):.3f} mm {'outside' if off > 0 else 'inside'} where the others are, per "
        "side: slice all of them with the same settings."
        for key, off in _apart(trace).items()
    ]
    place = trace.place
    if place is not None:
        if _wavers(trace):
            said.append(
                f"Outer walls waver by {place.wavers:.3f} mm to either side, in short pieces: a roughened surface is "
                "set in the slicing program, and jaws rest on its peaks; switch it off and slice again."
            )
        elif place.spread > SPREAD_WARNING_MM:
            said.append(
                f"The path does not keep one distance from the outlines: it strays by {place.spread:.3f} mm (root "
                "mean square), so its offset is uncertain."
            )
        if abs(place.opening) > BORE_WARNING_MM:
            what = "smaller" if place.opening > 0 else "larger"
            said.append(
                f"Openings are drawn {2 * abs(place.opening):.3f} mm {what} than outlines would have it: the program "
                "compensates holes."
            )
        polygons = polygon_holes(trace)
        if polygons:
            holes = ", ".join(f"{d:g} mm by {corners}" for d, (corners, _) in polygons.items())
            flat = max(depth for _, depth in polygons.values())
            said.append(
                f"Round holes are drawn with few corners ({holes}), the middles of their sides up to {flat:.3f} mm "
                "nearer to the hole's middle: neither pin nor jaws find one diameter there; set finer arcs in the "
                "slicing program, and no polygons for holes, and slice again."
            )
        big = {d: v for d, v in place.bores.items() if abs(v) > BORE_WARNING_MM and d not in polygons}
        if big:
            sizes = ", ".join(f"{d:g} mm by {-2 * v:+.3f} mm" for d, v in sorted(big.items()))
            said.append(f"Round holes are compensated on the diameter: {sizes}.")
    said += bead_remarks(trace.bead, trace.offset_mm)
    return said


def _first_layer(trace: Trace, told_mm: float) -> list[str]:
    """The first layer's path and bead against the layers above it."""
    first, bead = trace.first_layer, trace.bead
    if first is None:
        return []
    said = []
    edge = first.outward if bead is None else first.edge(bead.fed)
    if edge is not None and abs(edge - told_mm) > FIRST_LAYER_WARNING_MM:
        way = "inside" if edge < 0 else "outside"
        what = "path" if edge == first.outward else "edge"
        drawn = f"drawn {abs(edge):.3f} mm {way} where the layers above have their {what} (per side)"
        if abs(edge) <= FIRST_LAYER_WARNING_MM:
            drawn = f"drawn where the layers above have their {what}"
        said.append(
            f"The first layer is {drawn}, machine.toml says first_layer_mm = {told_mm:g}: make both say "
            f"{edge:+.2f}, so that the advice on feet starts from what is in force."
        )
    if first.bead is None or bead is None or edge != first.outward:
        return said
    if abs(first.bead / bead.fed - 1) > FIRST_BEAD_WARNING:
        said.append(
            f"The first layer's bead is fed for {first.bead:.3f} mm, the layers above for {bead.fed:.3f} mm: feet "
            "come out wider or narrower by that, so measure above them."
        )
    return said


def _apart(trace: Trace) -> dict[str, float]:
    """Coupons drawn elsewhere than the others, and how far outward [mm], if no bead of their own accounts for it."""
    beads = {} if trace.bead is None else trace.bead.by_coupon
    usual = float(np.median(list(beads.values()))) if beads else 0.0
    return {
        key: off
        for key, off in distances({k: p.place for k, p in trace.found.items()}).items()
        if min(abs(off), abs(off + (beads.get(key, usual) - usual) / 2)) > APART_WARNING_MM
    }


def _copies(trace: Trace) -> list[str]:
    said = []
    for key, corners in trace.copies.items():
        where = ", ".join(f"{i} at x {c[0]:.0f} y {c[1]:.0f}" for i, c in enumerate(corners, start=1))
        own = trace.found[key].place.shift if key in trace.found else corners[0]
        number = 1 + min(range(len(corners)), key=lambda i: float(np.hypot(*(corners[i] - own))))
        other = 2 if number == 1 else 1
        said.append(
            f"Coupon {key} is on the plate {count(len(corners), 'time')} ({where} mm): number {number} is read. "
            f"Measure that one, name another by --copy {key}={other}, or take the others off."
        )
    return said


def _walls(trace: Trace, manifest: Manifest) -> list[str]:
    said = []
    for key, paths in trace.found.items():
        if paths.wall == "doubled":
            said.append(
                f"The single wall of coupon {key} is drawn as more than one bead: choose the program's one-wall "
                "mode, or its thin-wall setting, or make the coupon the other way (--wall prism or --wall tube)."
            )
        elif paths.wall == "missing":
            said.append(
                f"The single wall of coupon {key} is left out: switch the program's thin walls on, or make the "
                "coupon with --wall prism."
            )
    for coupon in manifest.coupons:
        plate = [c.id for c in manifest.coupons if c.plate == coupon.plate and c is not coupon]
        most = 2 * sum(key in trace.found for key in plate) > len(plate)
        if coupon.single_wall and coupon.id in trace.missing and most:
            said.append(
                f"The single-wall coupon {coupon.id} was not found though others of its plate were: if it is on the "
                "plate, its wall was left out; switch the program's thin walls on, or make it with --wall prism."
            )
    return said


def _seams(trace: Trace) -> list[str]:
    said = []
    gap = 0.0 if trace.slicing is None else trace.slicing.gap
    if gap > GAP_WARNING_MM:
        said.append(
            f"Outer walls stop up to {gap:.1f} mm short of their start: what the piece is like there nobody knows, "
            "so keep the jaws off it, or close the loops in the slicing program."
        )
    under = [f"{f.feature.id} on {f.coupon}" for f in trace.features if f.seam]
    if under:
        said.append(
            f"The seam lies under the jaws of {_list(under)}: move it to the notch, or measure clear of it; such "
            "readings weigh less."
        )
    changed = [f"{f.feature.id} on {f.coupon}" for f in trace.features if f.changed and f.traced]
    if changed:
        said.append(
            f"Seam or order change how backlash shows in {_list(changed)}: diagnose takes that into account when it "
            "is given this file."
        )
    unseen = [f"{f.feature.id} on {f.coupon}" for f in trace.features if not f.traced]
    if unseen:
        said.append(f"No closed path was found for {_list(unseen)}; the ideal one is assumed there.")
    return said


def _list(items: list[str]) -> str:
    return ", ".join(items[:6]) + (f" and {count(len(items) - 6, 'other')}" if len(items) > 6 else "")


def _distinct_changes(trace: Trace) -> list[Change]:
    """The first of each kind of word that changes the print, those that change nothing left out."""
    by_word: dict[str, Change] = {}
    for change in trace.tally.changes:
        if not change.idle:
            by_word.setdefault(change.word, change)
    return list(by_word.values())


def _file(trace: Trace) -> list[str]:
    tally = trace.tally
    said = [sentence(change) for change in _distinct_changes(trace)]
    if trace.relative_filament_assumed:
        said.append(
            "Nothing in the file says how E counts; it is read as relative (M83), since an absolute one would draw "
            "filament back all the time. Make sure that the machine takes it so."
        )
    if tally.numbers_missing:
        said.append(
            f"Line numbers are missing in {count(tally.numbers_missing, 'place')}, first before line "
            f"{tally.first_number_missing}: lines may be lost, slice again."
        )
    if tally.bad_checksums:
        lines = count(tally.bad_checksums, "line")
        said.append(
            f"The checksum of {lines} does not fit, first in line {tally.first_bad_checksum}: a damaged file?"
        )
    if tally.unread_moves:
        lines = count(tally.unread_moves, "line")
        said.append(
            f"{lines} under a motion that is not read (splines, cycles) passed over, first line "
            f"{tally.first_unread_move}."
        )
    if tally.loose_arcs:
        said.append(
            f"{count(tally.loose_arcs, 'arc')} with ends more than 0.002 mm off one circle followed all the same."
        )
    return said
