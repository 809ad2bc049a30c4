"""`fitassay path`: the coupons as tool paths of our own, the slicing program left out."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fitassay.case import Case, Print
from fitassay.coupons.errors import InputError, JobError
from fitassay.coupons.machine import Machine
from fitassay.coupons.wording import count
from fitassay.options import Number, Whole, case_argument, file_option, json_option, print_option
from fitassay.own_paths import CARD, write_plates
from fitassay.path_frame import SEALED, Ways, keep_ways, kept_ways, ways_like, ways_of
from fitassay.terminal import answer, ask, clean, note, say, typed, working

if TYPE_CHECKING:
    from fitassay.analysis.gcode.own_path import OwnFile

SHOWN_LINES = 30
"""Of start and end, on the screen; all of them stand in the case."""


@click.command()
@case_argument
@file_option(
    "--like",
    help="A file that your slicing program wrote for this machine: its start, its end and its speeds are taken.",
)
@file_option("--start", help="The start by itself, with --end.")
@file_option("--end", help="The end by itself, with --start.")
@click.option(
    "--start-as-is", is_flag=True, help="Take a start that shows no heat-up or no homing (a macro does it)."
)
@click.option("--end-as-is", is_flag=True, help="Take an end that homes z or goes down.")
@click.option("--walls", type=Whole(1, 30), help="Walls side by side, in place of machine.toml's.")
@click.option("--outer-first", is_flag=True, help="Outer walls before inner ones.")
@click.option(
    "--retract", "retract_mm", type=Number("mm", 0.0, 20.0), help="Filament drawn back for a travel."
)
@click.option(
    "--card",
    is_flag=True,
    help="The reversal card as the next print: backlash and bead in ten minutes, by eye.",
)
@click.option("--yes", is_flag=True, help="Take start and end without asking.")
@print_option
@json_option
def command(
    case: str,
    like: Path | None,
    start: Path | None,
    end: Path | None,
    start_as_is: bool,
    end_as_is: bool,
    walls: int | None,
    outer_first: bool,
    retract_mm: float | None,
    card: bool,
    yes: bool,
    number: str | None,
    as_json: bool,
) -> None:
    """Write the coupons as files to print, with paths exactly as the judgement assumes them.

    One file a plate, beside the STL files. Heating, homing, levelling and purge come from your own start and end:
    from a file of your slicing program (--like) or two texts; they are shown, and kept in the case as start.gcode
    and end.gcode.
    """
    from fitassay.coupons.toolpath.layers import Walls

    place = Case.open(case)
    if card and number is not None:
        raise click.UsageError("--card makes a print of its own; leave --print out")
    target = None if card else place.print(number)
    machine = place.machine() if target is None else _machine_for(target)
    given = _given(like, start, end, machine, start_as_is, end_as_is, retract_mm)
    ways = given or kept_ways(place, machine, retract_mm)
    if given is not None:
        if not (yes or as_json):
            _confirm(given)
        keep_ways(place, given)
    manner = Walls(
        count=walls or round(machine["process.walls"]),
        outer_first=outer_first,
        filling=machine["process.filling_percent"] / 100,
    )
    with working("Drawing the paths"):
        target = target or _card(place, machine)
        made = write_plates(target, machine, ways, manner)
    if as_json:
        answer(_as_json(target, made, ways))
        return
    if not _is_card(target):
        say(f"Drawn with {count(manner.count, 'wall')}, filling {100 / manner.filling_beads:.0f} %.")
    tell(place, typed(case), made, ways)


def _machine_for(target: Print) -> Machine:
    from fitassay.workflow import holds_readings

    if holds_readings(target):
        raise InputError(
            "holds readings already, so its print is done; make a further one with: fitassay make "
            f"{typed(str(target.case.path))} --new-print",
            str(target.readings_path),
        )
    return target.case.machine()


def _card(place: Case, machine: Machine) -> Print:
    """A print of the card: the newest one where that is a card not read yet, else the next."""
    from fitassay.workflow import holds_readings, make_print

    prints = place.prints()
    newest = prints[-1] if prints else None
    if newest is None or not _is_card(newest) or holds_readings(newest):
        newest = place.next_print()
    for text in make_print(newest, machine, card=True).coupons.notes:
        note(f"Note: {text}")
    return newest


def _is_card(target: Print) -> bool:
    return any(c.family == CARD for c in target.manifest().coupons)


def _given(
    like: Path | None,
    start: Path | None,
    end: Path | None,
    machine: Machine,
    start_as_is: bool,
    end_as_is: bool,
    retract_mm: float | None,
) -> Ways | None:
    """What the options name; None where they name nothing."""
    how = {"start_as_is": start_as_is, "end_as_is": end_as_is, "retract_mm": retract_mm}
    if like is not None:
        if start is not None or end is not None:
            raise click.UsageError("give --like, or --start and --end, not both")
        return ways_like(like, machine, **how)
    if (start is None) != (end is None):
        raise click.UsageError("--start and --end go together")
    return ways_of(start, end, machine, **how) if start is not None and end is not None else None


def _confirm(ways: Ways) -> None:
    """Show start and end; raise `JobError` unless they are taken."""
    for name, text in (("Start", ways.frame.start), ("End", ways.frame.end)):
        lines = text.splitlines()
        say(f"{name}, {len(lines)} lines:")
        for line in lines[:SHOWN_LINES]:
            say(clean(line)[:100], indent="   ")
        if len(lines) > SHOWN_LINES:
            say("... the whole of it will stand in the case", indent="   ")
    for text in ways.frame.notes:
        say(f"- {text}")
    try:
        taken = ask("Use this start and this end? y or n: ").casefold()
    except EOFError:
        taken = ""
    if taken not in ("y", "yes"):
        raise JobError("start and end were not taken, nothing was written; --yes takes them without asking")


def tell(place: Case, case: str, made: list[tuple[Path, OwnFile]], ways: Ways) -> None:
    """What was written, and what to mind."""
    from fitassay.analysis.gcode.own_path import CAUTIONS

    for path, file in made:
        say(
            f"Wrote {path}: about {math.ceil(file.minutes)} minutes, empty ways and the slow first layer counted, "
            f"{file.grams:.1f} g."
        )
    for text in dict.fromkeys((*ways.frame.notes, *(n for _, file in made for n in file.notes))):
        note(f"Note: {text}")
    if not ways.drive.retract_mm:
        note(
            "Note: filament is not drawn back for travels; --retract MM does it, or a --like file that does."
        )
    pictures = ", ".join(path.with_suffix(".svg").name for path, _ in made)
    say(f"Look at the path before you print it: {pictures} beside it, drawn from the file itself.")
    say(
        f"Start and end: {place.path / 'start.gcode'} and end.gcode, yours to edit; path.toml has the speeds."
    )
    say(CAUTIONS)
    say(SEALED)
    say(f"Then: fitassay enter {case}")


def _as_json(target: Print, made: list[tuple[Path, OwnFile]], ways: Ways) -> dict:
    return {
        "schema": 1,
        "print": target.name,
        "files": [
            {
                "file": str(path),
                "minutes": round(file.minutes, 2),
                "grams": round(file.grams, 3),
                "filament_mm": round(file.filament_mm, 2),
            }
            for path, file in made
        ],
        "notes": [*ways.frame.notes, *dict.fromkeys(n for _, file in made for n in file.notes)],
    }
