"""How numbers are shown: the one rule for displayed values, and the units that the user sees.

The rule is GUM (JCGM 100:2008) 7.2.6, cited from memory: an uncertainty is given to at most two significant
digits, and the estimate is rounded to agree with it. Rounding is to nearest, ties to even (ISO 80000-1, annex
B, rule A), on the shortest decimal that stands for the float, so that 0.125 shows as 0.12 on every machine.

Inside, lengths are mm, angles rad, scales fractions; at the face they are mm, degrees and percent.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal

from fitassay.coupons.wording import trimmed

COVERAGE = 2.0
"""Coverage factor k of every expanded uncertainty shown; about 95 % for a normal distribution (GUM 6.3.3)."""

LARGEST_SHARE, MEANWHILE_SHARE = 1.0, 0.5
"""A change is told as a number where its expanded uncertainty is at most this share of it, else in words.

The standard uncertainty is then at most half of it; where no error is accused, so that what is changed is changed
meanwhile, even the expanded one is.
"""

SIGNIFICANT = 2
"""Significant digits of a displayed uncertainty (GUM 7.2.6)."""

# 9 digits before the point and up to 308 + 17 after it.
_CONTEXT = Context(prec=400, rounding=ROUND_HALF_EVEN)

LARGEST_PLAIN = 1e9
"""Above this a number is shown with an exponent: no printer has it, but bad input may."""

# Inside unit: factor to the face, unit at the face.
_FACES: dict[str, tuple[float, str]] = {
    "1": (100.0, "%"),
    "rad": (180.0 / math.pi, "degrees"),
    "degree": (1.0, "degrees"),
}


@dataclass(frozen=True, kw_only=True)
class Shown:
    """A value and its uncertainty as text, rounded by the rule.

    Attributes
    ----------
    value, uncertainty, unit : str
        Plain ASCII digits and sign, so that they can be copied into a settings field.
    """

    value: str
    uncertainty: str
    unit: str

    def __str__(self) -> str:
        """E.g. ``+0.240 ± 0.017 mm``."""
        return with_unit(f"{self.value} ± {self.uncertainty}", self.unit)


def face(value: float, unit: str) -> tuple[float, str]:
    """Value and unit as the user sees them: fractions in percent, radians in degrees, the rest as it is."""
    factor, name = _FACES.get(unit, (1.0, unit))
    return value * factor, name


def decimals(uncertainty: float) -> int:
    """Decimal places at which `uncertainty` has two significant digits; negative: tens, hundreds, ...

    Counted after rounding: 0.0996 becomes 0.10, two places and not three.

    Raises
    ------
    ValueError
        `uncertainty` is not a positive finite number.
    """
    if not (math.isfinite(uncertainty) and uncertainty > 0.0):
        raise ValueError(f"an uncertainty must be positive and finite (got {uncertainty})")
    exact = Decimal(repr(float(uncertainty)))
    places = SIGNIFICANT - 1 - exact.adjusted()
    rounded = _round(exact, places)
    return SIGNIFICANT - 1 - rounded.adjusted()


def _round(value: Decimal, places: int) -> Decimal:
    return value.quantize(Decimal(1).scaleb(-places), context=_CONTEXT)


def fixed(value: float, places: int, *, signed: bool = False) -> str:
    """`value` rounded to so many decimal places as text; never ``-0``.

    Parameters
    ----------
    value : float
    places : int
        Negative rounds to tens, hundreds, and so on.
    signed : bool
        A plus sign stands before positive values.
    """
    if not math.isfinite(value):
        return str(value)
    if abs(value) >= LARGEST_PLAIN:
        return f"{value:+.2e}" if signed else f"{value:.2e}"
    rounded = _round(Decimal(repr(float(value))), places)
    if rounded == 0:
        rounded = abs(rounded)
    text = f"{rounded:f}"
    return f"+{text}" if signed and rounded > 0 else text


def reading(value: float) -> str:
    """A reading [mm] as a caliper shows it: two decimals, more where more were typed."""
    whole, _, digits = fixed(value, 4).partition(".")
    return f"{whole}.{digits.rstrip('0').ljust(2, '0')}"


def shown(
    value: float, std_uncertainty: float, unit: str, *, coverage: float = COVERAGE, signed: bool = True
) -> Shown:
    """A value with its expanded uncertainty, rounded by the rule, in the unit at the face.

    Parameters
    ----------
    value, std_uncertainty : float [unit]
        Estimate and standard uncertainty. An uncertainty of exactly 0 means an exact value, shown as it is.
    unit : str
        ``mm``, ``rad``, ``1`` (a fraction) or any unit of a setting.
    coverage : float
        Factor k; the uncertainty shown is k times the standard one.
    signed : bool
        Positive values carry a plus sign; for deviations, not for sizes.
    """
    at_face, name = face(value, unit)
    expanded, _ = face(std_uncertainty * coverage, unit)
    if expanded == 0.0:
        return Shown(value=exact(at_face, signed=signed), uncertainty="0", unit=name)
    if not math.isfinite(expanded) or expanded < 0.0:
        return Shown(value=str(at_face), uncertainty="unknown", unit=name)
    places = decimals(expanded)
    return Shown(value=fixed(at_face, places, signed=signed), uncertainty=fixed(expanded, places), unit=name)


def plus_minus(
    value: float, std_uncertainty: float, unit: str, *, coverage: float = COVERAGE, signed: bool = True
) -> str:
    """`shown` as one text, e.g. ``+0.240 ± 0.017 mm``."""
    return str(shown(value, std_uncertainty, unit, coverage=coverage, signed=signed))


def with_unit(number: str, unit: str) -> str:
    """Number and unit with a space between; nothing after a number without a unit."""
    return f"{number} {unit}" if unit else number


def exact(value: float, *, signed: bool = False) -> str:
    """A value that carries no uncertainty (a drawn size, a setting in force) without trailing zeros."""
    return trimmed(fixed(value, 6, signed=signed))


def three_digits(value: float) -> str:
    """A factor in a formula, to three significant digits and without trailing zeros."""
    if value == 0.0 or not math.isfinite(value):
        return exact(value)
    places = 2 - Decimal(repr(float(value))).adjusted()
    return trimmed(fixed(value, places))


def is_known_well(change: float, std_uncertainty: float, accused: bool) -> bool:
    """Whether a change may be advised as a number, `accused`: where an error is."""
    share = LARGEST_SHARE if accused else MEANWHILE_SHARE
    return COVERAGE * std_uncertainty <= share * abs(change)


def matching(value: float, uncertainty: float, *, signed: bool = False) -> str:
    """`value` alone, rounded to match a two-digit `uncertainty` in the same unit; as `exact` if that is 0."""
    if uncertainty <= 0.0 or not math.isfinite(uncertainty):
        return exact(value, signed=signed)
    return fixed(value, decimals(uncertainty), signed=signed)


def probability(p: float) -> str:
    """A probability in percent, never surer than a model can be: ``over 99 %``, ``97 %``, ``under 1 %``."""
    if p >= 0.995:
        return "over 99 %"
    if p < 0.01:
        return "under 1 %"
    return f"{fixed(100.0 * p, 0)} %"


def share(fraction: float) -> str:
    """A share in whole percent; a share under one percent but not 0 is ``< 1 %``."""
    if 0.0 < fraction < 0.01:
        return "< 1 %"
    return f"{fixed(100.0 * fraction, 0)} %"


def p_value(p: float) -> str:
    """A p-value to two significant digits, with its relation: ``= 0.42``, ``< 0.001``."""
    if p < 0.001:
        return "< 0.001"
    return f"= {fixed(p, decimals(p))}"
