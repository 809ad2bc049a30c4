"""One pass through a sliced file: every layer's figures, and the loops at the heights where coupons are measured."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from fitassay.analysis.gcode.candidates import assign, candidates
from fitassay.analysis.gcode.coupon_paths import CouponPaths
from fitassay.analysis.gcode.layers import Layer, LayerRow, read_layers
from fitassay.analysis.gcode.loop_map import LayerLoops, LoopMap
from fitassay.analysis.gcode.loops import loops_of
from fitassay.analysis.gcode.moves import read_moves
from fitassay.analysis.gcode.open_strokes import LONGEST_GAP_MM
from fitassay.analysis.gcode.probes import FOOT_MM, Template
from fitassay.analysis.gcode.registration import Place
from fitassay.analysis.gcode.slicing import fill_feed
from fitassay.analysis.gcode.strokes import Strokes
from fitassay.analysis.gcode.words import Tally
from fitassay.coupons.errors import InputError

FALLING_SHARE = 0.1
"""A file that prints so much of its path downward has no layers."""

BAND_MM = 0.45
"""Layers this near a measured height are read too: a jaw covers several."""

MOST_LAYERS_A_BAND = 5
SAME_LAYER = 0.02
"""Layers whose thickness differs by a smaller share are meant alike, and those that rounding alone tells apart."""
ROUNDED_MM = 0.003

OPEN_LAYERS, OPEN_ALIKE = 0.5, 0.15
"""Walls are left open where so many of the layers looked at have one, most of their gaps alike within this share."""

LOWEST_MM = 1.0
LOW_LAYERS = 3
"""The lowest layers under the coupons are looked at, so many of them and no higher than that."""


class FileReading:
    """One pass through the file: rows of all layers, and the loops where coupons are measured."""

    def __init__(
        self,
        path: Path,
        templates: dict[str, Template],
        raised: float,
        tally: Tally,
        relative: bool | None = None,
    ) -> None:
        self.templates = templates
        self.raised = raised
        contact = sorted({z for t in templates.values() for z in t.contact_heights})
        other = sorted({z for t in templates.values() for z in t.other_heights})
        low = np.array([z - BAND_MM for z in contact] + other) + raised
        high = np.array([z + BAND_MM for z in contact] + other) + raised

        def wanted(below: float, z: float) -> bool:
            # The first layers are compared with those above them.
            if raised - 1e-3 < z <= raised + LOWEST_MM:
                return True
            return bool(np.any((low <= z + 1e-3) & (high > below + 1e-3)))

        self.rows: list[LayerRow] = []
        self.strokes = Strokes()
        self.options: dict[str, list[Place]] = {}
        self.kept: list[LayerLoops] = []
        for layer in read_layers(
            read_moves(path, tally, filament_relative=relative),
            wanted,
            tally.name,
            tally.limits,
            self.strokes,
        ):
            row = layer.row if isinstance(layer, Layer) else layer
            self.rows.append(row)
            if isinstance(layer, Layer):
                loops = loops_of(layer)
                self.kept.append(LayerLoops(row=row, loops=loops, fill_feed=fill_feed(layer, loops)))
        if not self.rows:
            raise InputError(
                "feeds no plastic along any move (no E words that grow); is it the sliced file?", tally.name
            )
        falling = self.strokes.falling_length
        if falling > FALLING_SHARE * sum(row.length for row in self.rows):
            raise InputError(
                "lets the nozzle rise and fall while it prints, as an unevenness of the bed worked into the file "
                "does, so its layers cannot be told apart; switch that off for the coupons and slice again",
                tally.name,
            )
        self._maps: dict[tuple[int, ...], LoopMap] = {}

    def _map(self, layers: list[LayerLoops]) -> LoopMap:
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
                low, high = max(loops.rows, key=lambda row: row.length).span
                middle = round((low + high) / 2 - self.raised, 6)
                if middle not in found and 0 < middle < template.coupon.size_mm[2]:
                    found[middle] = loops
        return found

    def bands(self, template: Template) -> dict[float, list[LoopMap]]:
        """The layers about each measured height that have the same outline, the nearest first."""
        levels: dict[float, list[LayerLoops]] = {}
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
        self.options = {k: candidates(t, self.near(t), width) for k, t in self.templates.items()}
        return assign(self.options)

    def lowest(self, places: dict[str, Place]) -> list[tuple[float, float, LoopMap]]:
        """Height above the raft, thickness [mm] and loops of the lowest layers under the coupons, lowest first.

        Purge lines and the like are left aside.
        """
        middles = [p.shift + p.middle for p in places.values()]
        levels: dict[float, list[LayerLoops]] = {}
        for layer in self.kept:
            row = layer.row
            if row.climbing or not self.raised < row.z <= self.raised + LOWEST_MM:
                continue
            if any(np.all(row.low < m) and np.all(m < row.high) for m in middles):
                levels.setdefault(round(row.z, 3), []).append(layer)
        return [
            (z - self.raised, levels[z][0].row.thickness, self._map(levels[z]))
            for z in sorted(levels)[:LOW_LAYERS]
        ]

    @property
    def left_open_mm(self) -> float:
        """By how much walls stop short of their start, farther than any gap that is closed; 0 where few do [mm].

        Those whose end is walked without filament come back to their start.
        """
        walls = [p for layer in self.kept for p in layer.loops if not p.coasted and not p.scarf]
        gaps = np.array([p.gap for p in walls if p.gap > LONGEST_GAP_MM])
        if len(gaps) < OPEN_LAYERS * len(self.kept):
            return 0.0
        usual = float(np.median(gaps))
        return usual if np.mean(np.abs(gaps - usual) < OPEN_ALIKE * usual) > 0.5 else 0.0

    def first_layer(self, places: dict[str, Place]) -> float:
        """Thickness of the lowest layer that lies under a coupon, purge lines and the like left aside [mm]."""
        middles = [p.shift + p.middle for p in places.values()]
        under = [
            r.thickness
            for r in self.rows
            if r.z > self.raised and any(np.all(r.low < m) and np.all(m < r.high) for m in middles)
        ]
        return float(under[0]) if under else 0.0

    @property
    def usual_step(self) -> float:
        """Thickness of most layers [mm]; 0 where an endless wall is all there is."""
        steps = [r.thickness for r in self.rows if not r.climbing and r.thickness > 0]
        return float(np.median(steps)) if steps else 0.0

    def layer_height(self, found: dict[str, CouponPaths]) -> float:
        """The usual layer's thickness where coupons are measured [mm]."""
        steps = [o.path.thickness for p in found.values() for o in p.outer if o.height >= FOOT_MM]
        steps = steps or [r.thickness for r in self.rows[1:] if not r.climbing and r.thickness > 0]
        if not steps:
            return self.rows[0].thickness
        usual = float(np.median(np.round(steps, 4)))
        # Heights rounded to the file's last decimal are a little more and a little less by turns.
        every = np.array([r.thickness for r in self.rows if not r.climbing])
        alike = every[np.abs(every - usual) < max(SAME_LAYER * usual, ROUNDED_MM)]
        return float(alike.mean()) if len(alike) else usual
