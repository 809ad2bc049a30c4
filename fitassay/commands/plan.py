"""`fitassay plan`: the advice step by step, the smallest print that verifies each, and when to stop."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import click

from fitassay.case import Case, Print
from fitassay.chosen import judged_print
from fitassay.coupons.errors import InputError
from fitassay.options import Length, carry_option, case_argument, json_option, judged_option
from fitassay.terminal import answer, say, say_lists, table, typed, working
from fitassay.withheld import withheld_sentence

if TYPE_CHECKING:
    from fitassay.analysis.prints.plan import Check, Plan
    from fitassay.analysis.result import Diagnosis


@click.command()
@case_argument
@judged_option
@click.option("--fit", metavar="H11/c11", help="Stop as soon as the printer holds this ISO 286 fit.")
@click.option("--size", type=Length(), help="Nominal size of that fit.")
@carry_option
@json_option
def command(
    case: str, number: str | None, fit: str | None, size: float | None, carry: str | None, as_json: bool
) -> None:
    """Turn the diagnosis into steps: which setting to change first, and how to see that it took.

    Each step names the few coupons that verify it, with minutes and grams. The plan ends when what is left is
    less than a caliper can see, or than the fit you want asks for.
    """
    if (fit is None) != (size is None):
        raise InputError("a fit and its size go together; give both or neither", "--fit, --size")
    place = Case.open(case)
    target = judged_print(place, number)
    with working("Working out the plan"):
        plan, diagnosis = _plan(target, fit, size, carry)
    withheld = withheld_sentence(target.machine())
    data = {
        "schema": 1,
        "print": target.name,
        **_data(plan),
        "tells_more": _more(diagnosis) if plan.steps else [],
        "unsettled": [] if plan.done else [step.as_data() for step in diagnosis.unsettled],
        "drawn_instead": [] if plan.done else [drawn.as_data() for drawn in diagnosis.extra["drawn"]],
        "withheld": withheld,
    }
    if as_json:
        answer(data)
        return
    _show(data, plan, diagnosis, typed(case))


def _plan(target: Print, fit: str | None, size: float | None, carry: str | None) -> tuple[Plan, Diagnosis]:
    from fitassay.workflow import plan_print

    wanted = None
    if fit is not None and size is not None:
        from fitassay.analysis.parts.iso286 import parse_fit, tolerance

        wanted = (parse_fit(fit), size)
        tolerance(size, 7)  # refuses sizes beyond the tables
    return plan_print(target, wanted, carry)


def _more(diagnosis: Diagnosis) -> list[dict[str, Any]]:
    """What could still be read of this print to tell the cause of its steps, while that is open."""
    return [
        {"coupon": n.coupon, "feature": n.feature, "gain": n.gain, "minutes": n.minutes, "text": n.text}
        for n in diagnosis.next
        if diagnosis.verdict.status in ("leading", "undetermined", "sum-known")
    ]


def _data(plan: Plan) -> dict[str, Any]:
    from fitassay.labels import advice_remarks

    return {
        "done": plan.done,
        "why": plan.why,
        "misfit_mm": {"now": plan.misfit_now_mm, "after": plan.misfit_after_mm},
        "steps": [
            {
                "setting": s.advice.setting,
                "from": s.advice.from_value,
                "to": s.advice.to_value,
                "std_uncertainty": s.advice.std_uncertainty,
                "unit": s.advice.unit,
                "why": s.advice.why,
                "rests_on": s.advice.rests_on_data(),
                "remarks": list(advice_remarks(s.advice)),
                "term": s.advice.term,
                "error": s.error,
                "error_unit": s.unit,
                "check": _check_data(s.check),
                "with_next": s.with_next,
                "held": s.held,
            }
            for s in plan.steps
        ],
        "together": _check_data(plan.together) if plan.together else None,
        "grades": [
            {"over_mm": a.over, "to_mm": a.to, "now": a.grade, "after": b.grade}
            for a, b in zip(plan.now, plan.after, strict=True)
        ],
    }


def _check_data(check: Check) -> dict[str, Any]:
    return {
        "coupons": list(check.coupons),
        "families": list(check.families),
        "minutes": check.minutes,
        "grams": check.grams,
        "tells": check.tells,
        "enough": check.enough,
    }


def _show(data: dict[str, Any], plan: Plan, diagnosis: Diagnosis, case: str) -> None:
    from fitassay.labels import advice_check, sentence, setting_label, unsettled_lists

    _show_head(data, plan, diagnosis)
    for i, step in enumerate(data["steps"], start=1):
        label = setting_label(step["setting"])
        say()
        if step["held"]:
            change = "by hand" if step["to"] is None else _change_words(step)
            say(f"{i}. not yet: {label}, {change}. Too much else is open: the joints might get worse by it.")
            continue
        if step["to"] is None:
            say(f"{i}. {label}, by hand: {step['why']}")
        else:
            say(f"{i}. {label}: {_change_words(step)}")
            say(f"why: {step['why']}", indent="   ")
            for remark in step["remarks"]:
                say(remark, indent="   ")
        if check := advice_check(plan.steps[i - 1].advice):
            say(sentence(check), indent="   ")
        if step["with_next"]:
            say(
                f"make it together with step {i + 1}: alone it might make joints or sizes worse", indent="   "
            )
        else:
            it = "they" if i > 1 and data["steps"][i - 2]["with_next"] else "it"
            say(f"to see that {it} took: {_print_words(step['check'])}", indent="   ")
    if not plan.done:
        say_lists(unsettled_lists(diagnosis))
    if data["tells_more"]:
        say()
        stand = "" if all(s["held"] for s in data["steps"]) else "The steps serve as they stand. "
        say(f"{stand}What tells more of the cause: {data['tells_more'][0]['text']}.")
    _show_taking(data, case)
    say()
    say("ISO 286-1 grades held (sizes drawn at their nominal):")
    rows = [
        (f"{g['over_mm']:g} to {g['to_mm']:g}", _grade(g["now"]), _grade(g["after"])) for g in data["grades"]
    ]
    columns = [("sizes, mm", False), ("now", False), ("after the steps", False)]
    # Where there are no steps nothing comes after them.
    shown = 3 if any(not s["held"] for s in data["steps"]) else 2
    table(columns[:shown], [row[:shown] for row in rows])
    if lost := _coarser(data):
        say(lost)
    if data["withheld"]:
        say(data["withheld"])


def _show_head(data: dict[str, Any], plan: Plan, diagnosis: Diagnosis) -> None:
    """Whether to stop and why, and why the error accused is not the first to be set right."""
    from fitassay.labels import order_remark, sentence

    say(f"Done. {data['why']}" if data["done"] else data["why"])
    same = [s.advice.setting for s in plan.steps] == [a.setting for a in diagnosis.advice]
    if same and (remark := order_remark(diagnosis)):
        say(sentence(remark))


def _coarser(data: dict[str, Any]) -> str:
    """Which sizes the steps make coarser, and why; empty where none."""
    from fitassay.coupons.wording import listed

    ranges = [
        f"{g['over_mm']:g} to {g['to_mm']:g}"
        for g in data["grades"]
        if g["now"] and (g["after"] is None or g["after"] > g["now"])
    ]
    if not ranges:
        return ""
    constant = any(s["setting"] == "settings.hole_constant_mm" and not s["held"] for s in data["steps"])
    why = (
        "one constant for all holes, chosen for those of your joints, opens larger ones too much"
        if constant
        else "what stood against another error there goes"
    )
    return f"Coarser after the steps, sizes of {listed(ranges)} mm: {why}."


def _show_taking(data: dict[str, Any], case: str) -> None:
    """How the steps are taken, the first of them or all; nothing where none is to be made."""
    made = [i for i, s in enumerate(data["steps"], start=1) if not s["held"]]
    if len(made) > 1:
        say()
        say(f"All at once instead: {_print_words(data['together'])}")
    if not made:
        return
    last = next(i for i in made if not data["steps"][i - 1]["with_next"])
    first = [str(i) for i in made if i <= last]
    which, whose = ("step", "its") if len(first) == 1 else ("steps", "their")
    every = case if len(made) == len(data["steps"]) else " ".join((case, *map(str, made)))
    say()
    say(
        f"To take the first {which}, with {whose} proof print: fitassay apply {case} {' '.join(first)}; "
        f"all at once: fitassay apply {every}"
    )
    say(
        "Cool down and unplug before you touch belts, screws or wiring; the machine's manual, local codes and "
        "licensed practice come first."
    )


def _change_words(step: dict[str, Any]) -> str:
    """``0 -> -0.066 mm``."""
    from fitassay.analysis.rounding import face, matching, with_unit

    new = matching(step["to"], 2 * step["std_uncertainty"])
    return f"{step['from']:.6g} -> {with_unit(new, face(1.0, step['unit'])[1])}"


def _print_words(check: dict[str, Any]) -> str:
    from fitassay.analysis.rounding import fixed

    names = ", ".join(check["coupons"])
    words = f"print {names} ({math.ceil(check['minutes'])} minutes, {fixed(check['grams'], 1)} g)"
    return words if check["enough"] else f"{words}; even that hardly tells, measure each place several times"


def _grade(grade: int | None) -> str:
    return f"IT{grade}" if grade else "beyond IT18"
