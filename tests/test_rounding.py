"""Displayed values: two significant digits of uncertainty, the value to match, in the user's units."""

from __future__ import annotations

import math
import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from fitassay.analysis import rounding


@pytest.mark.parametrize(
    ("value", "std_uncertainty", "coverage", "expected"),
    [
        # GUM (JCGM 100:2008) 7.2.6, from memory: 10.057 62 ohm with u = 27 mohm is rounded to 10.058 ohm.
        (10.05762, 0.027, 1.0, "10.058 ± 0.027 mm"),
        # GUM 7.2.6, from memory: u = 28.05 kHz should be rounded down to 28 kHz.
        (1000.0, 28.05, 1.0, "1000 ± 28 mm"),
        # A carry while rounding must not leave a third digit.
        (0.1, 0.0996, 1.0, "0.10 ± 0.10 mm"),
        (0.1, 0.00996, 1.0, "0.100 ± 0.010 mm"),
        (0.1, 0.0995, 1.0, "0.10 ± 0.10 mm"),
        (0.1, 0.0994, 1.0, "0.100 ± 0.099 mm"),
        # Coverage factor 2.
        (0.2404, 0.0085, 2.0, "0.240 ± 0.017 mm"),
        # Uncertainty above 100: the value is rounded to tens too.
        (1234.5, 310.0, 2.0, "1230 ± 620 mm"),
        (1234.5, 3100.0, 2.0, "1200 ± 6200 mm"),
        # Ties to even, on the decimal that the float stands for.
        (0.125, 0.10, 1.0, "0.12 ± 0.10 mm"),
        (0.135, 0.10, 1.0, "0.14 ± 0.10 mm"),
        # Nothing is ever minus zero.
        (-0.0004, 0.1, 1.0, "0.00 ± 0.10 mm"),
        # Exact values show no digits that are not theirs.
        (20.0, 0.0, 2.0, "20 ± 0 mm"),
        (3.0, math.nan, 2.0, "3.0 ± unknown mm"),
        (3.0, math.inf, 2.0, "3.0 ± unknown mm"),
        (1e308, 1e306, 2.0, "1.00e+308 ± 2.00e+306 mm"),
    ],
)
def test_value_agrees_with_two_digits_of_uncertainty(
    value: float, std_uncertainty: float, coverage: float, expected: str
) -> None:
    assert rounding.plus_minus(value, std_uncertainty, "mm", coverage=coverage, signed=False) == expected


@pytest.mark.parametrize(
    ("value", "std_uncertainty", "unit", "expected"),
    [
        (0.0012, 0.0002, "1", "+0.120 ± 0.040 %"),
        (-math.pi / 180.0, math.pi / 1800.0, "rad", "-1.00 ± 0.20 degrees"),
        (0.24, 0.01, "mm", "+0.240 ± 0.020 mm"),
        (81.2, 0.05, "steps/mm", "+81.20 ± 0.10 steps/mm"),
        (0.5, 0.05, "degree", "+0.50 ± 0.10 degrees"),
    ],
)
def test_units_at_the_face(value: float, std_uncertainty: float, unit: str, expected: str) -> None:
    assert rounding.plus_minus(value, std_uncertainty, unit) == expected


@given(
    value=st.floats(-1e6, 1e6),
    uncertainty=st.floats(1e-6, 1e5),
)
def test_agrees_with_a_second_library(value: float, uncertainty: float) -> None:
    """Against `uncertainties`, format ``.2uf``: it rounds the binary float: ties may differ a step."""
    theirs = f"{ufloat(value, uncertainty):.2uf}".partition("+/-")
    ours = rounding.shown(value, uncertainty, "mm", coverage=1.0, signed=False)
    step = Decimal(1).scaleb(-rounding.decimals(uncertainty))
    assert abs(Decimal(theirs[2]) - Decimal(ours.uncertainty)) <= step
    assert abs(Decimal(theirs[0]) - Decimal(ours.value)) <= step


@given(value=st.floats(-1e8, 1e8), uncertainty=st.floats(1e-9, 1e8, exclude_max=True), signed=st.booleans())
def test_shown_text_is_near_and_has_two_digits(value: float, uncertainty: float, signed: bool) -> None:
    text = rounding.shown(value, uncertainty, "mm", coverage=1.0, signed=signed)
    half_step = 10.0 ** -rounding.decimals(uncertainty) / 2
    slack = 1e-12 * max(abs(value), uncertainty)
    assert abs(float(text.value) - value) <= half_step + slack
    assert abs(float(text.uncertainty) - uncertainty) <= half_step + slack
    digits = text.uncertainty.replace(".", "").strip("0")
    assert 1 <= len(digits) <= 2
    assert not re.fullmatch(r"[-+]0(\.0*)?", text.value)
    assert text.value.startswith("+") == (signed and float(text.value) > 0)
    # Value and uncertainty end at the same place.
    assert len(text.value.partition(".")[2]) == len(text.uncertainty.partition(".")[2])


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_decimals_refuses_what_is_no_uncertainty(bad: float) -> None:
    with pytest.raises(ValueError, match="positive and finite"):
        rounding.decimals(bad)


@pytest.mark.parametrize(
    ("p", "expected"),
    [
        (1.0, "over 99 %"),
        (0.9996, "over 99 %"),
        (0.995, "over 99 %"),
        (0.994, "99 %"),
        (0.5, "50 %"),
        (0.01, "1 %"),
        (0.004, "under 1 %"),
        (0.0, "under 1 %"),
    ],
)
def test_probability_never_claims_certainty(p: float, expected: str) -> None:
    assert rounding.probability(p) == expected


@pytest.mark.parametrize(
    ("p", "expected"),
    [(0.4213, "= 0.42"), (0.0421, "= 0.042"), (1.0, "= 1.0"), (1e-9, "< 0.001"), (0.0, "< 0.001")],
)
def test_p_value(p: float, expected: str) -> None:
    assert rounding.p_value(p) == expected


@pytest.mark.parametrize(
    ("fraction", "expected"),
    [(0.0, "0 %"), (0.001, "< 1 %"), (0.00999, "< 1 %"), (0.01, "1 %"), (0.015, "2 %"), (1.0, "100 %")],
)
def test_share(fraction: float, expected: str) -> None:
    assert rounding.share(fraction) == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [(20.0, "20"), (0.45, "0.45"), (1e-9, "0"), (-0.1, "-0.1"), (100.0, "100"), (80.25, "80.25")],
)
def test_exact_has_no_trailing_zeros(value: float, expected: str) -> None:
    assert rounding.exact(value) == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [(15.0219, "15"), (2.0, "2"), (0.123456, "0.123"), (1234.5, "1230"), (0.0, "0"), (7.5, "7.5")],
)
def test_factors_have_three_digits(value: float, expected: str) -> None:
    assert rounding.three_digits(value) == expected
