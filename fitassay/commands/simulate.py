"""`fitassay simulate`: readings from a virtual print with given errors and caliper noise."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from fitassay.analysis.readings.file import reference_piece
from fitassay.analysis.terms import TERMS
from fitassay.case import Case
from fitassay.coupons.errors import InputError
from fitassay.coupons.wording import count
from fitassay.names import named_option, of_error
from fitassay.options import Number, Whole, case_argument, file_option, json_option, print_option
from fitassay.terminal import answer, note, say, typed, working
from fitassay.workflow import refuse_to_replace, simulate_print

# At the face: unit, factor to the term's own unit, and the largest error that still leaves a print.
_FACE = {"mm": ("mm", 1.0, 3.0), "1": ("%", 0.01, 10.0), "rad": ("degree", math.pi / 180, 5.0)}


def _term_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for term in reversed(TERMS):
        unit, _, most = _FACE[term.unit]
        command = named_option(
            of_error(term),
            term.name,
            type=Number(unit, -most, most),
            metavar=unit,
            help=f"{term.label}: {term.sentence}.",
        )(command)
    return command


@click.command()
@case_argument
@print_option
@_term_options
@click.option(
    "--noise", type=Number("mm", 0.0, 1.0), metavar="mm", help="Scatter of one reading; else the caliper's."
)
@click.option(
    "--step", type=Number("mm", 0.0, 0.5), metavar="mm", help="The caliper's step; else the one set."
)
@click.option("--seed", type=Whole(min=0), default=0, show_default=True, help="Another seed, other noise.")
@click.option("--repeats", type=Whole(1, 20), default=1, show_default=True, help="Readings per feature.")
@click.option(
    "--reference", "pieces", multiple=True, metavar="PIECE", help="Also read a piece such as outside:10.000."
)
@file_option(
    "--trace",
    "files",
    multiple=True,
    help="Print the path of this sliced file, seams and all, in place of an ideal one; repeatable, one a plate.",
)
@click.option("--rims", is_flag=True, help="Also read rims and single layers, where the print has them.")
@click.option("--weighed", is_flag=True, help="Also weigh a metre of filament and the single wall.")
@click.option("--force", is_flag=True, help="Replace readings that are there.")
@json_option
def command(
    case: str,
    number: str | None,
    noise: float | None,
    step: float | None,
    seed: int,
    repeats: int,
    pieces: tuple[str, ...],
    files: tuple[Path, ...],
    rims: bool,
    weighed: bool,
    force: bool,
    as_json: bool,
    **errors: float | None,
) -> None:
    """Print and measure the coupons virtually, with the errors given, and fill in the readings.

    Errors that are not given are zero; positive prints larger. Nothing is printed for real: this is to try the
    program, or to see what a certain error would read.
    """
    target = Case.open(case).print(number)
    machine = target.machine()
    refuse_to_replace(target, force)
    references = []
    for piece in pieces:
        try:
            references.append(reference_piece(piece))
        except ValueError as exc:
            raise InputError(str(exc), "--reference") from exc
    given = {t.name: value * _FACE[t.unit][1] for t in TERMS if (value := errors[t.name]) is not None}
    with working("Printing virtually"):
        readings = simulate_print(
            target,
            machine,
            given,
            noise_mm=noise,
            resolution_mm=step,
            seed=seed,
            repeats=repeats,
            references=tuple(references),
            files=files,
            rims=rims,
            weighed=weighed,
            force=force,
        )
    if as_json:
        answer(
            {
                "schema": 1,
                "print": target.name,
                "file": str(target.readings_path),
                "seed": seed,
                "errors": given,
                "readings": len(readings),
            }
        )
        return
    if not given:
        note("No error was given: this is a perfect printer, read with a noisy caliper.")
    say(f"Wrote {count(len(readings), 'reading')} of a virtual print to {target.readings_path}.")
    say(f"Now: fitassay diagnose {typed(case)}")
