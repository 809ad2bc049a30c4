"""What is checked, what a slip was and what an earlier print left: small cases, each worked out by hand."""

from __future__ import annotations

from math import erfc, exp, sqrt
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from fitassay.analysis.estimation.agreement import agreement
from fitassay.analysis.estimation.known import fact_of_term, without_facts
from fitassay.analysis.estimation.outlier_causes import intended, name_outliers, sole_witness, unchecked
from fitassay.analysis.estimation.priors import prior_means, prior_sds
from fitassay.analysis.estimation.repeats import settle_torn
from fitassay.analysis.normal import Normal
from fitassay.analysis.readings.reading import Reading
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.coupons.machine import Machine


@pytest.mark.parametrize(
    ("value", "expected", "reason"),
    [
        (0.14, 14.0, "the decimal point is missing or two places off"),
        (1400.0, 14.0, "the decimal point is missing or two places off"),
        (1.4, 14.0, "the decimal point slipped by one place"),
        (13.0, 14.0, "looks misread by 1 mm"),
        (4.0, 14.0, "looks misread by 10 mm"),
        (24.0, 14.0, "looks misread by 10 mm"),
        (2.0, 50.8, "looks like inches"),
        (50.8, 2.0, "looks like mm taken for inches"),
        (14.28, 18.24, "two digits look swapped"),
    ],
)
def test_each_kind_of_slip_is_named_both_ways(value, expected, reason):
    assert intended(value, expected, 0.03) == (pytest.approx(expected), reason)


def fitted(y, expected, *, sd, outliers=(), count=1, column=0) -> Any:
    """A fit as far as slips look at it: readings, what is expected of them, and who has been set aside."""
    m = len(y)
    keys = tuple(("boss", f"f{i}") for i in range(m))
    return SimpleNamespace(
        observations=SimpleNamespace(
            y=np.array(y, dtype=float), keys=keys, count=np.full(m, count), column=np.full(m, column)
        ),
        residual=np.subtract(y, expected),
        residual_sd=np.full(m, sd),
        outliers=np.isin(np.arange(m), outliers),
    )


@pytest.mark.parametrize(("off", "swapped"), [(0.03, True), (-0.03, True), (0.05, False)])
def test_two_slips_are_swapped_where_each_fits_in_the_others_place(off, swapped):
    """Give or take 3.5 x 0.01 and 0.02 together: 0.0403 mm."""
    fit = fitted([10.0, 17.3 + off, 5.0], [17.3, 10.0, 5.0], sd=0.01, outliers=(0, 1))
    first, second = name_outliers(fit)
    assert (first.expected_mm, second.expected_mm) == (pytest.approx(17.3), pytest.approx(10.0))
    assert (first.reason == "looks swapped with f1 on boss") == swapped
    assert (second.reason == "looks swapped with f0 on boss") == swapped
    if swapped:
        assert (first.likely_mm, second.likely_mm) == (17.3 + off, 10.0)


def test_a_sound_reading_is_nobodys_other_half():
    (found,) = name_outliers(fitted([10.0, 17.3], [17.3, 10.0], sd=0.01, outliers=(0,)))
    assert "swapped with" not in found.reason


def test_a_reading_is_unchecked_where_a_slip_of_a_millimetre_could_hide():
    """Four readings: 0.015 / 8 on either side is 2.90 standard deviations (normal distribution)."""
    y = [10.0, 11.0, 12.0, 13.0]
    assert len(unchecked(fitted(y, y, sd=0.35))) == 4
    assert unchecked(fitted(y, y, sd=0.34)) == ()
    assert unchecked(fitted(y, y, sd=0.35, outliers=(1, 2, 3))) == (("boss", "f0"),)
    assert unchecked(fitted(y, y, sd=0.35, count=2)) == ()
    # A piece of known size is none of the print's readings.
    assert unchecked(fitted(y, y, sd=0.35, column=-1)) == ()
    # Among three nothing can contradict anything, and nothing is said of one.
    assert unchecked(fitted(y[:3], y[:3], sd=5.0)) == ()


@pytest.mark.parametrize(
    ("kept", "moves", "found"),
    [(0.06, 0.09, True), (0.06, -0.09, True), (0.06, 0.07, False), (0.11, 0.09, False)],
)
def test_a_sole_witness_is_the_reading_without_which_half_the_prior_is_back(kept, moves, found):
    """Prior 0.2, so 0.1 is the limit: without it 0.06 and 0.09 are 0.108, 0.06 and 0.07 only 0.092.

    A term that stands at 0.11 is not measured to begin with.
    """
    fit = fitted([10.0, 11.0], [10.0, 11.0], sd=0.03)
    fit.posterior = SimpleNamespace(cov=np.diag([1.0, kept**2]))
    fit.influence = np.array([[9.0, 9.0], [0.0, moves / 0.03]])
    prior_sd = np.array([1.0, 0.2])
    assert sole_witness(fit, prior_sd, 1) == (("boss", "f1") if found else None)
    for name, value in (("count", np.array([2, 2])), ("column", np.array([-1, -1]))):
        other = SimpleNamespace(
            **{**vars(fit), "observations": SimpleNamespace(**{**vars(fit.observations), name: value})}
        )
        assert sole_witness(other, prior_sd, 1) is None  # pyright: ignore[reportArgumentType]
    fit.outliers = np.array([False, True])
    assert sole_witness(fit, prior_sd, 1) is None


TWO = (
    Reading(coupon="boss", feature="a", reading_mm=10.02),
    Reading(coupon="boss", feature="b", reading_mm=5.0),
    Reading(coupon="boss", feature="a", reading_mm=11.03),
)


@pytest.mark.parametrize(
    ("expected", "kept", "likely"),
    [
        ((10.0, 0.02), [10.02, 5.0], {11.03: 10.03}),
        ((11.0, 0.02), [5.0, 11.03], {10.02: 11.02}),
        ((10.5, 0.02), [5.0], {10.02: None, 11.03: None}),
        ((10.5, 0.20), [5.0], {10.02: None, 11.03: None}),
        (None, [5.0], {10.02: None, 11.03: None}),
    ],
)
def test_of_two_repeats_that_disagree_the_one_expected_stays(expected, kept, likely):
    """Within three standard uncertainties: 0.06 mm lets one stay, 0.6 mm lets both fit and so tells nothing."""
    left, dropped = settle_torn(TWO, (("boss", "a"),), lambda key: expected, 3.0)
    assert [r.reading_mm for r in left] == kept
    assert {s.reading_mm: s.likely_mm for s in dropped} == {
        value: None if meant is None else pytest.approx(meant) for value, meant in likely.items()
    }
    if len(dropped) == 2:
        # Their own mean, where nothing is expected.
        assert [s.expected_mm for s in dropped] == [pytest.approx(expected[0] if expected else 10.525)] * 2
        assert all("third time" in s.reason for s in dropped)


def normal(mean, sd) -> Normal:
    return Normal.independent(np.array(sd), np.array(mean), names=("p", "q"))


def test_agreement_with_what_was_known_is_chi_squared_of_what_the_readings_determine():
    """Known 0.3 +- 0.1; found 0.45 +- 0.05: z 1.5, of which 1 - 0.25 is due, so 2.25 / 0.75 = 3.

    Chi-squared beyond s: erfc(sqrt(s / 2)) for one degree of freedom, exp(-s / 2) for two.
    """
    before = normal([0.3, 0.0], [0.1, 0.2])
    one = agreement(before, normal([0.45, 0.0], [0.05, 0.2]))
    assert one == pytest.approx(erfc(sqrt(3.0 / 2)), rel=1e-6)
    # z = -1 of which 1 - 0.36 is due.
    two = agreement(before, normal([0.45, -0.2], [0.05, 0.12]))
    assert two == pytest.approx(exp(-(3.0 + 1 / 0.64) / 2), rel=1e-6)


@pytest.mark.parametrize(("left", "p"), [(0.91, 1.0), (0.88, erfc(sqrt(0.25 / 0.12 / 2)))])
def test_a_term_left_nine_tenths_unknown_is_not_determined(left, p):
    after = normal([0.35, 0.0], [0.1 * sqrt(left), 0.2])
    assert agreement(normal([0.3, 0.0], [0.1, 0.2]), after) == pytest.approx(p, rel=1e-6)


def test_what_is_taken_out_of_a_fact_leaves_what_was_known_before_it():
    """0.3 +- 0.1 and the fact 0.5 +- 0.1 make 0.4 with variance 0.005; back from there."""
    sd, mean = np.full(len(TERMS), 0.05), np.full(len(TERMS), 0.02)
    i = INDEX["bead_excess"]
    sd[i], mean[i] = sqrt(0.005), 0.4
    before = without_facts(Normal.independent(sd, mean), [fact_of_term("feed", i, 0.5, 0.1, "")])
    expected_sd, expected_mean = np.full(len(TERMS), 0.05), np.full(len(TERMS), 0.02)
    expected_sd[i], expected_mean[i] = 0.1, 0.3
    assert before.sd == pytest.approx(expected_sd)
    assert before.mean == pytest.approx(expected_mean)


def test_priors_are_the_tables_the_calipers_and_the_cases():
    """An error limit is rectangular, a / sqrt(3) (GUM 4.3.7); a case's own width stands; its mean goes with it."""
    name = next(t.name for t in TERMS if t.prior_mean and not t.prior_limit)
    machine = Machine(priors={name: 0.5 * TERMS[INDEX[name]].prior_sd})
    sd = prior_sds(machine)
    means = prior_means(sd)
    for i, term in enumerate(TERMS):
        if machine.kinematics not in term.kinematics:
            due = 1e-9
        elif term.prior_limit:
            due = machine[term.prior_limit] / sqrt(3)
        else:
            due = term.prior_sd * (0.5 if term.name == name else 1.0)
        assert sd[i] == pytest.approx(due, rel=1e-9)
    assert means[INDEX[name]] == pytest.approx(0.5 * TERMS[INDEX[name]].prior_mean)
