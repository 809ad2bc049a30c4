"""`fitassay compare`: two prints, what changed and whether it was the advice; or all prints, and what they share."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from fitassay.case import Case, Print
from fitassay.coupons.errors import FitassayError, InputError
from fitassay.coupons.files import write_atomic
from fitassay.options import carry_option, case_argument, json_option
from fitassay.terminal import answer, note, say, table, working

if TYPE_CHECKING:
    from fitassay.analysis.prints.compare import Comparison
    from fitassay.analysis.prints.control_chart import Chart
    from fitassay.analysis.prints.mixed_model import PrintResult, Together
    from fitassay.analysis.result import Diagnosis


@click.command()
@case_argument
@click.argument("prints", metavar="[BEFORE AFTER]", nargs=-1)
@carry_option
@json_option
def command(case: str, prints: tuple[str, ...], carry: str | None, as_json: bool) -> None:
    """Compare two prints, before and after a change; without numbers, all prints of the case.

    Two prints: what each error was and is, whether the settings were changed as advised and did what they should,
    and which error now costs most. All prints: control charts of every error, and which errors go with the
    material or the speed. A picture is written beside the prints.
    """
    place = Case.open(case)
    if len(prints) == 2:
        data = _two(place.print(prints[0]), place.print(prints[1]), carry)
    elif not prints and carry is not None:
        raise InputError("is said of two prints; the history reads all prints together already", "--carry")
    elif not prints:
        data = _all(place, carry)
    else:
        raise InputError("give two prints, as in 01 02, or none for all of them", "compare")
    if as_json:
        answer(data)
    elif len(prints) == 2:
        _show_two(data)
    else:
        _show_all(data)


def _two(first: Print, second: Print, carry: str | None) -> dict[str, Any]:
    if first.number == second.number:
        raise InputError("is compared with itself; give two different prints", f"print {first.name}")
    with working("Working out both prints"):
        before, diagnosis = _result(first, carry)
        after, _ = _result(second, carry)
        from fitassay.analysis.prints.compare import compare, dominating, usual_gains
        from fitassay.analysis.terms import INDEX
        from fitassay.report.compare_plot import comparison_svg

        got = compare(before, after, diagnosis.advice)
        width, kinematics = before.machine.line_width_mm, after.machine.kinematics
        picture = second.folder / f"compare-{first.name}.svg"
        write_atomic(picture, comparison_svg(got, usual_gains(width, kinematics), INDEX))
    return _two_data(got, dominating(got, width, kinematics), str(picture))


def _result(target: Print, carry: str | None) -> tuple[PrintResult, Diagnosis]:
    """One print's result; what is carried is carried into the later prints alone."""
    from fitassay.inputs import result_of

    later = carry is not None and target.number > target.case.print(carry).number
    return result_of(target, carry if later else None)


def _two_data(got: Comparison, largest: str, picture: str) -> dict[str, Any]:
    return {
        "schema": 1,
        "before": got.before,
        "after": got.after,
        "misfit_mm": {"before": got.misfit_before_mm, "after": got.misfit_after_mm},
        "probability_better": got.p_better,
        "now_largest": largest or None,
        "settings": [
            {
                "setting": s.setting,
                "before": s.before,
                "after": s.after,
                "advised": s.advised,
                "verdict": s.verdict,
            }
            for s in got.settings
        ],
        "terms": {
            t.name: {
                "unit": t.unit,
                "before": t.before,
                "before_std_uncertainty": t.before_u,
                "after": t.after,
                "after_std_uncertainty": t.after_u,
                "difference": t.difference,
                "difference_std_uncertainty": t.difference_u,
                "expected": t.expected,
                "probability_smaller": t.p_smaller,
                "outcome": t.outcome,
                "holds_with_all": t.holds,
                "as_expected": t.as_expected,
                "set_anew": t.set_anew,
            }
            for t in got.terms
        },
        "differs": list(got.differs),
        "part_only": got.part,
        "slicing_program_adds": {
            name: {"difference": value, "difference_std_uncertainty": u}
            for name, (value, u) in got.added.items()
        },
        "drawn_by_slicing_program": got.slicer or None,
        "picture": picture,
    }


def _show_two(data: dict[str, Any]) -> None:
    from fitassay.analysis.rounding import probability

    before, after, p = data["misfit_mm"]["before"], data["misfit_mm"]["after"], data["probability_better"]
    word = "fell" if p >= 0.975 else "rose" if p <= 0.025 else "did not clearly change"
    say(
        f"From print {data['before']} to print {data['after']} the misfit across the bed (20 mm outlines and "
        f"openings, 8 mm bores, in x and y) {word}: "
        f"{before:.3f} mm, then {after:.3f} mm (probability that it fell: {probability(p)})."
    )
    if data["part_only"]:
        say(
            f"Print {data['after']} measures a part only: what was not set anew is taken as print {data['before']} "
            "left it, with its usual drift."
        )
    for text in data["differs"]:
        say(f"Besides the settings these prints differ in {text}.")
    if data["drawn_by_slicing_program"]:
        _show_added(data)
    _show_settings(data["settings"])
    rows = [_row(name, t) for name, t in data["terms"].items() if t["outcome"] != "not measured"]
    say()
    table(
        [
            ("error", False),
            ("before", True),
            ("after", True),
            ("change", True),
            ("± (k = 2)", True),
            ("unit", False),
            ("", False),
        ],
        rows,
    )
    say(
        "A row without a word: no clear change. With so many rows one comparison in four calls some row changed by "
        "chance; what does not hold with all rows taken together is marked as perhaps."
    )
    say()
    _show_remarks(data)
    say(f"Picture: {data['picture']}")


def _show_added(data: dict[str, Any]) -> None:
    """What the slicing program does to the path, from the same printer with and without it."""
    from fitassay.analysis.rounding import COVERAGE
    from fitassay.labels import term_label

    slicer = data["drawn_by_slicing_program"]
    own = data["before"] if slicer == data["after"] else data["after"]
    say(f"Print {own} was drawn by a path of our own, print {slicer} by your slicing program.")
    added = {
        name: {**d, "unit": data["terms"][name]["unit"]}
        for name, d in data["slicing_program_adds"].items()
        if abs(d["difference"]) > COVERAGE * d["difference_std_uncertainty"]
    }
    if not added:
        say("No difference is clear, so the slicing program adds nothing that these readings show.")
    for name, d in added.items():
        say(f"It adds {_pm(d, 'difference')} to {term_label(name)}.", indent="  ")


def _show_settings(settings: list[dict[str, Any]]) -> None:
    from fitassay.labels import setting_label

    if not settings:
        say("No setting was changed between them.")
        return
    for s in settings:
        label = setting_label(s["setting"])
        change = (
            f"{s['before']:.6g} -> {s['after']:.6g}" if s["after"] != s["before"] else f"{s['before']:.6g}"
        )
        told = s["advised"] is None or s["verdict"] == "as advised"
        advised = "" if told else f"advised {s['advised']:.3g}, "
        say(f"{label}: {change}; {advised}{s['verdict']}.", indent="  ")


def _row(name: str, t: dict[str, Any]) -> tuple[str, ...]:
    from fitassay.analysis.rounding import COVERAGE, face, fixed, matching
    from fitassay.analysis.rounding import decimals as places
    from fitassay.labels import term_label

    reach, unit = face(COVERAGE * t["difference_std_uncertainty"], t["unit"])
    values = [face(t[key], t["unit"])[0] for key in ("before", "after", "difference")]
    return (
        term_label(name),
        *(matching(v, reach, signed=True) for v in values),
        fixed(reach, places(reach)),
        unit,
        ""
        if t["outcome"] == "no clear change"
        else t["outcome"]
        if t["holds_with_all"]
        else f"{t['outcome']}, perhaps",
    )


def _outcome(t: dict[str, Any]) -> str:
    if t["outcome"] == "no clear change":
        return ""
    return t["outcome"] if t["holds_with_all"] else f"{t['outcome']}, perhaps"


def _show_remarks(data: dict[str, Any]) -> None:
    from fitassay.labels import term_label

    for name, t in data["terms"].items():
        if t["set_anew"] and t["as_expected"] is not None:
            did = "did what it should" if t["as_expected"] else "did not do what it should"
            say(f"The new setting for {term_label(name)} {did}: expected {_face(t, 'expected')}.")
        elif t["as_expected"] is False:
            say(
                f"{term_label(name).capitalize()} changed though no setting for it did: look for another cause."
            )
    missing = [term_label(n) for n, t in data["terms"].items() if t["outcome"] == "not measured"]
    if missing:
        say(f"Not measured well enough by both prints: {', '.join(missing)}.")
    if data["now_largest"]:
        say(f"What now costs these sizes most: {term_label(data['now_largest'])}.")


def _pm(t: dict[str, Any], key: str) -> str:
    from fitassay.analysis.rounding import plus_minus

    return plus_minus(t[key], t[f"{key}_std_uncertainty"], t["unit"])


def _face(t: dict[str, Any], key: str) -> str:
    from fitassay.analysis.rounding import COVERAGE, face, matching, with_unit

    value, unit = face(t[key], t["unit"])
    reach, _ = face(COVERAGE * t["after_std_uncertainty"], t["unit"])
    return with_unit(matching(value, reach, signed=True), unit)


def _all(place: Case, carry: str | None) -> dict[str, Any]:
    results: list[PrintResult] = []
    with working("Working out all prints"):
        for target in place.prints():
            try:
                results.append(_result(target, carry)[0])
            except FitassayError as exc:
                note(f"Note: print {target.name} is left out: {exc}")
        if not results:
            raise InputError("no print of this case has readings that can be used", str(place.path))
        from fitassay.analysis.prints.control_chart import charts
        from fitassay.analysis.prints.mixed_model import factor_effects, read_together
        from fitassay.report.compare_plot import history_svg

        together = read_together(tuple(results))
        found = charts(tuple(results), factor_effects(tuple(results), together))
        picture = place.prints_path / "history.svg"
        write_atomic(picture, history_svg(found))
    return _all_data(results, found, together, str(picture))


def _all_data(
    results: list[PrintResult], found: tuple[Chart, ...], together: Together, picture: str
) -> dict[str, Any]:
    return {
        "schema": 1,
        "prints": [
            {"print": r.name, "material": r.machine.material, "speed_mm_s": r.machine["process.speed_mm_s"]}
            for r in results
        ],
        "charts": {
            c.name: {
                "unit": c.unit,
                "prints": list(c.prints),
                "values": [float(v) for v in c.values],
                "std_uncertainties": [float(v) for v in c.uncertainties],
                "in_force": [float(v) for v in c.in_force],
                "centre": c.centre,
                "lower": c.lower,
                "upper": c.upper,
                "outside": list(c.outside),
                "stable": c.stable,
            }
            for c in found
        },
        "factors": {
            name: {
                "levels": list(e.levels),
                "reason": e.factor.reason,
                "parts": list(e.factor.names),
                "significant": list(e.significant()),
                "differences": {
                    term: [_difference(e, term, a) for a in range(1, len(e.levels))]
                    for term in e.factor.terms
                },
            }
            for name, e in together.effects.items()
        },
        "picture": picture,
    }


def _difference(effect: Any, term: str, level: int) -> dict[str, Any]:
    value, u = effect.contrast(term, level)
    return {
        "level": effect.levels[level],
        "against": effect.levels[0],
        "difference": value,
        "difference_std_uncertainty": u,
    }


def _show_all(data: dict[str, Any]) -> None:
    from fitassay.analysis.rounding import face
    from fitassay.labels import term_label

    rows: list[tuple[str, ...]] = []
    for name, c in data["charts"].items():
        last = {"v": c["values"][-1], "v_std_uncertainty": c["std_uncertainties"][-1], "unit": c["unit"]}
        limits = "too few prints"
        if c["stable"] is not None and c["lower"] is not None:
            low, unit = face(c["lower"], c["unit"])
            high, _ = face(c["upper"], c["unit"])
            limits = f"{low:+.3f} to {high:+.3f} {unit}"
        state = {True: "stable", False: "not stable", None: ""}[c["stable"]]
        if c["outside"]:
            state += f": {', '.join(c['outside'])}"
        rows.append((term_label(name), _pm(last, "v"), f"{limits}; {state}" if state else limits))
    say("Errors as under the first print's settings, material and speed (k = 2), with control limits:")
    if all(row[-1] == "too few prints" for row in rows):
        rows = [row[:2] for row in rows]
        table([("error", False), ("newest", True)], rows)
        say("There are too few prints for control limits yet.")
    else:
        table([("error", False), ("newest", True), ("control limits", False)], rows)
    for name, f in data["factors"].items():
        say()
        _show_factor(name, f, data["charts"])
    say(f"Picture: {data['picture']}")


def _show_factor(name: str, factor: dict[str, Any], charts: dict[str, Any]) -> None:
    from fitassay.labels import term_label

    terms = factor["significant"]
    together = len(factor["parts"]) > 1
    if together:
        say(
            f"{name.capitalize()} always changed together, so these prints cannot tell which of them an error goes "
            f"with; one more print in which only the {factor['parts'][0]} is another tells."
        )
    if not terms:
        say(f"Nothing was seen to go with the {name} ({', '.join(factor['levels'])}).")
        return
    say(f"These errors go with the {name}; the rest is common:")
    rows = []
    for term in terms:
        unit = charts.get(term, {}).get("unit", "mm")
        for d in factor["differences"][term]:
            rows.append((term_label(term), d["level"], d["against"], _pm({**d, "unit": unit}, "difference")))
    table([("error", False), ("with", False), ("against", False), ("difference (k = 2)", False)], rows)
