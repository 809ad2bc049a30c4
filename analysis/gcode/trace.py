"""`fitassay trace` as data: what a sliced file will print of our coupons, before anything is printed.

The path's place, the commanded bead, directions, order and seams are read from the motion alone. Along the real
loops the walk gives the true sensitivities of every reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from fitassay.analysis.chain.loops import Loop
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.gcode.bead import bead_of
from fitassay.analysis.gcode.candidates import CERTAIN, chosen, copies
from fitassay.analysis.gcode.changes import volume_obeyed
from fitassay.analysis.gcode.coupon_paths import CouponPaths, paths_of, walk_loops
from fitassay.analysis.gcode.coupons_apart import bead_off
from fitassay.analysis.gcode.first_layer import first_layer_of
from fitassay.analysis.gcode.heights import filament_of, heights_of
from fitassay.analysis.gcode.jaw_seams import seams_on
from fitassay.analysis.gcode.loop_map import LoopMap
from fitassay.analysis.gcode.misplaced import why_not_found
from fitassay.analysis.gcode.offset import PathPlace, place_of
from fitassay.analysis.gcode.outline_views import flank_offsets, what_probes_see
from fitassay.analysis.gcode.overlapped import crossed_at, joined
from fitassay.analysis.gcode.probes import FOOT_MM, Template, turned_mesh
from fitassay.analysis.gcode.reading import FileReading
from fitassay.analysis.gcode.registration import ANGLE_LIMIT, Place
from fitassay.analysis.gcode.slicing import slicing_of
from fitassay.analysis.gcode.trace_data import Trace, TracedFeature
from fitassay.analysis.gcode.trace_words import warnings_of
from fitassay.analysis.gcode.words import LIMITS, Limits, Tally
from fitassay.analysis.terms import PLAYS, TERMS
from fitassay.coupons.errors import InputError
from fitassay.coupons.export.stl import read_coupon
from fitassay.coupons.feature import Manifest
from fitassay.coupons.machine import Kinematics, Machine
from fitassay.coupons.sections import Slicer

NO_CHOICE: Mapping[str, int] = {}

RAISED_LAYERS = 1.5
"""Coupons that end this many layers too high are read so much higher."""

DROPS_SHARE = 0.2
"""Where nothing says how E counts and an absolute E would fall so often, it is relative."""

WIDTH_TOLERANCE = 0.01
"""A commanded bead this much off the profile's is taken for the bead in force."""

WIDEST_OPEN_MM = 5.5
"""Where walls stop farther short of their start, walls of other lengths are taken for each other."""

USUAL_PLAY_MM = 0.1
"""Backlash at which the real path's sensitivities are compared with the ideal one's."""

SCALE_LIMIT = 0.02
"""Farther from 100 % a coupon is refused: its contacts are no longer where they were drawn."""


def trace_file(
    path: Path,
    manifest: Manifest,
    folder: Path,
    machine: Machine,
    limits: Limits = LIMITS,
    choice: Mapping[str, int] = NO_CHOICE,
) -> Trace:
    """Read a sliced file and compare it with the coupons' outlines.

    Parameters
    ----------
    path : Path
        RS-274 text.
    manifest : Manifest
    folder : Path
        Where the coupons' meshes are.
    machine : Machine
    limits : Limits
        How much of anything the file may hold.
    choice : mapping of str to int
        Which of several copies of a coupon is read, see `candidates.chosen`.

    Raises
    ------
    InputError
        The file cannot be read for certain, holds none of the coupons, or holds one that lies askew.
    """
    templates = {
        c.id: Template(c, read_coupon(c, folder), manifest.layer_height_mm) for c in manifest.coupons
    }
    return trace_templates(path, manifest, templates, machine, limits, choice)


def trace_templates(
    path: Path,
    manifest: Manifest,
    templates: dict[str, Template],
    machine: Machine,
    limits: Limits = LIMITS,
    choice: Mapping[str, int] = NO_CHOICE,
) -> Trace:
    """`trace_file` for coupons at hand."""
    name = Path(path).name
    tally = Tally(name=name, limits=limits)
    reading = FileReading(path, templates, 0.0, tally)
    relative = tally.filament_undeclared and tally.filament_drops > DROPS_SHARE * tally.filament_steps
    if relative:
        tally = Tally(name=name, limits=limits)
        reading = FileReading(path, templates, 0.0, tally, relative=True)
    try:
        trace = _traced(path, manifest, templates, machine, choice, reading, tally, relative)
    except InputError as exc:
        # Walls that stop far short of their start look like other shapes, sizes and parts.
        if reading.left_open_mm:
            raise _left_open(reading.left_open_mm, name) from exc
        raise
    gap = _usual_gap(trace)
    if gap > WIDEST_OPEN_MM:
        raise _left_open(gap, name)
    return trace


def _usual_gap(trace: Trace) -> float:
    """The widest of the outlines' usual gaps [mm]; in one layer what is missing may lie around a corner."""
    gaps: dict[tuple[str, float, int], list[float]] = {}
    for key, paths in trace.found.items():
        for o in paths.outer:
            gaps.setdefault((key, o.height, o.ring), []).append(0.0 if o.path.coasted else o.path.gap)
    return max((float(np.median(g)) for g in gaps.values()), default=0.0)


def _left_open(gap: float, name: str) -> InputError:
    return InputError(
        f"outer walls stop {gap:.1f} mm short of their start, and the nozzle does not go on along them, so nobody "
        "knows what a coupon is like there; have walls drawn to their end and slice again",
        name,
    )


def _traced(
    path: Path,
    manifest: Manifest,
    templates: dict[str, Template],
    machine: Machine,
    choice: Mapping[str, int],
    reading: FileReading,
    tally: Tally,
    relative: bool,
) -> Trace:
    """What the reading of a file's layers tells of its coupons."""
    name, limits = tally.name, tally.limits
    width = manifest.line_width_mm
    places = reading.places(width)
    # Before heights are judged: another part's top would be taken for the coupon's.
    _refuse_overlapped(reading, places, name)
    heights = heights_of(
        reading.strokes, places, manifest.layer_height_mm, reading.usual_step or manifest.layer_height_mm
    )
    raised = round(heights.offset, 3) if heights.offset > RAISED_LAYERS * manifest.layer_height_mm else 0.0
    if raised:
        tally = Tally(name=name, limits=limits)
        reading = FileReading(path, templates, raised, tally, relative=True if relative else None)
        seen, places = places, {k: replace(p, raised=raised) for k, p in reading.places(width).items()}
        if not places:
            raise InputError(_printed_upon(next(iter(seen.values())), raised), name)
        _refuse_overlapped(reading, places, name)
    places, every = chosen(places, copies(reading.options, places), choice)
    _refuse(reading, templates, places, width, name)
    bands = {k: reading.bands(templates[k]) for k in templates if k in places}
    found = {k: paths_of(places[k], bands[k], width) for k in bands}
    by_volume = volume_obeyed(tally.changes)
    place = _path_place(reading, found)
    thick = reading.layer_height(found)
    bead = bead_of(found, machine, width, thick, place, by_volume)
    used = width if bead is None or abs(bead.width / width - 1) <= WIDTH_TOLERANCE else bead.width
    offset = None if place is None else place.offset + used / 2
    slicers, loops = _paths(found, offset or 0.0)
    turned = replace(manifest, coupons=tuple(p.coupon for p in found.values()), line_width_mm=used)
    walk = SetWalk(turned, slicers, loops)
    features = _features(walk, SetWalk(turned, slicers), found, bands, machine.kinematics)
    total, walls, pieces = filament_of(reading.strokes, places)
    cross = np.pi * machine["settings.filament_diameter_mm"] ** 2 / 4
    area_per_e = 1.0 if bead is not None and bead.by_volume and not by_volume else cross
    trace = Trace(
        file=name,
        found=found,
        missing=tuple(c.id for c in manifest.coupons if c.id not in found),
        place=place,
        offset_mm=offset,
        bead=bead,
        layer_height_mm=thick,
        profile_layer_mm=manifest.layer_height_mm,
        first_layer_mm=reading.first_layer(places),
        speed_mm_s=_median([o.path.feed for p in found.values() for o in p.outer]),
        raised_mm=raised,
        layers=len({round(r.z, 3) for r in reading.rows}),
        features=features,
        walk=walk,
        slicers=slicers,
        loops=loops,
        tally=tally,
        heights=heights,
        relative_filament_assumed=relative,
        copies={k: tuple(p.shift for p in v) for k, v in every.items()},
        filament_mm=total,
        wall_filament_mm=walls,
        piece_filament_mm=pieces,
        slicing=slicing_of(found, reading.kept, tally.decimals),
        first_layer=first_layer_of(reading.lowest(places), places, area_per_e, thick),
    )
    return replace(trace, warnings=warnings_of(trace, manifest, machine))


def _median(values: list[float]) -> float:
    good = [v for v in values if np.isfinite(v)]
    return float(np.median(good)) if good else float("nan")


def _refuse(
    reading: FileReading, templates: dict[str, Template], places: dict[str, Place], width: float, name: str
) -> None:
    """Raise where a coupon lies askew, or none is there at all."""
    for key, place in places.items():
        if abs(place.angle) > ANGLE_LIMIT:
            raise InputError(
                f"coupon {key} is turned by {np.rad2deg(abs(place.angle)):.2g} degrees; lay it straight (quarter "
                "turns are understood) and slice again",
                name,
            )
        if np.abs(place.scale).max() > SCALE_LIMIT:
            raise InputError(
                f"coupon {key} is sliced at about {100 * (1 + place.scale.mean()):.1f} % of its size; "
                "slice it at 100 %",
                name,
            )
    apart = bead_off(places, width)
    if apart:
        raise InputError(f"{apart}; slice all of them alike", name)
    lost = [template for key, template in templates.items() if key not in places]
    near = {template.coupon.id: reading.near(template) for template in lost}
    why = why_not_found(lost, near, width, list(places.values()))
    if why is not None:
        raise InputError(f"coupon {why[0]} {why[1]}; lay it as it was made and slice again", name)
    known = [p for options in reading.options.values() for p in options if p.share > CERTAIN]
    for template in lost:
        at = joined(template, near[template.coupon.id], width, [*places.values(), *known])
        if at is not None:
            raise InputError(_overlapped(template.coupon.id, at), name)
    if not places:
        top = max(row.top for row in reading.rows)
        heights = (z for t in templates.values() for z in t.contact_heights if z >= FOOT_MM)
        lowest = min(heights, default=0.0)  # of a stair nothing is measured on its walls
        if top < lowest:
            raise InputError(
                f"holds none of this print's coupons as high as they are measured: it ends at {top:.2f} mm, the "
                f"first place is at {lowest:.2f} mm; was it cut off, or sliced from other files?",
                name,
            )
        raise InputError(
            "holds none of this print's coupons; was it sliced from the STL or plate files of this very print?",
            name,
        )


def _refuse_overlapped(reading: FileReading, places: dict[str, Place], name: str) -> None:
    for key, place in places.items():
        at = crossed_at(place, reading.near(place.template))
        if at is not None:
            raise InputError(_overlapped(key, at), name)


def _printed_upon(place: Place, higher: float) -> str:
    coupon = place.template.coupon
    return (
        f"has something printed upon coupon {coupon.id}: above it the file goes on to "
        f"{coupon.size_mm[2] + higher:.4g} mm, and it is {coupon.size_mm[2]:.4g} mm high; take that away and slice "
        "again"
    )


def _overlapped(key: str, height: float) -> str:
    return (
        f"coupon {key} is overlapped by another part: at a height of {height:.4g} mm a path that is not its own runs "
        "through it; move them apart and slice again"
    )


def _path_place(reading: FileReading, found: dict[str, CouponPaths]) -> PathPlace | None:
    rows = []
    for paths in found.values():
        if paths.coupon.single_wall:
            continue
        template = paths.place.template
        heights = [z for z in template.contact_heights if z >= FOOT_MM] or list(template.contact_heights)
        maps = {z: loops for z in heights if (loops := reading.covering(z)) is not None}
        rows.append((paths.place, maps))
    seen = what_probes_see(rows)
    return place_of(*seen) if seen else None


def _paths(
    found: dict[str, CouponPaths], offset: float
) -> tuple[dict[str, Slicer], dict[str, dict[float, tuple[Loop, ...]]]]:
    """Sections and real loops of the coupons as they lie on the bed."""
    slicers = {}
    for key, paths in found.items():
        template, turn = paths.place.template, paths.place.turn
        mesh = turned_mesh(template.mesh, turn, template.coupon.size_mm)
        slicers[key] = Slicer(mesh, template.coupon.file)
    return slicers, {key: walk_loops(paths, offset) for key, paths in found.items()}


def _features(
    walk: SetWalk,
    ideal: SetWalk,
    found: dict[str, CouponPaths],
    bands: dict[str, dict[float, list[LoopMap]]],
    kinematics: Kinematics,
) -> tuple[TracedFeature, ...]:
    """Each feature along the real path, beside the ideal one."""
    width = walk.manifest.line_width_mm
    axes: tuple[str, str] = ("a", "b") if kinematics == "crossed-belts" else ("x", "y")
    plays = PLAYS[2:] if kinematics == "crossed-belts" else PLAYS[:2]
    real_gains, ideal_gains = _play_gains(walk, plays), _play_gains(ideal, plays)
    features = []
    for i, (key, _) in enumerate(walk.keys):
        paths, feature = found[key], walk.features[i]
        if feature.kind == "height" or feature.optional:
            continue
        z = feature.contact_height
        offsets = flank_offsets(paths, bands[key], feature)
        features.append(
            TracedFeature(
                coupon=key,
                feature=feature,
                offset_mm=float(np.mean(offsets)) + width / 2,
                ideal_gains=(float(ideal_gains[i, 0]), float(ideal_gains[i, 1])),
                gains=(float(real_gains[i, 0]), float(real_gains[i, 1])),
                axes=axes,
                seam=bool(seams_on(paths, feature)),
                traced=z in paths.complete,
            )
        )
    return tuple(features)


def _play_gains(walk: SetWalk, plays: tuple[int, ...]) -> np.ndarray:
    """d reading / d play of two axes or belts, ndarray (features, 2), for a play as printers have it."""
    theta = np.zeros((3, len(TERMS)))
    theta[1, plays[0]] = theta[2, plays[1]] = USUAL_PLAY_MM
    values = walk.readings(theta)
    return ((values[1:] - values[0]) / USUAL_PLAY_MM).T
