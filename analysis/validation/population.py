"""Populations of virtual printers, and what their owners would read: seeded, for calibration and for tests.

A mix draws the error terms; a noise model turns exact readings into what is written down. Instrument and form terms
are nobody's choice: every mix draws them alike, caliper errors evenly within the stated limits.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.estimation.priors import prior_sds
from fitassay.analysis.terms import INDEX, PRINTER, TERMS
from fitassay.coupons.machine import Machine

# Sizes of a chosen error, in prior standard deviations.
SMALLEST, LARGEST = 0.5, 2.5
# A rival's contribution, as a share of the leading error's.
RIVAL_SHARES = (0.5, 1.0)

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
    return rng.standard_normal((n, len(TERMS))) * prior_sd


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


def _over_compensated(
    rng: np.random.Generator, n: int, prior_sd: np.ndarray, weights: np.ndarray
) -> np.ndarray:
    theta = _all_small(rng, n, prior_sd, weights) * 3
    for name in ("backlash_x", "backlash_y"):
        theta[:, INDEX[name]] = -np.abs(_size(rng, n)) * prior_sd[INDEX[name]]
    return theta


def _cancelling(rng: np.random.Generator, n: int, prior_sd: np.ndarray, weights: np.ndarray) -> np.ndarray:
    theta = _all_small(rng, n, prior_sd, weights)
    bead = _size(rng, n) * prior_sd[INDEX["bead_excess"]]
    theta[:, INDEX["bead_excess"]] = bead
    theta[:, INDEX["contour_offset"]] = -bead / 2 * rng.uniform(0.7, 1.3, n)
    return theta


def _heavy_skew(rng: np.random.Generator, n: int, prior_sd: np.ndarray, weights: np.ndarray) -> np.ndarray:
    theta = _all_small(rng, n, prior_sd, weights) * 3
    skew = rng.uniform(1, 3, n) * rng.choice([-1.0, 1.0], n)
    theta[:, INDEX["skew_xy"]] = skew * prior_sd[INDEX["skew_xy"]]
    return theta


MIXES: dict[str, Mix] = {
    m.name: m
    for m in (
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
        Mix(name="heavy-skew", text="a frame 0.6 to 1.7 degrees out of square", draw=_heavy_skew),
    )
}


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


@dataclass(frozen=True, kw_only=True)
class Noise:
    """How readings come about.

    Attributes
    ----------
    name, text : str
    scatter : float
        Of one reading, in units of the caliper's stated repeatability.
    step : float
        Of the display, in units of the caliper's stated step; 0: exact.
    repeats : int
        Readings per feature, averaged.
    correlation : float
        Share of one reading's variance that all repeats of a feature have in common.
    slips : float
        Share of sets with one gross slip.
    """

    name: str
    text: str
    scatter: float = 1.0
    step: float = 1.0
    repeats: int = 1
    correlation: float = 0.0
    slips: float = 0.0


NOISES: dict[str, Noise] = {
    n.name: n
    for n in (
        Noise(name="normal", text="normal scatter as stated", step=0.0),
        Noise(name="rounded", text="the same, rounded to the caliper's step"),
        Noise(
            name="repeats",
            text="three repeats that share a quarter of their variance",
            repeats=3,
            correlation=0.25,
        ),
        Noise(name="slips", text="one gross slip in 5 % of sets", slips=0.05),
    )
}


@dataclass(frozen=True, kw_only=True)
class Sets:
    """Readings of n printers.

    Attributes
    ----------
    values : ndarray (n, m) [mm]
        Means of the repeats.
    u : ndarray (n, m) [mm]
        Standard uncertainties, from the repeats pooled with the stated repeatability where there are any.
    slipped : ndarray (n, m) of bool
    """

    values: np.ndarray
    u: np.ndarray
    slipped: np.ndarray


def read_sets(exact: np.ndarray, noise: Noise, machine: Machine, rng: np.random.Generator) -> Sets:
    """What the owners of n printers write down, given exact readings (n, m) [mm]."""
    from fitassay.analysis.estimation.observations import STATED_DOF

    stated, step = machine["caliper.repeatability_mm"], machine["caliper.resolution_mm"]
    sd = noise.scatter * stated
    n, m = exact.shape
    common = np.sqrt(noise.correlation) * rng.standard_normal((n, m, 1))
    own = np.sqrt(1 - noise.correlation) * rng.standard_normal((n, m, noise.repeats))
    shown = exact[:, :, None] + sd * (common + own)
    if noise.step > 0:
        shown = np.round(shown / (noise.step * step)) * noise.step * step
    slipped = np.zeros((n, m), dtype=bool)
    hit = np.flatnonzero(rng.random(n) < noise.slips)
    slipped[hit, rng.integers(0, m, len(hit))] = True
    for i, j in np.argwhere(slipped):
        shown[i, j] = slip(shown[i, j], rng)
    values = shown.mean(axis=2)
    squares = np.sum((shown - values[:, :, None]) ** 2, axis=(1, 2))
    dof = m * (noise.repeats - 1)
    pooled = (STATED_DOF * stated**2 + squares) / (STATED_DOF + dof)
    u = np.sqrt(pooled[:, None] / noise.repeats + step**2 / 12) * np.ones((n, m))
    return Sets(values=values, u=u, slipped=slipped)


def _misread(step: float) -> Callable[[np.ndarray, np.random.Generator], np.ndarray]:
    def by_step(values: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        sign = rng.choice([-1.0, 1.0])
        # A caliper shows nothing below zero.
        return values + step * (sign if np.min(values) > step else 1.0)

    return by_step


SLIPS: dict[str, Callable[[np.ndarray, np.random.Generator], np.ndarray]] = {
    "1 mm": _misread(1.0),
    "10 mm": _misread(10.0),
    "half a mm": _misread(0.5),
    "inch": lambda v, rng: np.round(v / 25.4, 3),
    "decimal point": lambda v, rng: v * rng.choice([0.1, 10.0]),
}
"""Gross slips of the readings of one feature, by name."""


def slip(values: np.ndarray, rng: np.random.Generator, kind: str = "") -> np.ndarray:
    """Readings of one feature with a gross slip, of a kind or of any."""
    chosen = SLIPS[kind] if kind else SLIPS[str(rng.choice(list(SLIPS)))]
    return chosen(values, rng)
