"""Populations of virtual printers: mixes of error terms, seeded, for calibration and for tests.

Instrument and form terms are nobody's choice: every mix draws them alike, caliper errors evenly within the stated
limits.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.estimation.priors import prior_sds
from fitassay.analysis.normal import SMALLEST_SD
from fitassay.analysis.terms import BEAD, INDEX, PATH, PLAYS, PRINTER, TERMS, acting_on
from fitassay.analysis.validation.catalogue import by_name
from fitassay.coupons.machine import Machine

# Sizes of a chosen error, in prior standard deviations.
SMALLEST, LARGEST = 0.5, 2.5
# A rival's contribution, as a share of the leading error's.
RIVAL_SHARES = (0.5, 1.0)
# A large culprit: its effect on a 20 mm part [mm], and what one unit of each term does to such a part.
CULPRIT_MM = (0.15, 0.40)
CULPRIT_GAINS = {
    "scale_x": 20.0,
    "scale_y": 20.0,
    "scale_xy": 20.0,
    "backlash_x": 1.0,
    "backlash_y": 1.0,
    "backlash_a": 0.7,
    "backlash_b": 0.7,
    "bead_excess": 1.0,
    "contour_offset": 2.0,
    "skew_xy": 20.0,
}

Draw = Callable[[np.random.Generator, int, np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True, kw_only=True)
class Mix:
    """A way in which printers are bad.

    Attributes
    ----------
    name : str
    text : str
        In words.
    draw : callable (rng, n, prior_sd, weights) -> ndarray (n, terms)
        Printer terms only; `weights` are those of the reference features.
    """

    name: str
    text: str
    draw: Draw


def _size(rng: np.random.Generator, n: int) -> np.ndarray:
    return rng.uniform(SMALLEST, LARGEST, n) * rng.choice([-1.0, 1.0], n)


def _judged(weights: np.ndarray) -> np.ndarray:
    return np.flatnonzero(PRINTER & (weights > 0))


def _from_priors(rng: np.random.Generator, n: int, prior_sd: np.ndarray, weights: np.ndarray) -> np.ndarray:
    theta = np.zeros((n, len(TERMS)))
    has = prior_sd > SMALLEST_SD
    theta[:, has] = rng.standard_normal((n, has.sum())) * prior_sd[has]
    return theta


def _plays(prior_sd: np.ndarray) -> tuple[int, ...]:
    """Columns of the plays that the machine has."""
    return tuple(i for i in PLAYS if prior_sd[i] > SMALLEST_SD)


def _sound(rng: np.random.Generator, n: int, prior_sd: np.ndarray, weights: np.ndarray) -> np.ndarray:
    return np.zeros((n, len(TERMS)))


def _all_small(rng: np.random.Generator, n: int, prior_sd: np.ndarray, weights: np.ndarray) -> np.ndarray:
    return 0.1 * _from_priors(rng, n, prior_sd, weights)


def _one_term(rng: np.random.Generator, n: int, prior_sd: np.ndarray, weights: np.ndarray) -> np.ndarray:
    theta = np.zeros((n, len(TERMS)))
    which = rng.choice(_judged(weights), n)
    theta[np.arange(n), which] = _size(rng, n) * prior_sd[which]
    return theta


def _two_rivals(rng: np.random.Generator, n: int, prior_sd: np.ndarray, weights: np.ndarray) -> np.ndarray:
    pool = _judged(weights)
    both = np.array([rng.permutation(pool)[:2] for _ in range(n)])
    root = np.sqrt(weights)
    # As large as the smaller of the two can be, so that neither is absurd.
    reach = np.min((root * prior_sd)[both], axis=1)
    lead = rng.uniform(SMALLEST, LARGEST, n) * reach
    effect = np.stack([lead, lead * rng.uniform(*RIVAL_SHARES, n)], axis=1)
    theta = np.zeros((n, len(TERMS)))
    np.put_along_axis(theta, both, effect * rng.choice([-1.0, 1.0], (n, 2)) / root[both], axis=1)
    return theta


def _mild(rng: np.random.Generator, n: int, prior_sd: np.ndarray, weights: np.ndarray) -> np.ndarray:
    return 0.3 * _from_priors(rng, n, prior_sd, weights)


def _one_culprit(rng: np.random.Generator, n: int, prior_sd: np.ndarray, weights: np.ndarray) -> np.ndarray:
    theta = _all_small(rng, n, prior_sd, weights)
    culprits = [INDEX[name] for name in CULPRIT_GAINS]
    which = rng.choice(np.array([i for i in culprits if prior_sd[i] > SMALLEST_SD]), n)
    gain = np.array([CULPRIT_GAINS.get(t.name, np.nan) for t in TERMS])[which]
    size = rng.uniform(*CULPRIT_MM, n) / gain
    theta[np.arange(n), which] = size * rng.choice([-1.0, 1.0], n)
    for play in _plays(prior_sd):
        # Lost motion is never negative; compensation set too high has a mix of its own.
        theta[:, play] = np.abs(theta[:, play])
    return theta


def _over_compensated(
    rng: np.random.Generator, n: int, prior_sd: np.ndarray, weights: np.ndarray
) -> np.ndarray:
    theta = _all_small(rng, n, prior_sd, weights) * 3
    for play in _plays(prior_sd):
        theta[:, play] = -np.abs(_size(rng, n)) * prior_sd[play]
    return theta


def _cancelling(rng: np.random.Generator, n: int, prior_sd: np.ndarray, weights: np.ndarray) -> np.ndarray:
    theta = _all_small(rng, n, prior_sd, weights)
    bead = _size(rng, n) * prior_sd[BEAD]
    theta[:, BEAD] = bead
    theta[:, PATH] = -bead / 2 * rng.uniform(0.7, 1.3, n)
    return theta


def _heavy_skew(rng: np.random.Generator, n: int, prior_sd: np.ndarray, weights: np.ndarray) -> np.ndarray:
    theta = _all_small(rng, n, prior_sd, weights) * 3
    skew = rng.uniform(1, 3, n) * rng.choice([-1.0, 1.0], n)
    for shear in acting_on("shear"):
        theta[:, shear] = skew * prior_sd[shear]
    return theta


MIXES: dict[str, Mix] = by_name(
    Mix(name="priors", text="every error as common as the table of priors has it", draw=_from_priors),
    Mix(name="sound", text="a printer without fault", draw=_sound),
    Mix(name="one-term", text="a single error, all others nil", draw=_one_term),
    Mix(
        name="two-rivals",
        text="two errors, the second half to fully as bad as the first",
        draw=_two_rivals,
    ),
    Mix(name="all-small", text="every error a tenth of the usual", draw=_all_small),
    Mix(
        name="over-compensated",
        text="backlash compensation set too high on both axes",
        draw=_over_compensated,
    ),
    Mix(name="cancelling", text="bead width and path offset hide each other", draw=_cancelling),
    Mix(name="mild", text="every error three tenths of the usual", draw=_mild),
    Mix(
        name="one-culprit",
        text="one error of 0.15 to 0.4 mm on a 20 mm part, all others a tenth of the usual",
        draw=_one_culprit,
    ),
    Mix(name="heavy-skew", text="a frame 0.6 to 1.7 degrees out of square", draw=_heavy_skew),
)


def draw_printers(
    mix: Mix, n: int, machine: Machine, weights: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """n printers of a mix, ndarray (n, terms), with caliper and form errors.

    Parameters
    ----------
    weights : ndarray (terms,)
        Of the reference features, `diagnosis.verdict.Reference.weights`.
    """
    prior_sd = prior_sds(machine)
    theta = np.where(PRINTER, mix.draw(rng, n, prior_sd, weights), 0.0)
    for i, term in enumerate(TERMS):
        if term.kind == "instrument":
            # An error limit says no more than that the error lies inside.
            theta[:, i] = rng.uniform(-1, 1, n) * np.sqrt(3) * prior_sd[i]
        elif term.kind == "form":
            theta[:, i] = prior_sd[i] * rng.standard_normal(n)
    return theta
