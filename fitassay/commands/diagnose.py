"""`fitassay diagnose`: the verdict on the terminal, diagnosis.json and report.html."""

from __future__ import annotations

from pathlib import Path

import click

from fitassay.case import Case
from fitassay.options import carry_option, case_argument, json_option, print_option
from fitassay.steps import diagnose_print
from fitassay.terminal import answer, say, width, working


@click.command()
@case_argument
@print_option
@click.option(
    "--trace",
    "file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The sliced file that was printed; the one traced last unless given.",
)
@carry_option
@json_option
def command(case: str, number: str | None, file: Path | None, carry: str | None, as_json: bool) -> None:
    """Say what spoils the fit, how sure that is, what cannot be told, and which setting to change.

    Writes diagnosis.json and report.html beside the readings; the report opens in any browser, offline.
    """
    place = Case.open(case)
    target = place.print(number)
    with working("Working out the verdict"):
        from analysis.terms import NAMES

        machine = target.machine(prior_names=NAMES)
        diagnosis = diagnose_print(target, machine, file, carry)
    if as_json:
        answer(diagnosis.as_json())
        return
    from fitassay.verdict_text import verdict_lines

    click.echo(verdict_lines(diagnosis, machine, width()), nl=False)
    say()
    say(f"Report: {target.report_path}")
