"""Many sets of readings of one print's layout interpreted at once, as `diagnosis.diagnose` interprets each.

Sets in which the same features were read with the same uncertainties share one covariance of the readings, so that
all of them are estimated by a few products of matrices. Those in which a reading stands out, or whose play falsifies
a sensitivity, are few; they go through the functions for a single set.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields, replace

import numpy as np
from threadpoolctl import threadpool_limits

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.judging import judge_many
from fitassay.analysis.diagnosis.verdict import Judged, reference_of, visible_limits
from fitassay.analysis.estimation.excess_variance import disagreement
from fitassay.analysis.estimation.fit import (
    MOVED_MM,
    REWALKS,
    Estimate,
    estimate_once,
    solve,
)
from fitassay.analysis.estimation.marginal import Model
from fitassay.analysis.estimation.model_error import ModelError, elastic_cov, elastic_size, model_error
from fitassay.analysis.estimation.observations import single_reading_sd
from fitassay.analysis.estimation.outliers import most_outliers, search_model, slip_limit, worst_readings
from fitassay.analysis.estimation.play import Forward, kink_variance
from fitassay.analysis.estimation.priors import prior
from fitassay.analysis.normal import Normal
from fitassay.analysis.terms import PLAYS
from fitassay.coupons.machine import Machine

CHUNK = 1000


@dataclass(frozen=True, kw_only=True)
class Settled:
    """Estimates of n sets of m readings.

    Attributes
    ----------
    posterior : Normal
        Of n sets.
    base : ndarray (n, m) [mm]
        What zero terms read on the tangent through the estimate: prediction = base + gains @ mean. nan where there is
        no reading.
    outliers : ndarray (n, m) of bool
    scatter : ndarray (n,) [mm]
        Root of the print's excess variance.
    chi2, dof, p_value : ndarray (n,)
        Of the readings kept, at their stated uncertainties.
    doubt_p, doubt_mm : ndarray (n,), ndarray (n,) [mm]
        p-value and scatter that the model is judged by: readings set aside beyond what a hand slips with count too.
    """

    posterior: Normal
    base: np.ndarray
    outliers: np.ndarray
    scatter: np.ndarray
    chi2: np.ndarray
    dof: np.ndarray
    p_value: np.ndarray
    doubt_p: np.ndarray
    doubt_mm: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Interpreted:
    """What n sets of readings say: estimates and verdicts, row by row as `diagnosis.diagnose` has them."""

    settled: Settled
    judged: Judged


def interpret_many(
    walk: SetWalk,
    readings: np.ndarray,
    machine: Machine,
    *,
    u: np.ndarray | None = None,
    budget: ModelError | None = None,
    facts: Sequence[tuple[np.ndarray, np.ndarray, np.ndarray | float]] = (),
    threads: int = 2,
) -> Interpreted:
    """Interpret n sets of readings of one print at once.

    Parameters
    ----------
    walk : SetWalk
    readings : ndarray (n, features) [mm]
        In the order of ``walk.keys``; nan where a feature was not measured. A feature is taken for measured when any
        set has it.
    machine : Machine
        Caliper and priors.
    u : ndarray (features,) or (n, features) [mm], optional
        Standard uncertainties; by default those of one reading with the caliper as stated.
    budget : ModelError, optional
        Of the model's own error; by default that of the set on this machine.
    facts : sequence of row (terms,), values (n,), standard uncertainty () or (n,)
        What is known of each set's terms beside its readings.
    threads : int
        Chunks worked on at the same time.

    Returns
    -------
    Interpreted
    """
    readings = np.atleast_2d(np.asarray(readings, dtype=float))
    columns = np.flatnonzero(np.isfinite(readings).any(axis=0))
    base, gains = walk.linearise()
    single = single_reading_sd(machine)
    u = np.broadcast_to(single if u is None else u, readings.shape)[:, columns]
    readings = readings[:, columns]
    reference = reference_of(walk, gains, {int(c) for c in columns}, machine.kinematics)
    table = prior(machine)
    visible = visible_limits(reference, machine, single)
    budget = model_error(walk, machine) if budget is None else budget
    shift = budget.shift[columns]
    rough = budget.cov[np.ix_(columns, columns)]
    alike = None if budget.elastic is None else budget.elastic[columns]

    def work(rows: slice) -> Interpreted:
        def forward(theta: np.ndarray) -> np.ndarray:
            return walk.readings(theta)[:, columns] + shift

        settled = settle(
            gains[columns], base[columns] + shift, readings[rows], u[rows], table, forward, rough, alike
        )
        for row, values, sd in facts:
            sds = np.broadcast_to(sd, values.shape)[rows]
            settled = replace(settled, posterior=_given(settled.posterior, row, values[rows], sds))
        judged = judge_many(
            settled.posterior, reference, visible, table.sd, settled.doubt_p, settled.doubt_mm
        )
        return Interpreted(settled=settled, judged=judged)

    rows = [slice(i, i + CHUNK) for i in range(0, len(readings), CHUNK)]
    # The matrices are small: linear algebra that spread each over all cores would only stand in the chunks' way.
    with threadpool_limits(1, user_api="blas"), ThreadPoolExecutor(max_workers=max(1, threads)) as pool:
        parts = list(pool.map(work, rows))
    return Interpreted(
        settled=_joined(Settled, [p.settled for p in parts]),
        judged=_joined(Judged, [p.judged for p in parts]),
    )


def _given(terms: Normal, row: np.ndarray, values: np.ndarray, u: np.ndarray) -> Normal:
    """n distributions once row @ terms is read, a value each."""
    across = terms.cov @ row
    share = across / (across @ row + u**2)[:, None]
    mean = terms.mean + share * (values - terms.mean @ row)[:, None]
    return replace(terms, mean=mean, cov=terms.cov - share[:, :, None] * across[:, None, :])


def settle(
    gains: np.ndarray,
    base: np.ndarray,
    y: np.ndarray,
    u: np.ndarray,
    table: Normal,
    forward: Forward | None = None,
    rough: np.ndarray | None = None,
    alike: np.ndarray | None = None,
) -> Settled:
    """Estimates of n sets.

    Parameters
    ----------
    gains : ndarray (m, k)
    base : ndarray (m,) [mm]
        What zero terms read.
    y, u : ndarray (n, m) [mm]
        Readings, nan where there is none, and their standard uncertainties.
    table : Normal
        Prior.
    forward : callable, optional
        Noise-free readings (n, m) of printers (n, k); by default base + gains @ theta.
    rough : ndarray (m, m) [mm2], optional
        Covariance of the model's own error.
    alike : ndarray (m, 2), optional
        `ModelError.elastic`.
    """
    out = _nothing(len(y), len(gains), table)
    present = np.isfinite(y)
    patterns, which = np.unique(present, axis=0, return_inverse=True)
    for i, pattern in enumerate(patterns):
        rows, at = np.flatnonzero(which.ravel() == i), np.flatnonzero(pattern)
        sets = np.ix_(rows, at)
        _settle_pattern(out, rows, at, table, gains[at], base[at], y[sets], u[sets], forward, rough, alike)
    return out


def _settle_pattern(
    out: Settled,
    rows: np.ndarray,
    at: np.ndarray,
    table: Normal,
    gains: np.ndarray,
    base: np.ndarray,
    y: np.ndarray,
    u: np.ndarray,
    forward: Forward | None,
    rough: np.ndarray | None,
    alike: np.ndarray | None,
) -> None:
    """Sets in which the same features were read, into rows `rows` and columns `at` of `out`."""
    variance = u**2
    shared = np.zeros((len(at), len(at))) if rough is None else rough[np.ix_(at, at)]
    bases = np.broadcast_to(base, y.shape).copy()
    todo = np.arange(len(rows))
    _settle_once(out, rows, at, Model(gains=gains, prior=table, noise=_noise(variance) + shared), bases, y)
    if forward is None:
        return

    def walked(theta: np.ndarray) -> np.ndarray:
        return forward(theta)[:, at]

    for _ in range(REWALKS):
        theta = out.posterior.mean[rows[todo]]
        bases[todo] = walked(theta) - theta @ gains.T
        model = Model(gains=gains, prior=table, noise=_noise(variance[todo]) + shared)
        _settle_once(out, rows[todo], at, model, bases[todo], y[todo])
        moved = np.abs((out.posterior.mean[rows[todo]] - theta) @ gains.T).max(axis=1) > MOVED_MM
        todo = todo[moved]
        if not todo.size:
            break
    found = out.posterior.mean[rows]
    kinked = kink_variance(found, gains, walked)
    sizes = np.zeros(len(rows)) if alike is None else elastic_size(found[:, PLAYS])
    elastic = np.zeros_like(shared) if alike is None else elastic_cov(gains[:, PLAYS], alike[at])
    # Sets of one size of play share their covariance; those whose play falsifies a sensitivity are few.
    groups = np.where(kinked.any(axis=1), -1.0, sizes)
    for size in np.unique(groups[(groups != 0)]):
        todo = np.flatnonzero(groups == size)
        more = (sizes[todo] ** 2)[:, None, None] * elastic if size < 0 else size**2 * elastic
        model = Model(gains=gains, prior=table, noise=_noise(variance[todo] + kinked[todo]) + shared + more)
        _settle_once(out, rows[todo], at, model, bases[todo], y[todo])


def _noise(variance: np.ndarray) -> np.ndarray:
    """One covariance where all sets have the same variances (n, m), else one for each."""
    if (variance == variance[:1]).all():
        return np.diag(variance[0])
    return variance[:, :, None] * np.eye(variance.shape[1])


def _settle_once(
    out: Settled, rows: np.ndarray, at: np.ndarray, model: Model, bases: np.ndarray, y: np.ndarray
) -> None:
    """As `estimation.fit.estimate_once` each."""
    out.base[np.ix_(rows, at)] = bases
    residual = y - bases - model.gains @ model.prior.mean
    limit, most = slip_limit(y.shape[1]), most_outliers(y.shape[1])
    sought = search_model(model)
    single = np.zeros(len(y), dtype=bool)
    if most:
        worst = worst_readings(np.linalg.inv(sought.cov), residual, sought.own_u, limit, most >= 2)
        single = worst.any(axis=1)
    clean = np.flatnonzero(~single)
    if clean.size:
        own = _for_sets(model, clean)
        agreement = disagreement(own, residual[clean])
        wide = np.flatnonzero(agreement.birge > 1)
        even = np.flatnonzero(agreement.birge == 1)
        for part, factor in ((even, 1.0), (wide, agreement.birge[wide])):
            if part.size:
                _put_posterior(
                    out, rows[clean[part]], _for_sets(own, part).scaled(factor), residual[clean[part]]
                )
        scatter = np.sqrt(agreement.excess)
        out.outliers[np.ix_(rows[clean], at)] = False
        for name, value in (
            ("scatter", scatter),
            ("chi2", agreement.chi2),
            ("dof", agreement.dof),
            ("p_value", agreement.p_value),
            ("doubt_p", agreement.p_value),
            ("doubt_mm", scatter),
        ):
            getattr(out, name)[rows[clean]] = value
    for i in np.flatnonzero(single):
        _put_single(out, rows[i], at, estimate_once(_for_sets(model, int(i)), bases[i], y[i]))


def _for_sets(model: Model, which: np.ndarray | int) -> Model:
    return model if model.noise.ndim == 2 else replace(model, noise=model.noise[which])


def _put_posterior(out: Settled, rows: np.ndarray, model: Model, residual: np.ndarray) -> None:
    found = solve(model, residual)
    out.posterior.mean[rows], out.posterior.cov[rows] = found.mean, found.cov


def _put_single(out: Settled, row: int, at: np.ndarray, found: Estimate) -> None:
    out.posterior.mean[row], out.posterior.cov[row] = found.posterior.mean, found.posterior.cov
    out.outliers[row] = False
    out.outliers[row, at] = found.outliers
    agreement = found.agreement
    out.scatter[row] = np.sqrt(agreement.excess)
    out.chi2[row], out.dof[row], out.p_value[row] = agreement.chi2, agreement.dof, agreement.p_value
    out.doubt_p[row], out.doubt_mm[row] = found.doubt_p, found.doubt_mm


def _nothing(n: int, m: int, table: Normal) -> Settled:
    """As before any reading."""
    k = len(table.mean)
    return Settled(
        posterior=Normal(mean=np.tile(table.mean, (n, 1)), cov=np.broadcast_to(table.cov, (n, k, k)).copy()),
        base=np.full((n, m), np.nan),
        outliers=np.zeros((n, m), dtype=bool),
        **{name: np.zeros(n) for name in ("scatter", "chi2", "dof", "doubt_mm")},
        **{name: np.ones(n) for name in ("p_value", "doubt_p")},
    )


def _joined(kind, parts):
    def join(values):
        if isinstance(values[0], Normal):
            return replace(
                values[0],
                mean=np.concatenate([v.mean for v in values]),
                cov=np.concatenate([v.cov for v in values]),
            )
        return np.concatenate(values)

    return kind(**{f.name: join([getattr(p, f.name) for p in parts]) for f in fields(kind)})
