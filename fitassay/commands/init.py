"""`fitassay init`: the printer's figures, asked for or taken, into a machine.toml."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from fitassay.card_hint import card_tells
from fitassay.case import Case
from fitassay.coupons.errors import FitassayError, InputError
from fitassay.coupons.files import write_atomic
from fitassay.coupons.machine import FIGURES, HOLE_SETTINGS, KINEMATICS, HoleSetting, Kinematics, Machine
from fitassay.coupons.machine_file import SCHEMA, machine_toml
from fitassay.coupons.wording import as_text
from fitassay.names import named_option, of_figure
from fitassay.options import Number, case_argument, json_option
from fitassay.reading_dialog.figures import (
    MATERIAL,
    Answers,
    FiguresDialog,
    read_answers,
    sensible,
    too_small,
)
from fitassay.terminal import STOPPED, answer, clean, say, typed

# Where the joints stand, in the case's folder; as analysis.parts.joints has it, whose library loads too slowly here.
JOINTS = "joints.csv"

# What was answered before a Ctrl-C, in the case's folder.
DRAFT = "machine.answers.json"


def _figure_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for figure in reversed(FIGURES):
        command = named_option(
            of_figure(figure),
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
@click.option(
    "--kinematics",
    type=click.Choice(KINEMATICS),
    help="How the nozzle is moved over the bed: one motor moves x, another y (cartesian, taken unless given); two "
    "motors move both, their belts crossed; or three arms.",
)
@click.option(
    "--hole-setting",
    type=click.Choice([name for name in HOLE_SETTINGS if name]),
    help="What your slicer's hole compensation does: growing, more to smaller holes; constant, as much to all.",
)
@_figure_options
@click.option("--yes", is_flag=True, help="Ask nothing: take what is given and the defaults.")
@click.option("--force", is_flag=True, help="Replace the machine file that is there.")
@json_option
def command(
    case: str,
    name: str | None,
    material: str | None,
    soft: bool,
    kinematics: Kinematics | None,
    hole_setting: HoleSetting | None,
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
    folder_name = as_text(os.path.basename(os.path.realpath(place.path))) or "printer"
    joints = ""
    if not (yes or as_json) and sys.stdin.isatty():
        known = Answers(name=name, material=material, soft=soft or None, kinematics=kinematics, values=given)
        machine = _asked(place, folder_name, known)
        joints = _joints(place)
    else:
        machine = Machine(
            name=name or folder_name,
            material=material or MATERIAL,
            soft=soft,
            kinematics=kinematics or "cartesian",
            values=sensible(given),
        )
    machine = replace(machine, hole_setting=hole_setting or "")
    write_atomic(place.machine_path, machine_toml(machine))
    if joints:
        write_atomic(place.path / JOINTS, joints)
    if as_json:
        answer(
            {
                "schema": SCHEMA,
                "file": str(place.machine_path),
                "name": machine.name,
                "material": machine.material,
                "soft": machine.soft,
                "kinematics": machine.kinematics,
                "values": machine.values,
            }
        )
        return
    say(f"Wrote {place.machine_path}: {_summary(machine)}.")
    if (yes or not sys.stdin.isatty()) and (small := too_small(machine.values)):
        say(small)
    hour = " --minutes 60" if joints else ""
    say(f"Look it over, then: fitassay make {typed(case)}{hour}")
    if card_tells(machine):
        say(f"Or first, in ten minutes and without a caliper: fitassay path {typed(case)} --card --like FILE")


def _asked(place: Case, folder_name: str, given: Answers) -> Machine:
    """The machine as told at the terminal; what was answered before a Ctrl-C is offered the next time."""
    from fitassay.coupons.machine_file import read_machine

    kept = place.path / DRAFT
    before = read_answers(kept)
    if before is None and place.machine_path.exists():
        with suppress(FitassayError):  # one that cannot be read has nothing to offer
            old = read_machine(place.machine_path)
            before = Answers(
                name=old.name,
                material=old.material,
                soft=old.soft,
                kinematics=old.kinematics,
                values=dict(old.values),
            )
    dialog = FiguresDialog(folder_name=folder_name, given=given, before=before or Answers())
    try:
        machine = dialog.machine()
    except KeyboardInterrupt:
        say()
        if dialog.answered:
            write_atomic(kept, dialog.kept())
            say("Stopped; your answers are kept and offered when you begin again.")
        else:
            say(
                "Stopped; nothing was written. Begin again, or take the defaults with --yes and edit the file."
            )
        raise click.exceptions.Exit(STOPPED) from None
    kept.unlink(missing_ok=True)
    return machine


def _joints(place: Case) -> str:
    """The joints told at the terminal, as the text of joints.csv; those that are there already are left alone."""
    from fitassay.reading_dialog.joints import asked_joints

    if (place.path / JOINTS).exists():
        return ""
    try:
        return asked_joints()
    except (KeyboardInterrupt, EOFError):  # the machine is told; the joints can follow in their file
        say()
        return ""


def _summary(machine: Machine) -> str:
    x, y, z = machine.volume_mm
    return (
        f"{clean(machine.name)}, {x:g} x {y:g} x {z:g} mm, bead {machine.line_width_mm:g} mm, "
        f"layer {machine.layer_height_mm:g} mm, {clean(machine.material)}{_driven(machine)}"
    )


def _driven(machine: Machine) -> str:
    return {"cartesian": "", "crossed-belts": ", crossed belts", "delta": ", delta"}[machine.kinematics]
