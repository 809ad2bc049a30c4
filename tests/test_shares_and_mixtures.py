"""Shares of errors that act together, by hand, and mixtures of likely lengths, against numbers by a library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from fitassay.analysis.parts.mixture import Mixture
from fitassay.analysis.parts.shares import shapley

A, B, C, D = 2.0, -3.0, 0.5, 0.25


def length(theta: np.ndarray) -> np.ndarray:
    """Two rows: 3a + 2b + ab + 5c + 7, and a b c alone."""
    a, b, c, _ = theta.T
    return np.stack([3 * a + 2 * b + a * b + 5 * c + 7, a * b * 1.0 + 4 * c])


def test_what_two_do_together_is_halved():
    """Shapley 1953 (from memory): over both orders a adds 3a or 3a + ab, b likewise; c adds to any of them."""
    got = shapley(length, np.array([A, B, C, 0.0]), [0, 1])
    together = A * B / 2
    assert got[0] == pytest.approx([3 * A + together, 2 * B + together, 5 * C, 0.0])
    assert got[1] == pytest.approx([together, together, 4 * C, 0.0])


def test_three_that_act_together_share_by_all_six_orders():
    """abc adds only to whoever comes last: a third each."""

    def product(theta: np.ndarray) -> np.ndarray:
        return (theta[:, 0] * theta[:, 1] * theta[:, 2] + theta[:, 0])[None]

    got = shapley(product, np.array([A, B, C, D]), [0, 1, 2])
    third = A * B * C / 3
    assert got[0] == pytest.approx([third + A, third, third, 0.0])


def test_errors_that_are_nil_have_no_share_and_what_products_leave_goes_to_the_largest():
    def crossed(theta: np.ndarray) -> np.ndarray:
        return (theta[:, 0] + 10 * theta[:, 2] + theta[:, 3] + theta[:, 2] * theta[:, 3])[None]

    got = shapley(crossed, np.array([A, 0.0, C, D]), [0, 1])
    assert got[0] == pytest.approx([A, 0.0, 10 * C + C * D, D])
    assert got.sum() == pytest.approx(A + 10 * C + D + C * D)


def two_ways() -> Mixture:
    """Half of the printers about 0.1, half about 0.5, the second way three times as likely; parts scatter by 0.01."""
    rng = np.random.default_rng(4)
    values = np.stack([0.1 + 0.02 * rng.standard_normal(400), 0.5 + 0.03 * rng.standard_normal(400)])
    return Mixture.of(np.stack([values, 2 * values]), np.array([0.25, 0.75]), np.array([0.01, 0.0]))


def test_a_mixture_keeps_the_mean_and_variance_of_its_draws():
    rng = np.random.default_rng(4)
    values = np.stack([0.1 + 0.02 * rng.standard_normal(400), 0.5 + 0.03 * rng.standard_normal(400)])
    mean = 0.25 * values[0].mean() + 0.75 * values[1].mean()
    square = 0.25 * (values[0] ** 2).mean() + 0.75 * (values[1] ** 2).mean()
    got = two_ways()
    assert got.mean() == pytest.approx([mean, 2 * mean])
    sd = np.sqrt(square - mean**2)
    assert got.sd_whole() == pytest.approx([np.hypot(sd, 0.01), 2 * sd])


@pytest.mark.parametrize("p", [0.001, 0.025, 0.24, 0.26, 0.5, 0.975])
def test_quantiles_are_where_the_distribution_says(p):
    """By a root finder on the mixture's own normals (SciPy); between the two ways hardly anything lies."""
    mixture = two_ways()
    got = mixture.quantile(p)
    for row in range(2):
        centres, sd = mixture.centres[row], mixture.sd[row]

        def off(x, centres=centres, sd=sd):
            return float(stats.norm.cdf(x, centres, sd) @ mixture.weights) - p

        assert got[row] == pytest.approx(optimize.brentq(off, -1, 2, xtol=1e-9), abs=1e-4)
    assert mixture.below(got) == pytest.approx([p, p], abs=2e-3)


def test_one_sure_length_is_all_its_quantiles():
    sure = Mixture.of(np.full((1, 1, 5), 0.3), np.array([1.0]), np.zeros(1))
    assert sure.quantile(0.025) == pytest.approx([0.3]) and sure.quantile(0.975) == pytest.approx([0.3])
    assert (sure.below(np.array([0.29])), sure.below(np.array([0.31]))) == (0.0, 1.0)


def test_normal_scatter_alone_is_normal():
    """1.96 of 0.02 to either side, and Phi(1) at one of them."""
    normal = Mixture.of(np.full((1, 1, 3), 0.3), np.array([1.0]), np.array([0.02]))
    assert normal.quantile(0.025) == pytest.approx([0.3 - 1.959964 * 0.02], abs=1e-6)
    assert normal.below(np.array([0.32])) == pytest.approx([0.841345], abs=1e-6)
