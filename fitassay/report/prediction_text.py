"""What a prediction says, as lines for the terminal."""

from __future__ import annotations

from typing import Any

from fitassay.terminal import say, table
from fitassay.withheld import WITHHELD

LADDER_MM = 4.0
"""Largest clearance of a fit-ladder's middle rung [mm]."""

SLANTED = ("dovetail", "rack")
"""Shapes whose flanks no caliper's jaws close on."""

SEEN_MM = 0.005
"""Contributions below this are not worth a line [mm]."""

OPEN_WORDS = {
    "way_up": "It is not known whether the peg is put in as printed or upside down (--as-printed, --flipped): the "
    "clearance is stated as wide as both.",
    "direction": "It is not known which way round the slicing program walks holes: the clearance is stated as wide "
    "as both ways.",
    "seam": "It is not known where the loops begin; a seam at a corner moves the flank beside it by the backlash; "
    "the clearance is stated as wide as that.",
    "across": "It is not known whether the width lies along x or y of the printer (--across): the clearance is "
    "stated as wide as both.",
    "manner": "The backlash compensation is set too high, and it is not known whether it mirrors the play or jumps "
    "at the reversal: the clearance is stated as wide as both.",
}
"""What is not known of a pair, and what was done about it."""


def _play(pair: dict[str, Any]) -> float:
    """What backlash takes of the clearance [mm]."""
    from fitassay.analysis.terms import NAMES, PLAYS

    return sum(v for n, v in pair["contributions_mm"].items() if n in {NAMES[i] for i in PLAYS})


def _length(s: dict[str, float], signed: bool = True) -> str:
    from fitassay.analysis.rounding import plus_minus

    return plus_minus(s["mean"], s["std_uncertainty"], "mm", signed=signed)


def show_prediction(result: dict[str, Any], case: str) -> None:
    if result["status"] == "unexplained":
        say("Careful: the readings do not fit together, so what follows may be wrong; see diagnose.")
    if result["parts"]:
        from fitassay.report.part_text import show_parts

        show_parts(result)
    for pair in result["pairs"]:
        _show_pair(pair, case)
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
    if not result["parts"]:
        _show_grades(result)
    if result["not_measured"]:
        say(f"Hardly measured, so taken with wide doubt: {', '.join(result['not_measured'])}.")
    if result["withheld"]:
        say(result["withheld"])


def _show_pair(pair: dict[str, Any], case: str) -> None:
    from fitassay.analysis.rounding import probability
    from fitassay.labels import side_words, term_label

    drawn = f"{pair['peg_mm']:g} in {pair['hole_mm']:g}"
    say(f"{'' if pair['name'] == drawn else pair['name'] + ': '}{drawn} mm, {pair['shape']}")
    inner, outer = side_words(pair["shape"])
    across = pair["across"]
    rows = [
        (f"calipers will read {outer} less {inner}, in {axis}", _length(pair[f"by_caliper_{axis}_mm"]))
        for axis in ("x", "y")
        if across in ("", axis) and pair["shape"] not in SLANTED
    ]
    if len(rows) > 1:
        rows[1] = ("the same in y", rows[1][1])
    rows.append(("clearance as put together", _length(pair["put_together_mm"])))
    if pair["turning_mm"]:
        rows.append(("tightest clearance when it turns", _length(pair["turning_mm"])))
    for label, text in rows:
        say(f"  {label:<41} {text}")
    if pair["shape"] == "round" and abs(_play(pair)) >= SEEN_MM:
        say(
            "backlash shifts the halves of peg and hole against each other: less room than calipers tell",
            indent="  ",
        )
    for question in pair["open_questions"]:
        say(OPEN_WORDS[question], indent="  ")
    decisive = pair["turning_mm"] or pair["put_together_mm"]
    p = decisive["probability_negative"]
    word = "binds when it turns" if pair["turning_mm"] else "is too tight"
    say(f"  probability that it {word}: {probability(p)}")
    drawn = pair["hole_mm"] - pair["peg_mm"]
    parts = [
        f"{'what is not told' if n == WITHHELD else term_label(n)} {'takes' if v < 0 else 'gives'} {abs(v):.3f}"
        for n, v in pair["contributions_mm"].items()
        if abs(v) >= SEEN_MM
    ]
    if parts:
        say(f"of the {drawn:.3g} mm drawn, {', '.join(parts)} mm", indent="  ")
    if "press" in pair:
        _show_press(pair["press"])
    if "peg_to_draw_mm" in pair:
        say(
            f"  for {pair['wanted_clearance_mm']:g} mm draw the {inner} {pair['peg_to_draw_mm']:.2f} mm, "
            f"the {outer} as it is"
        )
    if "peg_to_draw_mm" in pair and pair["shape"] == "round":
        drawn = max(pair["hole_mm"] - pair["peg_to_draw_mm"], 0.0)
        if drawn <= LADDER_MM:
            say(
                f"  to try it by hand first: fitassay make {case} --new-print --family fit-ladder "
                f"--clearance {drawn:.2f} --clearance-step 0.05"
            )
    if "fit" in pair:
        _show_fit(pair["fit"])
    say()


def _show_press(press: dict[str, dict[str, float]]) -> None:
    """The strain of a press fit, with its cautions."""
    if press["high"]["interference_mm"] == 0:
        say("nothing is pressed: there is room between peg and hole", indent="  ")
        return
    low, mean, high = (100 * press[k]["strain"] for k in ("low", "mean", "high"))
    most = 100 * press["high"]["of_yield"]
    say(
        f"pressed in, it stretches the hole by {mean:.1f} % ({low:.1f} to {high:.1f}); at worst {most:.0f} % of "
        f"where the plastic yields{', so it may crack or stay stretched' if most >= 100 else ''}",
        indent="  ",
    )
    say(
        "plastic under strain relaxes within days and faster when warm: no holding force is promised; wear eye "
        "protection and press with a vice, not by hand over an edge",
        indent="  ",
    )


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
