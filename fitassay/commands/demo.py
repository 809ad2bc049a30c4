"""`fitassay demo`: the whole job on a made-up printer, from its figures to its report."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from coupons.errors import InputError
from coupons.files import write_atomic
from coupons.machine import Machine
from coupons.machine_file import machine_toml
from coupons.wording import count
from fitassay.case import Case
from fitassay.options import json_option
from fitassay.steps import diagnose_print, make_print, simulate_print
from fitassay.terminal import answer, clean, say, width, working

FOLDER = "orrery"

STORY = (
    "An orrery: planets on arms that turn on printed pegs. On this made-up 100 mm machine the pegs rattle one way "
    "and jam the other. What is wrong with it is known only to the virtual printer, whose coupons are read with a "
    "caliper good to 0.02 mm."
)

# The made-up machine's errors (mm, rad, fractions): a loose y belt above all, and a little of everything else.
ERRORS = {
    "backlash_y": 0.26,
    "backlash_x": 0.03,
    "contour_offset": 0.02,
    "bead_excess": 0.02,
    "scale_x": 0.0008,
    "scale_y": -0.0005,
    "skew_xy": 0.0015,
    "bore_closure": 0.08,
    "layer_datum": -0.04,
    "first_layer_flare": 0.06,
    "outside_bias": 0.01,
    "inside_bias": -0.01,
}
SEED = 7
REFERENCE = ("outside", 10.0)


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option(
    "--open/--no-open",
    "open_report",
    default=None,
    help="Open the report in the browser; done at a terminal unless told otherwise.",
)
@json_option
def command(folder: Path | None, open_report: bool | None, as_json: bool) -> None:
    """Show the whole job on a made-up printer: coupons, virtual readings, verdict and report.

    Writes a case into FOLDER (orrery, or the next free name) that the other commands can go on with. Nothing
    is printed for real and nothing leaves this computer.
    """
    case = Case(path=_free(folder))
    machine = Machine(name="orrery bench, 100 mm machine")
    tell = (lambda text="": None) if as_json else say
    tell(STORY)
    tell()
    write_atomic(case.machine_path, machine_toml(machine))
    tell(f"1. The printer's figures: {case.machine_path}")
    target = case.next_print()
    with working("Drawing the coupons and the sheet"):
        made = make_print(target, machine).coupons
    features = sum(len(c.features) for c in made.manifest.coupons)
    grams = sum(cost.grams for cost in made.costs.values())
    tell(
        f"2. {count(len(made.solids), 'coupon')} with {features} features, {grams:.0f} g of plastic, and the "
        f"measuring sheet: {target.folder}"
    )
    with working("Printing virtually"):
        simulate_print(target, machine, ERRORS, seed=SEED, references=(REFERENCE,))
    tell(f"3. The caliper's readings: {target.readings_path}")
    with working("Working out the verdict"):
        diagnosis = diagnose_print(target, machine)
    tell(f"4. The verdict: {target.diagnosis_path}")
    if as_json:
        answer(
            {
                "schema": 1,
                "case": str(case.path),
                "report": str(target.report_path),
                "errors": ERRORS,
                "diagnosis": diagnosis.as_json(),
            }
        )
        return
    from fitassay.verdict_text import verdict_lines

    say()
    click.echo(verdict_lines(diagnosis, machine, width()), nl=False)
    say()
    say(f"Report: {target.report_path}")
    say(f"Your own printer: fitassay init NAME. More with this one: fitassay enter {clean(str(case.path))}")
    if open_report or (open_report is None and sys.stdout.isatty()):
        import webbrowser

        webbrowser.open(target.report_path.resolve().as_uri())


def _free(folder: Path | None) -> Path:
    """The folder asked for if it is free, else the first free one of the usual name."""
    if folder is not None:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise InputError("is there already and not empty; name another folder", str(folder))
        return folder
    names = (Path(FOLDER if i == 1 else f"{FOLDER}-{i}") for i in range(1, 10_000))
    return next(p for p in names if not p.exists())
