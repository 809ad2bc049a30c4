"""The verdict at the terminal: words first, figures behind, harmless whatever the names hold."""

from __future__ import annotations

import io
import re
import sys
from dataclasses import replace

import pytest

from fitassay.analysis.result import Advice, Status
from fitassay.bench.live import verdict_data
from fitassay.coupons.machine import Machine
from fitassay.labels import advice_remarks
from fitassay.report.verdict_text import verdict_lines
from tests import diagnoses
from tests.test_report import NASTY, STATUSES, page, visible_text

ESCAPE = "\x1b["


@pytest.mark.parametrize("status", STATUSES)
@pytest.mark.parametrize("width", [60, 80, 110])
def test_lines_fit_and_words_come_first(status: Status, width: int) -> None:
    diagnosis = diagnoses.make(status)
    text = verdict_lines(diagnosis, Machine(name="orrery"), width, colour=False)
    assert max(len(line) for line in text.splitlines()) <= width
    flat = " ".join(text.split())
    assert diagnosis.verdict.text in flat
    assert flat.index(diagnosis.verdict.text) < flat.index("Error terms")


@pytest.mark.parametrize("width", [60, 100])
def test_figures(width: int) -> None:
    flat = " ".join(verdict_lines(diagnoses.make(), Machine(), width, colour=False).split())
    assert "backlash compensation of y: 0 -> 0.240 ± 0.017 mm" in flat
    assert "horizontal size compensation, per side: 0 -> -0.040 ± 0.010 mm" in flat
    assert re.search(r"backlash in y \+0\.240 0\.036 mm 77 %", flat)
    assert re.search(r"squareness of x and y \+0\.120 0\.069 degrees", flat)
    assert "k = 2" in flat
    assert "boss / step20-y: read 2.04 mm, expected 20.07 mm, perhaps 20.40 mm was meant" in flat
    assert "where: firmware, where it has it" in flat
    assert "where: slicer, with the walls" in flat
    assert "bead width + 2 × path offset = +0.110 ± 0.022 mm" in flat
    # A term the readings do not reach is listed as such, not with a value.
    assert "does not mean fine: first-layer flare" in flat
    assert not re.search(r"first-layer flare [+-]", flat)
    assert "manual" in flat and "unplug" in flat


@pytest.mark.parametrize("status", STATUSES)
def test_what_was_not_looked_at_is_said_once(status: Status) -> None:
    """In the headline; where that says other things, among the figures."""
    found = diagnoses.make(status)
    quick = replace(found, verdict=replace(found.verdict, not_looked_at=("first_layer_flare", "scale_z")))
    for text in (verdict_lines(quick, Machine(), 100, colour=False), visible_text(page(quick))):
        flat = " ".join(text.split())
        assert ("Not measured by these readings" in flat) == (status == "unexplained")
        if status not in ("within-noise", "unexplained"):  # the former's own sentence says it, made elsewhere
            assert flat.count("Not looked at, so of any size: first-layer flare and scale in z") == 1
    # An error that the headline does not name is named among the figures.
    other = replace(found, verdict=replace(found.verdict, not_looked_at=("scale_z",)))
    assert "Not measured by these readings" in verdict_lines(other, Machine(), 100, colour=False)


def test_the_bench_page_is_no_surer_than_its_own_sentence() -> None:
    first = diagnoses.make()
    certain = replace(first, probabilities={**first.probabilities, first.verdict.term: 1.0})
    accused = [r for r in verdict_data(certain)["rivals"] if r["accused"]]
    assert [r["chance"].replace("\N{NO-BREAK SPACE}", " ") for r in accused] == ["99 %"]


def test_on_the_bench_page_two_that_look_alike_are_one_rival() -> None:
    """Bead by itself 0.375, with the layers 0.8: play, 0.5, and scale, 0.125, share the 0.2 that are left."""
    found = diagnoses.make("sum-known")
    chances = {"bead_excess": 0.375, "backlash_y": 0.5, "scale_x": 0.125}
    certain = replace(
        found,
        verdict=replace(found.verdict, probability=0.8, contenders=("bead_excess", "uneven_layers")),
        probabilities={**dict.fromkeys(found.probabilities, 0.0), **chances},
    )
    first, *others = verdict_data(certain)["rivals"]
    assert "bead width or uneven layers" in first["label"] and first["probability"] == pytest.approx(0.8)
    assert [(r["label"], r["probability"]) for r in others] == [
        ("backlash in y", pytest.approx(0.16)),
        ("scale in x", pytest.approx(0.04)),
    ]
    assert not any(r["accused"] for r in (first, *others))


def test_why_the_error_accused_is_not_set_right_first() -> None:
    first = diagnoses.make()
    accused = first.verdict.term
    others = [a for a in first.advice if a.term != accused]
    own = next(a for a in first.advice if a.term == accused)
    reason = "mends the error that spoils the fit most"
    cases = (
        ((own, *others), ""),
        (
            (others[0], own),
            f"Step 2 {reason}; step 1 goes before it, since it moves the sizes that step 2 is proved on.",
        ),
        (
            (others[0], others[0], own),
            f"Step 3 {reason}; steps 1 and 2 go before it, since they move the sizes that",
        ),
        ((others[0],), ""),
    )
    for advice, words in cases:
        diagnosis = replace(first, advice=advice)
        flat = " ".join(verdict_lines(diagnosis, Machine(), 90, colour=False).split())
        shown = visible_text(page(diagnosis))
        bench = verdict_data(diagnosis)["order"]
        assert words in flat and words in shown and words in bench
        assert (reason in flat) == (reason in shown) == (reason in bench) == bool(words)


def test_steps_are_told_as_a_factor_too() -> None:
    """Who does not know the steps that are set still can act: 80 to 79.753 is 0.99691 times what there is."""
    advice = Advice(
        setting="settings.steps_per_mm_y",
        from_value=80.0,
        to_value=79.753,
        std_uncertainty=0.019,
        unit="steps/mm",
        why="scale in y: steps per mm off",
        term="scale_y",
    )
    assert advice_remarks(advice) == (
        "where: firmware, menu or configuration",
        "if 80 is not what is set: 0.99691 times what is set",
    )


def test_what_to_do_next_comes_early_only_while_unsettled() -> None:
    for status, earlier in (("undetermined", True), ("unexplained", True), ("dominant", False)):
        text = verdict_lines(diagnoses.make(status), Machine(), 80, colour=False)
        assert (text.index("Print or measure next") < text.index("Error terms")) == earlier


def test_colour_only_at_a_terminal_and_never_with_no_color(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    diagnosis = diagnoses.make()
    assert ESCAPE in verdict_lines(diagnosis, Machine(), 80, colour=True)
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setattr(sys, "stdout", Terminal())
    assert ESCAPE in verdict_lines(diagnosis, Machine(), 80)
    monkeypatch.setenv("NO_COLOR", "1")
    assert ESCAPE not in verdict_lines(diagnosis, Machine(), 80)
    monkeypatch.delenv("NO_COLOR")
    monkeypatch.setattr(sys, "stdout", io.StringIO())
    assert ESCAPE not in verdict_lines(diagnosis, Machine(), 80)


def test_colour_changes_no_character() -> None:
    plain = verdict_lines(diagnoses.make(), Machine(), 80, colour=False)
    coloured = verdict_lines(diagnoses.make(), Machine(), 80, colour=True)
    stripped = re.sub(r"\x1b\[[\d;]*m", "", coloured)
    assert [x.rstrip() for x in stripped.splitlines()] == plain.splitlines()


def test_names_cannot_steer_the_terminal() -> None:
    hostile = f"{NASTY} [bold]x[/bold] :smiley: \x07\x9b31m\u2066"
    text = verdict_lines(
        diagnoses.make(text=hostile, note=hostile, coupon=hostile),
        Machine(name=hostile, material=hostile),
        60,
        colour=False,
    )
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", text)
    assert "[bold]x[/bold]" in " ".join(text.split())
    assert ":smiley:" in " ".join(text.split())


def test_an_ascii_terminal_gets_ascii(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), encoding="ascii"))
    text = verdict_lines(diagnoses.make(), Machine(name="Dreh\u00e4chse"), 80)
    text.encode("ascii")
    assert "0.240 +- 0.017 mm" in text
