"""Whether readings taken for those of a cartesian machine look like those of crossed belts.

Where two belts move both axes, what one has more play than the other makes parts narrow in x and wide in y, or the
other way round, holes the contrary, combs and closed outlines alike: with d = b_a - b_b the readings change by v d,

    v = (gains to belt a - gains to belt b) / 2

No error of a cartesian machine does that, so d is estimated beside all of them, its prior flat. With S the covariance
of the readings as that machine's errors, the caliper and the model's own error have it,

    d = v' S^-1 r / (v' S^-1 v),   standard uncertainty 1 / sqrt(v' S^-1 v)

(generalised least squares, textbook).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.estimation.fit import Fit, estimate_once
from fitassay.analysis.estimation.marginal import Model
from fitassay.analysis.estimation.model_error import ModelError, model_error
from fitassay.analysis.tails import normal_below
from fitassay.analysis.terms import PLAYS

CHANCE = 0.001
# Layers that shift more along one axis than along the other look like a smaller difference of plays than this [mm].
LEAST_MM = 0.15
BELT_PRIOR_MM = 0.3
# The pattern shows on outsides and openings, along x and along y: so many of the four have to be read.
SORTS = 4

QUESTION = (
    "This looks like crossed belts: is your machine driven by two motors together? Then write "
    'kinematics = "crossed-belts" in machine.toml and diagnose again.'
)


def looks_crossed(done: Fit, walk: SetWalk, budget: ModelError | None = None) -> bool:
    """Whether the readings show the pattern of crossed belts, p < `CHANCE`, and more of it than uneven layers make.

    Parameters
    ----------
    done : Fit
        As of a cartesian machine.
    walk : SetWalk
    budget : ModelError, optional
        Of the model's own error, where the fit has it already.
    """
    o = done.observations
    own = np.flatnonzero(o.column >= 0)
    features = [walk.features[o.column[i]] for i in own]
    sorts = {(f.kind, f.axis) for f in features if f.kind in ("outside", "inside") and f.axis in ("x", "y")}
    if len(sorts) < SORTS:
        return False
    a, b = PLAYS[2:]
    pattern = (o.gains[own, a] - o.gains[own, b]) / 2
    y = o.y[own] - done.estimate.base[own]
    difference, u = _difference(done, pattern, own, y, done.noise)
    if budget is not None or abs(difference) < LEAST_MM or _chance(difference, u) >= CHANCE:
        return abs(difference) >= LEAST_MM and _chance(difference, u) < CHANCE
    columns = o.column[own]
    budget = model_error(walk)
    noise = done.noise + budget.cov[np.ix_(columns, columns)]
    difference, u = _difference(done, pattern, own, y - budget.shift[columns], noise)
    return abs(difference) >= LEAST_MM and _chance(difference, u) < CHANCE


def _difference(
    done: Fit, pattern: np.ndarray, own: np.ndarray, y: np.ndarray, noise: np.ndarray
) -> tuple[float, float]:
    """d and its standard uncertainty [mm]; readings that neither drive explains are left out."""
    prior = done.prior
    cov = np.array(prior.cov)
    for i in PLAYS[2:]:
        cov[i, i] = max(cov[i, i], BELT_PRIOR_MM**2)
    either = Model(gains=done.observations.gains[own], prior=replace(prior, cov=cov), noise=noise)
    estimate = estimate_once(either, np.zeros(len(own)), y)
    kept = ~estimate.outliers
    cartesian = replace(either, prior=prior).plus(float(estimate.agreement.excess)).taking(kept)
    v = np.linalg.solve(cartesian.cov, pattern[kept])
    information = float(v @ pattern[kept])
    if information <= 0:
        return 0.0, np.inf
    residual = (y - done.observations.gains[own] @ prior.mean)[kept]
    return float(v @ residual) / information, 1 / np.sqrt(information)


def _chance(difference: float, u: float) -> float:
    """Of so large a difference, either way, where there is none."""
    return 2 * normal_below(-abs(difference) / u)
