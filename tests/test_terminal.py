"""What is said at the terminal: tables, and commands as they are to be typed."""

from __future__ import annotations

import os
import shlex
import subprocess
from pathlib import Path

import pytest

from fitassay import terminal
from fitassay.coupons.wording import quoted, typed

COLUMNS = [("size", False), ("drawn", True), ("printed (k = 2)", False)]


def rows(count: int) -> list[tuple[str, str, str]]:
    return [(f"peg {i} ü漢", f"{i / 7:.2f}", f"{i} ± 0.1 mm") for i in range(count)]


def test_a_long_table_looks_like_a_short_one(capsys):
    terminal.table(COLUMNS, rows(terminal.LONG_TABLE))
    short = capsys.readouterr().out.splitlines()
    terminal.table(COLUMNS, rows(terminal.LONG_TABLE)[:1] * 40 + rows(terminal.LONG_TABLE))
    long = capsys.readouterr().out.splitlines()
    assert long[:2] == short[:2]
    assert long[-terminal.LONG_TABLE :] == short[-terminal.LONG_TABLE :]


def test_a_long_table_too_wide_for_the_terminal_wraps_as_a_short_one(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    wide = [
        (n, d, p + " and a remark that is much longer than the line has room for") for n, d, p in rows(90)
    ]
    terminal.table(COLUMNS, wide)
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 60


PATHS = [
    "case",
    "my printer",
    "it's",
    '$HOME `id` "x"',
    "-rf",
    "a\\b",
    "tab\there",
    "über",
    "",
    "* ?[a]",
    "nb\u00a0sp",
]


@pytest.mark.skipif(os.name != "posix", reason="a POSIX shell is asked")
@pytest.mark.parametrize("path", [*PATHS, os.fsdecode(b"or\xffrery's\n\xe9")])
def test_a_path_comes_back_from_the_shell_as_it_was(path):
    text = typed(path, windows=False)
    assert text.isprintable()
    asked = subprocess.run(["bash", "-c", f"printf %s {text}"], capture_output=True, check=True).stdout
    assert os.fsdecode(asked) == (f"./{path}" if path.startswith("-") else path)


@pytest.mark.parametrize(
    "path, expected",
    [
        ("C:\\cases\\orrery", "C:\\cases\\orrery"),
        ("C:\\My Printer\\orrery", '"C:\\My Printer\\orrery"'),
        # A backslash before the closing quote would escape it.
        ("C:\\My Printer\\", '"C:\\My Printer"'),
        ("C:\\", "C:\\"),
        ("D:\\a&b", '"D:\\a&b"'),
        ("D:\\$x it's", "'D:\\$x it''s'"),
        ("über", "über"),
    ],
)
def test_a_path_for_the_windows_shells(path, expected):
    """Rules of PowerShell's quotes and of the C run-time's command line; common practice, no source."""
    assert typed(path, windows=True) == expected


def test_a_command_in_a_sentence_stands_in_quotes_that_it_does_not_hold():
    assert quoted("fitassay enter case") == "'fitassay enter case'"
    assert quoted("fitassay enter 'my case'") == "\"fitassay enter 'my case'\""


def test_a_suggested_command_is_not_broken_within_a_path(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    case = Path("a folder with many blanks in its name/of the printer")
    terminal.say(f"These words fill the line nearly up: fitassay enter {terminal.typed(case)}")
    assert f"{shlex.quote(str(case))}\n" in capsys.readouterr().out
