"""`fitassay trace`: what a sliced file will print of the coupons, before anything is printed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from fitassay.case import Case
from fitassay.coupons.wording import count
from fitassay.options import case_argument, json_option, print_option
from fitassay.terminal import answer, say, table, working
from fitassay.traced import trace_path, trace_print

if TYPE_CHECKING:
    from fitassay.analysis.gcode.trace_data import Trace, TracedFeature


@click.command()
@case_argument
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path))
@print_option
@json_option
def command(case: str, files: tuple[Path, ...], number: str | None, as_json: bool) -> None:
    """Say where a sliced file's path really stands against the coupons, before it is printed.

    FILE is the tool path (RS-274 text) that your slicing program wrote, one a plate. The coupons are found by
    their shape, wherever they lie on the bed; no program's comments are relied on. diagnose then uses the files'
    own paths and seams.
    """
    place = Case.open(case)
    target = place.print(number)
    with working("Reading the sliced file"):
        machine = place.machine()
        trace = trace_print(target, machine, files)
    if as_json:
        from fitassay.analysis.gcode.trace_json import trace_json

        answer(trace_json(trace))
        return
    _tell(trace)
    say()
    say(f"Kept in {trace_path(target)}; diagnose follows these paths from now on.")


def _tell(trace: Trace) -> None:
    for sentence in _first(trace):
        say(sentence)
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
    """The figures, the path's place first."""
    from fitassay.analysis import rounding
    from fitassay.analysis.gcode.trace_words import direction_text, order_text, walls_of

    said = []
    if trace.offset_mm is not None and trace.place is not None:
        offset = rounding.plus_minus(trace.offset_mm, max(trace.place.u, 5e-4), "mm")
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
        if trace.bead.flow is not None:
            said.append(
                f"The filament fed is {100 * trace.bead.flow:.1f} % of what beads of that width take."
            )
    walls = "".join(
        f", {trace.piece_filament_mm.get(key, length):.1f} mm of it in the single-wall coupon {key} ({length:.1f} mm "
        "without mark and foot)"
        for key, length in trace.wall_filament_mm.items()
    )
    said.append(f"The file prints {trace.filament_mm:.0f} mm of filament{walls}.")
    speed = f" at {trace.speed_mm_s:.0f} mm/s" if np.isfinite(trace.speed_mm_s) else ""
    said.append(
        f"{count(trace.layers, 'layer')}, {rounding.fixed(trace.layer_height_mm, 3)} mm thick where measured, the "
        f"first {rounding.fixed(trace.first_layer_mm, 3)} mm; outer walls{speed}."
    )
    said.append(
        f"{count(walls_of(trace), 'wall')} side by side, {order_text(trace)}; {direction_text(trace)}."
    )
    return said


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
