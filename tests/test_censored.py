"""Interval answers in the posterior, against quadrature, a statistics library and a general sampler."""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.estimation.censored import Bounds, bounded_posterior, interval_moments
from fitassay.analysis.estimation.posterior import posterior
from fitassay.coupons.errors import InputError

NONE = (np.empty((0, 1)), np.empty(0), np.empty(0))


@pytest.mark.parametrize(
    ("low", "high", "u"),
    [(0.1, np.inf, 0.02), (-np.inf, -0.3, 0.05), (0.05, 0.09, 0.01), (-0.02, 0.02, 0.2), (0.9, np.inf, 0.01)],
)
def test_one_answer_is_exact(low, high, u):
    """Mean and variance against numeric integration, far tails included."""
    stats = pytest.importorskip("scipy.stats")
    sd, mean = 0.15, 0.04
    x = np.linspace(mean - 12 * sd, mean + 12 * sd, 400001)
    like = stats.norm.cdf((high - x) / u) - stats.norm.cdf((low - x) / u)
    density = stats.norm.pdf(x, mean, sd) * like
    density /= density.sum()
    expected = density @ x
    spread = np.sqrt(density @ (x - expected) ** 2)
    bounds = Bounds(gains=np.ones((1, 1)), low=np.array([low]), high=np.array([high]), u=np.array([u]))
    fit = bounded_posterior(*NONE, bounds, np.array([sd]), np.array([mean]))
    assert fit.mean[0] == pytest.approx(expected, abs=1e-6)
    assert fit.sd[0] == pytest.approx(spread, abs=1e-6)


def test_truncated_normal_moments_of_a_statistics_library():
    """A hard bound (u -> 0) is a truncated normal: scipy.stats.truncnorm."""
    stats = pytest.importorskip("scipy.stats")
    for low, high in [(0.5, np.inf), (-1.0, 0.7), (2.0, 3.0), (-np.inf, -4.0)]:
        bounds = Bounds(gains=np.ones((1, 1)), low=np.array([low]), high=np.array([high]), u=np.array([1e-5]))
        fit = bounded_posterior(*NONE, bounds, np.array([1.0]))
        known = stats.truncnorm(low, high)
        assert fit.mean[0] == pytest.approx(known.mean(), abs=1e-6)
        assert fit.sd[0] == pytest.approx(known.std(), abs=1e-5)


def test_derivatives_are_those_of_the_log_probability():
    for mean, low, high in [(0.0, -1.0, 2.0), (3.0, -np.inf, 0.0), (-5.0, 0.0, np.inf), (6.0, 0.0, 0.5)]:
        step = 1e-4
        values = [interval_moments(mean + k * step, 0.3, low, high, 0.4)[0] for k in (-1, 0, 1)]
        _, first, second = interval_moments(mean, 0.3, low, high, 0.4)
        assert first == pytest.approx((values[2] - values[0]) / (2 * step), rel=1e-5, abs=1e-7)
        assert second == pytest.approx((values[2] - 2 * values[1] + values[0]) / step**2, rel=1e-3, abs=1e-5)


def test_open_answers_change_nothing_and_narrow_ones_are_readings():
    rng = np.random.default_rng(8)
    gains, y, u, prior = rng.normal(size=(5, 3)), rng.normal(size=5), np.full(5, 0.3), np.ones(3)
    plain = posterior(gains, y, u, prior)
    extra = rng.normal(size=(1, 3))
    wide = Bounds(gains=extra, low=np.array([-np.inf]), high=np.array([np.inf]), u=np.array([0.1]))
    assert bounded_posterior(gains, y, u, wide, prior).mean == pytest.approx(plain.mean, abs=1e-12)
    narrow = Bounds(gains=extra, low=np.array([0.3 - 1e-4]), high=np.array([0.3 + 1e-4]), u=np.array([0.05]))
    known = posterior(np.vstack([gains, extra]), np.append(y, 0.3), np.append(u, 0.05), prior)
    got = bounded_posterior(gains, y, u, narrow, prior)
    assert got.mean == pytest.approx(known.mean, abs=1e-5)
    assert got.covariance == pytest.approx(known.covariance, abs=1e-5)


def test_bounds_that_cross_are_refused():
    with pytest.raises(InputError, match="low bound"):
        Bounds(gains=np.ones((1, 1)), low=np.array([1.0]), high=np.array([0.0]), u=np.array([0.1]))


@pytest.mark.parametrize("censored", [False, True], ids=["readings", "readings and answers"])
def test_equal_to_a_general_purpose_sampler(censored):
    """emcee, seeded, 64 walkers; agreement within 5 Monte Carlo standard errors (false alarm under 1e-4)."""
    emcee = pytest.importorskip("emcee")
    from scipy.special import ndtr

    rng = np.random.default_rng(17)
    k = 4
    gains = rng.normal(size=(5, k))
    truth = rng.normal(size=k) * 0.1
    u, prior = np.full(5, 0.05), np.full(k, 0.2)
    y = gains @ truth + u * rng.standard_normal(5)
    rows = rng.normal(size=(4, k))
    bounds = Bounds(
        gains=rows, low=np.array([0.05, -np.inf, -0.1, 0.0]), high=np.array([np.inf, 0.1, 0.1, np.inf]),
        u=np.full(4, 0.04),
    )  # fmt: skip

    def log_density(t: np.ndarray) -> np.ndarray:
        value = -0.5 * np.sum(((y - t @ gains.T) / u) ** 2, axis=1) - 0.5 * np.sum((t / prior) ** 2, axis=1)
        if censored:
            s = t @ rows.T
            inside = ndtr((bounds.high - s) / bounds.u) - ndtr((bounds.low - s) / bounds.u)
            value = value + np.sum(np.log(np.maximum(inside, 1e-300)), axis=1)
        return value

    fit = bounded_posterior(gains, y, u, bounds, prior) if censored else posterior(gains, y, u, prior)
    sampler = emcee.EnsembleSampler(64, k, log_density, vectorize=True)
    sampler.random_state = np.random.RandomState(5).get_state()
    start = fit.mean + 0.5 * fit.sd * rng.standard_normal((64, k))
    sampler.run_mcmc(start, 3500, skip_initial_state_check=True)
    tau = float(np.max(sampler.get_autocorr_time(tol=0)))
    chain = sampler.get_chain(discard=500, flat=True)
    effective = len(chain) / tau
    assert effective > 2000
    error = chain.std(axis=0) / np.sqrt(effective)
    assert np.all(np.abs(chain.mean(axis=0) - fit.mean) < 5 * error)
    assert chain.std(axis=0) == pytest.approx(fit.sd, rel=5 / np.sqrt(2 * effective))


def test_censored_normal_data_of_a_statistics_library():
    """Mean of normal data of known spread, some below a limit: scipy.stats' maximum likelihood on CensoredData.

    With a flat prior the posterior's mean lies within a small share of its own uncertainty of the maximum, and its
    spread is that of the likelihood's curvature.
    """
    stats = pytest.importorskip("scipy.stats")
    rng = np.random.default_rng(23)
    for limit, high in ((0.2, np.inf), (-0.1, np.inf), (-0.3, 0.6)):
        values = rng.normal(0.3, 1.0, 80)
        below, above = values < limit, values > high
        seen = values[~below & ~above]
        data = stats.CensoredData(
            uncensored=seen, left=np.full(below.sum(), limit), right=np.full(above.sum(), high)
        )
        best, _ = stats.norm.fit(data, fscale=1.0)
        count = int(below.sum() + above.sum())
        assert count >= 15
        bounds = Bounds(
            gains=np.ones((count, 1)),
            low=np.concatenate([np.full(below.sum(), -np.inf), np.full(above.sum(), high)]),
            high=np.concatenate([np.full(below.sum(), limit), np.full(above.sum(), np.inf)]),
            u=np.ones(count),
        )
        fit = bounded_posterior(np.ones((len(seen), 1)), seen, np.ones(len(seen)), bounds, np.array([100.0]))
        assert abs(fit.mean[0] - best) < 0.05 * fit.sd[0]
        step = 1e-3
        scores = [
            stats.norm(m, 1.0).logpdf(seen).sum()
            + below.sum() * stats.norm(m, 1.0).logcdf(limit)
            + (above.sum() * stats.norm(m, 1.0).logsf(high) if np.isfinite(high) else 0.0)
            for m in (best - step, best, best + step)
        ]
        curvature = -(scores[0] - 2 * scores[1] + scores[2]) / step**2
        assert fit.sd[0] == pytest.approx(curvature**-0.5, rel=0.02)
