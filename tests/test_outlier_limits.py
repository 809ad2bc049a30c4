"""Outliers and excess variance at their limits: figures by hand for readings that nothing but themselves explains."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import chi2, norm

from fitassay.analysis.estimation.excess_variance import disagreement
from fitassay.analysis.estimation.marginal import Model
from fitassay.analysis.estimation.outlier_causes import name_outliers
from fitassay.analysis.estimation.outliers import (
    find_outliers,
    most_outliers,
    predicted,
    search_model,
    slip_limit,
    worst_readings,
)
from fitassay.analysis.normal import Normal
from fitassay.analysis.terms import INDEX, TERMS

U = 0.02
SDS = np.full(len(TERMS), 0.1)


def unexplained(n: int, u: float = U) -> Model:
    """Readings that no error term moves: what they are off by is their own."""
    return Model(gains=np.zeros((n, len(TERMS))), prior=Normal.independent(SDS), noise=u**2 * np.eye(n))


def out(z: list[float], limit: float = 3.0, pairs: bool = True) -> list[bool]:
    """Which of independent readings, so many standard deviations off, are best left out next."""
    n = len(z)
    found = worst_readings(np.eye(n) / U**2, U * np.array(z), np.full(n, U), limit, pairs)
    return found.tolist()


def test_false_alarms_are_shared_by_the_readings():
    """Bonferroni, two-sided, 1.5 % a set: 1 - 0.015 / (2 n) quantiles of a normal distribution."""
    for n in (1, 10, 50):
        assert slip_limit(n) == pytest.approx(norm.isf(0.015 / (2 * n)), rel=1e-9)


def test_no_more_than_a_quarter_is_set_aside_and_of_three_nothing():
    assert [most_outliers(n) for n in (1, 3, 4, 7, 8, 11, 12, 47, 48)] == [0, 0, 1, 1, 2, 2, 3, 11, 12]


def test_one_reading_is_left_out_from_the_limit_on():
    assert out([0.5, -3.01, 1.0]) == [False, True, False]
    assert out([0.5, -2.99, 1.0]) == [False, False, False]
    assert out([3.4, -3.2, 1.0], pairs=False) == [True, False, False]


def test_a_pair_pays_where_each_of_it_does():
    """Independent readings gain z^2 each; the second must be worth the limit by itself."""
    assert out([3.4, -3.05, 1.0]) == [True, True, False]
    assert out([3.4, -2.95, 1.0]) == [True, False, False]
    assert out([9.0, -2.95, 1.0]) == [True, False, False]
    assert out([2.9, -2.9, 2.9]) == [False, False, False]


def test_only_gross_readings_are_slips():
    """Well determined by the others, yet less than three of its own standard uncertainties off: the hand's."""
    for own, expected in ((2.9, False), (3.1, True)):
        # Readings known far better together than each by itself: P = 4 / u^2.
        found = worst_readings(4 * np.eye(3) / U**2, U * np.array([own, 0.1, 0.1]), np.full(3, U), 3.0, False)
        assert found.tolist() == [expected, False, False]


def test_a_set_of_four_may_lose_one_and_a_set_of_three_none():
    for n, expected in ((4, True), (3, False)):
        residual = np.zeros(n)
        residual[1] = 1.0
        assert find_outliers(unexplained(n), residual).tolist() == [i == 1 and expected for i in range(n)]


def test_readings_are_searched_with_forms_three_times_as_wide():
    """Corner form is no error of the printer, and its width in the table is a guess."""
    wide = np.diag(search_model(unexplained(5)).prior.cov) / SDS**2
    expected = np.ones(len(TERMS))
    expected[INDEX["corner_form"]] = 9.0
    assert wide == pytest.approx(expected)


def test_what_the_others_say_of_a_reading_is_the_conditional_normal():
    """Two equally correlated readings: mean rho z, variance 1 - rho^2 (textbook)."""
    cov = U**2 * np.array([[1.0, 0.6], [0.6, 1.0]])
    off, sd = predicted(cov, U * np.array([2.0, -1.0]), np.array([0]), np.array([1]))
    assert off == pytest.approx([U * (-1.0 - 0.6 * 2.0)])
    assert sd == pytest.approx([U * 0.8])


@pytest.mark.parametrize("factor", [1.3, 1.6, 3.0])
@pytest.mark.parametrize("n", [3, 10, 40])
def test_excess_variance_by_hand(n, factor):
    """All readings `factor` u off: Q(t^2) = n at u^2 + t^2 = (factor u)^2; as wide as a t distribution, (n / (n - 2))
    times, and counted as far as chance does not explain it, 1 - p / 0.2.
    """
    found = disagreement(unexplained(n), factor * U * np.ones(n))
    p = chi2.sf(n * factor**2, n)
    assert (found.chi2, found.dof) == pytest.approx((n * factor**2, n))
    assert found.p_value == pytest.approx(p, rel=1e-6)
    wide = (factor * U) ** 2 * n / (n - 2) - U**2
    assert found.excess == pytest.approx(wide * max(1 - p / 0.2, 0.0), rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(("n", "factor"), [(10, 1.3), (10, 1.6), (40, 1.2)])
def test_birge_ratio_by_hand(n, factor):
    """Chi-square over degrees of freedom is factor^2; what chance explains of it, p / 0.2, does not count."""
    found = disagreement(unexplained(n), factor * U * np.ones(n))
    due = 1 + (factor**2 - 1) * (1 - chi2.sf(n * factor**2, n) / 0.2)
    assert found.birge == pytest.approx(due, rel=1e-6)


def test_two_readings_have_no_birge_ratio():
    assert disagreement(unexplained(2), np.full(2, 5 * U)).birge == 1.0


def test_a_pair_must_pay_for_its_second_reading_too():
    """36 + 12.25 is over 2 x 16, but the second takes off less than 16 by itself."""
    assert out([6.0, 3.5, 0.0, 0.0], limit=4.0) == [True, False, False, False]
    assert out([6.0, 4.1, 0.0, 0.0], limit=4.0) == [True, True, False, False]


def test_two_readings_say_nothing_about_scatter():
    assert disagreement(unexplained(2), np.full(2, 5 * U)).excess == 0.0


def test_readings_that_agree_better_than_expected_scatter_none():
    assert disagreement(unexplained(10), np.full(10, 0.5 * U)).excess == 0.0


def test_what_is_left_without_the_worst_is_measured_against_less():
    """Of 11 readings the worst is left out: Blom's score of it is z, and z^2 - 1 of the chi-square went with it."""
    n, factor = 10, 1.4
    z = norm.ppf(1 - (1 - 0.375) / (2 * (n + 1) + 0.5))
    aim = 1 - (z**2 - 1) / n
    found = disagreement(unexplained(n), factor * U * np.ones(n), worst_out=1)
    # Q(t^2) = aim n at u^2 + t^2 = (factor u)^2 / aim.
    wide = (factor * U) ** 2 / aim * n / (n - 2) - U**2
    share = 1 - chi2.sf(n * factor**2 / aim, n) / 0.2
    assert found.excess == pytest.approx(wide * share, rel=1e-6)
    assert found.excess > disagreement(unexplained(n), factor * U * np.ones(n)).excess


def test_what_a_printer_error_may_be_is_no_scatter():
    """The same shift of all readings, ten standard deviations of the table's prior: one error, no uneven print."""
    gains = np.zeros((12, len(TERMS)))
    gains[:, INDEX["contour_offset"]] = 2.0
    model = Model(gains=gains, prior=Normal.independent(SDS), noise=U**2 * np.eye(12))
    rest = U * np.tile([1.0, -1.0], 6)
    found = disagreement(model, 2.0 + rest)
    assert found.dof == pytest.approx(11, abs=0.01)
    assert found.p_value > 0.2 and found.excess == 0.0


@pytest.mark.parametrize(("value", "likely"), [(15.07, 14.07), (15.08, None), (12.93, 13.93), (12.92, None)])
def test_what_was_meant_lies_within_three_and_a_half_of_its_uncertainty(value, likely):
    """14.00 expected with 0.02: hypot(3.5 x 0.02, 0.02) = 0.0728 from there, a millimetre put right."""
    fit = SimpleNamespace(
        observations=SimpleNamespace(y=np.array([value, 8.0]), keys=(("boss", "a"), ("boss", "b"))),
        residual=np.array([value - 14.0, 0.0]),
        residual_sd=np.array([U, U]),
        outliers=np.array([True, False]),
    )
    (found,) = name_outliers(fit)  # type: ignore[arg-type]
    assert (found.coupon, found.feature, found.reading_mm) == ("boss", "a", value)
    assert found.expected_mm == pytest.approx(14.0)
    assert found.likely_mm == (None if likely is None else pytest.approx(likely))
