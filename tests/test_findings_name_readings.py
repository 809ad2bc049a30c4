"""No finding names a row that nobody typed: not answers of trials, not filament or feed."""

from __future__ import annotations

import csv
import json
import re

import pytest

from tests.fit_case import ERRORS, options, run, run_json

FAMILIES = ("stepped-boss", "stepped-bore", "reversal-comb", "single-wall", "fit-ladder")


@pytest.fixture(scope="module")
def contradicted(tmp_path_factory):
    """A print with one slip, whose trials, filament and feed all contradict the caliper; and its rows."""
    place = tmp_path_factory.mktemp("contradicted") / "orrery"
    chosen = [part for family in FAMILIES for part in ("--family", family)]
    for args in (
        ("init", place, "--yes"),
        ("make", place, *chosen),
        ("simulate", place, "--seed", 3, *options(ERRORS)),
    ):
        code, _, err = run(*args)
        assert code == 0, err
    path = place / "prints" / "01" / "readings.csv"
    head, *rows = csv.reader(path.read_text().splitlines())
    slipped = next(row for row in rows if row[0] == "boss")
    slipped[2] = f"{float(slipped[2]) / 10:.2f}"
    for row in rows:
        # The caliper says that most of these go.
        if row[1].startswith("rung"):
            row[2] = "does not go"
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([head, *rows])
    thin = "".join(f"{k},1.50,1.51\n" for k in range(1, 4))
    (place / "filament.csv").write_text("place,diameter_1_mm,diameter_2_mm\n" + thin)
    (place / "feed.csv").write_text("commanded_mm,marked_mm,left_mm\n" + "100,120,40\n" * 3)
    return place, {(row[0], row[1]) for row in rows}, (slipped[0], slipped[1])


def named_rows(found) -> list[tuple[str, str]]:
    """All (coupon, feature) anywhere in an answer."""
    if isinstance(found, dict):
        here = [(found["coupon"], found["feature"])] if {"coupon", "feature"} <= found.keys() else []
        return here + [row for value in found.values() for row in named_rows(value)]
    return [row for value in found for row in named_rows(value)] if isinstance(found, list) else []


def test_a_diagnosis_names_readings_that_were_typed(contradicted):
    place, typed, slipped = contradicted
    told = run_json("diagnose", place)
    assert slipped in [(s["coupon"], s["feature"]) for s in told["suspect_readings"]]
    assert {(s["coupon"], s["feature"]) for s in told["suspect_readings"]} <= typed
    # What to read or print next is not read yet.
    following = told.pop("next")
    assert all(re.match(r"measure |print |read .* again: ", n["text"]) for n in following)
    assert set(named_rows(told)) <= typed


@pytest.mark.long
def test_words_name_no_row_that_was_not_typed(contradicted):
    place, _, _ = contradicted
    for answer in (run("diagnose", place)[1], json.dumps(run_json("diagnose", place)), run("next", place)[1]):
        for invented in (
            "trials /",
            "trials direction",
            "filament /",
            "filament bead",
            "feed /",
            "direction 1",
        ):
            assert invented not in answer
    assert "boss" in run("diagnose", place)[1]
