"""The virtual print of a sliced file: readings from the file's own moves, whatever the reader made of them.

All moves of a measured layer, travel too, run through the play of both axes, scale and skew; what is fed is swept as
a bead as wide as its filament makes it; the jaws close on that. The recognised loops are not used, but for what the
printer adds along outlines (path offset, closing of bores, flare), whose effect on each reading they tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from fitassay.analysis.chain.backlash import with_play
from fitassay.analysis.chain.span import WINDOW_MM, bead_reach, carried
from fitassay.analysis.gcode.changes import volume_obeyed
from fitassay.analysis.gcode.first_layer import ROUND_ENDS
from fitassay.analysis.gcode.layers import Layer, read_layers
from fitassay.analysis.gcode.moves import read_moves
from fitassay.analysis.gcode.trace_data import Trace
from fitassay.analysis.gcode.words import Tally
from fitassay.analysis.terms import INDEX, PATH, Errors, errors_of
from fitassay.coupons.feature import Feature
from fitassay.coupons.machine import Machine

ALONG_OUTLINES = (PATH, INDEX["bore_closure"], INDEX["first_layer_flare"])
"""Terms that move the path out from the outline; moves alone know of no outline."""


def printed_readings(
    files: Sequence[tuple[Path, Trace]], together: Trace, machine: Machine, theta: np.ndarray
) -> np.ndarray:
    """Readings of a virtual print of sliced files, ndarray (features,) [mm], in the order of ``together.walk.keys``.

    Parameters
    ----------
    files : sequence of (file, its trace)
    together : Trace
        Of all files.
    machine : Machine
        Its filament diameter makes beads of what is fed.
    theta : ndarray (terms,)
        The printer's and the caliper's errors; what the file does comes on top by itself.
    """
    moved = np.array(theta, dtype=float)
    moved[list(ALONG_OUTLINES)] = 0.0
    walk = together.walk
    outlines = walk.readings(np.stack([_set_back(moved, together), _set_back(theta, together)]))
    values = dict(zip(walk.keys, outlines[1] - outlines[0], strict=True))
    for path, trace in files:
        keys = [k for k in trace.found if k in together.found and together.found[k] is trace.found[k]]
        for key, reading in _of_file(path, trace, keys, machine, errors_of(moved)).items():
            values[key] += reading
    return np.array([values[key] for key in walk.keys])


def _set_back(theta: np.ndarray, trace: Trace) -> np.ndarray:
    """`theta` with the file's own path offset, from which the recognised loops are set back."""
    total = np.array(theta, dtype=float)
    total[PATH] += trace.offset_mm or 0.0
    return total


def _of_file(
    path: Path, trace: Trace, keys: list[str], machine: Machine, errors: Errors
) -> dict[tuple[str, str], float]:
    """Readings of one file's coupons."""
    wanted = sorted({z for key in keys for of_height in _levels(trace, key).values() for z in of_height})

    def asked(below: float, z: float) -> bool:
        return any(below < height + 1e-3 and height <= z + 1e-3 for height in wanted)

    relative = True if trace.relative_filament_assumed else None
    swept = [
        _Swept(layer, machine, errors, trace)
        for layer in read_layers(read_moves(path, Tally(name=path.name), filament_relative=relative), asked)
        if isinstance(layer, Layer)
    ]
    values = {}
    for key in keys:
        paths, levels = trace.found[key], _levels(trace, key)
        for feature in (f for f in paths.coupon.features if not f.by_eye):
            if feature.kind == "height":
                nominal = feature.nominal_mm * (1 + trace.heights.scale) + trace.heights.offset
                value = nominal * (1 + float(errors.scale[0, 2])) + float(errors.datum[0])
            else:
                here = [s for s in swept if any(s.row.covers(z) for z in levels[feature.contact_height])]
                value = _span(here, feature, paths.place.shift, errors, trace.walk, key)
            values[key, feature.id] = value + float(np.ravel(errors.added.get(feature.kind, 0.0))[0])
    return values


def _levels(trace: Trace, key: str) -> dict[float, set[float]]:
    """Heights of the layers that jaws at each measured height rest on, those with the same outline about it [mm]."""
    paths = trace.found[key]
    levels = {
        f.contact_height: {f.contact_height + trace.raised_mm}
        for f in paths.coupon.features
        if f.kind != "height" and not f.by_eye
    }
    for o in paths.outer:
        if o.height in levels:
            levels[o.height].add(o.layer.z)
    return levels


class _Swept:
    """One layer's printing moves as the nozzle really takes them: straight pieces (m, 3, 2, 2), bead radii (m,)."""

    def __init__(self, layer: Layer, machine: Machine, errors: Errors, trace: Trace) -> None:
        self.row = layer.row
        path = np.concatenate([layer.start[:1], layer.end])
        scaled = path[None] * (1 + errors.scale[:, None, :2])
        moves = with_play(scaled, errors, np.arange(len(layer)))[0]
        moves[..., 0] += float(errors.shear[0]) * moves[..., 1]
        prints = layer.prints.copy()
        prints[: layer.before] = False
        pieces = np.stack([moves[:, :-1], moves[:, 1:]], axis=2)
        self.pieces = pieces[prints]
        length = np.hypot(*(layer.end - layer.start).T)[prints]
        by_volume = trace.bead is not None and trace.bead.by_volume and not volume_obeyed(trace.tally.changes)
        unit = 1.0 if by_volume else np.pi * machine["settings.filament_diameter_mm"] ** 2 / 4
        h = layer.row.thickness if layer.row.thickness > 0 else trace.layer_height_mm
        if layer.row.climbing:
            h = trace.layer_height_mm
        area = layer.filament[prints] * unit / length
        self.radius = (area / h + h * ROUND_ENDS + float(errors.bead[0])) / 2


def _span(
    layers: list[_Swept], feature: Feature, corner: np.ndarray, errors: Errors, walk, key: str
) -> float:
    """What the jaws read across one feature [mm]; NaN where nothing is printed under one of them."""
    along = np.array(feature.direction)
    outer = feature.kind != "inside"
    is_round = walk.round[walk.keys.index((key, feature.id))]
    half = feature.jaw_mm / 2 if feature.kind == "diagonal" or is_round else 0.0
    spots, reach = [], 0.0
    for contact, sign in ((feature.contact_a_mm, -1.0), (feature.contact_b_mm, 1.0)):
        spot = carried(np.array(contact[:2]) + corner, errors)[0]
        spots.append(spot)
        way = along * (sign if outer else -sign)
        reach += max((_reach(s, spot, way, half) for s in layers), default=-np.inf)
    if not np.isfinite(reach):
        return float("nan")
    return float((spots[1] - spots[0]) @ along + (reach if outer else -reach))


def _reach(swept: _Swept, spot: np.ndarray, way: np.ndarray, half: float) -> float:
    """Farthest reach beyond a contact, towards the jaw, of what is printed near it [mm]."""
    across = np.array([-way[1], way[0]])
    local = swept.pieces.reshape(len(swept.pieces), -1, 2) - spot
    s, v = local @ way, local @ across
    room = half + 2 * swept.radius
    near = (s.max(axis=1) > -WINDOW_MM - 2 * swept.radius) & (s.min(axis=1) < WINDOW_MM)
    near &= (v.max(axis=1) > -room) & (v.min(axis=1) < room)
    if not near.any():
        return -np.inf
    contact = np.broadcast_to(spot, (int(near.sum()), 2))
    return float(bead_reach(swept.pieces[near], swept.radius[near], contact, way, half).max())
