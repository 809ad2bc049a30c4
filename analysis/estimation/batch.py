"""Many sets of readings of one layout interpreted at once; one set is interpreted by the same functions.

Gains are taken about the perfect printer. What they miss (play seen by a jaw's flat in a bore, scale times offset) is
put right by walking the estimated printer and estimating again from what its walk does not explain.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields, replace

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.verdict import Judged, judge_many, reference_of, visible_limits
from fitassay.analysis.estimation.excess_variance import flat_layout, measure_scatter
from fitassay.analysis.estimation.many import Layout, product
from fitassay.analysis.estimation.observations import single_reading_sd
from fitassay.analysis.estimation.outliers import HAND_MM, SLIPS_AT_ONCE, find_slips
from fitassay.analysis.estimation.priors import prior_sds
from fitassay.analysis.normal import Normal
from fitassay.analysis.terms import PLAYS
from fitassay.coupons.machine import Machine

# Walks after the first estimate: one for all, more where the estimate then moved a reading by more than [mm].
REWALKS = 3
MOVED_MM = 0.03
# Large play of one axis turns a round bore under the jaws, so that they rest where the other axis, if its play is
# small, has not reversed yet: gains of such readings to the small play are wrong, and they are trusted less.
SMALL_PLAY_MM, LARGE_PLAY_MM = 0.1, 0.25
PLAY_STEP_MM = 0.01
WRONG_GAIN = 0.3
KINK_MM = 0.05
CHUNK = 1000

Forward = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True, kw_only=True)
class Settled:
    """Estimates of n sets of m readings.

    Attributes
    ----------
    posterior : Normal
        Of n sets.
    base : ndarray (n, m) [mm]
        What zero terms read on the tangent through the estimate: prediction = base + gains @ mean.
    slips : ndarray (n, m) of bool
    scatter : ndarray (n,) [mm]
        The print's own scatter, which every reading's uncertainty was widened by.
    chi2, dof, p_value : ndarray (n,)
        Of the readings kept, at their stated uncertainties.
    doubt_p, doubt_mm : ndarray (n,), ndarray (n,) [mm]
        p-value and scatter that the model is judged by: readings set aside beyond what a hand slips with count too.
    """

    posterior: Normal
    base: np.ndarray
    slips: np.ndarray
    scatter: np.ndarray
    chi2: np.ndarray
    dof: np.ndarray
    p_value: np.ndarray
    doubt_p: np.ndarray
    doubt_mm: np.ndarray


def settle(
    gains: np.ndarray,
    base: np.ndarray,
    y: np.ndarray,
    u: np.ndarray,
    prior_sd: np.ndarray,
    *,
    forward: Forward | None = None,
    terms_of: Forward | None = None,
) -> Settled:
    """Set slips aside, measure the scatter, estimate; walk the estimate and do it again.

    Parameters
    ----------
    gains : ndarray (m, k)
    base : ndarray (m,) [mm]
        What zero terms read.
    y : ndarray (n, m) [mm]
        Readings; nan where there is none.
    u : ndarray (m,) or (n, m) [mm]
    prior_sd : ndarray (k,)
    forward : callable, optional
        Noise-free readings (n, m) of printers (n, k); by default base + gains @ theta.
    terms_of : callable, optional
        Error terms (n, terms) of what is estimated (n, k), where that is not the terms themselves.
    """
    layout = Layout(gains=gains, prior_sd=prior_sd)
    flat = flat_layout(layout)
    variance = np.broadcast_to(u**2, y.shape)
    at = np.broadcast_to(base, y.shape).copy()
    out = _settle_once(layout, flat, at, y, variance)
    todo = np.arange(len(y))
    for _ in range(REWALKS if forward is not None else 0):
        assert forward is not None
        theta = out.posterior.mean[todo]
        at[todo] = forward(theta) - product(theta, gains)
        new = _settle_once(layout, flat, at[todo], y[todo], variance[todo])
        out = _with_rows(out, todo, new)
        moved = np.abs(product(new.posterior.mean - theta, gains)).max(axis=1) > MOVED_MM
        todo = todo[moved]
        if not todo.size:
            break
    if forward is not None:
        extra = _kinks(out.posterior.mean, gains, forward, (terms_of or np.asarray)(out.posterior.mean))
        todo = np.flatnonzero(extra.any(axis=1))
        if todo.size:
            new = _settle_once(layout, flat, at[todo], y[todo], variance[todo] + extra[todo])
            out = _with_rows(out, todo, new)
    return out


def _with_rows(all_sets: Settled, rows: np.ndarray, new: Settled) -> Settled:
    """With some sets replaced."""

    def put(old: np.ndarray, value: np.ndarray) -> np.ndarray:
        old = old.copy()
        old[rows] = value
        return old

    arrays = [f.name for f in fields(Settled) if f.name != "posterior"]
    return Settled(
        posterior=replace(
            all_sets.posterior,
            mean=put(all_sets.posterior.mean, new.posterior.mean),
            cov=put(all_sets.posterior.cov, new.posterior.cov),
        ),
        **{name: put(getattr(all_sets, name), getattr(new, name)) for name in arrays},
    )


def _kinks(mean: np.ndarray, gains: np.ndarray, forward: Forward, theta: np.ndarray) -> np.ndarray:
    """Variance (n, m) [mm2] for readings whose gain to a small play is not that of the perfect printer."""
    extra = np.zeros((len(mean), len(gains)))
    play = np.abs(theta[:, PLAYS])
    small = (play < SMALL_PLAY_MM) & (play[:, ::-1] > LARGE_PLAY_MM)
    size = np.abs(gains[:, PLAYS]).max(axis=0, initial=0.0)
    rows = np.flatnonzero(small.any(axis=1) & (size > 0).all())
    if rows.size:
        axis = np.argmax(small[rows], axis=1)
        which = np.array(PLAYS)[axis]
        step = np.zeros((len(rows), mean.shape[1]))
        step[np.arange(len(rows)), which] = PLAY_STEP_MM / size[axis]
        slope = (forward(mean[rows] + step) - forward(mean[rows] - step)) / (2 * PLAY_STEP_MM)
        off = np.abs(slope - gains.T[which] / size[axis, None])
        extra[rows] = np.where(off > WRONG_GAIN, off * KINK_MM, 0.0) ** 2
    return extra


def _settle_once(
    layout: Layout, flat: Layout, base: np.ndarray, y: np.ndarray, variance: np.ndarray
) -> Settled:
    present = np.isfinite(y)
    residual = np.where(present, y - base, 0.0)
    slips = find_slips(layout, flat, residual, variance, present)
    keep = present & ~slips
    scatter = measure_scatter(flat, residual, variance, keep)
    solution = layout.solve(residual, keep / (variance + scatter.variance[:, None]))
    doubt_p, doubt_mm = scatter.p_value.copy(), np.sqrt(scatter.variance)
    off, sd = solution.deleted(variance + scatter.variance[:, None])
    prints = slips & (np.abs(off) < HAND_MM)
    many = np.flatnonzero(prints.sum(axis=1) > SLIPS_AT_ONCE)
    if many.size:
        z = np.where(prints[many], np.abs(off[many]) / sd[many], 0.0)
        worst = np.argsort(np.argsort(-z, axis=1), axis=1) < SLIPS_AT_ONCE
        worst |= slips[many] & ~prints[many]
        rest = measure_scatter(flat, residual[many], variance[many], present[many] & ~worst)
        doubt_p[many], doubt_mm[many] = rest.p_value, np.sqrt(rest.variance)
    return Settled(
        posterior=solution.posterior.affine(np.diag(layout.prior_sd)),
        base=base,
        slips=slips,
        scatter=np.sqrt(scatter.variance),
        chi2=scatter.chi2,
        dof=scatter.dof,
        p_value=scatter.p_value,
        doubt_p=doubt_p,
        doubt_mm=doubt_mm,
    )


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
    u = np.full(len(walk.keys), single) if u is None else u
    u = np.broadcast_to(u, readings.shape)[:, columns]
    reference = reference_of(walk, gains, {int(c) for c in columns})
    prior_sd = prior_sds(machine)
    seen = visible_limits(reference, machine, single)

    def work(rows: slice) -> Interpreted:
        settled = settle(
            gains[columns],
            base[columns],
            readings[rows][:, columns],
            u[rows],
            prior_sd,
            forward=lambda theta: walk.readings(theta)[:, columns],
        )
        judged = judge_many(settled.posterior, reference, seen, prior_sd, settled.doubt_p, settled.doubt_mm)
        return Interpreted(settled=settled, judged=judged)

    rows = [slice(i, i + CHUNK) for i in range(0, len(readings), CHUNK)]
    with ThreadPoolExecutor(max_workers=max(1, threads)) as pool:
        parts = list(pool.map(work, rows))
    return Interpreted(
        settled=_joined(Settled, [p.settled for p in parts]),
        judged=_joined(Judged, [p.judged for p in parts]),
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
