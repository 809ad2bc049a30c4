"""Pieces of messages: text quoted safely, the nearest known name."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

WINDOWS = os.name == "nt"


def shown(text: str, longest: int = 40) -> str:
    """`text` quoted for a message: one line, not too long, nothing in it that a terminal would obey."""
    plain = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return f"'{plain[: longest - 1]}…'" if len(plain) > longest else f"'{plain}'"


def as_text(text: str, longest: int = 200) -> str:
    """`text` as a file of text can hold it: what is no character becomes a stand-in, and it is not endless."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text[:longest])


def typed(path: Path | str, windows: bool = WINDOWS) -> str:
    """A path as it is typed at the shell: bash and its kind, or PowerShell and the Windows command prompt."""
    text = str(path)
    if text.startswith("-"):  # not to be taken for an option
        text = f".{os.sep}{text}"
    if windows:
        text = text.rstrip("\\") if text.count("\\") > 1 else text  # before a quote it would escape it
        if re.fullmatch(r"[\w\\:/.+~-]+", text):
            return text
        # Within double quotes PowerShell would put variables in their places.
        return "'" + text.replace("'", "''") + "'" if re.search(r"[$`]", text) else f'"{text}"'
    if text and not re.search(r"[^\w@%+=:,./-]", text):
        return text
    if text.isprintable():
        return "'" + text.replace("'", "'\"'\"'") + "'"
    plain = "".join(c if c.isprintable() and c not in "'\\" else _escaped(c) for c in text)
    return f"$'{plain}'"


def _escaped(char: str) -> str:
    return "".join(f"\\x{byte:02x}" for byte in os.fsencode(char))


def quoted(command: str) -> str:
    """A command within a sentence, in quotes that it does not hold itself."""
    return f'"{command}"' if "'" in command else f"'{command}'"


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
    near = inside or difflib.get_close_matches(typed, names, n=1)
    return f"; did you mean {names[near[0]]}?" if near else ""


def must_lie(low: float, high: float, unit: str = "") -> str:
    """What a number must be: ``must lie between 1 and 30 mm``, ``must be at least 1 min`` where nothing ends it."""
    behind = f" {unit}" if unit else ""
    if high == float("inf"):
        return f"must be at least {low:g}{behind}"
    return f"must lie between {low:g} and {high:g}{behind}"


def count(number: int, noun: str) -> str:
    """``"1 reading"``, ``"2 readings"``."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
