"""A trace in words and as JSON: what deserves a warning before anything is printed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from fitassay.coupons.feature import Manifest
from fitassay.coupons.wording import count

if TYPE_CHECKING:
    from fitassay.analysis.gcode.trace import Trace

SCALE_WARNING = 5e-4
OFFSET_WARNING_MM = 0.02
BORE_WARNING_MM = 0.01
SPREAD_WARNING_MM = 0.01
WIDTH_WARNING = 0.05
LAYER_WARNING = 0.03


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
    turns = [o for o in loops if (o.path.area > 0)]
    if len(turns) in (0, len(loops)):
        return "outlines and openings alike " + ("counter-clockwise" if turns else "clockwise")
    return "mixed"


def order_text(trace: Trace) -> str:
    """Whether outer or inner walls come first."""
    said = [
        o.outer_first
        for p in trace.found.values()
        if not p.coupon.single_wall
        for o in p.outer
        if o.outer_first is not None
    ]
    if not said:
        return "one wall only"
    share = np.mean(said)
    if share > 0.99:
        return "outer wall first"
    if share < 0.01:
        return "inner walls first"
    return "mixed"


def walls_of(trace: Trace) -> int:
    """Number of walls side by side that most outlines have; 0 where none was seen."""
    walls = [
        o.walls for p in trace.found.values() if not p.coupon.single_wall for o in p.outer if not o.opening
    ] or [o.walls for p in trace.found.values() for o in p.outer]
    return int(np.bincount(walls).argmax()) if walls else 0


def warnings_of(trace: Trace, manifest: Manifest, contour_mm: float = 0.0) -> tuple[str, ...]:
    """What ought to be put right, or known, before this file is printed; sentences.

    Parameters
    ----------
    contour_mm : float [mm]
        The horizontal size compensation that machine.toml says is set.
    """
    return tuple(
        [
            *_placing(trace),
            *_path(trace, contour_mm),
            *_layers(trace),
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
                f"The path stands {abs(offset):.3f} mm {way} its place: a size compensation is in force that "
                f"machine.toml does not tell (contour_mm = {contour_mm:g}), or the program draws otherwise than half "
                "a bead inside."
            )
        elif abs(contour_mm) > OFFSET_WARNING_MM and abs(offset) <= OFFSET_WARNING_MM:
            said.append(
                f"machine.toml says that a size compensation of {contour_mm:+g} mm is set (contour_mm), but the path "
                "does not show it: correct whichever is wrong before you follow the advice."
            )
    place = trace.place
    if place is not None:
        if place.spread > SPREAD_WARNING_MM:
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
        big = {d: v for d, v in place.bores.items() if abs(v) > BORE_WARNING_MM}
        if big:
            sizes = ", ".join(f"{d:g} mm by {-2 * v:+.3f} mm" for d, v in sorted(big.items()))
            said.append(f"Round holes are compensated on the diameter: {sizes}.")
    if trace.bead is not None and abs(trace.bead.width / trace.bead.profile - 1) > WIDTH_WARNING:
        said.append(
            f"The commanded bead is {trace.bead.width:.3f} mm wide, the profile says {trace.bead.profile:g} mm: set "
            "line_width_mm in machine.toml or the program's width, so that both say the same."
        )
    return said


def _layers(trace: Trace) -> list[str]:
    said = []
    h, profile = trace.layer_height_mm, trace.profile_layer_mm
    if abs(h / profile - 1) > LAYER_WARNING:
        said.append(
            f"Layers are {h:.3f} mm high, the coupons were made for {profile:g} mm: slice with {profile:g} mm."
        )
    if trace.raised_mm:
        said.append(
            f"The coupons stand on a raft of {trace.raised_mm:.2f} mm: heights and feet cannot be measured; slice "
            "without it."
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


def _file(trace: Trace) -> list[str]:
    tally = trace.tally
    said = []
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


@dataclass(frozen=True, kw_only=True)
class PathDrawing:
    """One coupon's outline against its path, for a picture; all in the frame of the piece as it lies on the bed.

    Attributes
    ----------
    coupon : str
    height : float [mm]
    outlines : tuple of ndarray (m, 2) [mm]
        Closed, the first point not repeated.
    outer, inner : tuple of ndarray (m, 2) [mm]
        Outer walls from their seams on, and further walls; closed.
    contacts : tuple of (feature id, a, b)
        Where the jaws go, (x, y) [mm] each, at this height.
    bead_mm : float [mm]
    """

    coupon: str
    height: float
    outlines: tuple[np.ndarray, ...]
    outer: tuple[np.ndarray, ...]
    inner: tuple[np.ndarray, ...]
    contacts: tuple[tuple[str, tuple[float, float], tuple[float, float]], ...]
    bead_mm: float


def drawings_of(trace: Trace) -> tuple[PathDrawing, ...]:
    """A drawing per coupon, at the height where most of it is measured."""
    drawings = []
    width = trace.bead.width if trace.bead else trace.walk.manifest.line_width_mm
    for key, paths in trace.found.items():
        heights = [z for z in paths.rings if any(o.height == z for o in paths.outer)]
        if not heights:
            continue
        at = {
            z: [f for f in paths.coupon.features if f.kind != "height" and f.contact_height == z]
            for z in heights
        }
        z = max(heights, key=lambda h: len(at[h]))
        layer = next(o.layer for o in paths.outer if o.height == z)
        drawings.append(
            PathDrawing(
                coupon=key,
                height=z,
                outlines=tuple(r.points for r in paths.rings[z]),
                outer=tuple(o.points for o in paths.outer if o.height == z and o.layer is layer),
                inner=paths.others.get(z, ()),
                contacts=tuple((f.id, f.contact_a_mm[:2], f.contact_b_mm[:2]) for f in at[z]),
                bead_mm=width,
            )
        )
    return tuple(drawings)


def trace_json(trace: Trace) -> dict[str, Any]:
    """The answer of `trace --json`; what was not seen is null."""
    place = trace.place
    return {
        "schema": 1,
        "file": trace.file,
        "lines": trace.tally.lines,
        "layers": trace.layers,
        "path": None
        if place is None
        else {
            "offset_mm": trace.offset_mm,
            "std_uncertainty_mm": place.u,
            "spread_mm": place.spread,
            "by_axis": {
                axis: {
                    "offset_mm": _number(mean + (trace.offset_mm or 0.0) - place.offset),
                    "spread_mm": _number(spread),
                }
                for axis, (mean, spread) in zip("xy", place.axes, strict=True)
            },
            "openings_mm": place.opening,
            "bores_mm": {f"{d:g}": v for d, v in sorted(place.bores.items())},
            "scale": {"x": 1 + float(place.scale[0]), "y": 1 + float(place.scale[1])},
        },
        "bead": None
        if trace.bead is None
        else {
            "width_mm": trace.bead.width,
            "spread_mm": trace.bead.spread,
            "profile_mm": trace.bead.profile,
            "fed_by_volume": trace.bead.by_volume,
        },
        "layer_height_mm": trace.layer_height_mm,
        "first_layer_mm": trace.first_layer_mm,
        "raised_mm": trace.raised_mm,
        "speed_mm_s": _number(trace.speed_mm_s),
        "walls": walls_of(trace),
        "order": order_text(trace),
        "direction": direction_text(trace),
        "coupons": [_coupon_json(key, paths) for key, paths in trace.found.items()],
        "missing": list(trace.missing),
        "features": [
            {
                "coupon": f.coupon,
                "feature": f.feature.id,
                "direction_deg": f.feature.direction_deg,
                "offset_mm": _number(f.offset_mm),
                "backlash_gain": {"x": f.gains[0], "y": f.gains[1]},
                "ideal_backlash_gain": {"x": f.ideal_gains[0], "y": f.ideal_gains[1]},
                "seam_under_jaw": f.seam,
                "traced": f.traced,
            }
            for f in trace.features
        ],
        "unknown_words": dict(trace.tally.unknown.most_common()),
        "warnings": list(trace.warnings),
    }


def _coupon_json(key: str, paths) -> dict[str, Any]:
    place = paths.place
    return {
        "id": key,
        "placement": place.turn.text or "as drawn",
        "mirrored": place.turn.mirrored,
        "axes_exchanged": place.turn.quarter,
        "origin_on_bed_mm": [float(v) for v in place.shift],
        "share_matched": place.share,
        "single_wall": paths.wall or None,
        "seams_mm": [
            {"height_mm": o.height, "x": float(o.seam[0]), "y": float(o.seam[1]), "line": o.path.line}
            for o in paths.outer
        ],
    }


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
