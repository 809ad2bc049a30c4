"""What an error and an effect on the surface do together, where readings tell their sum alone.

To flat jaws uneven layers are a wide bead and dense filling that pushes out is a path offset: their sums are known,
and decide a fit, while either may be nil. An error is accused only where it is loud with that effect at its worst;
a sum that is the largest, and loud, is told as such.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from fitassay.analysis.estimation.priors import prior_means
from fitassay.analysis.normal import Normal
from fitassay.analysis.terms import BEAD, NAMES, PATH, SURFACE, TERMS

WORST = np.array([t.worst for t in TERMS])
TABLE_SDS = np.array([t.prior_sd for t in TERMS])
SURFACE_OF: dict[int, int] = {
    BEAD: next(i for i, t in enumerate(TERMS) if t.quantity == "surface"),
    PATH: next(i for i, t in enumerate(TERMS) if t.quantity == "contour" and t.kind == "surface"),
}
"""Column of the surface term that acts like an error, by the error's column."""


def sum_of(posterior: Normal, term: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard uncertainty of an error and its surface effect together, of one or n posteriors."""
    row = np.zeros(len(TERMS))
    row[[term, SURFACE_OF[term]]] = 1.0
    return posterior.linear(row)


def sums_as_data(posterior: Normal) -> list[dict[str, Any]]:
    """Each error with its surface effect, for diagnosis.json: names, estimate, standard uncertainty and unit."""
    rows = []
    for error, surface in SURFACE_OF.items():
        value, u = sum_of(posterior, error)
        rows.append(
            {
                "terms": [NAMES[error], NAMES[surface]],
                "estimate": float(value),
                "std_uncertainty": float(u),
                "unit": TERMS[error].unit,
            }
        )
    return rows


def sums_of(posterior: Normal, terms: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The same of n posteriors, each of its own error: ndarray (n,) each."""
    rows = np.zeros((len(terms), len(TERMS)))
    rows[np.arange(len(terms)), terms] = 1.0
    rows[np.arange(len(terms)), [SURFACE_OF[int(t)] for t in terms]] = 1.0
    square = np.einsum("ni,nij,nj->n", rows, posterior.cov, rows)
    return np.sum(rows * posterior.mean, axis=1), np.sqrt(square)


def together(mean: np.ndarray, covariance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean (terms,) and covariance with each error and its surface effect as one, in the error's place."""
    join = np.eye(len(TERMS))
    for error, surface in SURFACE_OF.items():
        join[error, surface] = 1.0
    return join @ mean, join @ covariance @ join.T


def at_worst(posterior: Normal, prior_sd: np.ndarray) -> Normal:
    """Posteriors with the surface terms expected at their worst instead of their usual size.

    What a prior's mean moves: m' = m + C P^-1 (worst - usual), P the prior's covariance. Where the case has the prior
    narrower than the table the worst is less by as much.
    """
    narrowed = np.divide(prior_sd, TABLE_SDS, out=np.zeros(len(TERMS)), where=SURFACE)
    shift = np.where(SURFACE, (WORST * narrowed - prior_means(prior_sd)) / prior_sd**2, 0.0)
    return replace(posterior, mean=posterior.mean + posterior.cov @ shift)


def least_sure(posterior: Normal, prior_sd: np.ndarray, sds: float | np.ndarray) -> np.ndarray:
    """What each term is at least, `sds` standard uncertainties off, usually and at worst, ndarray (..., terms)."""
    worst = at_worst(posterior, prior_sd)
    least = np.minimum(np.abs(posterior.mean), np.abs(worst.mean))
    same = np.sign(posterior.mean) == np.sign(worst.mean)
    return np.where(same, least - sds * posterior.sd, 0.0)
