"""A card printed and read virtually: play along every move of the written file, then an eye that counts pairs.

Shares nothing with the program but the manifest: where pair 0 of each row faces, and by which way it is reached.
"""

from __future__ import annotations

import math

import numpy as np

from fitassay.coupons.feature import Coupon, Feature
from tests.plain_parser import steps_of


class PrintedCard:
    """Ends of the beads of one card on n printers.

    Parameters
    ----------
    text : str
        The file.
    play : ndarray (n, 2) [mm]
        Lost motion of x and y; negative: over-compensated, mirrored about the command.
    scale : ndarray (n, 2)
    skew : ndarray (n,) [rad]
    slow_play : ndarray (n, 2) [mm], optional
        In place of `play` where the nozzle moves at less than 12 mm/s.
    springy : ndarray (n, 2) [mm], optional
        Part of `play` that is taken up little by little: after a turn and a way d it is wound up to the new side but
        for exp(-d / take_up) of what it lacked.
    take_up : ndarray (n,) [mm]
    """

    def __init__(
        self,
        text: str,
        play: np.ndarray,
        scale: np.ndarray,
        skew: np.ndarray,
        slow_play: np.ndarray | None = None,
        springy: np.ndarray | None = None,
        take_up: np.ndarray | None = None,
    ) -> None:
        if springy is None or take_up is None:
            springy, take_up = np.zeros_like(play), np.ones(len(play))
        wound = np.zeros_like(play)
        lines = text.splitlines()
        begin, end = lines.index("; path") + 1, lines.index("; end") + 1
        self.ends: dict[tuple[int, int, int], np.ndarray] = {}
        at: np.ndarray | None = None
        for step in steps_of(text):
            if not begin < step.line < end or math.isnan(step.b[0]):
                continue
            command = np.array(step.b[:2]) * (1 + scale)
            if at is None:
                at = command.copy()
                before = command
            b = (slow_play if slow_play is not None and step.feed < 12 else play) - springy
            gone, before = command - before, command
            side = np.sign(gone)
            wound = side - (side - wound) * np.exp(-np.abs(gone) / take_up[:, None])
            r = np.abs(b) / 2
            at = np.clip(at, command - r, command + r)
            if step.fed > 0:
                where = np.where(b < 0, 2 * command - at, at) - wound * springy / 2
                where[:, 0] += skew * where[:, 1]
                self.ends[self._key(step.b)] = where

    @staticmethod
    def _key(point) -> tuple[int, int, int]:
        return round(point[0] * 200), round(point[1] * 200), round(point[2] * 200)

    def end(self, point) -> np.ndarray:
        """Where the bead that was to end there ends, ndarray (n, 2) [mm]."""
        x, y, z = self._key(point)
        for dx in (0, -1, 1):
            for dy in (0, -1, 1):
                if (x + dx, y + dy, z) in self.ends:
                    return self.ends[x + dx, y + dy, z]
        raise KeyError(point)


def offsets(card: PrintedCard, coupon: Coupon, feature: Feature, layer: float) -> np.ndarray:
    """How far apart each pair's facing ends stand along the row, upper less lower, ndarray (n, pairs) [mm]."""
    pairs = feature.pairs
    along = np.array([1.0, 0.0] if feature.direction_deg == 0 else [0.0, 1.0])
    columns = []
    for i in range(pairs.first, pairs.last + 1):
        sides = []
        for contact, way in zip((feature.contact_a_mm, feature.contact_b_mm), pairs.ways, strict=True):
            pitch = pairs.pitch_mm if way > 0 else pairs.pitch_mm - 0.05
            point = np.array(contact[:2]) + i * pitch * along + coupon.origin_on_plate_mm
            sides.append(card.end((*point, layer)) @ along)
        columns.append(sides[1] - sides[0])
    return np.stack(columns, axis=1)


def gaps(card: PrintedCard, coupon: Coupon, feature: Feature, layer: float, width: float) -> np.ndarray:
    """Distance of the middle lines of each pair side by side, ndarray (n, pairs) [mm]."""
    pairs = feature.pairs
    zero = np.array(feature.contact_a_mm[:2]) + [width / 2, pairs.tick_mm / 2]
    columns = []
    for i in range(pairs.first, pairs.last + 1):
        u = zero[0] + i * pairs.pitch_mm
        half = (width + 0.05 * i) / 2
        at = [
            (u + side * half + coupon.origin_on_plate_mm[0], zero[1] + coupon.origin_on_plate_mm[1])
            for side in (-1, 1)
        ]
        a, b = (card.end((*point, layer))[:, 0] for point in at)
        columns.append(b - a)
    return np.stack(columns, axis=1)


def nearest_pair(off: np.ndarray, first: int, rng: np.random.Generator, wrong: float = 0.1) -> np.ndarray:
    """Number of the pair that lines up best, now and then a neighbour's, ndarray (n,)."""
    best = np.argmin(np.abs(off), axis=1)
    slip = rng.choice([-1, 0, 1], size=len(off), p=[wrong / 2, 1 - wrong, wrong / 2])
    return np.clip(best + slip, 0, off.shape[1] - 1) + first


def first_open(
    light: np.ndarray, first: int, rng: np.random.Generator, wrong: float = 0.1
) -> list[int | None]:
    """Number of the first pair with light between its beads, now and then a neighbour's; None where there is none."""
    slip = rng.choice([-1, 0, 1], size=len(light), p=[wrong / 2, 1 - wrong, wrong / 2])
    found: list[int | None] = []
    for row, s in zip(light, slip, strict=True):
        open_ = np.flatnonzero(row > 0)
        k = (int(open_[0]) if len(open_) else len(row)) + int(s)
        found.append(None if k >= len(row) else max(k, 0) + first)
    return found
