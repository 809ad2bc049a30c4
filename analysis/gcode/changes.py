"""Words beside motion that change what a file prints: what is obeyed, what is only said.

Meanings are those of common practice among the controllers of such printers; neither standard has them (no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan

MOST_CHANGES = 200
"""So many are kept with their line; a file that sets something on every layer repeats itself."""

ANY = float("nan")
"""Stands for whatever value a letter has."""


@dataclass(frozen=True, kw_only=True)
class ChangingWord:
    """What one word does to the print.

    Attributes
    ----------
    meaning : str
        What it changes, to be put behind "changes".
    setting : str
        The line of machine.toml that holds the same; empty where there is none.
    obeyed : bool
        True where the reading follows it.
    refused : bool
        True where nothing can be read for certain after it.
    idle : tuple of (letter, value)
        Values with which it changes nothing; a word whose values are all among them is not spoken of.
    off : tuple of (letter, value)
        One of these is enough to switch it off, whatever else the word holds.
    """

    meaning: str
    setting: str = ""
    obeyed: bool = False
    refused: bool = False
    idle: tuple[tuple[str, float], ...] = ()
    off: tuple[tuple[str, float], ...] = ()


# Codes times ten, as in `modal`.
CHANGING: dict[str, dict[int, ChangingWord]] = {
    "G": {
        160: ChangingWord(meaning="coordinates to polar ones", refused=True),
        510: ChangingWord(meaning="the size of everything after it (coordinate scaling)", refused=True),
        680: ChangingWord(meaning="the direction of everything after it (coordinate rotation)", refused=True),
    },
    "M": {
        920: ChangingWord(meaning="the steps per millimetre", setting="steps_per_mm"),
        2000: ChangingWord(
            meaning="E to count cubic millimetres", obeyed=True, off=(("S", 0), ("D", 0)), idle=(("L", 0),)
        ),
        2060: ChangingWord(
            meaning="the place of home, so that all moves shift", idle=(("X", 0), ("Y", 0), ("Z", 0))
        ),
        2080: ChangingWord(meaning="the filament fed after a retraction", idle=(("S", 0),)),
        2200: ChangingWord(meaning="the speed of all moves after it", obeyed=True, idle=(("S", 100),)),
        2210: ChangingWord(
            meaning="the flow of all moves after it",
            setting="flow_percent",
            obeyed=True,
            idle=(("S", 100),),
        ),
        2900: ChangingWord(
            meaning="the height of the nozzle while it prints, so the first layer and every height",
            idle=(("X", 0), ("Y", 0), ("Z", 0), ("S", 0)),
        ),
        4250: ChangingWord(
            meaning="the backlash compensation",
            setting="backlash_x_mm",
            idle=(("X", 0), ("Y", 0), ("Z", 0)),
            off=(("F", 0),),
        ),
        5560: ChangingWord(
            meaning="the skew compensation",
            setting="skew_deg",
            # S is the length that the others are measured over.
            idle=(("X", 0), ("Y", 0), ("Z", 0), ("S", ANY)),
        ),
        5720: ChangingWord(meaning="the pressure compensation, so corners and seams", off=(("S", 0),)),
        5790: ChangingWord(
            meaning="the scale of the axes",
            setting="steps_per_mm",
            idle=(("X", 1), ("Y", 1), ("Z", 1)),
        ),
        8510: ChangingWord(meaning="the probe's height over the bed, so the first layer"),
        8520: ChangingWord(
            meaning="the skew compensation",
            setting="skew_deg",
            idle=(("S", 0), ("I", 0), ("J", 0), ("K", 0)),
        ),
        9000: ChangingWord(meaning="the pressure compensation, so corners and seams", off=(("K", 0),)),
    },
}


@dataclass(frozen=True, kw_only=True)
class Change:
    """One such word as it stands in the file.

    Attributes
    ----------
    line : int
    word : str
        E.g. ``M221``.
    values : dict of str to float
        The numbers behind it, by letter.
    what : ChangingWord
    """

    line: int
    word: str
    values: dict[str, float]
    what: ChangingWord

    @property
    def text(self) -> str:
        """The word with its numbers, as the file has them."""
        return " ".join([self.word, *(f"{c}{v:g}" for c, v in self.values.items())])

    @property
    def idle(self) -> bool:
        """True where it leaves everything as it is."""
        idle = dict(self.what.idle)
        numbers = {c: v for c, v in self.values.items() if c not in "PT"}
        if any(numbers.get(c) == v for c, v in self.what.off):
            return True
        alike = all(c in idle and (idle[c] == v or isnan(idle[c])) for c, v in numbers.items())
        return alike and bool(numbers or not idle)


def sentence(change: Change) -> str:
    """What one such word means for the user."""
    where = f"Line {change.line} ({change.text})"
    if change.what.obeyed:
        return f"{where} changes {change.what.meaning}; that is taken into account."
    if change.what.setting:
        return (
            f"{where} changes {change.what.meaning} while this file is printed, whatever is set in the machine: its "
            f"value is in force beside {change.what.setting} in machine.toml, so make both the same, or take the "
            "word out."
        )
    return (
        f"{where} changes {change.what.meaning}; the readings will hold that change: take the word out, or leave it "
        "in from now on."
    )


def volume_diameter(values: dict[str, float], before: float) -> tuple[float, float]:
    """What M200 with these values sets: the diameter by which E counts volume, and the one it keeps in mind [mm].

    S switches the counting on and off; without it a diameter switches it on and 0 off. S1 without any diameter takes
    the machine's own, which no file says: 0, as if nothing were set.
    """
    diameter = values.get("D", before)
    if values.get("S") == 0 or ("S" not in values and "D" not in values):
        return 0.0, diameter
    return diameter, diameter


def volume_obeyed(changes: list[Change]) -> bool:
    """True where the file itself says by which diameter E counts volume."""
    before = 0.0
    for change in changes:
        if change.word == "M200":
            now, before = volume_diameter(change.values, before)
            if now:
                return True
    return False
