"""`fitassay trace` as data: what a sliced file will print of our coupons, before anything is printed.

The path's place, the commanded bead, directions, order and seams are read from the motion alone. Along the real
loops the walk gives the true sensitivities of every reading.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from fitassay.analysis.chain.loops import Loop
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.gcode.coupon_paths import (
    CouponPaths,
    flank_offsets,
    paths_of,
    seams_on,
    walk_loops,
    what_probes_see,
)
from fitassay.analysis.gcode.layers import Layer, LayerRow, read_layers
from fitassay.analysis.gcode.moves import read_moves
from fitassay.analysis.gcode.offset import PathPlace, place_of
from fitassay.analysis.gcode.probes import Template, turned_mesh
from fitassay.analysis.gcode.registration import (
    ANGLE_LIMIT,
    LoopMap,
    Place,
    assign,
    candidates,
    why_not_found,
)
from fitassay.analysis.gcode.words import Tally
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.coupons.errors import InputError
from fitassay.coupons.export.stl import read_coupon
from fitassay.coupons.feature import Feature, Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.sections import Slicer

BAND_MM = 0.45
"""Layers this near a measured height are read too: a jaw covers several."""

MOST_LAYERS_A_BAND = 5
RAISED_LAYERS = 1.5
"""A file that ends this many layers above the tallest coupon stands on a raft."""

FOOT_MM = 0.5
"""Below this height programs shift the path on purpose."""

WIDTH_TOLERANCE = 0.02
"""A commanded bead this much off the profile's is taken for the bead in force."""

USUAL_PLAY_MM = 0.1
"""Backlash at which the real path's sensitivities are compared with the ideal one's."""

SCALE_LIMIT = 0.02
"""Farther from 100 % a coupon is refused: its contacts are no longer where they were drawn."""

OFFSET_U_MM = 0.005
"""Standard uncertainty of the path's place for what the machine makes of it: rounding of coordinates, chords."""


@dataclass(frozen=True, kw_only=True)
class Bead:
    """Commanded bead.

    Attributes
    ----------
    width, spread : float [mm]
        Median over the outer walls, and half the range that holds 90 % of them.
    profile : float [mm]
        What the machine's profile says.
    by_volume : bool
        True where E counts cubic millimetres.
    """

    width: float
    spread: float
    profile: float
    by_volume: bool


@dataclass(frozen=True, kw_only=True)
class TracedFeature:
    """One measured feature along the real path.

    Attributes
    ----------
    coupon : str
    feature : Feature
        As the piece lies on the bed.
    offset_mm : float [mm]
        How far the path stands outward of its ideal place, mean of both contacts; NaN where not seen.
    ideal_gains, gains : tuple of two float
        d reading / d backlash in x and in y, along the ideal path and along the file's.
    seam : bool
        True where a seam lies under a jaw.
    traced : bool
        False where the ideal path is still assumed.
    """

    coupon: str
    feature: Feature
    offset_mm: float
    ideal_gains: tuple[float, float]
    gains: tuple[float, float]
    seam: bool
    traced: bool

    @property
    def changed(self) -> bool:
        """True where the real path sees backlash otherwise than the ideal one."""
        return bool(np.abs(np.subtract(self.gains, self.ideal_gains)).max() > 0.05)


@dataclass(frozen=True, kw_only=True)
class Trace:
    """What a sliced file says about the coupons.

    Attributes
    ----------
    file : str
    found : dict of str to CouponPaths
        By coupon id, in the manifest's order.
    missing : tuple of str
        Coupons that are not in the file.
    place : PathPlace or None
        None where only a single wall was found, which a path offset does not reach.
    offset_mm : float or None [mm]
        How far the path stands outward of half a bead inside the outline.
    bead : Bead or None
        None where no outer wall was found.
    layer_height_mm, profile_layer_mm : float [mm]
    first_layer_mm : float [mm]
    speed_mm_s : float [mm/s]
    raised_mm : float [mm]
    layers : int
    features : tuple of TracedFeature
    walk : SetWalk
        Readings of the coupons found, along their real loops, set back by `offset_mm`.
    slicers, loops : dict by coupon id
        What `walk` was made of.
    warnings : tuple of str
    tally : Tally
    """

    file: str
    found: dict[str, CouponPaths]
    missing: tuple[str, ...]
    place: PathPlace | None
    offset_mm: float | None
    bead: Bead | None
    layer_height_mm: float
    profile_layer_mm: float
    first_layer_mm: float
    speed_mm_s: float
    raised_mm: float
    layers: int
    features: tuple[TracedFeature, ...]
    walk: SetWalk
    slicers: dict[str, Slicer]
    loops: dict[str, dict[float, tuple[Loop, ...]]]
    tally: Tally
    warnings: tuple[str, ...] = field(default_factory=tuple)

    def as_json(self) -> dict[str, Any]:
        """What `trace --json` prints."""
        from fitassay.analysis.gcode.trace_words import trace_json

        return trace_json(self)


def trace_file(path: Path, manifest: Manifest, folder: Path, machine: Machine) -> Trace:
    """Read a sliced file and compare it with the coupons' outlines.

    Parameters
    ----------
    path : Path
        RS-274 text.
    manifest : Manifest
    folder : Path
        Where the coupons' meshes are.
    machine : Machine

    Raises
    ------
    InputError
        The file cannot be read for certain, holds none of the coupons, or holds one that lies askew.
    """
    templates = {
        c.id: Template(c, read_coupon(c, folder), manifest.layer_height_mm) for c in manifest.coupons
    }
    return trace_templates(path, manifest, templates, machine)


def trace_templates(
    path: Path, manifest: Manifest, templates: dict[str, Template], machine: Machine
) -> Trace:
    """`trace_file` for coupons at hand."""
    name = Path(path).name
    tally = Tally(name=name)
    reading = _Reading(path, templates, 0.0, tally)
    width = manifest.line_width_mm
    places = reading.places(width)
    raised = _raised(reading, places, manifest.layer_height_mm)
    if raised:
        tally = Tally(name=name)
        reading = _Reading(path, templates, raised, tally)
        places = {k: replace(p, raised=raised) for k, p in reading.places(width).items()}
    _refuse(reading, templates, places, width, name)
    bands = {k: reading.bands(templates[k]) for k in templates if k in places}
    found = {k: paths_of(places[k], bands[k], width) for k in bands}
    bead = _bead(found, machine, width)
    used = width if bead is None or abs(bead.width / width - 1) <= WIDTH_TOLERANCE else bead.width
    place = _path_place(reading, found)
    offset = None if place is None else place.offset + used / 2
    slicers, loops = _paths(found, offset or 0.0)
    turned = replace(manifest, coupons=tuple(p.coupon for p in found.values()), line_width_mm=used)
    walk = SetWalk(turned, slicers, loops)
    features = _features(walk, SetWalk(turned, slicers), found, bands)
    trace = Trace(
        file=name,
        found=found,
        missing=tuple(c.id for c in manifest.coupons if c.id not in found),
        place=place,
        offset_mm=offset,
        bead=bead,
        layer_height_mm=reading.layer_height(found),
        profile_layer_mm=manifest.layer_height_mm,
        first_layer_mm=reading.first_layer(places),
        speed_mm_s=_median([o.path.speed for p in found.values() for o in p.outer]),
        raised_mm=raised,
        layers=len({round(r.z, 3) for r in reading.rows}),
        features=features,
        walk=walk,
        slicers=slicers,
        loops=loops,
        tally=tally,
    )
    from fitassay.analysis.gcode.trace_words import warnings_of

    return replace(trace, warnings=warnings_of(trace, manifest, machine["settings.contour_mm"]))


def _median(values: list[float]) -> float:
    good = [v for v in values if np.isfinite(v)]
    return float(np.median(good)) if good else float("nan")


class _Reading:
    """One pass through the file: rows of all layers, and the loops where coupons are measured."""

    def __init__(self, path: Path, templates: dict[str, Template], raised: float, tally: Tally) -> None:
        self.templates = templates
        self.raised = raised
        contact = sorted({z for t in templates.values() for z in t.contact_heights})
        other = sorted({z for t in templates.values() for z in t.other_heights})
        low = np.array([z - BAND_MM for z in contact] + other) + raised
        high = np.array([z + BAND_MM for z in contact] + other) + raised

        def wanted(below: float, z: float) -> bool:
            return bool(np.any((low <= z + 1e-3) & (high > below + 1e-3)))

        self.rows: list[LayerRow] = []
        self.kept: list[Layer] = []
        for layer in read_layers(read_moves(path, tally), wanted, tally.name):
            row = layer.row if isinstance(layer, Layer) else layer
            self.rows.append(row)
            if isinstance(layer, Layer):
                self.kept.append(layer)
        if not self.rows:
            raise InputError(
                "feeds no plastic along any move (no E words that grow); is it the sliced file?", tally.name
            )
        self._maps: dict[tuple[int, ...], LoopMap] = {}

    def _map(self, layers: list[Layer]) -> LoopMap:
        key = tuple(id(layer) for layer in layers)
        if key not in self._maps:
            self._maps[key] = LoopMap(layers)
        return self._maps[key]

    def covering(self, z: float) -> LoopMap | None:
        """What is printed at a coupon's height z: several layers where pieces are printed one after another."""
        layers = [layer for layer in self.kept if layer.row.covers(z + self.raised)]
        return self._map(layers) if layers else None

    def near(self, template: Template) -> dict[float, LoopMap]:
        """One layer for each height at which a coupon is looked for; others than measured ones by their middle."""
        found: dict[float, LoopMap] = {}
        for z in template.contact_heights:
            if (loops := self.covering(z)) is not None:
                found[z] = loops
        for z in template.other_heights:
            loops = self.covering(z)
            if loops is not None:
                low, high = max((layer.row for layer in loops.layers), key=lambda row: row.length).span
                middle = round((low + high) / 2 - self.raised, 6)
                if middle not in found and 0 < middle < template.coupon.size_mm[2]:
                    found[middle] = loops
        return found

    def bands(self, template: Template) -> dict[float, list[LoopMap]]:
        """The layers about each measured height that have the same outline, the nearest first."""
        levels: dict[float, list[Layer]] = {}
        for layer in self.kept:
            levels.setdefault(round(layer.row.z, 3), []).append(layer)
        bands = {}
        for z in template.contact_heights:
            main = self.covering(z)
            if main is None:
                continue
            area = sum(r.area for r in template.rings(z))
            others = []
            for layers in levels.values():
                if any(layer.row.covers(z + self.raised) for layer in layers):
                    continue
                middle = round(sum(layers[0].row.span) / 2 - self.raised, 6)
                if 0 < middle and abs(middle - z) < BAND_MM:
                    if abs(sum(r.area for r in template.rings(middle)) - area) < 1e-3:
                        others.append((abs(middle - z), middle, layers))
            others.sort(key=lambda item: item[:2])
            bands[z] = [main, *(self._map(layers) for _, _, layers in others[: MOST_LAYERS_A_BAND - 1])]
        return bands

    def places(self, width: float) -> dict[str, Place]:
        """Where each coupon lies."""
        return assign({k: candidates(t, self.near(t), width) for k, t in self.templates.items()})

    def first_layer(self, places: dict[str, Place]) -> float:
        """Thickness of the lowest layer that lies under a coupon, purge lines and the like left aside [mm]."""
        middles = [p.shift + p.middle for p in places.values()]
        under = [
            r.thickness
            for r in self.rows
            if r.z > self.raised and any(np.all(r.low < m) and np.all(m < r.high) for m in middles)
        ]
        return float(under[0]) if under else 0.0

    def layer_height(self, found: dict[str, CouponPaths]) -> float:
        """The usual layer's thickness where coupons are measured [mm]."""
        steps = [o.path.thickness for p in found.values() for o in p.outer if o.height >= FOOT_MM]
        steps = steps or [r.thickness for r in self.rows[1:] if not r.climbing and r.thickness > 0]
        return float(np.median(np.round(steps, 4))) if steps else self.rows[0].thickness


def _raised(reading: _Reading, places: dict[str, Place], layer_height: float) -> float:
    """Height of a raft under the coupons [mm]; 0 where there is none."""
    if not places:
        return 0.0
    top = max(r.top for r in reading.rows)
    tallest = max(
        p.template.coupon.size_mm[2] * (1 + (p.scale.mean() if np.abs(p.scale).max() > 0.001 else 0.0))
        for p in places.values()
    )
    over = top - tallest
    return round(float(over), 3) if over > RAISED_LAYERS * layer_height else 0.0


def _refuse(
    reading: _Reading, templates: dict[str, Template], places: dict[str, Place], width: float, name: str
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
                f"coupon {key} is enlarged to about {100 * (1 + place.scale.mean()):.1f} %; slice it at 100 %",
                name,
            )
    lost = [template for key, template in templates.items() if key not in places]
    near = {template.coupon.id: reading.near(template) for template in lost}
    why = why_not_found(lost, near, width, list(places.values()))
    if why is not None:
        raise InputError(f"coupon {why[0]} {why[1]}; lay it as it was made and slice again", name)
    if not places:
        raise InputError(
            "holds none of this print's coupons; was it sliced from the STL or plate files of this very print?",
            name,
        )


def _path_place(reading: _Reading, found: dict[str, CouponPaths]) -> PathPlace | None:
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


def _bead(found: dict[str, CouponPaths], machine: Machine, profile: float) -> Bead | None:
    """Width from feed per length: A = (w - h) h + pi h^2/4, so w = A/h + h (1 - pi/4)."""
    outer = [o for p in found.values() for o in p.outer if o.height >= FOOT_MM] or [
        o for p in found.values() for o in p.outer
    ]
    if not outer:
        return None
    feed = np.array([o.path.feed_per_mm for o in outer])
    h = np.array([o.path.thickness for o in outer])
    filament = np.pi * machine["settings.filament_diameter_mm"] ** 2 / 4
    flow = machine["settings.flow_percent"] / 100

    def width(area: np.ndarray) -> np.ndarray:
        return area / h + h * (1 - np.pi / 4)

    # A flow set in the slicing program is in E already, one set at the machine is not; E may count volume.
    options = [(width(feed * filament), False), (width(feed * filament / flow), False), (width(feed), True)]
    widths, by_volume = options[0]
    for values, volume in options[1:]:
        near = abs(np.median(values) / profile - 1) < (0.1 if volume else 0.5)
        if near and abs(np.median(values) - profile) < abs(np.median(widths) - profile) - 1e-9:
            widths, by_volume = values, volume
    low, high = np.percentile(widths, [5, 95])
    return Bead(
        width=float(np.median(widths)),
        spread=float(high - low) / 2,
        profile=profile,
        by_volume=by_volume,
    )


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
) -> tuple[TracedFeature, ...]:
    """Each feature along the real path, beside the ideal one."""
    width = walk.manifest.line_width_mm
    real_gains, ideal_gains = _play_gains(walk), _play_gains(ideal)
    features = []
    for i, (key, _) in enumerate(walk.keys):
        paths, feature = found[key], walk.features[i]
        if feature.kind == "height":
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
                seam=bool(seams_on(paths, feature)),
                traced=z in paths.complete,
            )
        )
    return tuple(features)


def _play_gains(walk: SetWalk) -> np.ndarray:
    """d reading / d backlash in x and y, ndarray (features, 2), for a play as printers have it."""
    theta = np.zeros((3, len(TERMS)))
    theta[1, INDEX["backlash_x"]] = theta[2, INDEX["backlash_y"]] = USUAL_PLAY_MM
    values = walk.readings(theta)
    return ((values[1:] - values[0]) / USUAL_PLAY_MM).T
