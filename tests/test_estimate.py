"""The estimator against published worked examples and a general statistics library."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from fitassay.coupons.errors import InputError
from tests.posteriors import posterior

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
    assert fit.cov[0, 1] / np.prod(fit.sd) == pytest.approx(-0.930, abs=5e-4)
    at30 = np.array([1.0, 10.0])
    assert at30 @ fit.mean == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(at30 @ fit.cov @ at30) == pytest.approx(0.0041, abs=5e-5)


def test_gum_h3_common_error_moves_the_intercept_only():
    """GUM H.3.6 speaks of a systematic error common to all readings; size and figures are ours.

    The intercept gains it in quadrature, the slope nothing. Without it, for s: u(b)^2 = s^2 / S, u(a)^2 =
    s^2 (1 / 11 + m^2 / S), m the mean of t - 20 and S the sum of squares about it (straight line by least squares).
    """
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    a = np.column_stack([line(t, 20.0), np.ones(11)])
    fit = posterior(a, np.zeros(11), np.full(11, 0.0035), np.array([np.inf, np.inf, 0.005]))
    m, spread = np.mean(t - 20), np.sum((t - np.mean(t)) ** 2)
    alone = 0.0035 * np.sqrt(1 / 11 + m**2 / spread)
    assert fit.sd[0] == pytest.approx(np.hypot(alone, 0.005), rel=1e-9)
    assert fit.sd[1] == pytest.approx(0.0035 / np.sqrt(spread), rel=1e-9)


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
    assert fit.cov[0, 1] == pytest.approx(cov, abs=5e-4)
    assert np.sum(((y - a @ fit.mean) / u) ** 2) == pytest.approx(chi2, abs=5e-4)


def test_priors_against_a_derived_value():
    """The unequal-weights line with priors a ~ N(1, 0.2), b ~ N(2, 0.1): derived by direct inversion."""
    a = line(np.arange(1.0, 7.0))
    y, u = np.array([3.2, 4.3, 7.6, 8.6, 11.7, 12.8]), np.array([0.5] * 3 + [1.0] * 3)
    fit = posterior(a, y, u, np.array([0.2, 0.1]), np.array([1.0, 2.0]))
    assert fit.mean == pytest.approx([0.999435830, 2.013399150], abs=1e-8)
    assert fit.sd == pytest.approx([0.172845670, 0.071616080], abs=1e-8)
    assert fit.cov[0, 1] == pytest.approx(-0.005000641, abs=1e-8)


STRD = Path(__file__).parent / "data" / "strd"


def reference_set(name: str) -> tuple[dict[str, np.ndarray], np.ndarray, np.ndarray]:
    """Certified values, design and y of a NIST Statistical Reference Data Set; the file carries its citation."""
    text = (STRD / f"{name}.txt").read_text(encoding="utf-8")
    head = dict(re.findall(r"^# ([^:\n]+): (.*)$", text, re.MULTILINE))
    certified = {
        key: np.array(head[f"Certified {key}"].split(), dtype=float)
        for key in ("estimates", "standard deviations", "residual standard deviation")
    }
    rows = np.array([line.split() for line in text.splitlines() if not line.startswith("#")], dtype=float)
    y, x = rows[:, 0], rows[:, 1:]
    count = len(certified["estimates"])
    if head["Model"].startswith("y = B1"):
        return certified, x, y
    if x.shape[1] == 1:
        return certified, x ** np.arange(count), y
    return certified, np.column_stack([np.ones(len(x)), x]), y


def digits(value: np.ndarray, certified: np.ndarray) -> float:
    """Correct significant digits of the worst value (log relative error)."""
    with np.errstate(divide="ignore"):
        return float(-np.log10(np.max(np.abs((value - certified) / certified))))


@pytest.mark.parametrize(
    ("name", "estimates", "spreads"),
    [
        # The certified values have 15 digits; how many a computation in double precision can reach falls with the
        # condition of the design. Lower difficulty ...
        ("norris", 11, 13),
        ("pontius", 11, 13),
        # ... average ...
        ("noint1", 13, 13),
        ("noint2", 13, 13),
        # ... and higher.
        ("longley", 10, 12),
        ("wampler1", 8, None),
        ("wampler2", 11, None),
        ("wampler3", 8, 12),
        ("wampler4", 7, 12),
        ("wampler5", 5, 12),
    ],
)
def test_nist_reference_sets(name, estimates, spreads):
    """NIST StRD linear regression, certified values, well- and ill-conditioned designs, flat priors."""
    certified, design, y = reference_set(name)
    sd = float(certified["residual standard deviation"][0])
    # Data without noise have no standard deviations to compare.
    u = np.full(len(y), sd if sd > 0 else 1.0)
    fit = posterior(design, y, u, np.full(design.shape[1], np.inf))
    assert digits(fit.mean, certified["estimates"]) > estimates
    if spreads is not None:
        assert digits(fit.sd, certified["standard deviations"]) > spreads


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
        assert fit.cov == pytest.approx(other.normalized_cov_params, rel=1e-9)
        prior = rng.uniform(0.05, 3, k)
        fit = posterior(a, y, u, prior)
        other = api.WLS(
            np.concatenate([y, np.zeros(k)]),
            np.concatenate([a, np.eye(k)]),
            weights=np.concatenate([u, prior]) ** -2,
        ).fit()
        assert fit.mean == pytest.approx(other.params, rel=1e-9)
        assert fit.cov == pytest.approx(other.normalized_cov_params, rel=1e-9)


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
