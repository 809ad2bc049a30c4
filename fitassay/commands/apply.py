"""`fitassay apply`: the advice into machine.toml, as a card for printer and slicing program, and its proof print."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from fitassay.case import Case, Print
from fitassay.chosen import judged_print
from fitassay.coupons.errors import InputError, JobError
from fitassay.coupons.files import read_input, write_atomic
from fitassay.coupons.machine import Machine
from fitassay.coupons.machine_file import read_machine
from fitassay.coupons.wording import as_text
from fitassay.labels import setting_label, unsettled_lists
from fitassay.names import SETTINGS, named
from fitassay.options import carry_option, case_argument, json_option, judged_option
from fitassay.own_paths import SLICER_SETTINGS, is_own
from fitassay.terminal import answer, say, say_lists, typed, working

if TYPE_CHECKING:
    from fitassay.analysis.prints.plan import Check, Plan
    from fitassay.analysis.result import Advice

# The settings as they were, beside machine.toml until --undo takes them back.
BEFORE = "machine.before.toml"

# A proof print takes no longer; where no coupons tell the change in that time, the joints are looked at instead.
PROOF_MINUTES = 20.0


class Proof(NamedTuple):
    """The print made to prove a change."""

    target: Print
    coupons: tuple[str, ...]
    minutes: float


@click.command()
@case_argument
@click.argument("steps", metavar="[STEP]...", nargs=-1)
@judged_option
@carry_option
@click.option("--undo", is_flag=True, help="Take the last change back: machine.toml as it was before.")
@click.option("--no-proof", is_flag=True, help="Make no proof print.")
@json_option
def command(
    case: str,
    steps: tuple[str, ...],
    number: str | None,
    carry: str | None,
    undo: bool,
    no_proof: bool,
    as_json: bool,
) -> None:
    """Write the advised values into the case's settings, and make the smallest print that proves them.

    STEP is a number of the list that diagnose shows, or a setting's name in it; all of them unless given.
    machine.toml alone is changed: what stands in the printer and in the slicing program you set yourself, from the
    card that this prints. --undo takes the values back.
    """
    place = Case.open(case)
    if undo:
        _undo(place, as_json)
        return
    target = judged_print(place, number)
    _check_settings(place, target)
    with working("Working out the steps"):
        from fitassay.workflow import plan_print

        plan, diagnosis = plan_print(target, carry=carry)
        chosen = _chosen(diagnosis.advice, steps)
    machine = _changed(place, chosen)
    proof = None
    if chosen and not no_proof:
        with working("Making the proof print"):
            proof = _make_proof(place, machine, _proving(place, machine, plan, chosen))
    if as_json:
        answer(
            {
                **_data(place, chosen, machine, proof),
                "unsettled": [s.as_data() for s in diagnosis.unsettled],
                "drawn_instead": [d.as_data() for d in diagnosis.extra["drawn"]],
            }
        )
        return
    _show(place, typed(case), target, chosen, machine, proof)
    for step in plan.steps:
        if step.held and step.advice in chosen:
            say(
                f"The plan would wait with the {setting_label(step.advice.setting)}: too much else is open, so the "
                "joints might get worse by it. Go by the proof print; --undo takes it back."
            )
    say_lists(unsettled_lists(diagnosis))


def _undo(place: Case, as_json: bool) -> None:
    kept = place.path / BEFORE
    before = read_input(kept, "machine file", "there is nothing to take back")
    read_machine(kept)  # what cannot be read is not put in the place of what can
    write_atomic(place.machine_path, before)
    kept.unlink()
    if as_json:
        answer({"schema": 1, "undone": True, "file": str(place.machine_path)})
        return
    say(f"{place.machine_path} is as it was. Set printer and slicing program back too.")


def _check_settings(place: Case, target: Print) -> None:
    """Refuse to change twice by the same readings."""
    from fitassay.analysis.prints.setting_changes import changed_settings

    moved = changed_settings(target.machine(), place.machine())
    if is_own(target):
        # What only a slicing program does was not in force.
        moved = {key: values for key, values in moved.items() if key not in SLICER_SETTINGS}
    if moved:
        names = ", ".join(setting_label(key) for key in moved)
        raise InputError(
            f"has other settings than print {target.name} was made with ({names}); read the print made with them, "
            "or give --undo first",
            str(place.machine_path),
        )


def _chosen(advice: tuple[Advice, ...], steps: tuple[str, ...]) -> tuple[Advice, ...]:
    """The steps that were named, by number or by their setting; all where none was."""
    numbers = [str(i + 1) for i in range(len(advice))]
    chosen = set()
    for step in steps:
        if not step.isdecimal():
            setting = named(
                step,
                SETTINGS,
                "setting",
                "apply",
                "; diagnose lists the steps with their numbers",
            )
            here = [i for i, a in enumerate(advice) if a.setting == setting]
            if not here:
                raise InputError(f"diagnose lists no step for {setting_label(setting)}", "apply")
            chosen.update(here)
        elif step in numbers:
            chosen.add(numbers.index(step))
        else:
            raise InputError(
                f"there is no step {as_text(step, 20)}; diagnose lists {len(advice) or 'none'}", "apply"
            )
    return tuple(a for i, a in enumerate(advice) if not steps or i in chosen)


def _changed(place: Case, chosen: tuple[Advice, ...]) -> Machine:
    """machine.toml with the new values, the old file kept beside it."""
    from dataclasses import replace

    from fitassay.analysis.rounding import COVERAGE, matching
    from fitassay.coupons.machine_file import machine_toml

    machine = place.machine()
    # With the digits that diagnose shows.
    new = {
        a.setting: float(matching(a.to_value, COVERAGE * a.std_uncertainty))
        for a in chosen
        if a.to_value is not None
    }
    if not new:
        return machine
    write_atomic(place.path / BEFORE, read_input(place.machine_path, "machine file"))
    machine = replace(machine, values={**machine.values, **new})
    write_atomic(place.machine_path, machine_toml(machine))
    return machine


def _proving(place: Case, machine: Machine, plan: Plan, chosen: tuple[Advice, ...]) -> tuple[str, ...]:
    """The fewest coupons that show whether the chosen steps took; a look at the joints where none would tell."""
    checks = [s.check for s in plan.steps if s.advice in chosen]
    together = plan.together
    if len(checks) == len(plan.steps) > 1 and together is not None and together.enough:
        told = [together]
    else:
        told = [c for c in checks if c.enough]
    if checks and (not told or _minutes(machine, told) > PROOF_MINUTES):
        from fitassay.first_choice import chosen_coupons

        try:
            return chosen_coupons(place, machine, PROOF_MINUTES).coupons
        except JobError:  # not even one coupon is printed in that time
            told = [min(checks, key=lambda c: c.minutes)]
    return _coupons(told)


def _coupons(checks: list[Check]) -> tuple[str, ...]:
    """Those of all checks, each once."""
    return tuple(dict.fromkeys(name for c in checks for name in c.coupons))


def _minutes(machine: Machine, checks: list[Check]) -> float:
    """Printing time of all that the checks need."""
    from fitassay.coupons.make import draw_set

    costs = draw_set(machine, families=_coupons(checks)).costs
    return sum(c.minutes for c in costs.values())


def _make_proof(place: Case, machine: Machine, coupons: tuple[str, ...]) -> Proof | None:
    from fitassay.workflow import make_print

    if not coupons:
        return None
    target = place.next_print()
    made = make_print(target, machine, families=coupons)
    return Proof(target, coupons, sum(c.minutes for c in made.coupons.costs.values()))


def _data(place: Case, chosen: tuple[Advice, ...], machine: Machine, proof: Proof | None) -> dict[str, Any]:
    return {
        "schema": 1,
        "file": str(place.machine_path),
        "changed": [
            {"setting": a.setting, "from": a.from_value, "to": machine[a.setting], "unit": a.unit}
            for a in chosen
            if a.to_value is not None
        ],
        "proof": None
        if proof is None
        else {"print": proof.target.name, "coupons": list(proof.coupons), "minutes": proof.minutes},
    }


def _show_setting(advice: Advice, machine: Machine) -> None:
    from fitassay.analysis.rounding import face, with_unit
    from fitassay.labels import advice_check, advice_remarks, capital, sentence

    say()
    old = f"{advice.from_value:.6g}" if advice.from_value is not None else "?"
    new = with_unit(f"{machine[advice.setting]:.6g}", face(1.0, advice.unit)[1])
    say(f"{capital(setting_label(advice.setting))}: {old} -> {new}")
    for remark in (*advice_remarks(advice), sentence(advice_check(advice))):
        if remark:
            say(remark, indent="   ")


def _show(
    place: Case,
    case: str,
    target: Print,
    chosen: tuple[Advice, ...],
    machine: Machine,
    proof: Proof | None,
) -> None:
    from fitassay.labels import CAUTIONS, advice_check, capital, sentence

    if not chosen:
        say(f"Print {target.name} advises no change.")
        return
    settings = [a for a in chosen if a.to_value is not None]
    work = [a for a in chosen if a.to_value is None]
    if work:
        say("Do this by hand; no setting does it:")
    for advice in work:
        say()
        say(f"{capital(setting_label(advice.setting))}: {sentence(advice.why)}")
        if check := advice_check(advice):
            say(sentence(check))
    if work and settings:
        say()
    if settings:
        these, have = ("these", "has them") if len(settings) > 1 else ("this", "has it")
        say(f"Set {these} in the printer or the slicing program; machine.toml {have} already:")
    for advice in settings:
        _show_setting(advice, machine)
    say()
    if settings:
        lacking, others = (
            ("one of them", "apply the others by their numbers, ") if len(settings) > 1 else ("it", "")
        )
        say(
            f"Where machine and slicing program lack {lacking}: fitassay apply {case} --undo, {others}and "
            f"pre-compensate your part instead: fitassay correct {case} PART.stl -o OUT.stl"
        )
    for caution in CAUTIONS:
        say(f"- {caution}")
    say()
    if proof is None and settings:
        say(f"Old values: {place.path / BEFORE}; --undo takes them back.")
    if proof is None:
        return
    say(
        f"Proof print {proof.target.name}: {', '.join(proof.coupons)}, {math.ceil(proof.minutes)} minutes, in "
        f"{proof.target.folder}. "
        f"Print it once that is done, then: fitassay enter {case}, and fitassay diagnose {case}"
    )
