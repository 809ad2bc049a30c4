"""One set of readings estimated: outliers set aside, the print's excess variance measured, the estimate walked.

Sensitivities are taken about the perfect printer. What they miss (play seen by a jaw's flat in a bore, scale times
offset) is put right by walking the estimated printer and estimating again from what its walk does not explain.

Pieces of known size and facts beside the readings belong to no print: its excess variance does not touch them, and no
search for outliers names them. Pieces are known before the print's readings; facts are added after, where they agree.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.estimation.agreement import agreement
from fitassay.analysis.estimation.excess_variance import Disagreement, disagreement
from fitassay.analysis.estimation.known import Fact, Known, TransferredPrior, contradicted, with_facts
from fitassay.analysis.estimation.marginal import Model, deleted
from fitassay.analysis.estimation.model_error import ModelError, elastic_cov, elastic_size
from fitassay.analysis.estimation.observations import Observations
from fitassay.analysis.estimation.outliers import (
    HAND_MM,
    SLIPS_AT_ONCE,
    find_outliers,
    predicted,
    slip_limit,
)
from fitassay.analysis.estimation.play import Forward, kink_variance
from fitassay.analysis.normal import Normal
from fitassay.analysis.terms import PLAYS

# Readings that differ from what was transferred by more than this chance allows mean that the printer has changed.
CHANGED_P = 0.001
# Walks after the first estimate: one for all, more where the estimate then moved a reading by more than [mm].
REWALKS = 3
MOVED_MM = 0.03


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """What a print's readings say, on one tangent.

    Attributes
    ----------
    posterior : Normal
    base : ndarray (m,) [mm]
        What zero terms read on the tangent through the estimate: prediction = base + gains @ terms.
    outliers : ndarray (m,) of bool
    agreement : Disagreement
        Of the readings kept.
    doubt_p, doubt_mm : float, float [mm]
        p-value and scatter that the model is judged by: readings set aside beyond what a hand slips with count too.
    """

    posterior: Normal
    base: np.ndarray
    outliers: np.ndarray
    agreement: Disagreement
    doubt_p: float
    doubt_mm: float


@dataclass(frozen=True, kw_only=True)
class Fit:
    """One set of readings, with pieces of known size and facts, estimated.

    Attributes
    ----------
    observations : Observations
    prior : Normal
        Known before all of them: the table, or what an earlier print left known.
    estimate : Estimate
        From the print's own readings; `base` and `outliers` of all rows, pieces of known size among them.
    posterior : Normal
        With the facts.
    noise : ndarray (own, own) [mm2]
        Covariance of the print's own readings before its excess variance: caliper, hand and the model's error.
    u : ndarray (m,) [mm]
        Standard uncertainties as read, of a print's readings with its excess variance.
    residual, residual_sd : ndarray (m,) [mm]
        Each reading less what all other kept ones and the prior say of it, and the standard deviation of that.
    influence : ndarray (terms, m)
        d estimate / d reading; zero for outliers.
    agreement_p : float
        Of the estimate with what was transferred from an earlier print, from `agreement`; 1 without one.
    transferred : TransferredPrior or None
        What an earlier print left known, where it was used; None too where the readings contradict it.
    facts, contradicted : tuple of Fact
        Facts used, and those left out since the readings contradict them.
    layer_mm : float [mm]
        Layer height of the print.
    """

    observations: Observations
    prior: Normal
    estimate: Estimate
    posterior: Normal
    noise: np.ndarray
    u: np.ndarray
    residual: np.ndarray
    residual_sd: np.ndarray
    influence: np.ndarray
    agreement_p: float
    transferred: TransferredPrior | None
    facts: tuple[Fact, ...]
    contradicted: tuple[Fact, ...]
    layer_mm: float

    @property
    def outliers(self) -> np.ndarray:
        """Rows set aside (m,) of bool."""
        return self.estimate.outliers


def fit(
    observations: Observations,
    walk: SetWalk,
    table: Normal,
    known: Known | None = None,
    budget: ModelError | None = None,
) -> Fit:
    """Estimate the error terms.

    Parameters
    ----------
    observations : Observations
        From `estimation.observations.gather`.
    walk : SetWalk
    table : Normal
        Prior from the table.
    known : Known, optional
        Facts beside the readings; what an earlier print left known, in place of the table, is dropped where the
        readings contradict it.
    budget : ModelError, optional
        Of the model's own error; none by default, as on a printer that behaves as modelled.
    """
    known = known or Known()
    if known.transferred is None:
        return _fit(observations, walk, table, known, budget)
    prior = known.transferred.terms
    done = _fit(observations, walk, prior, known, budget)
    p = agreement(prior, done.estimate.posterior)
    if p >= CHANGED_P and done.outliers.sum() > SLIPS_AT_ONCE:
        plain = _fit(observations, walk, table, known, budget)
        if done.outliers.sum() > plain.outliers.sum() + SLIPS_AT_ONCE:
            p = _agreement_of_all(plain, prior)
    if p < CHANGED_P:
        return replace(_fit(observations, walk, table, known, budget), agreement_p=p)
    return replace(done, agreement_p=p, transferred=known.transferred)


def _agreement_of_all(plain: Fit, prior: Normal) -> float:
    """`agreement` with the readings that the table's priors take, too: a hand does not slip so often at once."""
    o = plain.observations
    own = np.flatnonzero(o.column >= 0)
    kept = ~plain.outliers[own]
    model = Model(gains=o.gains[own], prior=prior, noise=plain.noise).taking(kept)
    residual = (o.y - plain.estimate.base)[own][kept] - model.gains @ prior.mean
    return agreement(prior, solve(model, residual))


def _fit(
    observations: Observations, walk: SetWalk, prior: Normal, known: Known, budget: ModelError | None
) -> Fit:
    o = observations
    pieces = np.flatnonzero(o.column < 0)
    wrong = pieces[_wrong_pieces(o, prior, pieces)]
    before = _with_pieces(o, prior, wrong)
    own = np.flatnonzero(o.column >= 0)
    columns = o.column[own]
    shift = np.zeros(len(own)) if budget is None else budget.shift[columns]
    noise = np.diag(o.u[own] ** 2)
    if budget is not None:
        noise = noise + budget.cov[np.ix_(columns, columns)]

    def forward(theta: np.ndarray) -> np.ndarray:
        return walk.readings(theta)[:, columns] + shift

    model = Model(gains=o.gains[own], prior=before, noise=noise)
    model, estimate = estimate_walked(
        model,
        o.base[own] + shift,
        o.y[own],
        forward,
        None if budget is None or budget.elastic is None else budget.elastic[columns],
    )
    against = contradicted(estimate.posterior, known.facts)
    facts = tuple(f for f in known.facts if f not in against)
    posterior, base = estimate.posterior, estimate.base
    if facts:
        posterior, base = _with_facts(model, estimate, o.y[own], facts, forward)
    u = o.u.copy()
    u[own] = np.sqrt(o.u[own] ** 2 + estimate.agreement.excess)
    whole = _on_all_rows(o, estimate, base, own, wrong)
    residual, sd = _deleted_of_all(model, whole, posterior, o, own)
    return Fit(
        observations=o,
        prior=prior,
        estimate=whole,
        posterior=posterior,
        noise=model.noise,
        u=u,
        residual=residual,
        residual_sd=sd,
        influence=_influence(model, whole, posterior, o, own),
        agreement_p=1.0,
        transferred=None,
        facts=facts,
        contradicted=against,
        layer_mm=walk.manifest.layer_height_mm,
    )


def estimate_walked(
    model: Model, base: np.ndarray, y: np.ndarray, forward: Forward, elastic: np.ndarray | None = None
) -> tuple[Model, Estimate]:
    """Estimate about the perfect printer, walk the estimate, estimate again until it stays.

    Parameters
    ----------
    model : Model
        Of m readings of one set.
    base, y : ndarray (m,) [mm]
        What zero terms read, and what was read.
    forward : callable
        Noise-free readings (n, m) of printers (n, terms).
    elastic : ndarray (m, 2), optional
        Of `ModelError`: lost motion may be taken up in part only.

    Returns
    -------
    model : Model
        With the further variance that the estimated play brings.
    estimate : Estimate
    """
    estimate = estimate_once(model, base, y)
    for _ in range(REWALKS):
        theta = estimate.posterior.mean
        estimate = estimate_once(model, forward(theta[None])[0] - model.gains @ theta, y)
        if np.abs(model.gains @ (estimate.posterior.mean - theta)).max(initial=0.0) <= MOVED_MM:
            break
    found = estimate.posterior.mean[None]
    kinked = kink_variance(found, model.gains, forward)[0]
    size = 0.0 if elastic is None else elastic_size(found[:, PLAYS])[0]
    if size or kinked.any():
        more = elastic_cov(model.gains[:, PLAYS], elastic) if elastic is not None else 0.0
        model = model.plus(size**2 * more + np.diag(kinked))
        estimate = estimate_once(model, estimate.base, y)
    return model, estimate


def estimate_once(model: Model, base: np.ndarray, y: np.ndarray) -> Estimate:
    """Set outliers aside, measure the excess variance, estimate."""
    residual = y - base - model.gains @ model.prior.mean
    outliers = find_outliers(model, residual)
    kept = model.taking(~outliers)
    agreement = disagreement(kept, residual[~outliers])
    wide = kept.scaled(agreement.birge)
    posterior = solve(wide, residual[~outliers])
    doubt = _judged_by(model, residual, outliers, agreement)
    return Estimate(
        posterior=posterior,
        base=base,
        outliers=outliers,
        agreement=agreement,
        doubt_p=float(doubt.p_value),
        doubt_mm=float(np.sqrt(doubt.excess)),
    )


def solve(model: Model, residual: np.ndarray) -> Normal:
    """Posterior of the terms.

    Parameters
    ----------
    model : Model
        Of the readings kept.
    residual : ndarray (m,) or (n, m) [mm]
        Readings less base and prior mean.
    """
    if not len(model.gains):
        return model.prior
    across = model.prior.cov @ model.gains.T
    weights = np.swapaxes(np.linalg.solve(model.cov, np.swapaxes(across, -1, -2)), -1, -2)
    mean = residual @ weights.T if weights.ndim == 2 else np.einsum("nkm,nm->nk", weights, residual)
    cov = model.prior.cov - weights @ np.swapaxes(across, -1, -2)
    return replace(model.prior, mean=model.prior.mean + mean, cov=(cov + np.swapaxes(cov, -1, -2)) / 2)


def _judged_by(
    model: Model, residual: np.ndarray, outliers: np.ndarray, agreement: Disagreement
) -> Disagreement:
    """What the model is judged by: of outliers that a print may make, all but the worst few count as readings."""
    if outliers.sum() <= SLIPS_AT_ONCE:
        return agreement
    everything = np.arange(len(residual))
    wide = model.plus(agreement.excess)
    off, sd = predicted(wide.cov, residual, everything[~outliers], everything[outliers])
    of_print = np.abs(off) < HAND_MM
    if of_print.sum() <= SLIPS_AT_ONCE:
        return agreement
    order = np.argsort(-np.where(of_print, np.abs(off) / sd, 0.0))
    out = np.union1d(everything[outliers][~of_print], everything[outliers][order[:SLIPS_AT_ONCE]])
    kept = np.setdiff1d(everything, out)
    return disagreement(model.taking(kept), residual[kept])


def refit(done: Fit, prior: Normal) -> Estimate:
    """The estimate under another prior, on the same tangent, with the same facts."""
    o = done.observations
    own = np.flatnonzero(o.column >= 0)
    before = _with_pieces(o, prior, np.flatnonzero(done.outliers & (o.column < 0)))
    model = Model(gains=o.gains[own], prior=before, noise=done.noise)
    estimate = estimate_once(model, done.estimate.base[own], o.y[own])
    return replace(estimate, posterior=with_facts(estimate.posterior, done.facts))


def with_more_facts(done: Fit, facts: tuple[Fact, ...]) -> Fit:
    """The fit with further facts, on the same tangent."""
    return replace(done, posterior=with_facts(done.posterior, facts), facts=done.facts + facts)


def _with_pieces(o: Observations, prior: Normal, wrong: np.ndarray) -> Normal:
    """What is known once pieces of known size are read, all but the wrong readings."""
    right = np.setdiff1d(np.flatnonzero(o.column < 0), wrong)
    return prior.condition(o.gains[right], (o.y - o.base)[right], o.u[right]) if right.size else prior


def _wrong_pieces(o: Observations, prior: Normal, pieces: np.ndarray) -> np.ndarray:
    """Which readings of pieces of known size are further off than any caliper is, (pieces,) of bool."""
    value, sd = prior.linear(o.gains[pieces])
    off = np.abs((o.y - o.base)[pieces] - value)
    return off > slip_limit(len(o.y)) * np.hypot(sd, o.u[pieces])


def _with_facts(
    model: Model, estimate: Estimate, y: np.ndarray, facts: tuple[Fact, ...], forward: Forward
) -> tuple[Normal, np.ndarray]:
    """Posterior with the facts, and the tangent's base there; outliers and excess variance stay as they are."""
    prior = with_facts(model.prior, facts)
    kept = ~estimate.outliers
    wide = replace(model, prior=prior).scaled(estimate.agreement.birge).taking(kept)
    base = estimate.base
    for _ in range(REWALKS):
        posterior = solve(wide, (y - base)[kept] - wide.gains @ prior.mean)
        base = forward(posterior.mean[None])[0] - model.gains @ posterior.mean
    return solve(wide, (y - base)[kept] - wide.gains @ prior.mean), base


def _on_all_rows(
    o: Observations, estimate: Estimate, base: np.ndarray, own: np.ndarray, wrong: np.ndarray
) -> Estimate:
    """The estimate with base and outliers of all rows, pieces of known size among them."""
    outliers = np.zeros(len(o.y), dtype=bool)
    outliers[own], outliers[wrong] = estimate.outliers, True
    whole = o.base.copy()
    whole[own] = base
    return replace(estimate, base=whole, outliers=outliers)


def _deleted_of_all(
    model: Model, estimate: Estimate, posterior: Normal, o: Observations, own: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Residuals of all rows by all others, and their standard deviations."""
    left = o.y - estimate.base
    # Pieces by themselves: row a of uncertainty u keeps the share 1 - a' C a / u^2 of its residual.
    value, spread = posterior.linear(o.gains)
    out = estimate.outliers
    free = np.where(out, 1.0, np.maximum(1 - (spread / o.u) ** 2, 1e-9))
    residual = (left - value) / free
    sd = np.where(out, np.hypot(o.u, spread), o.u / np.sqrt(free))
    if own.size:
        wide = model.scaled(estimate.agreement.birge)
        mine = left[own] - model.gains @ model.prior.mean
        kept, outside = np.flatnonzero(~out[own]), np.flatnonzero(out[own])
        residual[own[kept]], sd[own[kept]] = deleted(np.linalg.inv(wide.cov[np.ix_(kept, kept)]), mine[kept])
        if outside.size:
            residual[own[outside]], sd[own[outside]] = predicted(wide.cov, mine, kept, outside)
    return residual, sd


def _influence(
    model: Model, estimate: Estimate, posterior: Normal, o: Observations, own: np.ndarray
) -> np.ndarray:
    """d estimate / d reading, ndarray (terms, m): C A' V^-1."""
    out = np.where(estimate.outliers, 0.0, posterior.cov @ o.gains.T / o.u**2)
    kept = ~estimate.outliers[own]
    wide = model.scaled(estimate.agreement.birge).taking(kept)
    out[:, own[kept]] = np.linalg.solve(wide.noise, wide.gains @ posterior.cov).T
    return out
