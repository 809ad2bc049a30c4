"""The ways in which slicing programs and firmware count a setting: the same value, as each of them wants it."""

from __future__ import annotations

import math

from fitassay.analysis.controls import BORE_REFERENCE_MM
from fitassay.analysis.result import Advice
from fitassay.analysis.rounding import COVERAGE, face, matching

SQUARE_MM = 100.0
"""Side of the square of which firmware asks the diagonals."""


def other_counts(advice: Advice) -> tuple[str, ...]:
    """The advised value as it is typed where the setting is counted otherwise; nothing where it is counted alike.

    A compensation per side is twice as much in all; of the first layer some count inward; backlash is the whole play;
    a hole compensation is one constant or grows as holes get smaller; squareness is asked for as an angle, as its
    tangent, or as the diagonals of a square printed without correction.
    """
    if advice.to_value is None:
        return ()
    value, spread = advice.to_value, COVERAGE * advice.std_uncertainty
    if advice.setting == "settings.contour_mm" and value != 0.0:
        return (f"where it is counted in all, both sides together: {matching(2 * value, 2 * spread)} mm",)
    if advice.setting == "settings.first_layer_mm" and value != 0.0:
        return (f"where it is counted inward: {matching(-value, spread)} mm",)
    if advice.setting.startswith("settings.backlash_"):
        return ("the whole play, not half of it",)
    if advice.setting == "settings.skew_deg" and value != 0.0:
        degrees, _ = face(value, advice.unit)
        angle = math.radians(degrees)
        leaning = SQUARE_MM * math.sqrt(2.0)
        # Without correction a print leans the other way by as much.
        long, short = leaning * (1.0 - angle / 2), leaning * (1.0 + angle / 2)
        return (
            f"where it is asked for as a tangent: {math.tan(angle):.5f}",
            f"where the diagonals of a {SQUARE_MM:g} mm square printed without correction are asked for: front left "
            f"to back right {long:.2f} mm, front right to back left {short:.2f} mm",
        )
    if advice.setting == "settings.hole_mm" and advice.for_hole_mm is not None:
        return (_as_constant(advice, advice.for_hole_mm),)
    if advice.setting == "settings.hole_constant_mm":
        return (
            f"chosen for holes of {advice.for_hole_mm:g} mm; where it is counted per side: "
            f"{matching(value / 2, spread / 2)} mm",
        )
    return ()


def _as_constant(advice: Advice, size: float) -> str:
    """A compensation that grows as holes get smaller, as the constant that serves holes of `size` [mm]."""
    before, after = advice.from_value or 0.0, advice.to_value or 0.0
    share = BORE_REFERENCE_MM / size
    constant, spread = before + share * (after - before), share * COVERAGE * advice.std_uncertainty
    return (
        "this is for a slicer that gives smaller holes more, as 3 mm over the diameter; if yours is one constant "
        f"for all holes: {matching(constant, spread)} mm on the diameter, "
        f"{matching(constant / 2, spread / 2)} mm per side, "
        f'best for holes of {size:g} mm; then say so in machine.toml: hole_setting = "constant", usual_hole_mm = '
        f"{size:g}, hole_mm = 0 and hole_constant_mm what is set"
    )
