"""`fitassay trace`: what a sliced file will print of the coupons, before anything is printed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from fitassay.case import Case, Print
from fitassay.coupons.wording import count, shown
from fitassay.options import case_argument, json_option, print_option
from fitassay.terminal import answer, clean, say, table, working
from fitassay.traced import read_trace, trace_path, trace_print

if TYPE_CHECKING:
    from fitassay.analysis.gcode.trace_data import Trace, TracedFeature


@click.command()
@case_argument
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--copy",
    "copies",
    multiple=True,
    metavar="COUPON=N",
    help="Read the N-th of several copies of a coupon, counted from front to back; repeatable.",
)
@click.option(
    "--against",
    "old",
    metavar="OLD",
    type=click.Path(path_type=Path),
    help="Say what changed in the slicing since this older file of the same coupons; nothing is kept.",
)
@print_option
@json_option
def command(
    case: str,
    files: tuple[Path, ...],
    copies: tuple[str, ...],
    old: Path | None,
    number: str | None,
    as_json: bool,
) -> None:
    """Say where a sliced file's path really stands against the coupons, before it is printed.

    FILE is the tool path (RS-274 text) that your slicing program wrote, one a plate. The coupons are found by
    their shape, wherever they lie on the bed; no program's comments are relied on. diagnose then uses the files'
    own paths and seams.
    """
    from fitassay.report.trace_page import write_trace_page

    place = Case.open(case)
    target = place.print(number)
    if old is not None:
        _compare(target, files, old, _choice(copies), as_json)
        return
    with working("Reading the sliced file"):
        machine = place.machine()
        trace = trace_print(target, machine, files, _choice(copies))
        page = write_trace_page(trace, target.folder)
    if as_json:
        from fitassay.analysis.gcode.trace_json import trace_json

        answer(trace_json(trace))
        return
    _tell(trace)
    say()
    say(f"Drawn in {page}, one picture a coupon in {page.with_suffix('')}.")
    say(f"Kept in {trace_path(target)}; diagnose follows these paths from now on.")


def _choice(copies: tuple[str, ...]) -> dict[str, int]:
    """``bore=2`` as coupon and number."""
    choice = {}
    for text in copies:
        key, _, number = text.partition("=")
        if not (key and number.isascii() and number.isdigit() and len(number) < 4):
            raise click.BadParameter(f"say COUPON=N, as in bore=2 (got {shown(text)})", param_hint="--copy")
        choice[key] = int(number)
    return choice


def _compare(
    target: Print, files: tuple[Path, ...], old: Path, choice: dict[str, int], as_json: bool
) -> None:
    """What changed in the slicing, on one screen."""
    with working("Reading both files"):
        from fitassay.analysis.gcode.slicing_compared import rows_of, sentences_of

        machine = target.machine()
        before, now = read_trace(target, machine, old, choice), read_trace(target, machine, files, choice)
        rows, sentences = rows_of(before, now), sentences_of(before, now)
    if as_json:
        answer(
            {
                "schema": 1,
                "old": before.file,
                "new": now.file,
                "figures": [{"what": r.what, "old": r.old, "new": r.new, "changed": r.changed} for r in rows],
                "sentences": list(sentences),
            }
        )
        return
    for sentence in sentences:
        say(sentence)
    changed = [(r.what, r.old, r.new) for r in rows if r.changed]
    say()
    if changed:
        table([("changed", False), (clean(before.file), False), (clean(now.file), False)], changed)
    same = [f"{r.what} {r.new}" for r in rows if not r.changed]
    if same:
        say()
        say(f"As before: {'; '.join(same)}.")


def _tell(trace: Trace) -> None:
    from fitassay.analysis.gcode.slicing_words import slicing_sentences

    for sentence in _first(trace):
        say(sentence)
    _compensation(trace)
    say()
    say("What the slicing did:")
    for sentence in slicing_sentences(trace):
        say(f"- {sentence}")
    say()
    table(
        [("Coupon", False), ("lies", False), ("features", True), ("remark", False)],
        [_coupon_row(trace, key) for key in trace.found],
    )
    if trace.missing:
        say(f"Not in this file: {', '.join(trace.missing)}.")
    rows = [_feature_row(f) for f in trace.features if f.traced and (f.changed or f.seam)]
    if rows:
        say()
        table([("Feature", False), ("path outward", True), ("remark", False)], rows)
    if trace.warnings:
        say()
        say("Before you print:" if len(trace.warnings) > 1 else "Before you print, one thing:")
        for warning in trace.warnings:
            say(f"- {warning}")
    else:
        say()
        say("Nothing speaks against printing this file.")


def _first(trace: Trace) -> list[str]:
    """Where the path stands, and the filament."""
    from fitassay.analysis import rounding

    said = []
    if trace.offset_mm is not None and trace.place is not None:
        offset = rounding.plus_minus(trace.offset_mm, max(trace.offset_u_mm, 5e-4), "mm")
        said.append(
            f"The path stands {offset} (k = 2) outward of its ideal place, half a bead inside the outline."
        )
        sides = [
            f"{axis} {rounding.fixed(mean - trace.place.offset + trace.offset_mm, 3, signed=True)} mm "
            f"(spread {rounding.fixed(spread, 3)})"
            for axis, (mean, spread) in zip("xy", trace.place.axes, strict=True)
            if np.isfinite(mean)
        ]
        if sides:
            said.append(f"By the way the flanks face: {'; '.join(sides)}.")
    if trace.bead is not None:
        width, profile = rounding.fixed(trace.bead.width, 3), rounding.exact(trace.bead.profile)
        said.append(f"The bead commanded is {width} mm wide; the profile says {profile} mm.")
    walls = "".join(
        f", {trace.piece_filament_mm.get(key, length):.1f} mm of it in the single-wall coupon {key} ({length:.1f} mm "
        "without mark and foot)"
        for key, length in trace.wall_filament_mm.items()
    )
    said.append(f"The file prints {trace.filament_mm:.0f} mm of filament{walls}.")
    return said


def _compensation(trace: Trace) -> None:
    """The table of what to set for outsides and for openings."""
    from fitassay.analysis import rounding
    from fitassay.analysis.gcode.slicing_words import NOTHING_MM, changes_of

    changes = changes_of(trace)
    if not changes:
        return
    say()
    if all(abs(c.stands_mm) < NOTHING_MM for c in changes):
        say("Size compensation: nothing to change, the path stands in its place.")
        return

    def signed(value: float) -> str:
        return f"{rounding.fixed(value, 3, signed=True)} mm"

    say(
        "Size compensation: add to what is set now (positive makes the size larger), if it is not there on purpose"
    )
    table(
        [
            ("of", False),
            ("path outward", True),
            ("size comes out", True),
            ("add per side", True),
            ("or in all", True),
        ],
        [
            (c.what, signed(c.stands_mm), signed(c.size_mm), signed(c.per_side_mm), signed(c.in_all_mm))
            for c in changes
        ],
    )


def _coupon_row(trace: Trace, key: str) -> tuple[str, ...]:
    paths = trace.found[key]
    features = [f for f in trace.features if f.coupon == key]
    remarks = [paths.wall] if paths.wall else []
    seams = sum(f.seam for f in features)
    if seams:
        remarks.append(f"seam under the jaws of {count(seams, 'feature')}")
    changed = sum(f.changed for f in features)
    if changed:
        remarks.append(f"backlash acts otherwise on {count(changed, 'feature')}")
    return key, paths.place.turn.text or "as drawn", str(len(features)), "; ".join(remarks)


def _feature_row(traced: TracedFeature) -> tuple[str, ...]:
    from fitassay.analysis import rounding

    offset = "not seen"
    if np.isfinite(traced.offset_mm):
        offset = f"{rounding.fixed(traced.offset_mm, 3, signed=True)} mm"
    remarks = ["seam under a jaw"] if traced.seam else []
    for axis, ideal, here in zip(traced.axes, traced.ideal_gains, traced.gains, strict=True):
        if abs(here - ideal) > 0.05:
            fixed = [rounding.fixed(g, 2, signed=True) for g in (here, ideal)]
            what = f"backlash in {axis}" if axis in "xy" else f"play of belt {axis}"
            remarks.append(f"counts {what} {fixed[0]} times, ideally {fixed[1]}")
    return f"{traced.coupon} {traced.feature.id}", offset, "; ".join(remarks)
