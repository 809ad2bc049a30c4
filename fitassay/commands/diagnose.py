"""`fitassay diagnose`: the verdict on the terminal, diagnosis.json and report.html."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from fitassay.case import Case, Print
from fitassay.chosen import judged_print
from fitassay.columns import width
from fitassay.coupons.machine import Machine
from fitassay.options import carry_option, case_argument, file_option, json_option, judged_option
from fitassay.terminal import answer, note, say, typed, working
from fitassay.workflow import diagnose_print

if TYPE_CHECKING:
    from fitassay.analysis.result import Diagnosis


@click.command()
@case_argument
@judged_option
@file_option(
    "--trace",
    "file",
    help="The sliced file that was printed; the one traced last unless given.",
)
@carry_option
@json_option
def command(case: str, number: str | None, file: Path | None, carry: str | None, as_json: bool) -> None:
    """Say what spoils the fit, how sure that is, what cannot be told, and which setting to change.

    Writes diagnosis.json and report.html beside the readings; the report opens in any browser, offline.
    """
    place = Case.open(case)
    target = judged_print(place, number)
    with working("Working out the verdict"):
        diagnosis = diagnose_print(target, file, carry)
        machine = target.machine()
    if as_json:
        answer(diagnosis.as_json())
        return
    from fitassay.report.verdict_text import verdict_lines

    for text in diagnosis.extra["joints"]:
        say(text)
    click.echo(verdict_lines(diagnosis, machine, width()), nl=False)
    say()
    for text in _settings_moved_on(place, target, machine):
        note(f"Note: {text}")
    say(f"Report: {target.report_path}")
    if exchanged := diagnosis.extra.get("exchanged"):
        say(
            f"To swap them: fitassay enter {typed(case)} --print {target.name} --exchange {' '.join(exchanged)}"
        )
        return
    for text in _again(diagnosis, place, target, typed(case)):
        say(text)
    stop = diagnosis.extra["joints_fit"] and not diagnosis.advice
    if stop:
        say("Your joints fit as drawn, so you can stop here; what is still in doubt does not spoil them.")
    unprinted = _unprinted(diagnosis, target)
    if unprinted and not diagnosis.verdict.term:
        say(
            f"{'Or, to know more, print' if stop else 'To print'} {unprinted}: fitassay make {typed(case)} "
            f"--new-print --family {unprinted}; once it is read: fitassay diagnose {typed(case)}, "
            "which then goes by both prints"
        )
    elif diagnosis.advice:
        say(
            f"Then: fitassay apply {typed(case)} writes the new values into machine.toml and makes the smallest "
            "print that proves them"
        )


def _again(diagnosis: Diagnosis, place: Case, target: Print, case: str) -> list[str]:
    """How a suspect reading is taken anew; of several the first."""
    from fitassay.analysis.readings.reading import REFERENCE

    which = "" if target.name == place.prints()[-1].name else f" --print {target.name}"
    places = [f"{s.coupon}/{s.feature}" for s in diagnosis.suspects if s.coupon != REFERENCE]
    return [f"To measure {p} again: fitassay enter {case}{which} --at {p}" for p in places[:1]]


def _unprinted(diagnosis: Diagnosis, target: Print) -> str:
    """The first of the coupons worth printing next that this print does not hold; empty if there is none."""
    from fitassay.analysis.readings.reading import REFERENCE, WEIGHED

    there = {REFERENCE, WEIGHED, *(c.id for c in target.manifest().coupons)}
    return next((n.coupon for n in diagnosis.next if n.coupon not in there), "")


def _settings_moved_on(place: Case, target: Print, machine: Machine) -> list[str]:
    """A remark where the case's settings are not those this print was made with, while no later print has them."""
    from fitassay.analysis.prints.setting_changes import changed_settings
    from fitassay.labels import setting_label

    if target.name != place.prints()[-1].name or not target.machine_path.exists():
        return []
    moved = changed_settings(machine, place.machine())
    if not moved:
        return []
    names = ", ".join(setting_label(key) for key in moved)
    return [
        f"{place.machine_path} has other settings by now ({names}). This print is judged by those it was made "
        f"with; if they were written down wrongly, mend them in {target.machine_path}."
    ]
