"""The terminal: what is said, to whom, and how wide."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import click

from fitassay.columns import NARROWEST, width
from fitassay.coupons.wording import typed as as_typed

if TYPE_CHECKING:
    from pathlib import Path

WHOLE = "\N{NO-BREAK SPACE}"
"""A blank where no line may end, in what is to be wrapped; shown as a blank."""
LONG_TABLE = 50
"""Rows from which on a table is made the quick way."""
GUTTER = "  "
"""Between the columns of a table."""

STOPPED = 2
"""Exit code after Ctrl-C: the input ended before the job was done."""


def clean(text: str) -> str:
    """Text from a file as it may be shown: nothing in it that a terminal would obey."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def typed(path: Path | str) -> str:
    """As `coupons.wording.typed`, for `say`: a path with blanks in it is not broken over lines."""
    return as_typed(path).replace(" ", WHOLE)


def say(text: str = "", indent: str = "") -> None:
    """A line of the answer, wrapped to the terminal, every line of it indented."""
    click.echo(wrapped(text, indent))


def say_lists(lists: Iterable[tuple[str, Iterable[str]]]) -> None:
    """Lists under their headings, each behind an empty line."""
    for head, texts in lists:
        say()
        say(f"{head}:")
        for text in texts:
            say(f"- {text}")


def note(text: str) -> None:
    """A remark beside the answer, on standard error so that the answer can be piped on."""
    click.echo(wrapped(text), err=True)


def wrapped(text: str, indent: str = "") -> str:
    """Each line of `text` broken at blanks to fit; words longer than a line (paths) stay whole."""
    if "\n" not in text and len(indent) + len(text) <= NARROWEST:
        return (indent + text).replace(WHOLE, " ")
    columns = width()
    return "\n".join(
        _filled(line, indent, columns) if len(indent + line) > columns else indent + line
        for line in text.split("\n")
    ).replace(WHOLE, " ")


@lru_cache(maxsize=64)
def _filled(line: str, indent: str, columns: int) -> str:
    """One line broken at blanks; of a thousand pairs many say the same."""
    import textwrap

    return textwrap.fill(
        line,
        columns,
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def answer(data: Any) -> None:
    """The answer for a program: JSON on standard output, nothing else."""
    click.echo(json_text(data), nl=False)


def json_text(data: Any) -> str:
    """`data` as JSON; what is no finite number becomes null, which every reader of JSON takes."""

    import json

    def finite(value: Any) -> Any:
        if isinstance(value, float):
            return value if value - value == 0 else None
        if isinstance(value, dict):
            return {k: finite(v) for k, v in value.items()}
        if isinstance(value, (list, tuple)):
            return [finite(v) for v in value]
        return value

    text = json.dumps(finite(data), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:  # a file name of arbitrary bytes: escaped, it comes back as it is
        text = json.dumps(finite(data), indent=2, allow_nan=False) + "\n"
    return text


def table(
    columns: Sequence[tuple[str, bool]], rows: Sequence[Sequence[str]], last_is_sum: bool = False
) -> None:
    """A table on standard output.

    Parameters
    ----------
    columns : sequence of (title, right-aligned)
        The last takes the width that is left and wraps.
    rows : sequence of cells
    last_is_sum : bool
        The last row stands under a rule.
    """
    cells = [[clean(cell) for cell in row] for row in rows]
    if len(cells) > LONG_TABLE and not last_is_sum and (lines := _unwrapped(columns, cells)):
        click.echo("\n".join(lines))
        return
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    # A pipe has no width of its own; rich would take 80 as we do.
    console = Console(width=width(), highlight=False, markup=False, emoji=False)
    shape = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), show_edge=False, expand=False)
    for i, (title, right) in enumerate(columns):
        last = i == len(columns) - 1
        shape.add_column(Text(title), justify="right" if right else "left", no_wrap=not last, overflow="fold")
    for i, row in enumerate(cells):
        if last_is_sum and i == len(cells) - 1:
            shape.add_section()
        shape.add_row(*map(Text, row))
    with console.capture() as captured:
        console.print(shape)
    click.echo("\n".join(line.rstrip() for line in captured.get().rstrip().split("\n")))


def _unwrapped(columns: Sequence[tuple[str, bool]], cells: Sequence[Sequence[str]]) -> list[str]:
    """The lines of a table in which nothing wraps, as `table` lays them out; none where something does."""
    from rich.cells import cell_len

    titles = [title for title, _ in columns]
    widths = [max(map(cell_len, column)) for column in zip(titles, *cells, strict=True)]
    whole = sum(widths) + len(GUTTER) * (len(columns) - 1)
    if whole > width() or any("\n" in cell for row in cells for cell in row):
        return []

    def line(row: Sequence[str]) -> str:
        padded = []
        for cell, wide, (_, right) in zip(row, widths, columns, strict=True):
            blank = " " * (wide - cell_len(cell))
            padded.append(blank + cell if right else cell + blank)
        return GUTTER.join(padded).rstrip()

    return [line(titles), "\N{BOX DRAWINGS LIGHT HORIZONTAL}" * whole, *map(line, cells)]


@contextmanager
def working(text: str) -> Iterator[Callable[[str], None]]:
    """Shows at a terminal that something is being done, and what is told of how far it is; silent elsewhere."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console

    with Console(stderr=True).status(clean(text)) as status:
        yield lambda now: status.update(clean(now))


def ask(prompt: str) -> str:
    """One typed line of text without surrounding blanks; raises EOFError at the end of the input."""
    while True:
        click.echo(prompt, nl=False)
        sys.stdout.flush()
        line = sys.stdin.readline()
        if not line:
            raise EOFError
        if not sys.stdin.isatty():
            click.echo(clean(line.rstrip("\n")))  # a terminal has shown it already
        if all(c.isprintable() or c.isspace() for c in line):
            return line.strip()
        say("That line holds what is no text; type it again.")
