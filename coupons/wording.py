"""Pieces of messages: text quoted safely, the nearest known name."""

from __future__ import annotations

from collections.abc import Iterable


def shown(text: str, longest: int = 40) -> str:
    """`text` quoted for a message: one line, not too long, nothing in it that a terminal would obey."""
    plain = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return f"'{plain[: longest - 1]}…'" if len(plain) > longest else f"'{plain}'"


def listed(names: Iterable[object], last: str = "and") -> str:
    """``a, b and c``; ``last`` stands before the last name."""
    words = [str(name) for name in names]
    return f"{', '.join(words[:-1])} {last} {words[-1]}" if len(words) > 1 else "".join(words)


def trimmed(text: str) -> str:
    """A number's text without trailing zeros after its point, and without the sign of a zero."""
    plain = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if plain in ("-0", "+0") else plain


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """A suffix for a message, ``"; did you mean stem6?"``, or ``""`` where nothing known is near."""
    import difflib  # only needed once something is wrong

    names = {k.casefold(): k for k in known}
    typed = word.strip().casefold()[:80]
    inside = [n for n in names if len(typed) > 2 and n.startswith(typed)]
    near = inside if len(inside) == 1 else difflib.get_close_matches(typed, names, n=1)
    return f"; did you mean {names[near[0]]}?" if near else ""


def count(number: int, noun: str) -> str:
    """``"1 reading"``, ``"2 readings"``."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
