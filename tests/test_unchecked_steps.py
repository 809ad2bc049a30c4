"""A step of the advice that rests on one reading says so, and asks for that reading again."""

from __future__ import annotations

import csv

from tests.fit_case import case, run, run_json


def test_a_step_on_one_unchecked_reading_asks_for_it_again(tmp_path):
    """With one diagonal left out, squareness hangs on the other; with both read and repeated, on neither alone."""
    place = case(tmp_path)
    run("simulate", place, "--force", "--squareness-x-y", "1.0", "--repeats", "2", "--seed", "4")
    whys = {a["setting"]: a["why"] for a in run_json("diagnose", place)["advice"]}
    assert "rests on one reading" not in whys["settings.skew_deg"]
    run("simulate", place, "--force", "--squareness-x-y", "1.0", "--seed", "4")
    path = place / "prints/01/readings.csv"
    rows = [r for r in csv.reader(path.read_text("utf-8").splitlines()) if r[1:2] != ["diagonal-135"]]
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    whys = {a["setting"]: a["why"] for a in run_json("diagnose", place)["advice"]}
    assert "It rests on one reading, diagonal-45 on frame: take that again first" in whys["settings.skew_deg"]
