"""Text in TOML from anyone: read within bounds, what is wrong with it said by line, keys found by line."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fitassay.coupons.errors import InputError
from fitassay.coupons.files import MISSING, read_input

MOST_DOTS = 60
"""In one line. A key of thousands of parts takes the TOML reader memory with their square."""


def read_toml(path: Path, *, missing: str = MISSING) -> tuple[str, dict[str, Any]]:
    """The text of a TOML file, with Unix line ends, and what it holds.

    Raises
    ------
    InputError
        There is no such file (`missing` says what to do), it is no text, or no TOML.
    """
    text = _text(path, missing)
    try:
        return text, tomllib.loads(text)
    except (ValueError, RecursionError) as exc:
        raise _syntax_error(path, text, exc) from exc


def toml_lines(text: str) -> Iterator[tuple[tuple[str, ...], int]]:
    """Key paths of a TOML text that parses, each with the line on which it stands, from 1.

    Keys within inline tables and arrays are not told apart from the key that holds them.
    """
    header: tuple[str, ...] = ()
    line = 1
    statement: list[tuple[str, int]] = []
    depth = 0
    for match in _TOKEN.finditer(text + "\n"):
        token = match[0]
        if token == "\n" and depth == 0:
            if statement:
                path = _key_path([t for t, _ in statement])
                if statement[0][0] == "[":
                    header = path
                yield (path if statement[0][0] == "[" else header + path), statement[0][1]
            statement = []
        elif not token.isspace() and not token.startswith("#"):
            # A header's own brackets do not span lines, so counting them does no harm.
            depth += (token in "[{") - (token in "]}")
            statement.append((token, line))
        line += token.count("\n")


_TOKEN = re.compile(
    r'''"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?'{3,5}'''  # text over several lines
    r"""|"(?:\\.|[^"\\\n])*"|'[^'\n]*\'"""
    r"""|\#[^\n]*|\n|[\[\]{}=.,]|[^\s\#"'\[\]{}=.,]+|[^\S\n]+|.""",
    re.DOTALL,
)


def _key_path(tokens: list[str]) -> tuple[str, ...]:
    """The key that opens a statement: ``a.b`` of ``a.b = 1`` and of ``[a.b]``."""
    keys = []
    for token in tokens:
        if token == "=":
            break
        if token[0] in "\"'":
            keys.append(next(iter(tomllib.loads(f"{token} = 0"))))
        elif token not in "[].":
            keys.append(token)
    return tuple(keys)


def _text(path: Path, missing: str) -> str:
    """The file as text, with Unix line ends."""
    raw = read_input(path, "machine file", missing)
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in raw:
        raise InputError("is not plain text; save it as text in UTF-8", str(path))
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = raw.count(b"\n", 0, exc.start) + 1
        raise InputError(
            "holds letters that are not UTF-8; save it as UTF-8", f"{path}, line {line}"
        ) from exc
    text = text.replace("\r\n", "\n")
    for number, line in enumerate(text.split("\n"), start=1):
        if line.count(".") > MOST_DOTS:
            raise InputError(
                f"has more than {MOST_DOTS} dots, which no line here needs; mend or delete it",
                f"{path}, line {number}",
            )
    return text


def _syntax_error(path: Path, text: str, exc: Exception) -> InputError:
    """What the TOML reader says, with the line and a hint."""
    reason = str(exc) if isinstance(exc, tomllib.TOMLDecodeError) else "a value is too long or too deep"
    match = re.search(r" \(at (?:line (\d+), column (\d+)|(end of document))\)$", reason)
    if match is None:
        value = re.search(r"[\d_]{4000,}|(?:[\[{]\s*){100,}", text)
        place = f"{path}, line {text.count(chr(10), 0, value.start()) + 1}" if value else str(path)
        return InputError(f"is not readable as TOML ({reason})", place)
    reason = reason[: match.start()]
    lines = text.split("\n")
    number = int(match[1]) if match[1] else len(lines)
    line = lines[number - 1] if number <= len(lines) else ""
    comma = re.match(r"\s*([\w.\"'-]+)\s*=\s*([+-]?\d+),(\d+)\s*(?:#.*)?$", line)
    if comma:
        hint = f"decimals take a point; write {comma[1]} = {comma[2]}.{comma[3]}"
    elif re.match(r"\s*[\w.-]+\s*=\s*[+-]?[\d.]+\s*[^\s\d.#]", line):
        hint = "a number stands alone, without a unit behind it"
    elif "verwrite" in reason or "twice" in reason:
        hint = "this key or section is given twice; keep one"
    else:
        hint = f"{reason[:1].lower()}{reason[1:]}; mend or delete this line"
    return InputError(hint, f"{path}, line {number}" + (f", column {match[2]}" if match[2] else ""))
