"""What may be typed at a feature, and the readings in a typed line."""

from __future__ import annotations

import re

from fitassay.analysis.readings.reading import TRIED, parse_reading
from fitassay.coupons.wording import shown

HELP = """\
Type what the caliper shows, in mm: 20.31 or 20,31. Several with blanks between them are repeats.
  s   skip this feature
  b   back to the one before
  q   quit; all is saved
  r   read a piece of known size, such as r outside 10.000
  ?   this help
Enter alone leaves a feature that has a reading as it is."""

HELP_EYE = """\
Type the pair's number: 3, or 3.5 where 3 and 4 are equally good; none where there is no such pair. Several with
blanks between them are repeats.
  s   skip this row
  b   back to the one before
  q   quit; all is saved
  ?   this help
Enter alone leaves a row that was counted as it is."""

TRIALS = {"g": "goes", "st": "sticks", "d": "does not go", "y": "goes", "n": "does not go", **TRIED}
"""What may be typed where a peg is tried in a hole."""

SKIPS, BACKS = ("s", "skip"), ("b", "back")


def typed_values(text: str) -> list[float]:
    """The readings [mm] in one typed line, blanks or semicolons between them.

    Raises
    ------
    ValueError
        With a sentence that says what is wrong.
    """
    # "20.31 mm" is one reading, "20.31, 20.29" two.
    joined = re.sub(r"(\d)\s+(?=[^\W\d_]|\"|″)", r"\1", text)
    values = []
    for word in re.split(r"[\s;]+", joined):
        word = word.removesuffix(",")
        if word:
            size, fit = parse_reading(word)
            if size is None:
                raise ValueError(f"{shown(fit)} is for pegs tried in holes; write the size in mm here")
            values.append(size)
    if not values:
        raise ValueError("there is no number")
    return values


def leaves(text: str) -> bool:
    """Whether the user wants to stop."""
    return text.casefold() in ("q", "quit")
