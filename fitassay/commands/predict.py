"""`fitassay predict`: what the printer will make of a drawing, which pairs go together, and what to draw instead."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fitassay.case import Case, Print
from fitassay.chosen import judged_print
from fitassay.coupons.errors import InputError
from fitassay.options import Length, Number, carry_option, case_argument, json_option, print_option
from fitassay.terminal import answer, say, table, working

if TYPE_CHECKING:
    from fitassay.analysis.parts.fits import HeldGrade
    from fitassay.analysis.parts.pairs import Pair, PairPrediction
    from fitassay.analysis.parts.size_list import PartList, Wish
    from fitassay.analysis.parts.sizes import Spread, State


LADDER_MM = 4.0
"""Largest clearance of a fit-ladder's middle rung [mm]."""

SEEN_MM = 0.005
"""Contributions below this are not worth a line [mm]."""


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
                f"{value!r} is not a pair; write the peg's and the hole's size, as in 8.0,8.2", param, ctx
            )
        try:
            return parse_length(parts[0]), parse_length(parts[1])
        except ValueError as exc:
            self.fail(str(exc), param, ctx)


@click.command()
@case_argument
@print_option
@click.option(
    "--pair",
    "pairs",
    type=TwoLengths(),
    multiple=True,
    metavar="PEG,HOLE",
    help="Drawn sizes in mm; repeatable.",
)
@click.option(
    "--features", type=click.Path(path_type=Path), metavar="FILE", help="A CSV of your own sizes and pairs."
)
@click.option("--square", is_flag=True, help="The pairs are square; round unless given.")
@click.option("--turns", is_flag=True, help="The pegs must turn in their holes.")
@click.option(
    "--rotation",
    type=Number("degree"),
    default=0.0,
    help="By how much a peg is turned against how it was printed when it is put in, in degrees.",
)
@click.option("--clearance", type=Number("mm"), help="The clearance you want; tells the peg to draw.")
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
    square: bool,
    turns: bool,
    rotation: float,
    clearance: float | None,
    fit: str | None,
    size: float | None,
    scatter: float | None,
    carry: str | None,
    as_json: bool,
) -> None:
    """Foretell how pegs and holes will fit, and what to draw so that they do.

    Clearances are of diameters; negative means that the peg is too thick. Without a pair or a list, only the
    grades that the printer holds are shown.
    """
    from fitassay.analysis.parts.iso286 import parse_fit
    from fitassay.analysis.parts.pairs import Pair
    from fitassay.analysis.parts.size_list import PartList, Wish, read_part_list

    place = Case.open(case)
    target = judged_print(place, number)
    parts = read_part_list(features) if features else PartList(sizes=(), pairs=())
    try:
        wish = Wish(clearance=clearance, fit=parse_fit(fit) if fit else None)
    except ValueError as exc:
        raise InputError(str(exc), "--fit") from exc
    asked = [
        (
            Pair(
                peg=peg,
                hole=hole,
                shape="square" if square else "round",
                turns=turns,
                rotation=math.radians(rotation),
                name=f"{peg:g} in {hole:g}",
            ),
            wish,
        )
        for peg, hole in pairs
    ]
    _check_belongings(pairs, fit, size, clearance, turns, rotation)
    try:
        with working("Working out the sizes"):
            result = _result(target, carry, scatter, [*asked, *parts.pairs], parts, fit, size, square)
    except InputError as exc:
        if exc.place != "predict":
            raise
        raise InputError(exc.message, str(features) if features and not pairs else "--pair") from exc
    if as_json:
        answer(result)
        return
    _show(result)


def _check_belongings(
    pairs: tuple[tuple[float, float], ...],
    fit: str | None,
    size: float | None,
    clearance: float | None,
    turns: bool,
    rotation: float,
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
    square: bool,
) -> dict[str, Any]:
    """All that was asked for, as data."""
    from fitassay.analysis.parts.fits import held_grades
    from fitassay.analysis.parts.iso286 import parse_fit
    from fitassay.analysis.parts.pairs import predict_pairs
    from fitassay.analysis.parts.sizes import predict_size, size_contributions
    from fitassay.inputs import read_inputs, state_of

    inputs = read_inputs(target, carry=carry)
    diagnosis = inputs.diagnose()
    state = state_of(diagnosis, inputs.machine, scatter)
    fits = []
    if fit and size is not None:
        fits.append(_fit_data(size, parse_fit(fit), state, "square" if square else "round"))
    return {
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
                "printed_mm": _spread_data(predict_size(s, state)),
                "contributions_mm": size_contributions(s, state),
            }
            for name, s in parts.sizes
        ],
        "pairs": [
            _pair_data(pair, wish, got, state)
            for (pair, wish), got in zip(pairs, predict_pairs(tuple(p for p, _ in pairs), state), strict=True)
        ],
        "fits": fits,
        "grades": [_grade_data(g) for g in held_grades(state)],
        "grades_mended": [_grade_data(g) for g in held_grades(state, mended=True)],
    }


def _spread_data(s: Spread) -> dict[str, float]:
    return {
        "mean": s.mean,
        "std_uncertainty": s.u,
        "low": s.low,
        "high": s.high,
        "probability_negative": s.p_negative,
    }


def _pair_data(pair: Pair, wish: Wish, got: PairPrediction, state: State) -> dict[str, Any]:
    from fitassay.analysis.parts.pairs import peg_for_clearance

    data: dict[str, Any] = {
        "name": pair.name,
        "peg_mm": pair.peg,
        "hole_mm": pair.hole,
        "shape": pair.shape,
        "turns": pair.turns,
        "rotation_deg": math.degrees(pair.rotation),
        "by_caliper_x_mm": _spread_data(got.by_caliper[0]),
        "by_caliper_y_mm": _spread_data(got.by_caliper[1]),
        "put_together_mm": _spread_data(got.sits),
        "turning_mm": _spread_data(got.turns) if got.turns else None,
        "contributions_mm": got.contributions_mm,
    }
    if wish.clearance is not None and not pair.exact_peg:
        data["wanted_clearance_mm"] = wish.clearance
        data["peg_to_draw_mm"] = peg_for_clearance(pair, wish.clearance, state)
    if wish.fit is not None:
        data["fit"] = _fit_data(pair.hole, wish.fit, state, pair.shape)
    return data


def _fit_data(nominal: float, fit: Any, state: State, shape: Any) -> dict[str, Any]:
    from fitassay.analysis.parts.fits import draw_for_fit

    got = draw_for_fit(nominal, fit, state, shape)
    return {
        "fit": str(fit),
        "nominal_mm": nominal,
        "hole_limits_mm": list(got.hole_limits),
        "shaft_limits_mm": list(got.shaft_limits),
        "hole_to_draw_mm": got.draw_hole,
        "shaft_to_draw_mm": got.draw_shaft,
        "probability_hole": got.p_hole,
        "probability_shaft": got.p_shaft,
    }


def _grade_data(g: HeldGrade) -> dict[str, Any]:
    return {"over_mm": g.over, "to_mm": g.to, "zone_mm": g.width_mm, "grade": g.grade, "set_by": g.worst}


def _play(pair: dict[str, Any]) -> float:
    """What backlash takes of the clearance [mm]."""
    from fitassay.analysis.terms import NAMES, PLAYS

    return sum(v for n, v in pair["contributions_mm"].items() if n in {NAMES[i] for i in PLAYS})


def _length(s: dict[str, float], signed: bool = True) -> str:
    from fitassay.analysis.rounding import plus_minus

    return plus_minus(s["mean"], s["std_uncertainty"], "mm", signed=signed)


def _show(result: dict[str, Any]) -> None:
    if result["status"] == "unexplained":
        say("Careful: the readings do not fit together, so what follows may be wrong; see diagnose.")
    for pair in result["pairs"]:
        _show_pair(pair)
    for fit in result["fits"]:
        _show_fit(fit)
        say()
    if result["sizes"]:
        rows = [
            (s["name"], s["kind"], s["axis"], f"{s['nominal_mm']:g}", _length(s["printed_mm"], signed=False))
            for s in result["sizes"]
        ]
        table(
            [("size", False), ("kind", False), ("axis", False), ("drawn", True), ("printed (k = 2)", False)],
            rows,
        )
        say()
    _show_grades(result)
    if result["not_measured"]:
        say(f"Hardly measured, so taken with wide doubt: {', '.join(result['not_measured'])}.")


def _show_pair(pair: dict[str, Any]) -> None:
    from fitassay.analysis.rounding import probability
    from fitassay.labels import term_label

    say(f"{pair['name']} mm, {pair['shape']}")
    rows = [
        ("calipers will read hole less peg, in x", _length(pair["by_caliper_x_mm"])),
        ("the same in y", _length(pair["by_caliper_y_mm"])),
        ("clearance as put together", _length(pair["put_together_mm"])),
    ]
    if pair["turning_mm"]:
        rows.append(("tightest clearance when it turns", _length(pair["turning_mm"])))
    for label, text in rows:
        say(f"  {label:<40} {text}")
    if pair["shape"] == "round" and abs(_play(pair)) >= SEEN_MM:
        say(
            "backlash shifts the halves of peg and hole against each other: less room than calipers tell",
            indent="  ",
        )
    decisive = pair["turning_mm"] or pair["put_together_mm"]
    p = decisive["probability_negative"]
    word = "binds when it turns" if pair["turning_mm"] else "is too tight"
    say(f"  probability that it {word}: {probability(p)}")
    drawn = pair["hole_mm"] - pair["peg_mm"]
    parts = [
        f"{term_label(n)} {'takes' if v < 0 else 'gives'} {abs(v):.3f}"
        for n, v in pair["contributions_mm"].items()
        if abs(v) >= SEEN_MM
    ]
    if parts:
        say(f"of the {drawn:.3g} mm drawn, {', '.join(parts)} mm", indent="  ")
    if "peg_to_draw_mm" in pair:
        say(
            f"  for {pair['wanted_clearance_mm']:g} mm draw the peg {pair['peg_to_draw_mm']:.2f} mm, "
            "the hole as it is"
        )
    if "peg_to_draw_mm" in pair and pair["shape"] == "round":
        drawn = max(pair["hole_mm"] - pair["peg_to_draw_mm"], 0.0)
        if drawn <= LADDER_MM:
            say(
                f"  to try it by hand first: fitassay make CASE --new-print --family fit-ladder "
                f"--clearance {drawn:.2f} --clearance-step 0.05"
            )
    if "fit" in pair:
        _show_fit(pair["fit"])
    say()


def _show_fit(fit: dict[str, Any]) -> None:
    from fitassay.analysis.rounding import probability

    hole, shaft = fit["hole_limits_mm"], fit["shaft_limits_mm"]
    say(f"  {fit['nominal_mm']:g} {fit['fit']} (ISO 286-1)")
    for name, limits, draw, p in (
        ("hole", hole, fit["hole_to_draw_mm"], fit["probability_hole"]),
        ("peg", shaft, fit["shaft_to_draw_mm"], fit["probability_shaft"]),
    ):
        say(
            f"    {name:<5} {limits[0]:.3f} to {limits[1]:.3f} mm: draw {draw:.3f} mm; "
            f"x and y both within: {probability(p)}"
        )


def _show_grades(result: dict[str, Any]) -> None:
    rows = []
    for now, then in zip(result["grades"], result["grades_mended"], strict=True):
        rows.append(
            (
                f"{now['over_mm']:g} to {now['to_mm']:g}",
                _grade(now["grade"]),
                f"{now['zone_mm']:.2f}",
                _grade(then["grade"]),
                now["set_by"],
            )
        )
    say("ISO 286-1 grades that hold 95 % of sizes drawn at their nominal:")
    table(
        [
            ("sizes, mm", False),
            ("now", False),
            ("zone now, mm", True),
            ("once mended", False),
            ("set by", False),
        ],
        rows,
    )


def _grade(grade: int | None) -> str:
    return f"IT{grade}" if grade else "beyond IT18"
