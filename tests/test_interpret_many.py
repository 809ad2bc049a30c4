"""Many sets at once: equal to one by one, and to the full nonlinear estimate."""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.diagnosis.verdict import STATUSES, reference_of
from fitassay.analysis.estimation.excess_variance import disagreement
from fitassay.analysis.estimation.marginal import Model
from fitassay.analysis.estimation.model_error import model_error
from fitassay.analysis.estimation.priors import prior, prior_sds
from fitassay.analysis.normal import Normal
from fitassay.analysis.readings.file import Reading
from fitassay.analysis.terms import INDEX, NAMES, PRINTER, TERMS
from fitassay.analysis.validation.interpret_many import interpret_many, settle
from fitassay.analysis.validation.population import MIXES, draw_printers
from fitassay.analysis.validation.virtual_caliper import NOISES, read_sets
from fitassay.coupons.machine import Machine
from tests.posteriors import posterior
from tests.sets import walk

MACHINE = Machine()


def population(n: int, mix: str = "priors", noise: str = "slips", seed: int = 1, **sets: bool):
    w = walk(**sets)
    rng = np.random.default_rng(seed)
    weights = reference_of(w, w.linearise()[1], set(range(len(w.keys)))).weights
    theta = draw_printers(MIXES[mix], n, MACHINE, weights, rng)
    return w, theta, read_sets(w.readings(theta), NOISES[noise], MACHINE, rng)


def written(w, values: np.ndarray) -> tuple[Reading, ...]:
    return tuple(
        Reading(coupon=c, feature=f, reading_mm=float(v))
        for (c, f), v in zip(w.keys, values, strict=True)
        if np.isfinite(v)
    )


@pytest.mark.long
@pytest.mark.parametrize("quick", [False, True], ids=["full", "quick"])
def test_batch_equals_one_by_one(quick):
    w, _, sets = population(16, quick=quick)
    values = sets.values.copy()
    values[5, 3] /= 25.4
    values[6, [2, 8]] = values[6, [8, 2]]
    many = interpret_many(w, values, MACHINE)
    for i in range(len(values)):
        one = interpret(w, written(w, values[i]), MACHINE)
        estimates = one.posterior.mean
        assert many.settled.posterior.mean[i] == pytest.approx(estimates, rel=1e-9, abs=1e-12)
        assert many.settled.posterior.cov[i] == pytest.approx(one.posterior.cov, rel=1e-9, abs=1e-18)
        assert STATUSES[many.judged.status[i]] == one.verdict.status
        assert one.verdict.term in ("", NAMES[many.judged.term[i]])
        assert many.judged.probability[i] == pytest.approx(one.verdict.probability, abs=1e-12)
        suspects = {(s.coupon, s.feature) for s in one.suspects}
        assert {w.keys[j] for j in np.flatnonzero(many.settled.outliers[i])} == suspects
        assert many.settled.chi2[i] == pytest.approx(one.chi2, rel=1e-9)


def test_a_set_does_not_depend_on_its_company():
    w, _, sets = population(700)
    together = interpret_many(w, sets.values, MACHINE)
    alone = interpret_many(w, sets.values[650:660], MACHINE, threads=1)
    assert together.settled.posterior.mean[650:660] == pytest.approx(
        alone.settled.posterior.mean, rel=1e-9, abs=1e-12
    )
    assert together.judged.status[650:660].tolist() == alone.judged.status.tolist()


def test_features_nobody_measured_are_left_out_of_account():
    w, _, sets = population(6, noise="rounded")
    values = sets.values.copy()
    gone = [i for i, key in enumerate(w.keys) if key[0] in ("frame", "stair")]
    values[:, gone] = np.nan
    many = interpret_many(w, values, MACHINE)
    one = interpret(w, written(w, values[2]), MACHINE)
    assert many.settled.posterior.mean[2] == pytest.approx(one.posterior.mean, rel=1e-9, abs=1e-12)
    skew = INDEX["skew_xy"]
    assert many.settled.posterior.cov[2, skew, skew] ** 0.5 == pytest.approx(
        prior_sds(MACHINE)[skew], rel=0.05
    )


@pytest.mark.long
@pytest.mark.parametrize(
    "truth",
    [
        {"backlash_x": 0.9, "backlash_y": 0.7, "bore_closure": 0.3},
        {"backlash_x": -0.5, "backlash_y": -0.8, "contour_offset": 0.25},
        {"backlash_x": 0.3, "backlash_y": 0.6, "skew_xy": 0.02, "scale_x": 0.01, "bead_excess": 0.2},
    ],
    ids=["loose belts", "over-compensated", "several"],
)
def test_large_errors_against_the_full_nonlinear_estimate(truth):
    """Posterior mode by a general least-squares routine on the walk itself, from the truth as its start.

    The walked correction keeps gains of the perfect printer; what this costs must stay well inside the stated
    uncertainty.
    """
    least_squares = pytest.importorskip("scipy.optimize").least_squares
    w = walk()
    theta = np.zeros(len(TERMS))
    for name, value in truth.items():
        theta[INDEX[name]] = value
    rng = np.random.default_rng(8)
    y = w.readings(theta[None])[0] + 0.02 * rng.standard_normal(len(w.keys))
    u, before = np.full(len(y), 0.0202), prior(MACHINE)
    sd = before.sd

    def weighted(scaled: np.ndarray) -> np.ndarray:
        return np.concatenate([(w.readings(scaled[None] * sd)[0] - y) / u, scaled - before.mean / sd])

    # Play in a bore has a kink where a jaw's flat begins to see it; steps of 1e-4 priors step over it.
    mode = least_squares(weighted, theta / sd, diff_step=1e-4, x_scale=0.1).x * sd
    found = interpret_many(w, y[None], MACHINE, u=u, budget=model_error(w, rows=()))
    assert not found.settled.outliers.any()
    sd = found.settled.posterior.sd[0]
    assert (np.abs(found.settled.posterior.mean[0] - mode) / sd).max() < 0.35


def test_a_tight_axis_beside_a_loose_one_keeps_its_interval():
    """Round bores then read the tight axis' play with the wrong sign, within its first hundredths.

    95 % intervals over 600 prints hold the truth 95 +- 0.9 % of the times; the bound is four sigma off.
    """
    w = walk()
    theta = np.zeros(len(TERMS))
    theta[INDEX["backlash_y"]] = 0.6
    y = w.readings(theta[None])[0] + 0.02 * np.random.default_rng(3).standard_normal((600, len(w.keys)))
    found = interpret_many(w, y, MACHINE, u=np.full(len(w.keys), 0.0202)).settled
    inside = np.mean(np.abs(found.posterior.mean - theta) < 1.96 * found.posterior.sd, axis=0)
    assert (inside[PRINTER] > 0.915).all()


def test_settling_without_slips_is_the_closed_form_posterior():
    rng = np.random.default_rng(4)
    gains, prior = rng.normal(size=(12, len(TERMS))), np.full(len(TERMS), 0.7)
    theta = rng.normal(size=(5, len(TERMS))) * prior
    u = np.full(12, 0.5)
    y = theta @ gains.T + rng.normal(size=(5, 12)) * 0.2
    settled = settle(gains, np.zeros(12), y, np.broadcast_to(u, y.shape), Normal.independent(prior))
    assert not settled.outliers.any()
    assert (settled.scatter == 0).all()
    for i, row in enumerate(y):
        one = posterior(gains, row, u, prior)
        assert settled.posterior.mean[i] == pytest.approx(one.mean, rel=1e-9)
        assert settled.posterior.cov[i] == pytest.approx(one.cov, rel=1e-9)


def test_scatter_solves_the_equation_of_mandel_and_paule():
    """Q(t^2) = degrees of freedom, found by a root finder on weighted least squares of a statistics library.

    The interval then is as wide as Student's: t^2 + u^2 times dof / (dof - 2).
    """
    api = pytest.importorskip("statsmodels.api")
    brentq = pytest.importorskip("scipy.optimize").brentq
    rng = np.random.default_rng(12)
    gains = np.zeros((24, len(TERMS)))
    gains[:, INDEX["bead_excess"]] = 1.0
    gains[:, INDEX["scale_x"]] = rng.uniform(5, 80, 24)
    u = rng.uniform(0.01, 0.02, 24)
    y = gains @ np.full(len(TERMS), 0.01) + 0.05 * rng.standard_normal(24)
    design = gains[:, [INDEX["bead_excess"], INDEX["scale_x"]]]

    def excess(t2: float) -> float:
        fit = api.WLS(y, design, weights=1 / (u**2 + t2)).fit()
        return float(np.sum((y - fit.fittedvalues) ** 2 / (u**2 + t2)) - 22)

    t2 = brentq(excess, 0, 1)
    found = disagreement(Model(gains=gains, prior=prior(MACHINE), noise=np.diag(u**2)), y)
    assert found.dof == pytest.approx(22, abs=0.01)
    assert found.chi2 == pytest.approx(excess(0.0) + 22, rel=1e-3)
    typical = np.mean(u**2)
    assert found.excess == pytest.approx((typical + t2) * 22 / 20 - typical, rel=0.01)


def test_readings_that_agree_have_no_scatter():
    w, _, sets = population(400, mix="sound", noise="normal", seed=3)
    found = interpret_many(w, sets.values, MACHINE, u=sets.u, budget=model_error(w, rows=())).settled
    # By construction one set in five of a true model is taken for a little uneven; binomial, 0.20 +- 4 x 0.02.
    assert 0.12 < np.mean(found.scatter > 0) < 0.28
    # None of them by much: as uneven as the caliper's own scatter happens to 2 % at most.
    assert np.mean(found.scatter > 0.02) < 0.02 + 4 * 0.007
    assert np.mean(found.chi2) == pytest.approx(found.dof.mean(), rel=0.05)


@pytest.mark.benchmarks
def test_ten_thousand_printers(benchmark):
    """Full set, 10,000 printers through `interpret_many`; the aim is under 5 s on two cores."""
    w, _, sets = population(10_000, noise="rounded")
    found = benchmark.pedantic(lambda: interpret_many(w, sets.values, MACHINE), rounds=1, iterations=1)
    assert len(found.settled.posterior.mean) == 10_000


@pytest.mark.benchmarks
def test_one_diagnosis(benchmark):
    """One full set of readings, coupons already opened; the aim is under 0.5 s."""
    w, _, sets = population(1, noise="rounded")
    readings = written(w, sets.values[0])
    assert benchmark(lambda: interpret(w, readings, MACHINE)).verdict.text
