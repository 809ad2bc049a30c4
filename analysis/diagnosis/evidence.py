"""Evidence beside the readings asked of everyone: what it costs, and where there is anything to gain by it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.estimation.feed import Feed, Filament
from fitassay.analysis.estimation.weighed import Commanded, extruded_of, feed_with_scale, weighed_fact
from fitassay.analysis.readings.weighings import WEIGHED, Weighing
from fitassay.coupons.family_names import LADDER
from fitassay.coupons.feature import Feature
from fitassay.coupons.machine import Machine

# Minutes to find a feature, close the jaws and note the reading; over a rim, which takes a steadier hand; along one
# layer of a wall that has to be cut off first; on the scale with a length of filament (common practice, no source).
READING_MINUTES, RIM_MINUTES, LAYER_MINUTES, WEIGHING_MINUTES = 0.5, 0.75, 5.0, 6.0
# Sensitivities that differ by less tell nothing that the deep reading does not.
SAME_GAIN = 1e-3


@dataclass(frozen=True, kw_only=True)
class Offer:
    """Evidence that is no feature of a coupon, before it is taken.

    Attributes
    ----------
    coupon, feature : str
        As readings.csv names it.
    row : ndarray (terms,)
        Its sensitivities.
    u : float [mm]
        Standard uncertainty that it would have.
    minutes : float [min]
    text : str
        What to do.
    """

    coupon: str
    feature: str
    row: np.ndarray
    u: float
    minutes: float
    text: str


def reading_minutes(feature: Feature) -> float:
    """Minutes that one reading of a feature takes."""
    if feature.edge:
        return LAYER_MINUTES
    return RIM_MINUTES if feature.kind == "rim" else READING_MINUTES


def worth_reading(walk: SetWalk, gains: np.ndarray) -> tuple[int, ...]:
    """Columns of the walk that there is any sense in reading.

    Where pegs are tried by hand, and of rows that are read by eye, there is nothing to read; a rim that sees the
    printer as the deep reading does would only be a repeat.
    """
    where = {key: i for i, key in enumerate(walk.keys)}
    found = []
    for coupon in walk.manifest.coupons:
        for feature in coupon.features:
            if feature.by_eye:
                continue
            i = where[coupon.id, feature.id]
            if coupon.family == LADDER and feature.kind == "inside":
                continue
            deep = where[coupon.id, coupon.beneath(feature).id]
            if not feature.of_surface or np.abs(gains[i] - gains[deep]).max() > SAME_GAIN:
                found.append(i)
    return tuple(found)


def weighing_offer(
    masses: Mapping[Weighing, np.ndarray],
    commanded: Commanded,
    row: np.ndarray,
    filament: Filament,
    feed: Feed | None,
    machine: Machine,
) -> Offer | None:
    """What it would tell to weigh a metre of filament and a single wall; None where both are, or there is no wall.

    Parameters
    ----------
    masses : mapping of Weighing to ndarray [g]
        What was weighed already.
    commanded : Commanded
    row : ndarray (terms,)
        From `chain.extrusion.extrusion_row`.
    filament : Filament
        As measured, or as set.
    feed : Feed or None
        By feed tests.
    machine : Machine
    """
    wall = next((key for key in sorted(commanded.walls) if commanded.pieces.get(key)), None)
    has_filament = any(what.what == "filament" for what in masses)
    if wall is None or (has_filament and Weighing("piece", coupon=wall) in masses):
        return None
    area = math.pi / 4 * machine["settings.filament_diameter_mm"] ** 2
    per_mm = 1e-3 * machine["process.density_g_cm3"] * area
    would = {
        Weighing("filament", length_mm=1000.0): np.array([1000.0 * per_mm]),
        Weighing("piece", coupon=wall): np.array([commanded.pieces[wall] * per_mm / commanded.flow]),
    }
    known = feed_with_scale(extruded_of({**would, **masses}, commanded, machine), feed, machine)
    if known is None or not known.weighed:
        return None
    fact = weighed_fact(filament, known, row, machine)
    length = "" if has_filament else " and a metre of filament"
    return Offer(
        coupon=WEIGHED,
        feature=f"{wall}_g",
        row=fact.row,
        u=fact.u,
        minutes=WEIGHING_MINUTES,
        text=f"weigh {wall}{length} (enter --weighed)",
    )
