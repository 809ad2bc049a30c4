"""Evidence beside the readings asked of everyone: what it costs, and where there is anything to gain by it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.readings.reading import LADDER
from fitassay.coupons.feature import Feature

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

    Where pegs are tried by hand there is nothing to read; a rim that sees the printer as the deep reading does would
    only be a repeat.
    """
    where = {key: i for i, key in enumerate(walk.keys)}
    found = []
    for coupon in walk.manifest.coupons:
        for feature in coupon.features:
            i = where[coupon.id, feature.id]
            if coupon.family == LADDER and feature.kind == "inside":
                continue
            deep = where[coupon.id, coupon.beneath(feature).id]
            if not feature.optional or np.abs(gains[i] - gains[deep]).max() > SAME_GAIN:
                found.append(i)
    return tuple(found)
