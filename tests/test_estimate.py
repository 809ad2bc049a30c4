"""The estimator against published worked examples and a general statistics library."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.estimate import posterior
from coupons.errors import InputError

FLAT = np.array([np.inf, np.inf])


def line(x: np.ndarray, offset: float = 0.0) -> np.ndarray:
    return np.column_stack([np.ones_like(x), x - offset])


def test_gum_h3_thermometer_calibration():
    """JCGM 100:2008, Annex H.3, Table H.6: b = y1 + y2 (t - 20), read in a reproduction of the table."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    a = line(t, 20.0)
    fit = posterior(a, b, np.ones(11), FLAT)
    rest = b - a @ fit.mean
    s = np.sqrt(rest @ rest / 9)
    # s is from memory in the source; the sum of squares was read.
    assert s == pytest.approx(0.0035, abs=5e-5)
    assert rest @ rest == pytest.approx(0.000110096583109, rel=1e-9)
    fit = posterior(a, b, np.full(11, s), FLAT)
    assert fit.mean == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert fit.sd == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert fit.covariance[0, 1] / np.prod(fit.sd) == pytest.approx(-0.930, abs=5e-4)
    at30 = np.array([1.0, 10.0])
    assert at30 @ fit.mean == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(at30 @ fit.covariance @ at30) == pytest.approx(0.0041, abs=5e-5)


def test_gum_h3_common_error_moves_the_intercept_only():
    """GUM H.3.6: a systematic error of 0.005 common to all readings; figures read in a reproduction."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    a = np.column_stack([line(t, 20.0), np.ones(11)])
    fit = posterior(a, np.zeros(11), np.full(11, 0.003497564), np.array([np.inf, np.inf, 0.005]))
    assert fit.sd[0] == pytest.approx(0.00576893138292676, rel=1e-6)
    assert fit.sd[1] == pytest.approx(0.0006679387732278323, rel=1e-6)


@pytest.mark.parametrize(
    ("y", "u", "estimate", "sd", "cov", "chi2"),
    [
        ([3.3, 5.6, 7.1, 9.3, 10.7, 12.1], [0.5] * 6, [1.867, 1.757], [0.465, 0.120], -0.050, 1.665),
        (
            [3.2, 4.3, 7.6, 8.6, 11.7, 12.8],
            [0.5] * 3 + [1.0] * 3,
            [0.885, 2.057],
            [0.530, 0.178],
            -0.082,
            4.131,
        ),
    ],
    ids=["equal weights", "unequal weights"],
)
def test_iso_28037_straight_lines(y, u, estimate, sd, cov, chi2):
    """ISO/TS 28037:2010, clause 6.3 examples, read in a reproduction."""
    a = line(np.arange(1.0, 7.0))
    y, u = np.array(y), np.array(u)
    fit = posterior(a, y, u, FLAT)
    assert fit.mean == pytest.approx(estimate, abs=5e-4)
    assert fit.sd == pytest.approx(sd, abs=5e-4)
    assert fit.covariance[0, 1] == pytest.approx(cov, abs=5e-4)
    assert np.sum(((y - a @ fit.mean) / u) ** 2) == pytest.approx(chi2, abs=5e-4)


def test_priors_against_a_derived_value():
    """The unequal-weights line with priors a ~ N(1, 0.2), b ~ N(2, 0.1): derived by direct inversion."""
    a = line(np.arange(1.0, 7.0))
    y, u = np.array([3.2, 4.3, 7.6, 8.6, 11.7, 12.8]), np.array([0.5] * 3 + [1.0] * 3)
    fit = posterior(a, y, u, np.array([0.2, 0.1]), np.array([1.0, 2.0]))
    assert fit.mean == pytest.approx([0.999435830, 2.013399150], abs=1e-8)
    assert fit.sd == pytest.approx([0.172845670, 0.071616080], abs=1e-8)
    assert fit.covariance[0, 1] == pytest.approx(-0.005000641, abs=1e-8)


def digits(value, certified):
    return -np.log10(np.max(np.abs((value - certified) / certified)))


NORRIS_X = """0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6
556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"""
NORRIS_Y = """0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8
557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"""


def test_nist_norris():
    """NIST StRD Norris (low difficulty), certified values."""
    x, y = (np.array(text.split(), dtype=float) for text in (NORRIS_X, NORRIS_Y))
    fit = posterior(line(x), y, np.full(36, 0.884796396144373), FLAT)
    assert digits(fit.mean, [-0.262323073774029, 1.00211681802045]) > 11
    assert digits(fit.sd, [0.232818234301152, 0.429796848199937e-03]) > 11


def test_nist_longley():
    """NIST StRD Longley (high collinearity), certified values; data as carried by a statistics library."""
    datasets = pytest.importorskip("statsmodels.datasets")
    data = datasets.longley.load_pandas()
    names = ["GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"]
    a = np.column_stack([np.ones(16), data.exog[names].to_numpy(dtype=float)])
    y = data.endog.to_numpy(dtype=float)
    fit = posterior(a, y, np.full(16, 304.854073561965), np.full(7, np.inf))
    certified = [
        -3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683, -1.03322686717359,
        -0.511041056535807e-01, 1829.15146461355,
    ]  # fmt: skip
    sd = [
        890420.383607373, 84.9149257747669, 0.334910077722432e-01, 0.488399681651699, 0.214274163161675,
        0.226073200069370, 455.478499142212,
    ]  # fmt: skip
    assert digits(fit.mean, np.array(certified)) > 7
    assert digits(fit.sd, np.array(sd)) > 7


def test_random_designs_against_a_statistics_library():
    """Weighted least squares, flat priors, and ridge-like priors as pseudo-data, on 20 seeded designs."""
    api = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(42)
    for _ in range(20):
        m, k = 25, 6
        a, y, u = rng.normal(size=(m, k)), rng.normal(size=m), rng.uniform(0.1, 2, m)
        fit = posterior(a, y, u, np.full(k, np.inf))
        other = api.WLS(y, a, weights=u**-2).fit()
        assert fit.mean == pytest.approx(other.params, rel=1e-9)
        assert fit.covariance == pytest.approx(other.normalized_cov_params, rel=1e-9)
        prior = rng.uniform(0.05, 3, k)
        fit = posterior(a, y, u, prior)
        other = api.WLS(
            np.concatenate([y, np.zeros(k)]),
            np.concatenate([a, np.eye(k)]),
            weights=np.concatenate([u, prior]) ** -2,
        ).fit()
        assert fit.mean == pytest.approx(other.params, rel=1e-9)
        assert fit.covariance == pytest.approx(other.normalized_cov_params, rel=1e-9)


def test_many_sets_at_once_equal_one_by_one():
    rng = np.random.default_rng(3)
    a, u, prior = rng.normal(size=(9, 4)), rng.uniform(0.1, 1, 9), np.array([0.1, 1, 10, np.inf])
    y = rng.normal(size=(50, 9))
    together = posterior(a, y, u, prior)
    for row, mean in zip(y, together.mean, strict=True):
        assert posterior(a, row, u, prior).mean == pytest.approx(mean, rel=1e-12)


def test_flat_priors_without_enough_readings_are_refused():
    with pytest.raises(InputError, match="do not fix all terms"):
        posterior(np.ones((1, 2)), np.zeros(1), np.ones(1), FLAT)
    with pytest.raises(InputError, match="finite"):
        posterior(np.full((2, 2), np.nan), np.zeros(2), np.ones(2), FLAT)
