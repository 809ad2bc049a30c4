"""machine.toml: reading it, every problem named by its line; writing it, a comment to every figure."""

from __future__ import annotations

import math
import re
from collections.abc import Collection
from pathlib import Path
from typing import Any

from fitassay.coupons.errors import InputError, InputErrors
from fitassay.coupons.machine import (
    FIGURES,
    Figure,
    Machine,
    check_figure,
    check_hole_setting,
    check_kinematics,
)
from fitassay.coupons.numbers import parse_number
from fitassay.coupons.toml_file import read_toml, toml_lines
from fitassay.coupons.wording import did_you_mean, shown

SCHEMA = 1

_FACTS = {"schema": int, "name": str, "material": str, "soft": bool, "kinematics": str, "hole_setting": str}
_CHECKS = {"kinematics": check_kinematics, "hole_setting": check_hole_setting}
_SECTIONS = tuple(dict.fromkeys(f.section for f in FIGURES))
_TITLES = {
    "volume": "How large a piece the printer can make.",
    "process": "What is printed with, and how.",
    "settings": "What is set in the slicer or the firmware now. Advice is given as new values for these.",
    "caliper": "The caliper at hand; its sheet or its maker's page tells most of these.",
    "scale": "A scale, if there is one; needed for weighed readings only.",
}
_OPTIONAL = {
    "priors": (
        "Optional: how large an error may be before anything is measured, as a standard deviation, by the",
        "error's name (mm; rad for skew_xy; a fraction for scales), for instance: backlash_x = 0.1",
    ),
    "model_error": (
        "Optional: how much this printer does beside the errors, as a standard deviation in mm, by the name of the",
        "row in the report's uncertainty budget; 0 where it is known not to be there, for instance: corners = 0.02",
    ),
}


def read_machine(
    path: Path, *, prior_names: Collection[str] | None = None, width_names: Collection[str] | None = None
) -> Machine:
    """Read a machine.toml; a figure left out takes its default.

    Parameters
    ----------
    path : Path
    prior_names : collection of str, optional
        Names that the section of priors may hold; not checked unless given.
    width_names : collection of str, optional
        Rows that the section of the model's own error may hold; not checked unless given.

    Raises
    ------
    InputError
        There is no such file, or it is not TOML.
    InputErrors
        Everything that is wrong with its content, a line each.
    """
    path = Path(path)
    text, content = read_toml(path, missing="there is no such file; 'fitassay init' writes one")
    return _Reader(path, text, content, prior_names, width_names).machine()


def machine_toml(machine: Machine) -> str:
    """The text of a machine.toml that `read_machine` reads back equal.

    Raises
    ------
    InputError
        The name or the material holds characters that no text file can hold.
    """
    lines = [
        "# The printer, what is set on it now, and the caliper. Lengths in mm, decimals with a point.",
        "# Change it with any text editor. A figure left out takes its default.",
        f"schema = {SCHEMA}",
        f"name = {_quoted(machine.name, 'name')}",
        f"material = {_quoted(machine.material, 'material')}",
        "# true for flexible plastics, which give under the jaws",
        f"soft = {'true' if machine.soft else 'false'}",
        "# how the nozzle is moved over the bed: cartesian (one motor moves x, another y), crossed-belts (two motors",
        "# move both together) or delta (three arms)",
        f'kinematics = "{machine.kinematics}"',
        "# what the slicer's hole compensation does: growing (more to smaller holes), constant (as much to all),",
        "# or empty where it is not known; a constant one stands below as hole_constant_mm",
        f'hole_setting = "{machine.hole_setting}"',
    ]
    for section in _SECTIONS:
        lines += ["", f"# {_TITLES[section]}", f"[{section}]"]
        for figure in (f for f in FIGURES if f.section == section):
            lines.append(f"# {figure.text} [{figure.unit}], {figure.low:g} to {figure.high:g}")
            lines.append(f"{figure.name} = {float(machine[f'{section}.{figure.name}'])!r}")
    for section, values in (("priors", machine.priors), ("model_error", machine.model_error)):
        lines += ["", *(f"# {line}" for line in _OPTIONAL[section]), f"[{section}]"]
        lines += [f"{_key(name)} = {float(value)!r}" for name, value in values.items()]
    return "\n".join(lines) + "\n"


class _Reader:
    """Checks one parsed file, collecting problems."""

    def __init__(
        self,
        path: Path,
        text: str,
        content: dict[str, Any],
        prior_names: Collection[str] | None,
        width_names: Collection[str] | None,
    ) -> None:
        self.path = path
        self.prior_names = prior_names
        self.width_names = width_names
        self.content = content
        self.lines = dict(toml_lines(text))
        self.problems: list[tuple[int, InputError]] = []

    def machine(self) -> Machine:
        """The machine, or all problems raised together."""
        if self.schema():
            facts = {name: self.fact(name) for name in _FACTS if name != "schema" and name in self.content}
            self.unknown_keys()
            values = self.values()
            priors = self.priors()
            widths = self.widths()
            if not self.problems:
                try:
                    return Machine(values=values, priors=priors, model_error=widths, **facts)
                except InputError as exc:  # what only figures taken together show
                    self.problem(exc.message, *exc.place.split("."))
        raise InputErrors([error for _, error in sorted(self.problems, key=lambda p: p[0])])

    def problem(self, message: str, *keys: str) -> None:
        """Note a problem of the key whose path is `keys`."""
        line = next((self.lines[keys[:n]] for n in range(len(keys), 0, -1) if keys[:n] in self.lines), 1)
        name = ".".join(k if k.isprintable() else shown(k) for k in keys)
        self.problems.append((line, InputError(message, f"{self.path}, line {line}, {name}")))

    def schema(self) -> bool:
        """Whether the file was written for this program's format; nothing else is checked if not."""
        found = self.content.get("schema")
        if found is None:
            self.problem(f"is missing; put 'schema = {SCHEMA}' at the top of the file", "schema")
        elif type(found) is not int:
            self.problem(f"must be the number {SCHEMA} (got {_kind(found)})", "schema")
        elif found != SCHEMA:
            self.problem(
                f"this file has format {found}, this program reads format {SCHEMA}; "
                "run 'fitassay init' for a new one and copy the figures over",
                "schema",
            )
        return not self.problems

    def fact(self, name: str) -> Any:
        """A top-level value of the right type, else a problem."""
        value = self.content[name]
        if type(value) is not _FACTS[name]:
            wanted = "true or false" if _FACTS[name] is bool else "text in quotes"
            self.problem(f"must be {wanted} (got {_kind(value)})", name)
        elif name in _CHECKS:
            try:
                _CHECKS[name](value)
            except InputError as exc:
                self.problem(exc.message, name)
        return value

    def unknown_keys(self) -> None:
        """Note keys that mean nothing; nothing that the user typed is passed over in silence."""
        top = (*_FACTS, *_SECTIONS, "priors", "model_error")
        for key, value in self.content.items():
            if key not in top:
                self.problem(_unknown(key, "", top), key)
            elif key not in _FACTS and not isinstance(value, dict):
                self.problem(f"must be a section, [{key}] on a line of its own (got {_kind(value)})", key)
            elif key in _SECTIONS:
                known = [f.name for f in FIGURES if f.section == key]
                for name in value:
                    if name not in known:
                        self.problem(_unknown(name, key, known), key, name)

    def values(self) -> dict[str, float]:
        """All figures given, those that are good."""
        good = {}
        for figure in FIGURES:
            section = self.content.get(figure.section)
            if isinstance(section, dict) and figure.name in section:
                value = self.number(section[figure.name], figure, figure.section, figure.name)
                if value is not None:
                    good[figure.key] = value
        return good

    def priors(self) -> dict[str, float]:
        """Prior standard deviations by error term."""
        section = self.content.get("priors", {})
        good = {}
        for name, given in section.items() if isinstance(section, dict) else ():
            if self.prior_names is not None and name not in self.prior_names:
                near = did_you_mean(name, self.prior_names) or f"; known: {', '.join(self.prior_names)}"
                self.problem(f"is no error's name{near}", "priors", name)
                continue
            value = self.number(given, None, "priors", name)
            if value is not None and not (0 < value < math.inf):
                self.problem(f"must be a number greater than 0 (got {value:g})", "priors", name)
            elif value is not None:
                good[name] = value
        return good

    def widths(self) -> dict[str, float]:
        """Widths of the budget for what printers do beside the error terms, by row."""
        section = self.content.get("model_error", {})
        good = {}
        for name, given in section.items() if isinstance(section, dict) else ():
            if self.width_names is not None and name not in self.width_names:
                near = did_you_mean(name, self.width_names) or f"; known: {', '.join(self.width_names)}"
                self.problem(f"is no row of the budget{near}", "model_error", name)
                continue
            value = self.number(given, None, "model_error", name)
            if value is not None and not (0 <= value < math.inf):
                self.problem(f"must be a number from 0 (got {value:g})", "model_error", name)
            elif value is not None:
                good[name] = value
        return good

    def number(self, value: Any, figure: Figure | None, *keys: str) -> float | None:
        """`value` as a number in the figure's range, else a problem."""
        unit = figure.unit if figure else ""
        if isinstance(value, str):
            try:
                plain = f"{parse_number(value, unit):.12g}"
                self.problem(
                    f"must be a number, not text; write {plain} without quotes (got {shown(value)})", *keys
                )
            except ValueError as exc:
                self.problem(f"must be a number, not text; {exc}", *keys)
            return None
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self.problem(f"must be a number (got {_kind(value)})", *keys)
            return None
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if figure is not None:
            try:
                check_figure(figure, number, "")
            except InputError as exc:
                self.problem(exc.message, *keys)
                return None
        return number


def _unknown(key: str, section: str, known: tuple[str, ...] | list[str]) -> str:
    """Message for a key that means nothing where it stands."""
    homes = [f.section for f in FIGURES if f.name == key and f.section != section]
    if homes:
        return f"belongs in section [{homes[0]}]; move it there"
    what = "no figure of this section" if section else "nothing that belongs in this file"
    return f"is {what}" + (did_you_mean(key, known) or "; delete the line")


def _kind(value: Any) -> str:
    """A TOML value's kind and, where short, the value."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"the text {shown(value)}"
    if isinstance(value, (int, float)):
        return f"the number {value:g}" if abs(value) < 1e300 else "a huge number"
    return {dict: "a section", list: "a list"}.get(type(value), "a date or time")


def _key(name: str) -> str:
    """`name` as a TOML key."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _quoted(name, "priors")


def _quoted(text: str, place: str) -> str:
    """`text` as a TOML string on one line."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as exc:
        raise InputError("holds bytes that are not text; type it anew", place) from exc
    escapes = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\r": "\\r", "\t": "\\t"}
    # Line and paragraph separators and direction marks are legal but would hide text from the reader.
    return (
        '"'
        + "".join(
            escapes.get(c)
            or (c if c.isprintable() else f"\\u{ord(c):04x}" if ord(c) < 65536 else f"\\U{ord(c):08x}")
            for c in text
        )
        + '"'
    )
