"""`fitassay init`: the printer's figures, asked for or taken, into a machine.toml."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from fitassay.case import Case
from fitassay.coupons.errors import InputError
from fitassay.coupons.files import write_atomic
from fitassay.coupons.machine import FIGURES, SETTING_PLACES, Figure, Machine
from fitassay.coupons.machine_file import SCHEMA, machine_toml
from fitassay.coupons.numbers import parse_number
from fitassay.coupons.wording import shown
from fitassay.options import Number, case_argument, json_option
from fitassay.terminal import STOPPED, answer, ask, clean, say

# What an option's name leaves off: the unit is told in its help.
_UNIT_SUFFIX = {"mm": "_mm", "mm/s": "_mm_s", "g/cm3": "_g_cm3", "%": "_percent", "degree": "_deg"}

# Asked for one by one; compensations only if there are any, the rest stands in the file with its default.
ASKED = (
    *(f"volume.{axis}_mm" for axis in "xyz"),
    *(f"process.{name}" for name in ("nozzle_mm", "line_width_mm", "layer_height_mm")),
    *(f"settings.{name}" for name in ("filament_diameter_mm", "flow_percent")),
    *(f"settings.steps_per_mm_{axis}" for axis in "xyz"),
    *(f"caliper.{name}" for name in ("resolution_mm", "error_limit_mm", "range_mm")),
)
COMPENSATIONS = tuple(f.key for f in FIGURES if f.default == 0.0)
MATERIAL = "PLA"
FIGURE = {f.key: f for f in FIGURES}

# What is said to a question mark.
WHERE = {
    **{f"volume.{axis}_mm": "The machine's data sheet; less is safe, more is not." for axis in "xyz"},
    "process.nozzle_mm": "Marked on the nozzle, or in the machine's data sheet.",
    "process.line_width_mm": "Slicer: line or extrusion width, of the outer wall if there are several.",
    "process.layer_height_mm": "Slicer; the height you usually print with.",
    **{
        f"settings.steps_per_mm_{axis}": "Firmware: menu or configuration. If you cannot find it, keep this "
        "one: the advice also comes as a factor on whatever is set."
        for axis in "xyz"
    },
    "caliper.resolution_mm": "The last step of its display, or of its vernier.",
    "caliper.error_limit_mm": "Its data sheet; usual up to 100 mm: 0.02 mm with steps of 0.01 mm, 0.05 mm with "
    "steps of 0.05 mm (DIN 862).",
    "caliper.range_mm": "How far the jaws open.",
}
OTHERWISE = "The slicer or the firmware; 0 where there is no such setting."

# A usual bead is about an eighth wider than the bore, a usual layer half as high.
BEAD_PER_NOZZLE, LAYER_PER_NOZZLE = 1.125, 0.5


def option_name(figure: Figure) -> str:
    """``--line-width`` of process.line_width_mm, ``--volume-x`` of volume.x_mm."""
    name = figure.name.removesuffix(_UNIT_SUFFIX.get(figure.unit, ""))
    prefix = f"{figure.section}-" if figure.section in ("volume", "caliper") else ""
    return "--" + prefix + name.replace("_", "-")


def _figure_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for figure in reversed(FIGURES):
        command = click.option(
            option_name(figure),
            figure.key.replace(".", "__"),
            type=Number(figure.unit, figure.low, figure.high),
            metavar=figure.unit,
            help=f"{figure.text}; {figure.low:g} to {figure.high:g}, else {figure.default:g}.",
        )(command)
    return command


@click.command()
@case_argument
@click.option("--name", help="What you call the printer; else the folder's name.")
@click.option("--material", help=f"What you print; else {MATERIAL}.")
@click.option("--soft", is_flag=True, help="The plastic is flexible and gives under the jaws.")
@_figure_options
@click.option("--yes", is_flag=True, help="Ask nothing: take what is given and the defaults.")
@click.option("--force", is_flag=True, help="Replace the machine file that is there.")
@json_option
def command(
    case: str,
    name: str | None,
    material: str | None,
    soft: bool,
    yes: bool,
    force: bool,
    as_json: bool,
    **figures: float | None,
) -> None:
    """Write down what the printer is and what is set on it now.

    Makes the folder CASE with a machine.toml. At a terminal it asks for the figures that matter most; each has
    a default and a range. All of them can be given as options and changed later in the file.
    """
    place = Case(path=Path(case))
    if place.path.exists() and not place.path.is_dir():
        raise InputError("is a file; name a folder for the case", case)
    if place.machine_path.exists() and not force:
        raise InputError("is there already; edit it, or give --force to replace it", str(place.machine_path))
    given = {key.replace("__", "."): value for key, value in figures.items() if value is not None}
    folder_name = place.path.resolve().name or "printer"
    if not (yes or as_json) and sys.stdin.isatty():
        try:
            machine = _asked(folder_name, name, material, soft, given)
        except KeyboardInterrupt:
            say()
            say(
                "Stopped; nothing was written. Begin again, or take the defaults with --yes and edit the file."
            )
            raise click.exceptions.Exit(STOPPED) from None
    else:
        machine = Machine(
            name=name or folder_name, material=material or MATERIAL, soft=soft, values=_sensible(given)
        )
    write_atomic(place.machine_path, machine_toml(machine))
    if as_json:
        answer(
            {
                "schema": SCHEMA,
                "file": str(place.machine_path),
                "name": machine.name,
                "material": machine.material,
                "soft": machine.soft,
                "values": machine.values,
            }
        )
        return
    say(f"Wrote {place.machine_path}: {_summary(machine)}.")
    say(f"Look it over, then: fitassay make {clean(case)}")


def _sensible(given: dict[str, float]) -> dict[str, float]:
    """`given` with bead and layer that suit the nozzle where only the nozzle was told."""
    values = dict(given)
    nozzle = given.get("process.nozzle_mm")
    if nozzle is not None:
        values.setdefault("process.line_width_mm", round(nozzle * BEAD_PER_NOZZLE, 2))
        values.setdefault("process.layer_height_mm", round(nozzle * LAYER_PER_NOZZLE, 2))
    return values


def _asked(
    folder_name: str, name: str | None, material: str | None, soft: bool, given: dict[str, float]
) -> Machine:
    """The machine as told at the terminal; what was given as options is not asked for."""
    say(
        "Figures of the printer, in mm. Enter takes the figure in [brackets], ? says where to find it; all can "
        "be changed later."
    )
    if name is None:
        name = ask(f"name [{clean(folder_name)}]: ") or folder_name
    if material is None:
        material = ask(f"material [{MATERIAL}]: ") or MATERIAL
        soft = soft or _yes("is it flexible, such as TPU? [no]: ")
    values = dict(given)
    for key in ASKED:
        if key not in values:
            values[key] = _figure(key, _sensible(values).get(key, FIGURE[key].default))
    open_ones = [key for key in COMPENSATIONS if key not in values]
    if open_ones and _yes("are any compensations set now: backlash, size, holes, first layer, skew? [no]: "):
        for key in open_ones:
            values[key] = _figure(key, 0.0)
    while values["process.line_width_mm"] <= values["process.layer_height_mm"]:
        say("The bead must be wider than the layer is high.")
        for key in ("process.line_width_mm", "process.layer_height_mm"):
            values[key] = _figure(key, FIGURE[key].default)
    return Machine(name=name, material=material, soft=soft, values=values)


def _figure(key: str, default: float) -> float:
    """One figure, asked for until it is good."""
    figure = FIGURE[key]
    while True:
        text = ask(f"{figure.text} ({figure.low:g} to {figure.high:g} {figure.unit}) [{default:g}]: ")
        if not text:
            return default
        if text in ("?", "h", "help"):
            hint = WHERE.get(key) or SETTING_PLACES.get(key, OTHERWISE)
            say(f"{hint[:1].upper()}{hint[1:].rstrip('.')}.", indent="  ")
            continue
        try:
            value = parse_number(text, figure.unit)
        except ValueError as exc:
            say(f"{exc}.")
            continue
        if figure.low <= value <= figure.high:
            return value
        say(
            f"{shown(text)} is out of range; it must lie between {figure.low:g} and {figure.high:g} "
            f"{figure.unit}."
        )


def _yes(prompt: str) -> bool:
    while True:
        text = ask(prompt).casefold()
        if text in ("y", "yes"):
            return True
        if text in ("", "n", "no"):
            return False
        say("Type yes or no.")


def _summary(machine: Machine) -> str:
    x, y, z = machine.volume_mm
    return (
        f"{clean(machine.name)}, {x:g} x {y:g} x {z:g} mm, bead {machine.line_width_mm:g} mm, "
        f"layer {machine.layer_height_mm:g} mm, {clean(machine.material)}"
    )
