"""How the sizes of an effect are drawn, from printer to printer and in a mix."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

# (rng, share, times): share (n,) of the range in a mix, nan outside one; times the usual size.
Draw = Callable[[np.random.Generator, np.ndarray, float], np.ndarray]

# In a mix each effect stands at up to this share of its range.
MIX_SHARE = 0.5


def span(low: float, high: float) -> Draw:
    """Even between two sizes; in a mix from nil to its share of the larger."""

    def draw(rng: np.random.Generator, share: np.ndarray, times: float) -> np.ndarray:
        even = rng.random(len(share))
        return times * np.where(np.isnan(share), low + (high - low) * even, high * share)

    return draw


def spread(sd: float) -> Draw:
    """Normal about nil."""

    def draw(rng: np.random.Generator, share: np.ndarray, times: float) -> np.ndarray:
        return times * sd * np.where(np.isnan(share), 1.0, share) * rng.standard_normal(len(share))

    return draw


def shape(low: float, high: float) -> Draw:
    """Even between two values whatever the effect's size: exponents, wavelengths, directions."""

    def draw(rng: np.random.Generator, share: np.ndarray, times: float) -> np.ndarray:
        return rng.uniform(low, high, len(share))

    return draw
