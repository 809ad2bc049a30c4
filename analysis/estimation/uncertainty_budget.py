"""The uncertainty budget of each estimate (GUM 8, table H.1): where its standard uncertainty comes from.

The estimate is what readings, facts and prior say together, C = (A' V^-1 A + sum f f'/u^2 + P^-1)^-1, so that

    C = K V K' + sum (C f)(C f)'/u^2 + C P^-1 C,     K = C A' V^-1   (d estimate / d reading, GUM 5.1.3)

exactly, and every part of V, every fact and every prior has its own share of the variance (derived here).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from fitassay.analysis import rounding
from fitassay.analysis.estimation.fit import Fit
from fitassay.analysis.estimation.model_error import ModelError
from fitassay.analysis.terms import NAMES, SURFACE, TERMS
from fitassay.coupons.machine import Machine

# Sources that make less than this share of a variance are told together.
SMALLEST_SHARE = 0.005


@dataclass(frozen=True, kw_only=True)
class Source:
    """One line of a budget.

    Attributes
    ----------
    name : str
    type : {"A", "B"}
        By statistics of repeats, or otherwise (GUM 4.2, 4.3).
    u : ndarray (terms,)
        Standard uncertainty that it gives each estimate, in the estimate's unit; one of them: (1,).
    """

    name: str
    type: Literal["A", "B"]
    u: np.ndarray


def from_inputs(inputs: Iterable[tuple[str, Literal["A", "B"], float, float]]) -> tuple[Source, ...]:
    """The budget of one measurand from independent inputs: name, type, sensitivity coefficient and uncertainty."""
    return tuple(Source(name=n, type=t, u=np.array([abs(c) * u])) for n, t, c, u in inputs)


def combined(sources: Iterable[Source]) -> np.ndarray:
    """Combined standard uncertainty: root of the sum of squares (GUM 5.1.2)."""
    return np.sqrt(np.sum([s.u**2 for s in sources], axis=0))


def budget_of(done: Fit, budget: ModelError, machine: Machine) -> tuple[Source, ...]:
    """The budget of all estimates of one set of readings, in the order in which a reading comes about."""
    o = done.observations
    own = np.flatnonzero(o.column >= 0)
    kept = own[~done.outliers[own]]
    at = np.searchsorted(own, kept)
    k = done.influence[:, kept]
    step = machine["caliper.resolution_mm"]
    scatter = o.repeatability_mm**2 / o.count[kept]
    steps = np.full(len(kept), step**2 / 12)
    held = np.maximum(o.u[kept] ** 2 - scatter - steps, 0.0)
    columns = o.column[kept]
    rows = {name: v[np.ix_(columns, columns)] for name, v in budget.covariances.items()}
    known = np.diag(scatter + steps + held) + sum(rows.values(), np.zeros((len(kept), len(kept))))
    noise = done.noise[np.ix_(at, at)]
    factor = float(done.estimate.agreement.birge)

    def through(v: np.ndarray) -> np.ndarray:
        return np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", k, v, k), 0.0))

    sources = [
        Source(name="caliper's scatter", type="A" if o.repeat_dof else "B", u=through(np.diag(scatter))),
        Source(name="caliper's steps", type="B", u=through(np.diag(steps))),
        Source(name="what repeats share, and the hold of the jaws", type="B", u=through(np.diag(held))),
        *(Source(name=name, type="B", u=through(v)) for name, v in rows.items()),
        Source(name="elastic lost motion", type="B", u=through(noise - known)),
        Source(name="the print's own scatter", type="A", u=through((factor - 1) * noise)),
    ]
    return (*sources, *_beside(done, own, factor))


def _beside(done: Fit, own: np.ndarray, factor: float) -> list[Source]:
    """What does not come through the print's readings: pieces of known size, facts, and what was known before."""
    o, cov = done.observations, done.posterior.cov
    pieces = np.setdiff1d(np.flatnonzero(~done.outliers), own)
    sources = []
    if pieces.size:
        square = np.sum((cov @ o.gains[pieces].T) ** 2 / o.u[pieces] ** 2, axis=1)
        sources.append(Source(name="pieces of known size", type="B", u=np.sqrt(square)))
    for fact in done.facts:
        sources.append(Source(name=fact.kind, type="B", u=np.abs(cov @ fact.row) / fact.u))
    root = np.where(SURFACE, np.sqrt(factor), 1.0)
    prior = done.prior.cov * np.outer(root, root)
    independent = not np.any(prior - np.diag(np.diag(prior)))
    if not independent:
        inverse = np.linalg.inv(prior)
        square = np.einsum("ij,jk,ik->i", cov, inverse, cov)
        return [*sources, Source(name="earlier prints", type="B", u=np.sqrt(np.maximum(square, 0.0)))]
    variance = np.diag(prior)
    kinds = np.array([t.kind for t in TERMS])
    for name, mask in (
        ("caliper's zero", kinds == "instrument"),
        ("uneven layers and push-out", kinds == "surface"),
        ("what printers usually are (priors)", np.isin(kinds, ("printer", "form"))),
    ):
        square = np.sum(cov[:, mask] ** 2 / variance[mask], axis=1)
        sources.append(Source(name=name, type="B", u=np.sqrt(square)))
    return sources


def as_data(sources: tuple[Source, ...], told: np.ndarray) -> dict[str, Any]:
    """For diagnosis.json: the coefficient k, and by term its sources, the largest first, and the combined value.

    `told` (terms,) of bool: terms that such a machine has.
    """
    total = combined(sources)
    terms = {}
    for i in np.flatnonzero(told):
        order = sorted(sources, key=lambda s: -s.u[i])
        shown = [s for s in order if s.u[i] ** 2 > SMALLEST_SHARE * total[i] ** 2]
        rest = float(np.sqrt(np.sum([s.u[i] ** 2 for s in order[len(shown) :]])))
        lines = [{"source": s.name, "type": s.type, "std_uncertainty": float(s.u[i])} for s in shown]
        if rest > 0:
            lines.append({"source": "all others", "type": "B", "std_uncertainty": rest})
        terms[NAMES[i]] = {"sources": lines, "std_uncertainty": float(total[i]), "unit": TERMS[i].unit}
    return {"coverage_factor": rounding.COVERAGE, "terms": terms}
