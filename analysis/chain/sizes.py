"""A drawn size as the printer makes it: a plain square or circle of that size, walked.

To first order that gives, with L the nominal and w the commanded bead width (x shown, y alike),

    outside   R = L + s (L - w) + e + 2 p - b
    inside    R = L + s (L + w) - e - 2 p - b - k 3 mm / L (round)
    height    R = L (1 + s_z) + z0

and the instrument's own terms left out: a part has no caliper error.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np

from fitassay.analysis.chain.backlash import printed_path
from fitassay.analysis.chain.mating import outline, part_terms
from fitassay.analysis.chain.profiles import profile_width
from fitassay.analysis.chain.shapes import PROFILES, Shape
from fitassay.analysis.chain.span import Jaw, carried, jaw_reach
from fitassay.analysis.terms import BORE_REFERENCE_MM, TERMS, errors_of
from fitassay.coupons.errors import InputError
from fitassay.coupons.feature import Axis

Side = Literal["outside", "inside", "height"]

_HALF = float(np.sqrt(0.5))
DIRECTIONS: dict[str, tuple[float, float]] = {
    "x": (1.0, 0.0),
    "y": (0.0, 1.0),
    "a": (_HALF, _HALF),
    "b": (-_HALF, _HALF),
}
"""Unit vectors along which plane sizes are measured."""

# Sizes that are walked; the gains of those between follow [mm].
WALKED_MM = (4.0, 20.0, 100.0)


@dataclass(frozen=True, kw_only=True)
class Size:
    """One drawn size; `axis` is along which it is measured, "z" for heights."""

    side: Side
    axis: Axis
    nominal: float
    shape: Shape = "square"

    def __post_init__(self) -> None:
        if not 0 < self.nominal <= 10_000:
            raise InputError(f"a nominal size must be greater than 0 and in mm (got {self.nominal:g})")
        if (self.side == "height") != (self.axis == "z"):
            raise InputError("heights are along z, outside and inside sizes along x, y or a diagonal")


def printed_size(size: Size, theta: np.ndarray, width: float) -> np.ndarray:
    """What printers `theta` (n, terms) make of a drawn size, ndarray (n,) [mm].

    Taken where a caliper's jaws meet it: on the middle of two flanks, or over the diameter. Terms of the caliper and
    of form do not count.

    Parameters
    ----------
    size : Size
    theta : ndarray (n, terms)
    width : float [mm]
        Commanded bead width.

    Raises
    ------
    InputError
        An outside size thinner than one bead.
    """
    errors = errors_of(part_terms(theta))
    added = errors.added.get(size.side, 0.0)
    if size.side == "height":
        return size.nominal * (1 + errors.scale[:, 2]) + errors.datum + added
    if size.shape in PROFILES:
        inside = size.side == "inside"
        return profile_width(size.shape, size.nominal, inside, part_terms(theta), width, size.axis) + added
    sign = -1.0 if size.side == "inside" else 1.0
    # Jaws rest on a circle's crests, which move as flanks of the square about it do.
    loop = outline(size.nominal, size.side == "inside", width)
    if size.shape == "round" and size.side == "inside":
        loop = replace(loop, closing=loop.outward * BORE_REFERENCE_MM / size.nominal / 2)
    along = np.array(DIRECTIONS[size.axis])
    if size.axis in ("a", "b"):
        turn = np.array([along, [-along[1], along[0]]])
        loop = replace(
            loop, points=loop.points @ turn, outward=loop.outward @ turn, closing=loop.closing @ turn
        )
    moves = printed_path(loop, errors)
    middle = (loop.points + np.roll(loop.points, -1, axis=0)) / 2 @ along
    total = np.zeros(errors.n) + added
    for out in (along, -along):
        flank = np.flatnonzero(middle * (out @ along) > size.nominal / 4)
        jaw = Jaw(contact=size.nominal / 2 * out, direction=sign * out, half_jaw=0.0, moves=((0, flank),))
        at = carried(jaw.contact, errors)
        total = total + at @ out + sign * jaw_reach(jaw, at, {0: moves}, (width + errors.swept) / 2)
    return total


def size_gains(size: Size, width: float) -> np.ndarray:
    """d printed size / d term, ndarray (terms,): a plain square or circle walked, see `printed_size`.

    Every gain is A + B L + C / L of the nominal L (scale grows with it, closing of bores goes with 1 / L), so that
    three sizes walked serve all ordinary ones.
    """
    if not WALKED_MM[0] <= size.nominal <= WALKED_MM[-1]:
        return _gains(size, width).copy()
    a, b, c = _coefficients(size.side, size.axis, size.shape, width)
    return a + b * size.nominal + c / size.nominal


@lru_cache(maxsize=64)
def _coefficients(side: Side, axis: Axis, shape: Shape, width: float) -> np.ndarray:
    """A, B and C of all terms, ndarray (3, terms)."""
    sizes = np.array(WALKED_MM)
    basis = np.stack([np.ones_like(sizes), sizes, 1 / sizes], axis=1)
    walked = [
        _gains(Size(side=side, axis=axis, nominal=nominal, shape=shape), width) for nominal in WALKED_MM
    ]
    return np.linalg.solve(basis, np.array(walked))


@lru_cache(maxsize=1024)
def _gains(size: Size, width: float) -> np.ndarray:
    steps = np.array([t.step for t in TERMS])
    theta = np.concatenate([np.zeros((1, len(steps))), np.diag(steps)])
    printed = printed_size(size, theta, width)
    return (printed[1:] - printed[0]) / steps
