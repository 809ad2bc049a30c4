"""Arguments and options that several commands share."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import click

from fitassay.coupons.numbers import parse_length, parse_number
from fitassay.coupons.wording import must_lie, shown

case_argument = click.argument("case", metavar="CASE", type=click.Path(path_type=str))
print_option = click.option("--print", "number", metavar="NN", help="Which print; the newest unless given.")
judged_option = click.option(
    "--print", "number", metavar="NN", help="Which print; the newest that holds readings unless given."
)
carry_option = click.option(
    "--carry",
    metavar="NN",
    help="Take what this one earlier print left as known; unless given, all earlier prints, with their usual drift.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Answer in JSON, and nothing else.")


def file_option(*names: str, help: str, **how: Any) -> Any:
    """An option that takes a file's name; whether it is there the reader of its kind says."""
    return click.option(*names, type=click.Path(path_type=Path), metavar="FILE", help=help, **how)


class Number(click.ParamType):
    """A number in `unit` and within limits; a decimal comma is understood."""

    name = "number"

    def __init__(self, unit: str = "", low: float = float("-inf"), high: float = float("inf")) -> None:
        self.unit, self.low, self.high = unit, low, high

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str | None:
        return self.unit or None

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            number = parse_number(value, self.unit) if isinstance(value, str) else float(value)
        except ValueError as exc:
            self.fail(str(exc), param, ctx)
        if not self.low <= number <= self.high:
            self.fail(f"{must_lie(self.low, self.high, self.unit)} (got {number:g})", param, ctx)
        return number


class Whole(click.IntRange):
    """A whole number within limits, in plain digits."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if not re.fullmatch(r"[+-]?[0-9]{1,18}", str(value).strip()):
            self.fail(f"{shown(value)} is not a whole number", param, ctx)
        number = int(value)
        low = float("-inf") if self.min is None else self.min
        high = float("inf") if self.max is None else self.max
        if not low <= number <= high:
            self.fail(f"{must_lie(low, high)} (got {number})", param, ctx)
        return number


class Length(click.ParamType):
    """A length [mm] greater than 0."""

    name = "mm"

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        return self.name

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            return parse_length(value) if isinstance(value, str) else float(value)
        except ValueError as exc:
            self.fail(str(exc), param, ctx)
