"""`fitassay demo`: the whole job on a made-up printer, from its figures to its report."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fitassay.analysis.chain.simulate import theta_of
from fitassay.analysis.prints.setting_changes import apply, errors_after
from fitassay.analysis.terms import TERMS
from fitassay.case import Case, Print
from fitassay.columns import width
from fitassay.coupons.errors import InputError
from fitassay.coupons.files import write_atomic
from fitassay.coupons.machine import Machine
from fitassay.coupons.machine_file import machine_toml
from fitassay.options import json_option
from fitassay.terminal import answer, say, typed, working, wrapped
from fitassay.workflow import diagnose_print, make_print, simulate_print

if TYPE_CHECKING:
    from fitassay.analysis.parts.sizes import Spread
    from fitassay.analysis.prints.compare import Comparison
    from fitassay.analysis.result import Diagnosis

FOLDER = "orrery"
NAME = "orrery bench, 100 mm machine"

CARD_STORY = (
    "The arms of an orrery turn on printed pegs, and on this made-up 100 mm machine they rattle one way and jam the "
    "other. Two days of turning the backlash up and down have not helped. The card takes ten minutes, and no caliper."
)

# The made-up machine's errors (mm, rad, fractions): a loose y belt above all, and a little of everything else.
ERRORS = {
    "backlash_y": 0.26,
    "backlash_x": 0.03,
    "contour_offset": 0.02,
    "bead_excess": 0.01,
    "scale_x": 0.0008,
    "scale_y": -0.0005,
    "skew_xy": 0.0015,
    "bore_closure": 0.08,
    "layer_datum": -0.01,
    "first_layer_flare": 0.06,
    "outside_bias": 0.01,
    "inside_bias": -0.01,
}
SEED = 7
REFERENCE = ("outside", 10.0)
# The kit's arms turn on pegs drawn like this [mm].
PEG, HOLE = 6.0, 6.2
# What the case of an orrery asks about, as its owner would write it down.
JOINTS = (
    f"name,shape,peg_mm,hole_mm,motion,now\narm on its peg,round,{PEG:g},{HOLE:g},turn,jams over a turn\n"
)

STORY = (
    f"An orrery: planets on arms that turn on printed pegs, {PEG:g} mm in holes of {HOLE:g} mm. On this made-up "
    "100 mm machine the pegs rattle one way and jam the other, and joints.csv says so. What is wrong with it is "
    "known only to the virtual printer, whose coupons are read with a caliper good to 0.02 mm."
)


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option(
    "--open/--no-open",
    "open_report",
    default=None,
    help="Open the report in the browser; done at a terminal unless told otherwise.",
)
@click.option("--card", is_flag=True, help="Ten minutes, no caliper: the reversal card, before and after.")
@json_option
def command(folder: Path | None, open_report: bool | None, card: bool, as_json: bool) -> None:
    """Show the whole job on a made-up printer: coupons, virtual readings, verdict and report.

    Writes a case into FOLDER (orrery, or the next free name) that the other commands can go on with. Nothing
    is printed for real and nothing leaves this computer.
    """
    case = Case(path=_free(folder))
    machine = Machine(name=NAME)
    tell = (lambda text="": None) if as_json else say
    if card:
        _card(case, machine, as_json)
        return
    tell(STORY)
    tell()
    from fitassay.analysis.parts.joints import JOINTS as JOINTS_FILE

    write_atomic(case.path / JOINTS_FILE, JOINTS)
    first = virtual_print(case, machine, ERRORS, SEED)
    tell(f"1. Coupons, sheet and the caliper's readings of a first print: {first.target.folder}")
    tell(f"2. Its report: {first.target.report_path}")
    second = mended_print(case, first)
    tell(f"3. The advice put into {case.machine_path}, and a second print: {second.target.folder}")
    compared = compared_prints(first, second)
    pegs = [_pegs(p) for p in (first, second)]
    if as_json:
        answer(_as_json(case, first, second, compared, pegs))
        return
    from fitassay.report.verdict_text import verdict_lines

    say()
    for text in first.diagnosis.extra.get("joints", ()):
        say(text)
    click.echo(verdict_lines(first.diagnosis, machine, width()), nl=False)
    _show_loop(first, second, compared, pegs)
    place = typed(case.path)
    say()
    say(f"Report: {first.target.report_path}")
    say(
        f"Go on with it: fitassay compare {place} 01 02, fitassay predict {place} --pair {PEG:g},{HOLE:g} --turns"
    )
    say("Your own printer: fitassay init NAME")
    if open_report or (open_report is None and sys.stdout.isatty()):
        import webbrowser

        webbrowser.open(first.target.report_path.resolve().as_uri())


def _card(case: Case, machine: Machine, as_json: bool) -> None:
    """The reversal card in place of coupons and caliper."""
    from fitassay.card_demo import card_data, card_lines, card_twice

    with working("Printing and reading two cards virtually"):
        cards = card_twice(case, machine, ERRORS, SEED)
    if as_json:
        answer(card_data(case, ERRORS, cards))
        return
    say(CARD_STORY)
    say()
    for line in card_lines(*cards):
        say(line)
    place = typed(case.path)
    say()
    say(f"Sheet: {cards[0].target.sheet_path}; report: {cards[0].target.report_path}")
    say(f"What is still worth printing: fitassay next {place}")
    say("On your own printer: fitassay init NAME, then fitassay path NAME --card --like FILE")


@dataclass(frozen=True, kw_only=True)
class Printed:
    """One virtual print of the case, diagnosed."""

    target: Print
    machine: Machine
    diagnosis: Diagnosis


def virtual_print(case: Case, machine: Machine, errors: dict[str, float], seed: int) -> Printed:
    """Coupons, sheet, virtual readings, diagnosis and report of the case's next print."""
    write_atomic(case.machine_path, machine_toml(machine))
    target = case.next_print()
    with working(f"Print {target.name}: drawing the coupons and the sheet"):
        make_print(target, machine)
    with working(f"Print {target.name}: printing virtually"):
        simulate_print(target, machine, errors, seed=seed, references=(REFERENCE,), force=True)
    with working(f"Print {target.name}: working out the verdict"):
        return Printed(target=target, machine=machine, diagnosis=diagnose_print(target))


def mended_print(case: Case, first: Printed) -> Printed:
    """The case's next print on the same printer, with the advice of `first` put into its settings."""
    mended = _as_typed(apply(first.machine, first.diagnosis.advice))
    theta = errors_after(theta_of(ERRORS), first.machine, mended)
    return virtual_print(
        case, mended, {t.name: float(v) for t, v in zip(TERMS, theta, strict=True)}, SEED + 1
    )


def _as_typed(machine: Machine) -> Machine:
    """The settings with the digits that a person types."""
    return replace(machine, values={key: round(value, 3) for key, value in machine.values.items()})


def compared_prints(first: Printed, second: Printed) -> Comparison:
    from fitassay.analysis.prints.compare import compare
    from fitassay.inputs import result_of

    with working("Comparing the two prints"):
        results = [result_of(p.target)[0] for p in (first, second)]
        return compare(results[0], results[1], first.diagnosis.advice)


def _pegs(printed: Printed) -> Spread:
    """Clearance over a whole turn of the kit's pegs in their holes, as that print's machine makes them."""
    from fitassay.analysis.parts.pairs import Pair, predict_pair
    from fitassay.inputs import state_of

    pair = Pair(peg=PEG, hole=HOLE, turns=True, name="arm's peg")
    return predict_pair(pair, state_of(printed.diagnosis, printed.machine)).counts


def _show_loop(first: Printed, second: Printed, compared: Comparison, pegs: list[Spread]) -> None:
    from fitassay.analysis.rounding import plus_minus, probability

    lines = [
        f"Print 02 says: {second.diagnosis.verdict.text}",
        "Misfit across the bed (20 mm pegs and openings, 8 mm bores): "
        f"{compared.misfit_before_mm:.2f} mm before, {compared.misfit_after_mm:.2f} mm "
        f"after (probability that it fell: {probability(compared.p_better)}).",
    ]
    for word, clearance in zip(("before", "after"), pegs, strict=True):
        lines.append(
            f"An arm's {PEG:g} mm peg in its {HOLE:g} mm hole, {word}: tightest clearance over a turn "
            f"{plus_minus(clearance.mean, clearance.u, 'mm')}, binds with a probability of "
            f"{probability(clearance.p_negative)}."
        )
    say()
    say("After the changes")
    for line in lines:
        click.echo(wrapped(line, indent="  "))


def _as_json(
    case: Case, first: Printed, second: Printed, compared: Comparison, pegs: list[Spread]
) -> dict[str, object]:
    return {
        "schema": 1,
        "case": str(case.path),
        "report": str(first.target.report_path),
        "errors": ERRORS,
        "diagnosis": first.diagnosis.as_json(),
        "second": {
            "report": str(second.target.report_path),
            "diagnosis": second.diagnosis.as_json(),
            "misfit_mm": {"before": compared.misfit_before_mm, "after": compared.misfit_after_mm},
            "probability_better": compared.p_better,
        },
        "pegs": [
            {"clearance_mm": p.mean, "std_uncertainty_mm": p.u, "probability_binds": p.p_negative}
            for p in pegs
        ],
    }


def _free(folder: Path | None) -> Path:
    """The folder asked for if it is free, else the first free one of the usual name."""
    if folder is not None:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise InputError("is there already and not empty; name another folder", str(folder))
        return folder
    names = (Path(FOLDER if i == 1 else f"{FOLDER}-{i}") for i in range(1, 10_000))
    return next(p for p in names if not p.exists())
