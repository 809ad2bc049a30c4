"""`fitassay make`: coupons, plates, manifest, measuring sheet and blank readings."""

from __future__ import annotations

import math
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING, Any, Literal

import click

from fitassay.case import Case, Print
from fitassay.coupons.errors import InputError
from fitassay.coupons.wording import count, listed
from fitassay.options import Number, case_argument, json_option
from fitassay.terminal import answer, note, say, table, typed, working
from fitassay.workflow import Made, make_print

if TYPE_CHECKING:
    from fitassay.analysis.prints.first_set import FirstSet
    from fitassay.coupons.machine import Machine
    from fitassay.coupons.make import CouponSet
    from fitassay.coupons.rules import Rules

CAUTIONS = (
    "Nozzle and bed are hot and the axes move by themselves: stay with the machine, keep the room aired, "
    "mind the blade when you loosen the pieces, and follow the machine's manual."
)


@click.command()
@case_argument
@click.option(
    "--family",
    "families",
    multiple=True,
    metavar="NAME",
    help="Only this family or this coupon, such as single-wall or comb-y; repeatable. Families: stepped-boss, "
    "stepped-bore, reversal-comb, single-wall, corner-plate, height-stair, plain-block, fit-ladder.",
)
@click.option(
    "--quick",
    is_flag=True,
    help="The smallest set that still tells backlash, bead width and path offset apart.",
)
@click.option(
    "--minutes",
    type=Number("min", low=1.0),
    help="Print no longer than this: the coupons that tell most of the joints in joints.csv, or of ordinary ones.",
)
@click.option(
    "--wall",
    type=click.Choice(["tube", "prism"]),
    default="tube",
    show_default=True,
    help="The single wall as a tube one bead thick, or as a block to be sliced with one wall and no infill.",
)
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", help="Paper of the measuring sheet."
)
@click.option(
    "--clearance",
    type=Number("mm", low=0.0, high=4.0),
    help="Clearance of the fit-ladder's middle rung; 'fitassay predict' tells a good one.",
)
@click.option("--clearance-step", type=Number("mm", low=0.01, high=0.5), help="From rung to rung.")
@click.option("--new-print", is_flag=True, help="Begin the next print instead of making the newest anew.")
@json_option
def command(
    case: str,
    families: tuple[str, ...],
    quick: bool,
    minutes: float | None,
    wall: Literal["tube", "prism"],
    paper: Literal["a4", "letter"],
    clearance: float | None,
    clearance_step: float | None,
    new_print: bool,
    as_json: bool,
) -> None:
    """Make the coupons: files to slice, a sheet to measure by, a table for the readings.

    Writes into CASE/prints/01; with --new-print into the next number. Readings that were taken are never
    overwritten.
    """
    place = Case.open(case)
    machine = place.machine()
    prints = place.prints()
    target = place.next_print() if new_print or not prints else prints[-1]
    if minutes is not None:
        if families or quick:
            raise InputError("chooses the coupons itself; leave out --family and --quick", "--minutes")
        with working("Choosing coupons"):
            from fitassay.first_choice import chosen_coupons

            chosen = chosen_coupons(place, machine, minutes)
        families = chosen.coupons
        note(_choice(place, chosen, minutes))
    with working("Drawing the coupons and the sheet"):
        done = make_print(
            target,
            machine,
            families=families or None,
            quick=quick,
            wall=wall,
            paper=paper,
            rules=_rules(clearance, clearance_step),
            rims=not quick,
        )
    made = done.coupons
    rows = _rows(made)
    if as_json:
        answer(_as_json(target, done, rows))
        return
    _show(rows, made.machine)
    for text in made.notes:
        note(f"Note: {text}")
    plates = len({c.plate for c in made.manifest.coupons})
    say(
        f"Wrote {target.folder}: {count(plates, 'plate')}, {count(len(rows), 'coupon')}, sheet.pdf, readings.csv."
    )
    if done.readings_kept:
        say("readings.csv, with what was entered for these coupons, was kept as it is.")
    if done.other_settings:
        say(
            f"{target.machine_path} stays too: it has the settings that this print was made with, and "
            f"{listed(done.other_settings)} differ from them by now. For a print with today's settings: "
            f"fitassay make {typed(case)} --new-print"
        )
    say("Slice the plates as they lie: not turned, not scaled, at the settings in machine.toml.")
    if any(c.single_wall for c in made.manifest.coupons):
        say("The single wall must come out as one bead; sheet.pdf says how.")
    say(CAUTIONS)
    say(f"Then: fitassay enter {typed(case)}, or, for a page in the browser, fitassay bench {typed(case)}")


def _choice(place: Case, chosen: FirstSet, minutes: float) -> str:
    """What was chosen for the joints, and what the full set would give."""
    from fitassay.analysis.parts.joints import joints_in
    from fitassay.analysis.rounding import COVERAGE, fixed

    whose = "your" if joints_in(place.path) else "ordinary"
    return (
        f"Within {minutes:g} minutes these tell most of {whose} joints' clearance: {listed(chosen.coupons)}, "
        f"{math.ceil(chosen.minutes)} minutes, leaving ± {fixed(COVERAGE * chosen.u_mm, 2)} mm (k = 2); the full set "
        f"takes {math.ceil(chosen.all_minutes)} and leaves ± {fixed(COVERAGE * chosen.all_u_mm, 2)} mm."
    )


def _rules(clearance: float | None, step: float | None) -> Rules | None:
    """The usual rules, with the ladder's rungs as asked."""
    from fitassay.coupons.rules import Rules

    asked = {"ladder_middle": clearance, "ladder_step": step}
    given = {name: value for name, value in asked.items() if value is not None}
    return Rules(**given) if given else None


def _rows(made: CouponSet) -> list[dict[str, Any]]:
    from fitassay.coupons.families import FAMILIES

    return [
        {
            "id": c.id,
            "family": c.family,
            "plate": c.plate,
            "features": len(c.asked),
            "grams": made.costs[c.id].grams,
            "minutes": made.costs[c.id].minutes,
            "isolates": FAMILIES[c.family].isolates_on(made.machine.kinematics),
        }
        for c in made.manifest.coupons
    ]


def _show(rows: list[dict[str, Any]], machine: Machine) -> None:
    from fitassay.coupons.cost import filled

    # Rounded up as they run, so that the column adds up to what stands below it.
    ends = [0, *(math.ceil(round(m, 6)) for m in accumulate(row["minutes"] for row in rows))]
    cells = [
        (
            row["id"],
            str(row["plate"]),
            str(row["features"]),
            f"{row['grams']:.1f}",
            str(end - begin),
            row["isolates"],
        )
        for row, (begin, end) in zip(rows, pairwise(ends), strict=True)
    ]
    grams = sum(r["grams"] for r in rows)
    features = sum(r["features"] for r in rows)
    cells.append(("together", "", str(features), f"{grams:.1f}", str(ends[-1]), filled(machine)))
    columns = [
        ("coupon", False),
        ("plate", True),
        ("features", True),
        ("grams", True),
        ("minutes", True),
        ("isolates", False),
    ]
    table(columns, cells, last_is_sum=True)
    say(
        f"Minutes are the beads' length at {machine['process.speed_mm_s']:g} mm/s; travel, slower outer walls and "
        "first layers come on top: your slicing program knows how much."
    )


def _as_json(target: Print, done: Made, rows: list[dict[str, Any]]) -> dict[str, Any]:
    made = done.coupons
    return {
        "schema": 1,
        "print": target.name,
        "folder": str(target.folder),
        "files": [str(f) for f in done.files],
        "readings_kept": done.readings_kept,
        "plates": len({c.plate for c in made.manifest.coupons}),
        "features": sum(r["features"] for r in rows),
        "grams": round(sum(r["grams"] for r in rows), 3),
        "minutes": round(sum(r["minutes"] for r in rows), 2),
        "coupons": [{**r, "grams": round(r["grams"], 3), "minutes": round(r["minutes"], 2)} for r in rows],
        "notes": list(made.notes),
    }
