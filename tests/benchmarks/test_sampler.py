"""The closed form beside a general-purpose sampler (``-m benchmarks``): figures are read, never asserted.

The sampler's answer is held to the closed form's where it is tested, in `tests/test_censored.py`; here both do the
same job on the full set's readings, the sampler just long enough for estimates good to a tenth of an uncertainty.
"""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.estimation.censored import Bounds, bounded_posterior
from fitassay.analysis.estimation.observations import single_reading_sd
from fitassay.analysis.estimation.posterior import posterior, prior_sds
from fitassay.analysis.terms import TERMS
from fitassay.coupons.machine import Machine
from tests.sets import walk

pytestmark = pytest.mark.benchmarks

MACHINE = Machine()
WALKERS, STEPS = 64, 2000


@pytest.fixture(scope="module")
def job():
    rng = np.random.default_rng(3)
    w = walk()
    _, gains = w.linearise()
    prior = prior_sds(MACHINE)
    u = np.full(len(gains), single_reading_sd(MACHINE))
    theta = rng.standard_normal(len(TERMS)) * prior
    return gains, gains @ theta + u * rng.standard_normal(len(u)), u, prior


@pytest.fixture(scope="module")
def answers(job):
    """Nine go/no-go answers on the sizes of as many features."""
    gains, residual, _, _ = job
    rows = gains[:9]
    low = np.where(np.arange(9) % 2 == 0, residual[:9] - 0.1, -np.inf)
    high = np.where(np.arange(9) % 2 == 1, residual[:9] + 0.1, np.inf)
    return Bounds(gains=rows, low=low, high=high, u=np.full(9, 0.03))


def test_closed_form(benchmark, job):
    assert benchmark(lambda: posterior(*job)).sd.shape == (len(TERMS),)


def test_sampler(benchmark, job):
    emcee = pytest.importorskip("emcee")
    gains, residual, u, prior = job

    def log_density(t: np.ndarray) -> np.ndarray:
        return -0.5 * np.sum(((residual - t @ gains.T) / u) ** 2, axis=1) - 0.5 * np.sum(
            (t / prior) ** 2, axis=1
        )

    def run():
        sampler = emcee.EnsembleSampler(WALKERS, len(TERMS), log_density, vectorize=True)
        sampler.random_state = np.random.RandomState(5).get_state()
        start = 0.1 * prior * np.random.default_rng(1).standard_normal((WALKERS, len(TERMS)))
        sampler.run_mcmc(start, STEPS, skip_initial_state_check=True)
        return sampler.get_chain(discard=STEPS // 2, flat=True)

    chain = benchmark.pedantic(run, rounds=1)
    assert chain.shape[1] == len(TERMS)


def test_closed_form_with_answers(benchmark, job, answers):
    gains, residual, u, prior = job
    assert benchmark(lambda: bounded_posterior(gains, residual, u, answers, prior)).sd.shape == (len(TERMS),)


def test_sampler_with_answers(benchmark, job, answers):
    emcee = pytest.importorskip("emcee")
    from scipy.special import ndtr

    gains, residual, u, prior = job

    def log_density(t: np.ndarray) -> np.ndarray:
        s = t @ answers.gains.T
        inside = ndtr((answers.high - s) / answers.u) - ndtr((answers.low - s) / answers.u)
        value = -0.5 * np.sum(((residual - t @ gains.T) / u) ** 2, axis=1) - 0.5 * np.sum(
            (t / prior) ** 2, axis=1
        )
        return value + np.sum(np.log(np.maximum(inside, 1e-300)), axis=1)

    def run():
        sampler = emcee.EnsembleSampler(WALKERS, len(TERMS), log_density, vectorize=True)
        sampler.random_state = np.random.RandomState(5).get_state()
        start = 0.1 * prior * np.random.default_rng(1).standard_normal((WALKERS, len(TERMS)))
        sampler.run_mcmc(start, STEPS, skip_initial_state_check=True)
        return sampler.get_chain(discard=STEPS // 2, flat=True)

    chain = benchmark.pedantic(run, rounds=1)
    assert chain.shape[1] == len(TERMS)
