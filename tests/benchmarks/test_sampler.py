"""The closed form beside a general-purpose sampler (``-m benchmarks``): figures are read, never asserted.

Both do the same job on the full set's readings, the sampler just long enough for estimates good to a tenth of an
uncertainty.
"""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.estimation.observations import single_reading_sd
from fitassay.analysis.estimation.priors import prior_sds
from fitassay.analysis.terms import TERMS
from fitassay.coupons.machine import Machine
from tests.posteriors import posterior
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
