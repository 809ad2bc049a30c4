"""`fitassay correct`: the user's own part drawn wrong on purpose, so that this printer makes it right."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fitassay.case import Case
from fitassay.chosen import judged_print
from fitassay.coupons.errors import InputError, JobError
from fitassay.coupons.wording import count, quoted, typed
from fitassay.names import error_names, named
from fitassay.options import carry_option, case_argument, file_option, json_option, judged_option
from fitassay.terminal import answer, note, say, table, working
from fitassay.withheld import withheld_sentence

if TYPE_CHECKING:
    import numpy as np

    from fitassay.analysis.parts.correct import Correction
    from fitassay.analysis.parts.part_file import Part
    from fitassay.analysis.parts.residuals import Residual
    from fitassay.analysis.parts.sizes import State
    from fitassay.analysis.parts.virtual_print import Proof
    from fitassay.coupons.machine import Kinematics

# Printers drawn from the posterior for the virtual print, the estimate itself among them.
PRINTERS = 4


@click.command()
@case_argument
@click.argument("part", metavar="PART", type=click.Path(path_type=Path))
@file_option(
    "-o",
    "--out",
    required=True,
    help="The part to print: .stl or .3mf.",
)
@judged_option
@click.option("--unit", metavar="UNIT", help="What the numbers of an STL mean: mm, cm, m, inch or micron.")
@click.option(
    "--leave",
    multiple=True,
    metavar="ERROR",
    help='Do not correct this error, by the name that diagnose shows, e.g. "bead width", because you will mend its '
    "setting; repeatable.",
)
@click.option("--thin", is_flag=True, help="Let walls pass that become thinner than one bead.")
@click.option("--force", is_flag=True, help="Replace FILE if it is there.")
@carry_option
@json_option
def command(
    case: str,
    part: Path,
    out: Path,
    number: str | None,
    unit: str | None,
    leave: tuple[str, ...],
    thin: bool,
    force: bool,
    carry: str | None,
    as_json: bool,
) -> None:
    """Pre-compensate a part of your own, for a machine whose settings cannot do it.

    PART is an STL or 3MF in the printer's axes: lay it as it will be printed, and do not turn it afterwards. The
    settings must stay as they were for these readings; what you mend by a setting, leave out here.
    """
    place = Case.open(case)
    target = judged_print(place, number)
    leave = tuple(named(name, error_names(), "error", "--leave") for name in leave)
    _check_names(part, out, force)
    with working("Reading the part"):
        from fitassay.analysis.parts.part_file import check_size, read_parts

        parts, notes = read_parts(part, unit)
        check_size(parts, str(part))
    with working("Working out the errors"):
        from fitassay.inputs import read_inputs, state_of

        inputs = read_inputs(target, carry=carry)
        diagnosis, machine = inputs.diagnose(), inputs.machine
    if diagnosis.verdict.status == "unexplained":
        raise JobError(
            "the readings do not fit together, so there is nothing sure to correct by; see "
            + quoted(f"fitassay diagnose {typed(case)}")
        )
    state = _left_out(state_of(diagnosis, machine), leave, machine.kinematics)
    with working("Correcting and printing virtually"):
        pivot = _common_pivot(parts)
        done = [_of_file(part, p, state, machine.layer_height_mm, thin, pivot) for p in parts]
    for text in notes:
        note(f"Note: {text}")
    _write(part, out, tuple(d["part"] for d in done))
    data = {
        "schema": 1,
        "file": str(out),
        "print": target.name,
        "bodies": [_data(d) for d in done],
        "withheld": withheld_sentence(machine),
    }
    if as_json:
        answer(data)
        return
    _show(data)


def _write(part: Path, out: Path, done: tuple[Part, ...]) -> None:
    """The parts in their own package where they came in one; else alone."""
    from fitassay.analysis.parts.part_file import write_parts
    from fitassay.analysis.parts.threemf_rewrite import rewritten
    from fitassay.coupons.files import write_atomic

    from_package = out.suffix.lower() == ".3mf" and all(p.origin is not None for p in done)
    package = rewritten(part, done) if from_package else None
    if package is not None:
        write_atomic(out, package)
        return
    if from_package:
        note(
            f"Note: {part.name} could not be kept as it is (an object is placed more than once, or its text is in "
            "a rare encoding), so its bodies are written alone, without colours and materials."
        )
    write_parts(out, done, out.stem)


def _check_names(part: Path, out: Path, force: bool) -> None:
    if out.suffix.lower() not in (".stl", ".3mf"):
        raise InputError("the name must end in .stl or .3mf", str(out))
    if out.exists():
        if part.exists() and out.samefile(part):
            raise InputError(
                "is the part itself; choose another name, so that your drawing is kept", str(out)
            )
        if not force:
            raise InputError("is there already; choose another name or give --force", str(out))


def _left_out(state: State, leave: tuple[str, ...], kinematics: Kinematics) -> State:
    from fitassay.analysis.controls import NO_CONSTANT
    from fitassay.analysis.terms import INDEX, withheld_on

    if "bore_closure" in leave:
        # A setting is to bring holes right, and what the one in force does belongs to it.
        state = replace(state, holes=NO_CONSTANT)
    return state.without([*(INDEX[name] for name in leave), *withheld_on(kinematics)])


def _common_pivot(parts: tuple[Part, ...]) -> Any:
    """What stays in place, the same for all bodies, so that they keep their places to each other."""
    import numpy as np

    from fitassay.analysis.parts.correct import base_middle

    bounds = np.array([p.bounds for p in parts])
    return base_middle(np.array([bounds[:, 0].min(axis=0), bounds[:, 1].max(axis=0)]))


def _of_file(path: Path, part: Part, state: State, layer: float, thin: bool, pivot: Any) -> dict[str, Any]:
    """`_one`, whose refusals name the file beside the body."""
    try:
        return _one(part, state, layer, thin, pivot)
    except InputError as exc:
        if str(path) in exc.place:
            raise
        raise InputError(exc.message, f"{path}, body {exc.place or part.name}") from exc


def _one(part: Part, state: State, layer: float, thin: bool, pivot: Any) -> dict[str, Any]:
    from fitassay.analysis.parts.check import check
    from fitassay.analysis.parts.correct import correct, scaled_alone
    from fitassay.analysis.parts.residuals import Dimensions
    from fitassay.analysis.parts.virtual_print import prove

    jumps = bool(state.habits.jumps)

    def corrected(extra: np.ndarray | None = None) -> Correction:
        mean, width = state.posterior.mean, state.width
        return correct(part, mean, width, layer, pivot=pivot, extra=extra, holes=state.holes, jumps=jumps)

    done, residuals = Dimensions(part, state).refine(corrected(), corrected)
    check(part, done, state.width, layer, thin=thin)
    scaled = scaled_alone(part, state.posterior.mean, state.width)
    printers = state.draws(max(2, PRINTERS))
    printers[0] = state.posterior.mean
    proof = prove(part, scaled, done.part, printers, state.width, state.holes, jumps=jumps)
    if proof.after.mean_mm >= proof.before.mean_mm:
        raise JobError(
            f"{part.name}: by the virtual print the corrected part would not come out nearer its drawing "
            f"({proof.before.mean_mm:.3f} mm before, {proof.after.mean_mm:.3f} mm after), so nothing was written"
        )
    return {"part": done.part, "correction": done, "residuals": residuals, "proof": proof}


def _data(done: dict[str, Any]) -> dict[str, Any]:
    correction, proof = done["correction"], done["proof"]
    size, where = correction.largest
    return {
        "name": done["part"].name,
        "facets": len(done["part"].faces),
        "round_bores": correction.bores > 0,
        "largest_move_mm": size,
        "largest_move_at_mm": list(where),
        "notes": list(correction.notes),
        "dimensions": [_dimension_data(r) for r in done["residuals"]],
        "virtual_print": _proof_data(proof),
    }


def _dimension_data(residual: Residual) -> dict[str, Any]:
    return {
        "number": residual.number,
        "kind": residual.kind,
        "direction_deg": math.degrees(residual.direction_rad),
        "wanted_mm": residual.nominal_mm,
        "missing_as_drawn_mm": residual.before_mm,
        "missing_corrected_mm": residual.left_mm,
        "uneven_mm": residual.uneven_mm,
        "std_uncertainty_mm": residual.u_mm,
        "worth_naming": residual.worth_naming,
    }


def _proof_data(proof: Proof) -> dict[str, Any]:
    return {
        "printers": proof.printers,
        "heights_mm": list(proof.heights),
        **{
            name: {"mean_mm": m.mean_mm, "worst_mm": m.worst_mm, "points": m.points, "lost": m.lost}
            for name, m in (
                ("as_drawn", proof.before),
                ("scaled_only", proof.scaled),
                ("corrected", proof.after),
            )
        },
    }


def _show(data: dict[str, Any]) -> None:
    for body in data["bodies"]:
        x, y, z = body["largest_move_at_mm"]
        say(
            f"{body['name']}: {body['facets']} facets, moved by up to {body['largest_move_mm']:.3f} mm "
            f"(at {x:.1f}, {y:.1f}, {z:.1f} mm)."
        )
        proof = body["virtual_print"]
        rows = [
            (label, f"{proof[key]['mean_mm']:.3f}", f"{proof[key]['worst_mm']:.3f}")
            for label, key in (
                ("as drawn", "as_drawn"),
                ("scaled alone", "scaled_only"),
                ("corrected", "corrected"),
            )
        ]
        say("Walls of the virtual print stand off their drawing by, in mm:")
        table([("part", False), ("on average", True), ("at worst", True)], rows)
        _show_dimensions(body["dimensions"])
        for text in body["notes"]:
            say(f"Note: {text}")
    say(f"Wrote {data['file']}{', in millimetres' if data['file'].lower().endswith('.stl') else ''}.")
    say(
        "Print it as it lies, not turned and not scaled, at the settings of these readings. Heights follow scale "
        "alone; the foot's flare and the first-layer gap are left to their settings."
    )
    if data["withheld"]:
        say(data["withheld"])


def _show_dimensions(dimensions: list[dict[str, Any]]) -> None:
    """What is left of each dimension where that is more than it is known to; else one sentence."""
    if not dimensions:
        say("No hole, slot or outline was found in it, so what is left cannot be told by dimension.")
        return
    named = [d for d in dimensions if d["worth_naming"]]
    worst = max(dimensions, key=lambda d: abs(d["missing_corrected_mm"]))
    if not named:
        say(
            f"Of its {count(len(dimensions), 'dimension')} none is expected to miss by more than its own "
            f"uncertainty; the most is {abs(worst['missing_corrected_mm']):.3f} mm, of {_dimension_name(worst)}."
        )
        return
    say("Dimensions that are still expected to miss by more than their own uncertainty, in mm:")
    rows = [
        (
            _dimension_name(d),
            f"{d['missing_as_drawn_mm']:+.3f}",
            f"{d['missing_corrected_mm']:+.3f}",
            f"{d['uneven_mm']:.3f}",
            f"{d['std_uncertainty_mm']:.3f}",
        )
        for d in named
    ]
    table(
        [("dimension", False), ("as drawn", True), ("corrected", True), ("along it ±", True), ("u", True)],
        rows,
    )


def _dimension_name(dimension: dict[str, Any]) -> str:
    from fitassay.report.part_text import direction_words

    kind, size = dimension["kind"], dimension["wanted_mm"]
    way = direction_words(dimension["direction_deg"])
    return f"{kind} {dimension['number']} ({size:.2f} mm {way if way.startswith('at') else f'in {way}'})"
