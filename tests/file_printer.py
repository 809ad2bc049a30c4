"""Prints a sliced file by its moves alone, for the tests: play per axis along every move, then a caliper.

Shares no code with the program, and looks at no loops: only at where the nozzle is and what is fed on the way.
Files as tests/path_twists.py takes them apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.coupons.feature import Coupon, Feature
from tests.path_twists import Ops

PIECE_MM = 0.25
BAND_MM = 0.45
WINDOW_MM = 1.0
FILAMENT_MM2 = np.pi * 1.75**2 / 4


@dataclass(frozen=True)
class Errors:
    """The printer's: play [mm] and scale of both axes, how much wider beads come out [mm]."""

    play: tuple[float, float] = (0.0, 0.0)
    scale: tuple[float, float] = (0.0, 0.0)
    wider: float = 0.0


class Printed:
    """Beads of a file as short straight pieces.

    Attributes
    ----------
    begin, end : ndarray (n, 2) [mm]
    z, radius : ndarray (n,) [mm]
    """

    def __init__(self, ops: Ops, errors: Errors, layer: float = 0.2) -> None:
        at = np.zeros(3)
        where, fed, heights = [at[:2]], [0.0], [0.0]
        for op in ops:
            to = np.array(op.at)
            step = float(np.hypot(*(to - at)[:2]))
            if not op.text and step > 0:
                count = max(1, int(np.ceil(step / PIECE_MM))) if op.e > 0 else 1
                share = np.linspace(0, 1, count + 1)[1:, None]
                where += list(at[:2] + share * (to - at)[:2])
                fed += [max(op.e, 0.0) / step] * count
                heights += [float(to[2])] * count
            at = to
        command = np.array(where) * (1 + np.array(errors.scale))
        real = np.column_stack([_with_play(command[:, k], errors.play[k]) for k in (0, 1)])
        per_mm = np.array(fed)[1:]
        prints = per_mm > 0
        width = per_mm * FILAMENT_MM2 / layer + layer * (1 - np.pi / 4)
        self.begin, self.end = real[:-1][prints], real[1:][prints]
        self.z = np.array(heights)[1:][prints]
        self.radius = (width[prints] + errors.wider) / 2

    def reading(self, coupon: Coupon, feature: Feature, corner: np.ndarray) -> float:
        """What flat jaws read across a feature of a coupon whose low corner is printed at `corner` [mm]."""
        if feature.kind == "height":
            return feature.nominal_mm
        angle = np.deg2rad(feature.direction_deg)
        along = np.array([np.cos(angle), np.sin(angle)])
        outer = feature.kind != "inside"
        ends = []
        for contact, sign in ((feature.contact_a_mm, -1.0), (feature.contact_b_mm, 1.0)):
            spot = np.array(contact[:2]) + corner
            way = along * (sign if outer else -sign)
            reach = self._reach(spot, way, feature.jaw_mm / 2, contact[2])
            ends.append(spot @ along + (way @ along) * reach)
        return float(ends[1] - ends[0])

    def _reach(self, spot: np.ndarray, way: np.ndarray, half: float, z: float) -> float:
        """How far beads reach beyond a contact, towards the jaw [mm]."""
        across = np.array([-way[1], way[0]])
        # A layer lies between its nozzle height and a layer below; a jaw covers those about the contact.
        near = np.abs(self.z - 0.1 - z) < BAND_MM
        near &= np.hypot(*(self.begin - spot).T) < half + WINDOW_MM + 1.0
        begin, end, radius = self.begin[near] - spot, self.end[near] - spot, self.radius[near]
        share = np.linspace(0, 1, 4)[:, None, None]
        points = begin + share * (end - begin)
        s, v = points @ way, points @ across
        seen = (np.abs(v) <= half) & (s > -WINDOW_MM) & (s < WINDOW_MM)
        return float(np.max(np.where(seen, s + radius, -np.inf)))


def _with_play(command: np.ndarray, play: float) -> np.ndarray:
    """One axis behind its command: it stays until the play is taken up."""
    real = np.empty_like(command)
    at = command[0]
    for i, c in enumerate(command.tolist()):
        at = min(max(at, c - play / 2), c + play / 2)
        real[i] = at
    return real
