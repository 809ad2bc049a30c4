"""Tails of distributions, held to published tables and to a statistics library."""

import subprocess
import sys

import numpy as np
import pytest
from scipy import stats

from fitassay.analysis.tails import FEW, chi_squared_above, normal_below, normal_quantile

# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4: upper critical values of chi-squared (from memory).
CRITICAL = [(1, 3.841, 0.05), (1, 6.635, 0.01), (5, 11.070, 0.05), (10, 18.307, 0.05), (10, 29.588, 0.001)]
CRITICAL += [(30, 43.773, 0.05), (100, 124.342, 0.05), (40, 29.051, 0.90)]


@pytest.mark.parametrize(("dof", "value", "chance"), CRITICAL)
def test_critical_values(dof, value, chance):
    assert float(chi_squared_above(dof, value)) == pytest.approx(chance, rel=2e-3)


def test_chi_squared_against_a_library():
    """Of any degrees of freedom and both near and far in the tail; one by one and as a population."""
    rng = np.random.default_rng(3)
    dof = np.exp(rng.uniform(np.log(0.3), np.log(3000), 4000))
    value = dof * np.exp(rng.normal(0, 1.5, 4000))
    expected = stats.chi2(dof).sf(value)
    few = np.concatenate(
        [chi_squared_above(d, v) for d, v in zip(np.split(dof, 80), np.split(value, 80), strict=True)]
    )
    assert few.shape[0] // 80 <= FEW < len(dof)
    for found in (few, chi_squared_above(dof, value)):
        assert found == pytest.approx(expected, rel=1e-9, abs=1e-14)


def test_edges():
    assert chi_squared_above(3.0, 0.0) == 1
    assert chi_squared_above(3.0, np.inf) == 0
    assert chi_squared_above(3.0, 1e7) == 0
    assert np.isnan(chi_squared_above(3.0, np.nan))
    assert chi_squared_above(np.ones((2, 3)), 1.0).shape == (2, 3)


def test_normal_against_a_library():
    z = np.linspace(-8, 8, 101)
    assert [normal_below(v) for v in z] == pytest.approx(stats.norm.cdf(z), rel=1e-9)
    p = stats.norm.cdf(z[:60])
    assert [normal_quantile(v) for v in p] == pytest.approx(stats.norm.ppf(p), rel=1e-9)


def test_one_verdict_waits_for_no_statistics_library():
    """Its import takes as long as the verdict."""
    code = "import sys, fitassay.analysis.diagnosis.diagnose; sys.exit('scipy.special' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
