"""ISO 286-1 as data: standard tolerances, fundamental deviations, limits, fits, and the grade of a spread.

Sources. Widths IT1 to IT18 and the deviations d to h, k, n, p up to 120 mm: secondary copies of
ISO 286-1:1988 (IS 919-1:1993, Annex A; K. L. Narayana, Machine Drawing, tables 15.2 and 15.4), checked
against the standard's own formulas. Widths above 120 mm and the letters a, b, c, j, m, r to z: from memory,
checked against the formulas only. The 2010 edition itself was not read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from fitassay.coupons.errors import InputError
from fitassay.coupons.wording import shown

LARGEST_MM = 500.0
"""The tables end here [mm]; larger sizes have other formulas."""

# Upper ends of the nominal size ranges; a range is "over - up to and including" [mm].
RANGE_ENDS: tuple[float, ...] = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500)

# One row a range, IT1 to IT18 [µm].
WIDTHS_UM: tuple[tuple[float, ...], ...] = (
    (0.8, 1.2, 2, 3, 4, 6, 10, 14, 25, 40, 60, 100, 140, 250, 400, 600, 1000, 1400),
    (1, 1.5, 2.5, 4, 5, 8, 12, 18, 30, 48, 75, 120, 180, 300, 480, 750, 1200, 1800),
    (1, 1.5, 2.5, 4, 6, 9, 15, 22, 36, 58, 90, 150, 220, 360, 580, 900, 1500, 2200),
    (1.2, 2, 3, 5, 8, 11, 18, 27, 43, 70, 110, 180, 270, 430, 700, 1100, 1800, 2700),
    (1.5, 2.5, 4, 6, 9, 13, 21, 33, 52, 84, 130, 210, 330, 520, 840, 1300, 2100, 3300),
    (1.5, 2.5, 4, 7, 11, 16, 25, 39, 62, 100, 160, 250, 390, 620, 1000, 1600, 2500, 3900),
    (2, 3, 5, 8, 13, 19, 30, 46, 74, 120, 190, 300, 460, 740, 1200, 1900, 3000, 4600),
    (2.5, 4, 6, 10, 15, 22, 35, 54, 87, 140, 220, 350, 540, 870, 1400, 2200, 3500, 5400),
    # From memory from here on.
    (3.5, 5, 8, 12, 18, 25, 40, 63, 100, 160, 250, 400, 630, 1000, 1600, 2500, 4000, 6300),
    (4.5, 7, 10, 14, 20, 29, 46, 72, 115, 185, 290, 460, 720, 1150, 1850, 2900, 4600, 7200),
    (6, 8, 12, 16, 23, 32, 52, 81, 130, 210, 320, 520, 810, 1300, 2100, 3200, 5200, 8100),
    (7, 9, 13, 18, 25, 36, 57, 89, 140, 230, 360, 570, 890, 1400, 2300, 3600, 5700, 8900),
    (8, 10, 15, 20, 27, 40, 63, 97, 155, 250, 400, 630, 970, 1550, 2500, 4000, 6300, 9700),
)

# Deviations nearest the zero line [µm] by shaft letter, one a range: es for a to h (sign as printed), ei for
# k to p. k holds for IT4 to IT7, else it is 0. Letters of ranges split in the standard are in SPLIT_UM.
DEVIATIONS_UM: dict[str, tuple[float, ...]] = {
    "d": (-20, -30, -40, -50, -65, -80, -100, -120, -145, -170, -190, -210, -230),
    "e": (-14, -20, -25, -32, -40, -50, -60, -72, -85, -100, -110, -125, -135),
    "f": (-6, -10, -13, -16, -20, -25, -30, -36, -43, -50, -56, -62, -68),
    "g": (-2, -4, -5, -6, -7, -9, -10, -12, -14, -15, -17, -18, -20),
    "h": (0,) * 13,
    "k": (0, 1, 1, 1, 2, 2, 2, 3, 3, 4, 4, 4, 5),
    "m": (2, 4, 6, 7, 8, 9, 11, 13, 15, 17, 20, 21, 23),
    "n": (4, 8, 10, 12, 15, 17, 20, 23, 27, 31, 34, 37, 40),
    "p": (6, 12, 15, 18, 22, 26, 32, 37, 43, 50, 56, 62, 68),
}

SPLIT_ENDS: tuple[float, ...] = (
    3, 6, 10, 14, 18, 24, 30, 40, 50, 65, 80, 100, 120, 140, 160, 180, 200, 225, 250, 280, 315, 355, 400, 450, 500,
)  # fmt: skip
"""Upper ends of the finer ranges of a, b, c and r to z [mm]."""

# A letter begins at the range of its first number: t above 24 mm, v above 14 mm, y above 18 mm.
SPLIT_UM: dict[str, tuple[float | None, ...]] = {
    "a": (-270, -270, -280, -290, -290, -300, -300, -310, -320, -340, -360, -380, -410, -460, -520, -580, -660,
          -740, -820, -920, -1050, -1200, -1350, -1500, -1650),
    "b": (-140, -140, -150, -150, -150, -160, -160, -170, -180, -190, -200, -220, -240, -260, -280, -310, -340,
          -380, -420, -480, -540, -600, -680, -760, -840),
    "c": (-60, -70, -80, -95, -95, -110, -110, -120, -130, -140, -150, -170, -180, -200, -210, -230, -240,
          -260, -280, -300, -330, -360, -400, -440, -480),
    "r": (10, 15, 19, 23, 23, 28, 28, 34, 34, 41, 43, 51, 54, 63, 65, 68, 77, 80, 84, 94, 98, 108, 114, 126, 132),
    "s": (14, 19, 23, 28, 28, 35, 35, 43, 43, 53, 59, 71, 79, 92, 100, 108, 122, 130, 140, 158, 170, 190, 208,
          232, 252),
    "t": (None,) * 6 + (41, 48, 54, 66, 75, 91, 104, 122, 134, 146, 166, 180, 196, 218, 240, 268, 294, 330, 360),
    "u": (18, 23, 28, 33, 33, 41, 48, 60, 70, 87, 102, 124, 144, 170, 190, 210, 236, 258, 284, 315, 350, 390, 435,
          490, 540),
    "v": (None,) * 4 + (39, 47, 55, 68, 81, 102, 120, 146, 172, 202, 228, 252, 284, 310, 340, 385, 425, 475, 530,
          595, 660),
    "x": (20, 28, 34, 40, 45, 54, 64, 80, 97, 122, 146, 178, 210, 248, 280, 310, 350, 385, 425, 475, 525, 590, 660,
          740, 820),
    "y": (None,) * 5 + (63, 75, 94, 114, 144, 174, 214, 254, 300, 340, 380, 425, 470, 520, 580, 650, 730, 820, 920,
          1000),
    "z": (26, 35, 42, 50, 60, 73, 88, 112, 136, 172, 210, 258, 310, 365, 415, 465, 520, 575, 640, 710, 790, 900,
          1000, 1100, 1250),
}  # fmt: skip

# j lies across the zero line and follows no formula: ei of shafts and ES of holes by grade, one a range [µm].
J_SHAFT_UM: dict[int, tuple[float, ...]] = {
    5: (-2, -2, -2, -3, -4, -5, -7, -9, -11, -13, -16, -18, -20),
    6: (-2, -2, -2, -3, -4, -5, -7, -9, -11, -13, -16, -18, -20),
    7: (-4, -4, -5, -6, -8, -10, -12, -15, -18, -21, -26, -28, -32),
    8: (-6,),
}
J_HOLE_UM: dict[int, tuple[float, ...]] = {
    6: (2, 5, 5, 6, 8, 10, 13, 16, 18, 22, 25, 29, 33),
    7: (4, 6, 8, 10, 12, 14, 18, 22, 26, 30, 36, 39, 43),
    8: (6, 10, 12, 15, 20, 24, 28, 34, 41, 47, 55, 60, 66),
}

LETTERS: tuple[str, ...] = (
    "a", "b", "c", "d", "e", "f", "g", "h", "js", "j", "k", "m", "n", "p", "r", "s", "t", "u", "v", "x", "y", "z",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Zone:
    """A tolerance class such as ``H11`` (hole) or ``c11`` (shaft)."""

    letter: str
    grade: int

    def __post_init__(self) -> None:
        if self.letter.lower() not in LETTERS:
            raise InputError(
                f"tolerance letter {shown(self.letter)} is not known; use one of {', '.join(LETTERS)} "
                "(capitals for holes)"
            )
        if not 1 <= self.grade <= 18:
            raise InputError(f"tolerance grade must lie between 1 and 18 (got {self.grade})")

    @property
    def is_hole(self) -> bool:
        """Capital letters belong to holes."""
        return self.letter[0].isupper()

    def __str__(self) -> str:
        return f"{self.letter}{self.grade}"


@dataclass(frozen=True, kw_only=True)
class Fit:
    """A hole class with a shaft class, e.g. H11/c11."""

    hole: Zone
    shaft: Zone

    def __str__(self) -> str:
        return f"{self.hole}/{self.shaft}"

    def clearance(self, nominal: float) -> tuple[float, float]:
        """Least and largest clearance [mm] at that nominal size [mm]; negative: interference."""
        low, high = limits(nominal, self.hole)
        shaft_low, shaft_high = limits(nominal, self.shaft)
        return low - shaft_high, high - shaft_low


def _row(nominal: float, ends: tuple[float, ...]) -> int:
    """Index of the nominal size's range; a range's upper end belongs to it."""
    if not 0 < nominal <= ends[-1]:
        raise InputError(f"sizes must be over 0 and up to {ends[-1]:g} mm here (got {nominal:g})")
    return next(i for i, end in enumerate(ends) if nominal <= end)


def tolerance(nominal: float, grade: int) -> float:
    """Width of the standard tolerance IT`grade` at `nominal` [mm], from the table.

    The table is stored because it does not follow from the formula by rounding alone (under 3 mm they are up
    to 13 % apart).
    """
    if not 1 <= grade <= 18:
        raise InputError(f"tolerance grade must lie between 1 and 18 (got {grade})")
    return WIDTHS_UM[_row(nominal, RANGE_ENDS)][grade - 1] / 1000.0


def grade_for(width: float, nominal: float) -> int | None:
    """The finest grade whose tolerance at `nominal` is at least `width` [mm]; None beyond IT18."""
    row = WIDTHS_UM[_row(nominal, RANGE_ENDS)]
    # A nanometre of slack, so that 0.210 computed in floating point is not taken for more than 0.210.
    return next((i + 1 for i, um in enumerate(row) if width <= um / 1000.0 + 1e-6), None)


def _shaft_deviation_um(letter: str, nominal: float, grade: int) -> float:
    """Deviation nearest the zero line of shaft `letter` [µm]."""
    if letter in SPLIT_UM:
        value = SPLIT_UM[letter][_row(nominal, SPLIT_ENDS)]
        if value is None:
            row = SPLIT_UM[letter]
            first = SPLIT_ENDS[sum(v is None for v in row) - 1]
            finer = LETTERS[LETTERS.index(letter) - 1]
            raise InputError(
                f"{letter} is held for sizes over {first:g} mm only (got {nominal:g}); use {finer}"
            )
        return value
    if letter == "k" and not 4 <= grade <= 7:
        return 0.0
    return DEVIATIONS_UM[letter][_row(nominal, RANGE_ENDS)]


def _hole_upper_um(letter: str, nominal: float, grade: int) -> float:
    """Upper deviation ES of holes K to Z [µm]: -ei of the shaft, plus ITn - IT(n-1) where that applies."""
    if letter == "k" and grade > 8:
        raise InputError(f"hole class K{grade} is not defined above grade 8; use JS{grade}")
    if letter == "n" and grade > 8 and nominal > 3:
        return 0.0
    if letter == "m" and grade == 6 and 250 < nominal <= 315:
        return -9.0  # the standard's one exception (from memory)
    # The rule takes the shaft k of grades 4 to 7 whatever the hole's grade.
    ei = _shaft_deviation_um(letter, nominal, 7 if letter == "k" else grade)
    with_delta = grade <= (8 if letter in "kmn" else 7) and nominal > 3 and grade >= 2
    delta = 1000.0 * (tolerance(nominal, grade) - tolerance(nominal, grade - 1)) if with_delta else 0.0
    return -ei + delta


def _across_zero(nominal: float, zone: Zone, width: float) -> float:
    """Least size [mm] of j and J."""
    table = J_HOLE_UM if zone.is_hole else J_SHAFT_UM
    row = _row(nominal, RANGE_ENDS)
    if row >= len(table.get(zone.grade, ())):
        grades = ", ".join(str(g) for g, values in table.items() if row < len(values))
        raise InputError(
            f"{zone} is not held at {nominal:g} mm, grades {grades} are; "
            f"use {'JS' if zone.is_hole else 'js'}{zone.grade}"
        )
    value = nominal + table[zone.grade][row] / 1000.0
    return value - width if zone.is_hole else value


def limits(nominal: float, zone: Zone) -> tuple[float, float]:
    """Least and largest size [mm] that `zone` allows at `nominal` [mm]."""
    width = tolerance(nominal, zone.grade)
    letter = zone.letter.lower()
    if letter == "js":
        low = nominal - width / 2
    elif letter == "j":
        low = _across_zero(nominal, zone, width)
    elif zone.is_hole:
        if letter <= "h":
            low = nominal - _shaft_deviation_um(letter, nominal, zone.grade) / 1000.0
        else:
            low = nominal + _hole_upper_um(letter, nominal, zone.grade) / 1000.0 - width
    elif letter <= "h":
        low = nominal + _shaft_deviation_um(letter, nominal, zone.grade) / 1000.0 - width
    else:
        low = nominal + _shaft_deviation_um(letter, nominal, zone.grade) / 1000.0
    return low, low + width


def parse_zone(text: str) -> Zone:
    """Read ``H11`` or ``c11``; InputError that says what is allowed."""
    match = re.fullmatch(r"\s*([A-Za-z]{1,2})(\d{1,2})\s*", text)
    if not match or (len(match[1]) == 2 and match[1] not in ("js", "JS")):
        raise InputError(
            f"{shown(text)} is not a tolerance class; write a letter and a grade such as H11 or c11"
        )
    if match[2].startswith("0"):
        raise InputError(
            f"{text.strip()}: grades 01 and 0, finer than 1, are not held here; write one between 1 and 18"
        )
    return Zone(letter=match[1], grade=int(match[2]))


def parse_fit(text: str) -> Fit:
    """Read ``H11/c11``: the hole's class first."""
    parts = text.split("/")
    if len(parts) != 2:
        raise InputError(
            f"{shown(text)} is not a fit; write the hole's and the shaft's class such as H11/c11"
        )
    hole, shaft = parse_zone(parts[0]), parse_zone(parts[1])
    if not hole.is_hole or shaft.is_hole:
        raise InputError(
            f"{shown(text)}: the hole's class comes first, in capitals, then the shaft's, as in H11/c11"
        )
    return Fit(hole=hole, shaft=shaft)
