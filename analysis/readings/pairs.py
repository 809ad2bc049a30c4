"""Answers of rows that are read by eye: the number of a pair, or that none of them does."""

from __future__ import annotations

from fitassay.coupons.feature import Feature
from fitassay.coupons.numbers import parse_number, tidy
from fitassay.coupons.wording import shown

NO_PAIR: dict[str, str] = {"vernier": "none lines up", "gap": "none is open"}
"""What stands in place of a number, by feature kind."""

NONES = ("none", *NO_PAIR.values())
HALVES = 2


def parse_pair(text: str, feature: Feature) -> tuple[float | None, str]:
    """Number of the pair, or None and the word that none does: ``(3.5, "")`` or ``(None, "none lines up")``.

    Raises
    ------
    ValueError
        With a sentence that says what is wrong and what to write.
    """
    pairs = feature.pairs
    if pairs is None:
        raise ValueError(f"{feature.id} has no pairs to count")
    plain = tidy(text).casefold()
    if plain in NONES:
        return None, NO_PAIR[feature.kind]
    try:
        number = parse_number(plain.removeprefix("pair ").strip())
    except ValueError as exc:
        if not plain:
            raise
        raise ValueError(f"{shown(text)} is no pair's number; write it like 3, or none") from exc
    if not pairs.first <= number <= pairs.last:
        raise ValueError(
            f"{shown(text)} is no pair of this row; they go from {pairs.first} to {pairs.last}, or write none"
        )
    finest = HALVES if feature.kind == "vernier" else 1
    if abs(number * finest - round(number * finest)) > 1e-9:
        what = "whole and half numbers, 3.5 where 3 and 4 are equally good" if finest > 1 else "whole numbers"
        raise ValueError(f"{shown(text)} is no pair; write {what}")
    return number, ""


def pair_text(number: float) -> str:
    """As it is written down: ``3.5`` or ``-2``."""
    return f"{number + 0.0:g}"


def doubtful_pair(feature: Feature, number: float, before: tuple[float, ...]) -> str:
    """A sentence of doubt about a repeat that differs from those before by more than a neighbour; empty without."""
    far = [b for b in before if abs(b - number) > 1.01]
    if not far:
        return ""
    return (
        f"Pair {pair_text(number)} is more than one pair off {pair_text(far[-1])}, which was read before; count once "
        "more from the nearest number."
    )
