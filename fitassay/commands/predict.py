"""`fitassay predict`: what the printer will make of a drawing, which pairs go together, and what to draw instead."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fitassay.analysis.chain.shapes import PROFILES, SHAPES
from fitassay.case import Case, Print
from fitassay.chosen import judged_print
from fitassay.coupons.errors import InputError
from fitassay.coupons.wording import shown
from fitassay.options import (
    Length,
    Number,
    carry_option,
    case_argument,
    file_option,
    json_option,
    judged_option,
)
from fitassay.terminal import answer, typed, working

if TYPE_CHECKING:
    from fitassay.analysis.chain.shapes import Shape
    from fitassay.analysis.parts.pairs import Pair
    from fitassay.analysis.parts.part_file import Part
    from fitassay.analysis.parts.size_list import PartList, Wish


class TwoLengths(click.ParamType):
    """``PEG,HOLE`` [mm]; with decimal commas, ``PEG;HOLE``."""

    name = "peg,hole"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        from fitassay.coupons.numbers import parse_length

        if isinstance(value, tuple):
            return value
        parts = value.split(";") if ";" in value else value.split(",")
        if len(parts) != 2:
            self.fail(
                f"{shown(str(value))} is not a pair; write the peg's and the hole's size, as in 8.0,8.2",
                param,
                ctx,
            )
        try:
            return parse_length(parts[0]), parse_length(parts[1])
        except ValueError as exc:
            self.fail(str(exc), param, ctx)


@click.command()
@case_argument
@judged_option
@click.option(
    "--pair",
    "pairs",
    type=TwoLengths(),
    multiple=True,
    metavar="PEG,HOLE",
    help="Drawn sizes in mm; repeatable.",
)
@file_option("--features", help="A CSV of your own sizes and pairs.")
@file_option(
    "--part",
    help="Your own part, STL or 3MF, as you will print it.",
)
@file_option(
    "--with",
    "other",
    help="The part that it goes together with.",
)
@click.option("--unit", metavar="UNIT", help="What the numbers of an STL mean: mm, cm, m, inch or micron.")
@click.option(
    "--chart",
    is_flag=True,
    help="Make the wall chart: what to draw for every ordinary fit, as a page and a PDF.",
)
@click.option(
    "--shape",
    type=click.Choice(SHAPES),
    help="What the pairs are; round unless given. Of joints along an edge sizes are widths, the tongue's first.",
)
@click.option("--square", is_flag=True, help="The same as --shape square.")
@click.option(
    "--across",
    type=click.Choice(("x", "y")),
    help="The printer's axis along which the width of such a joint lies; unless given, both are allowed for.",
)
@click.option("--turns", is_flag=True, help="The pegs must turn in their holes.")
@click.option(
    "--rotation",
    type=Number("degree"),
    default=0.0,
    help="By how much a peg is turned against how it was printed when it is put in, in degrees.",
)
@click.option(
    "--flipped/--as-printed",
    "flipped",
    default=None,
    help="The pegs are put in upside down, or the way up they were printed; unless given, both are allowed for.",
)
@click.option("--clearance", type=Number("mm"), help="The clearance you want; tells the peg to draw.")
@click.option(
    "--ring",
    type=Length(),
    help="Outside diameter of the wall about the hole: tells how a press fit strains.",
)
@click.option(
    "--modulus",
    type=Number("MPa", low=1.0),
    default=2000.0,
    show_default=True,
    help="The plastic's stiffness, as printed.",
)
@click.option(
    "--yield",
    "strength",
    type=Number("MPa", low=0.1),
    default=30.0,
    show_default=True,
    help="Where it yields, as printed.",
)
@click.option("--fit", metavar="H11/c11", help="The ISO 286 fit you want; tells both sizes to draw.")
@click.option("--size", type=Length(), help="Nominal size of that fit; the holes of the pairs unless given.")
@click.option(
    "--scatter",
    type=Number("mm", low=0.0, high=1.0),
    help="Standard deviation of one printed size from piece to piece; from the readings unless given.",
)
@carry_option
@json_option
def command(
    case: str,
    number: str | None,
    pairs: tuple[tuple[float, float], ...],
    features: Path | None,
    part: Path | None,
    other: Path | None,
    unit: str | None,
    chart: bool,
    shape: str | None,
    square: bool,
    across: str | None,
    turns: bool,
    rotation: float,
    flipped: bool | None,
    clearance: float | None,
    ring: float | None,
    modulus: float,
    strength: float,
    fit: str | None,
    size: float | None,
    scatter: float | None,
    carry: str | None,
    as_json: bool,
) -> None:
    """Foretell how pegs and holes will fit, and what to draw so that they do.

    Clearances are of diameters; negative means that the peg is too thick. Without a pair, a list or a part, the
    joints of the case's joints.csv are foretold, if it has one, and the grades that the printer holds. With a part of
    your own, its round holes and bosses, slots, tongues, openings and outlines are found in the mesh, numbered on a
    picture, and foretold each.
    """
    from fitassay.analysis.parts.iso286 import parse_fit
    from fitassay.analysis.parts.joints import joints_in
    from fitassay.analysis.parts.pairs import Pair
    from fitassay.analysis.parts.size_list import PartList, Wish, read_part_list
    from fitassay.report.part_answer import read_both

    place = Case.open(case)
    target = judged_print(place, number)
    if chart:
        from fitassay.report.chart_answer import show_chart

        show_chart(target, carry, scatter, as_json)
        return
    parts = PartList(sizes=(), pairs=())
    if features:
        parts = read_part_list(features, target.machine().line_width_mm)
    try:
        wish = Wish(clearance=clearance, fit=parse_fit(fit) if fit else None)
    except ValueError as exc:
        raise InputError(str(exc), "--fit") from exc
    kind = _shape(shape, square, across, pairs)
    asked = [
        (
            Pair(
                peg=peg,
                hole=hole,
                shape=kind,
                across=across or "",  # type: ignore[arg-type]
                turns=turns,
                rotation=math.radians(rotation),
                flipped=flipped,
                name=f"{peg:g} in {hole:g}",
            ),
            wish,
        )
        for peg, hole in pairs
    ]
    _check_belongings(pairs, fit, size, clearance, turns, rotation, ring)
    if flipped is not None and not pairs and part is None:
        raise InputError("is said of a pair or a part; add one, such as --pair 8.0,8.2", "--flipped")
    bodies = read_both(part, other, unit)
    if not pairs and features is None and not bodies:
        asked = [(j.pair, Wish()) for j in joints_in(place.path)]
    try:
        with working("Working out the sizes") as tell:
            result = _result(
                target,
                carry,
                scatter,
                [*asked, *parts.pairs],
                parts,
                fit,
                size,
                kind,
                bodies,
                flipped,
                tell,
            )
    except InputError as exc:
        if exc.place != "predict":
            raise
        from fitassay.joint_words import row_of

        listed_in = "--pair" if pairs else str(features or row_of(place, exc))
        raise InputError(exc.message, listed_in) from exc
    if ring is not None:
        for data in result["pairs"][: len(pairs)]:
            data["press"] = _press_data(data, ring, modulus, strength)
    if as_json:
        answer(result)
        return
    from fitassay.report.prediction_text import show_prediction

    show_prediction(result, typed(case))


def _press_data(pair: dict[str, Any], ring: float, modulus: float, strength: float) -> dict[str, Any]:
    """What the interference of a pair does to the wall about its hole, at its mean and at both ends."""
    from dataclasses import asdict

    from fitassay.analysis.parts.press_fit import press_fit

    sits = pair["put_together_mm"]
    return {
        name: asdict(press_fit(-sits[end], pair["hole_mm"], ring, modulus, strength))
        for name, end in (("low", "high"), ("mean", "mean"), ("high", "low"))
    }


def _shape(
    shape: str | None, square: bool, across: str | None, pairs: tuple[tuple[float, float], ...]
) -> Shape:
    """What the pairs of the command line are."""
    if square and shape not in (None, "square"):
        raise InputError(f"is not --shape {shape}; leave one of them out", "--square")
    if shape is not None and not pairs:
        raise InputError("is said of a pair; add one, such as --pair 8.0,8.2", "--shape")
    kind = "square" if square else shape or "round"
    if across is not None and kind not in PROFILES:
        raise InputError("is said of a joint along an edge; add one, such as --shape slot", "--across")
    return kind  # type: ignore[return-value]


def _check_belongings(
    pairs: tuple[tuple[float, float], ...],
    fit: str | None,
    size: float | None,
    clearance: float | None,
    turns: bool,
    rotation: float,
    ring: float | None,
) -> None:
    """Refuse options that would be passed over in silence; those of a list stand in the list."""
    if fit and size is None and not pairs:
        raise InputError("a fit needs a size; add --size or a --pair", "--fit")
    if size is not None and not fit:
        raise InputError("is the size of a fit; add --fit, such as --fit H11/c11", "--size")
    if pairs:
        return
    for given, name in (
        (clearance is not None, "clearance"),
        (turns, "turns"),
        (ring is not None, "ring"),
        (rotation != 0.0, "rotation"),
    ):
        if given:
            raise InputError("is said of a pair; add one, such as --pair 8.0,8.2", f"--{name}")


def _result(
    target: Print,
    carry: str | None,
    scatter: float | None,
    pairs: list[tuple[Pair, Wish]],
    parts: PartList,
    fit: str | None,
    size: float | None,
    shape: Shape,
    bodies: tuple[Part, ...],
    flipped: bool | None,
    tell: Callable[[str], None],
) -> dict[str, Any]:
    """All that was asked for, as data; `tell` is told how far it is."""
    from fitassay.analysis.parts.fits import held_grades
    from fitassay.analysis.parts.iso286 import parse_fit
    from fitassay.analysis.parts.pairs import predict_pairs
    from fitassay.analysis.parts.sizes import predict_size, size_contributions
    from fitassay.inputs import read_inputs, state_of
    from fitassay.report.part_answer import part_result
    from fitassay.report.prediction_data import fit_data, grade_data, pair_data, pegs_to_draw, spread_data
    from fitassay.withheld import withhold

    inputs = read_inputs(target, carry=carry)
    diagnosis = inputs.diagnose()
    state = state_of(diagnosis, inputs.machine, scatter, inputs.trace)
    joints = tuple(p for p, _ in pairs)
    got = predict_pairs(
        joints, state, lambda done: tell(f"Working out the sizes: {done:,} of {len(joints):,} pairs")
    )
    fits = [fit_data(size, parse_fit(fit), state, shape)] if fit and size is not None else []
    own = part_result(bodies, state, target.folder, flipped) if bodies else {"parts": [], "joints": []}
    found = {
        **own,
        "schema": 1,
        "print": target.name,
        "status": diagnosis.verdict.status,
        "scatter_mm": state.scatter_mm,
        "not_measured": [t.label for t in diagnosis.terms if t.kind == "printer" and t.informed < 0.3],
        "sizes": [
            {
                "name": name,
                "kind": s.side,
                "shape": s.shape,
                "axis": s.axis,
                "nominal_mm": s.nominal,
                "printed_mm": spread_data(predict_size(s, state)),
                "contributions_mm": size_contributions(s, state),
            }
            for name, s in parts.sizes
        ],
        "pairs": [
            pair_data(pair, wish, prediction, peg, state)
            for (pair, wish), prediction, peg in zip(pairs, got, pegs_to_draw(pairs, state), strict=True)
        ],
        "fits": fits,
        "grades": [grade_data(g) for g in held_grades(state)],
        "grades_mended": [grade_data(g) for g in held_grades(state, mended=True)],
    }
    return withhold(found, inputs.machine)
