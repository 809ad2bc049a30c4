"""How much of an uneven surface a reading feels: by the layers that its jaws rest on.

Layers shifted at random by a standard deviation s hold flat jaws off on the outermost of the n that they touch, on
either side, so a reading is larger by the mean range of n normal values,

    d2(n) s,   d2(n) = integral of 1 - F(x)^n - (1 - F(x))^n dx

(L. H. C. Tippett 1925; the d2 of control charts). Openings read smaller by as much. One layer shifts as a whole:
d2(1) = 0.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from fitassay.analysis.terms import FLARE_BAND_MM
from fitassay.coupons.feature import DEEP_MM, Feature

# Where the normal tail of even a thousand layers has died, and how finely the integral is taken.
REACH, STEPS = 9.0, 3601


@cache
def mean_range(layers: int) -> float:
    """d2(n), the mean range of n standard normal values, to 1e-6; 0 for none and for one."""
    if layers < 2:
        return 0.0
    x = np.linspace(-REACH, REACH, STEPS)
    below = np.array([0.5 * math.erfc(-v / math.sqrt(2)) for v in x])
    # Both ends are nil, so the trapezoid rule is a plain sum.
    return float(np.sum(1 - below**layers - below[::-1] ** layers) * (x[1] - x[0]))


def layers_under(feature: Feature, layer_mm: float) -> int:
    """Layers that the jaws rest on at each contact; 0 for heights, 1 for what is read on the lowest layers."""
    if feature.kind == "height":
        return 0
    if min(feature.contact_a_mm[2], feature.contact_b_mm[2]) < FLARE_BAND_MM:
        return 1
    return max(1, round(feature.flank_mm / layer_mm))


def felt_share(feature: Feature, layer_mm: float) -> float:
    """How much of what flat jaws `DEEP_MM` deep feel of uneven layers a reading feels.

    About 0.32 over a rim of two layers, 0 for heights, for the foot and for one layer alone.
    """
    deep = mean_range(max(2, round(DEEP_MM / layer_mm)))
    return mean_range(layers_under(feature, layer_mm)) / deep
