"""A peg pressed into a ring: how far the ring is stretched and how near its plastic comes to yielding.

Thick rings after Lame: a ring of outer radius c and a sleeve of bore a meet at radius b with the radial interference
delta, both of modulus E. They press on each other by

    p = E delta / b  (b^2 - a^2) (c^2 - b^2) / (2 b^2 (c^2 - a^2))

(Timoshenko, Strength of Materials II, shrink-fitted tubes; from memory). At the ring's bore the hoop stress is
p (c^2 + b^2) / (c^2 - b^2) and the radial one -p. A solid peg is a = 0.
"""

from __future__ import annotations

from dataclasses import dataclass

from fitassay.coupons.errors import InputError

POISSON = 0.38
"""Ratio of ordinary filament plastics, 0.33 to 0.42; common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class PressFit:
    """A press fit at one interference.

    Attributes
    ----------
    interference_mm : float [mm]
        Of the diameters; positive.
    pressure_mpa : float [MPa]
        Between peg and ring.
    strain : float
        By which fraction the ring's bore is widened.
    of_yield : float
        Largest shear in the ring over the one at which it yields (Tresca): 1 is where it yields.
    """

    interference_mm: float
    pressure_mpa: float
    strain: float
    of_yield: float


def press_fit(
    interference_mm: float,
    bore_mm: float,
    outer_mm: float,
    modulus_mpa: float,
    yield_mpa: float,
    *,
    hollow_mm: float = 0.0,
) -> PressFit:
    """What an interference of diameters does to peg and ring of the same plastic.

    Parameters
    ----------
    interference_mm : float [mm]
        Peg less hole; below zero nothing is pressed.
    bore_mm, outer_mm : float [mm]
        Diameters of the ring's hole and of its outside.
    modulus_mpa, yield_mpa : float [MPa]
        Of the plastic as printed.
    hollow_mm : float [mm]
        Diameter of a hole through the peg; 0: solid.

    Raises
    ------
    InputError
        Diameters that make no ring or no sleeve, or a plastic without stiffness or strength.
    """
    a, b, c = hollow_mm / 2, bore_mm / 2, outer_mm / 2
    if not 0 <= a < b < c:
        raise InputError(
            f"a ring about a {bore_mm:g} mm hole must be wider than that (got {outer_mm:g} mm)", "--ring"
        )
    if not (modulus_mpa > 0 and yield_mpa > 0):
        raise InputError("modulus and yield of the plastic must be greater than 0 MPa", "--modulus, --yield")
    radial = max(interference_mm, 0.0) / 2
    pressure = modulus_mpa * radial / b * (b**2 - a**2) * (c**2 - b**2) / (2 * b**2 * (c**2 - a**2))
    hoop = pressure * (c**2 + b**2) / (c**2 - b**2)
    return PressFit(
        interference_mm=max(interference_mm, 0.0),
        pressure_mpa=pressure,
        strain=(hoop + POISSON * pressure) / modulus_mpa,
        of_yield=(hoop + pressure) / yield_mpa,
    )
