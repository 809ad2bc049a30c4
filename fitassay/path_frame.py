"""The start and the end that a case's own tool paths take, kept in the case as text that anyone may edit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitassay.case import Case
from fitassay.coupons.errors import InputError, InputErrors
from fitassay.coupons.files import is_there, read_input, write_atomic
from fitassay.coupons.machine import Machine
from fitassay.coupons.toml_file import read_toml, toml_lines
from fitassay.coupons.wording import shown

if TYPE_CHECKING:
    from fitassay.analysis.gcode.frame import Frame
    from fitassay.analysis.gcode.likeness import Likeness
    from fitassay.analysis.gcode.path_writer import Drive

START, END, FIGURES = "start.gcode", "end.gcode", "path.toml"

SEALED = (
    "Machines that take only their own sealed files cannot print a path of ours: slice the STL files that "
    "fitassay make writes."
)

# What path.toml holds beside the texts: a number's range, and what it is.
_NUMBERS: dict[str, tuple[float, float, str]] = {
    "print_mm_s": (1.0, 1000.0, "fastest bead [mm/s]"),
    "travel_mm_s": (1.0, 1000.0, "travel [mm/s]"),
    "lift_mm_s": (0.1, 100.0, "up and down [mm/s]"),
    "feed_limit_mm3_s": (0.1, 100.0, "most plastic in a second [mm3/s]"),
    "retract_mm": (0.0, 20.0, "filament drawn back for a travel [mm]; 0 for none"),
    "retract_mm_s": (1.0, 200.0, "and how fast [mm/s]"),
    "origin_x_mm": (-1000.0, 1000.0, "x of the bed's front left corner [mm]"),
    "origin_y_mm": (-1000.0, 1000.0, "y of the bed's front left corner [mm]"),
}
_TEXTS = {"fan": "the fan's word behind the first layer", "acceleration": "a word set before the path"}


@dataclass(frozen=True, kw_only=True)
class Ways:
    """Start, end and how to drive.

    Attributes
    ----------
    frame : Frame
    drive : Drive
    end_as_is : bool
        The end is taken without a look at where it goes.
    start_as_is : bool
        So is the start.
    """

    frame: Frame
    drive: Drive
    start_as_is: bool = False
    end_as_is: bool = False


def ways_like(
    file: Path, machine: Machine, *, start_as_is: bool, end_as_is: bool, retract_mm: float | None
) -> Ways:
    """From a file that the user's slicing program wrote; errors as `read_likeness` and `checked_start`."""
    from fitassay.analysis.gcode.frame import checked_start
    from fitassay.analysis.gcode.likeness import read_likeness
    from fitassay.analysis.gcode.own_path import drive_of, with_end

    like: Likeness = read_likeness(file, machine["settings.filament_diameter_mm"])
    frame = checked_start(like.start, f"{file}, its start", start_as_is)
    frame = with_end(frame, like.end, like.end_modes, f"{file}, its end")
    return Ways(
        frame=frame,
        drive=drive_of(machine, like, retract_mm),
        start_as_is=start_as_is,
        end_as_is=end_as_is,
    )


def ways_of(
    start: Path, end: Path, machine: Machine, *, start_as_is: bool, end_as_is: bool, retract_mm: float | None
) -> Ways:
    """From two texts; errors as `checked_start`."""
    from fitassay.analysis.gcode.frame import checked_start
    from fitassay.analysis.gcode.own_path import drive_of, with_end

    frame = with_end(checked_start(_text(start), str(start), start_as_is), _text(end), name=str(end))
    drive = drive_of(machine, retract_mm=retract_mm)
    return Ways(frame=frame, drive=drive, start_as_is=start_as_is, end_as_is=end_as_is)


def kept_ways(place: Case, machine: Machine, retract_mm: float | None = None) -> Ways:
    """What the case keeps.

    Raises
    ------
    InputError
        Nothing is kept yet, or something is wrong with it.
    """
    if not is_there(place.path / FIGURES):
        raise InputError(
            "a path of our own needs your machine's start and end: give --like FILE, a file that your slicing "
            f"program wrote for this machine, or --start FILE --end FILE. {SEALED}",
            str(place.path),
        )
    figures = _figures(place.path / FIGURES)
    ways = ways_of(
        place.path / START,
        place.path / END,
        machine,
        start_as_is=bool(figures.get("start_as_is")),
        end_as_is=bool(figures.get("end_as_is")),
        retract_mm=retract_mm,
    )
    numbers = {k: float(v) for k, v in figures.items() if k in _NUMBERS}
    origin = (numbers.pop("origin_x_mm", 0.0), numbers.pop("origin_y_mm", 0.0))
    if retract_mm is not None:
        numbers.pop("retract_mm", None)
    # What is set in machine.toml goes no further than the file did.
    numbers["print_mm_s"] = min(numbers.get("print_mm_s", float("inf")), machine["process.speed_mm_s"])
    texts = {k: str(v) for k, v in figures.items() if k in _TEXTS}
    modes = tuple(str(line) for line in figures.get("end_modes", ()))
    return replace(
        ways,
        drive=replace(ways.drive, **numbers, **texts, origin=origin),
        frame=replace(
            ways.frame, end_modes=modes or ways.frame.end_modes, end_name=_end_name(place, bool(modes))
        ),
    )


def _end_name(place: Case, modes: bool) -> str:
    return f"{place.path / END} (modes of {FIGURES})" if modes else str(place.path / END)


def keep_ways(place: Case, ways: Ways) -> None:
    """Write start, end and figures into the case."""
    drive = ways.drive
    numbers = {
        "print_mm_s": drive.print_mm_s,
        "travel_mm_s": drive.travel_mm_s,
        "lift_mm_s": drive.lift_mm_s,
        "feed_limit_mm3_s": drive.feed_limit_mm3_s,
        "retract_mm": drive.retract_mm,
        "retract_mm_s": drive.retract_mm_s,
        "origin_x_mm": drive.origin[0],
        "origin_y_mm": drive.origin[1],
    }
    lines = [
        "# How fitassay's own tool paths are driven; start.gcode and end.gcode stand beside it. Yours to edit."
    ]
    for name, value in numbers.items():
        lines += [f"# {_NUMBERS[name][2]}", f"{name} = {float(f'{value:.4g}')!r}"]
    for name, what in _TEXTS.items():
        lines += [f"# {what}; empty for none", f'{name} = "{getattr(drive, name)}"']
    lines += ["# modes as the end expects them"]
    quoted = ", ".join(f'"{line}"' for line in ways.frame.end_modes)
    lines.append(f"end_modes = [{quoted}]")
    for name in ("start_as_is", "end_as_is"):
        lines.append(f"{name} = {'true' if getattr(ways, name) else 'false'}")
    write_atomic(place.path / START, ways.frame.start.encode("utf-8", "surrogateescape"))
    write_atomic(place.path / END, ways.frame.end.encode("utf-8", "surrogateescape"))
    write_atomic(place.path / FIGURES, "\n".join(lines) + "\n")


def _text(path: Path) -> str:
    """A start or an end, as it would stand in a file to print.

    Raises
    ------
    InputError
        It holds zero bytes.
    """
    raw = read_input(path, "list")
    if b"\0" in raw:
        line = raw.count(b"\n", 0, raw.index(b"\0")) + 1
        raise InputError("holds zero bytes: a binary or damaged file; write it anew", f"{path}, line {line}")
    return raw.decode("utf-8-sig", "surrogateescape")


def _figures(path: Path) -> dict[str, Any]:
    """path.toml, checked."""
    text, figures = read_toml(path)
    lines = dict(toml_lines(text))
    problems = [
        InputError(
            problem, f"{path}, line {lines.get((name,), 1)}, {name if name.isprintable() else shown(name)}"
        )
        for name, value in figures.items()
        if (problem := _figure_problem(name, value))
    ]
    if problems:
        raise InputErrors(problems)
    return figures


def _figure_problem(name: str, value: Any) -> str:
    """What is wrong with a value of path.toml; nothing where nothing is."""
    if name in _NUMBERS:
        low, high, what = _NUMBERS[name]
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            return f"{what} must be a number from {low:g} to {high:g}"
    elif name in _TEXTS:
        if not isinstance(value, str) or not value.isprintable():
            return f"{_TEXTS[name]} must be one line of text in quotes"
    elif name == "end_modes":
        if not isinstance(value, list) or not all(isinstance(v, str) and v.isprintable() for v in value):
            return "must be a list of lines in quotes"
    elif name not in ("start_as_is", "end_as_is"):
        return "is nothing that belongs in this file; delete the line"
    elif not isinstance(value, bool):
        return "must be true or false"
    return ""
