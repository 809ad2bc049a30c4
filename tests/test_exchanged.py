"""Combs whose readings were typed under each other's name: said, with the command that swaps them."""

from __future__ import annotations

import csv

import pytest

from tests.fit_case import case, run, run_json


def swap(place, first, second):
    """Readings of two coupons under each other's name, by the csv library alone."""
    path = place / "prints/01/readings.csv"
    rows = list(csv.reader(path.read_text("utf-8").splitlines()))
    values = {(row[0], row[1]): row[2] for row in rows}
    other = {first: second, second: first}
    for row in rows:
        if row[0] in other:
            row[2] = values[other[row[0]], row[1]]
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)


def test_exchanged_combs_are_said_and_swapped_back(tmp_path):
    place = case(tmp_path)
    run("simulate", place, "--force", "--backlash-y", "0.25", "--backlash-x", "0.03", "--seed", "5")
    right = run_json("diagnose", place)
    assert "exchanged" not in right.get("extra", {}) and "exchanged" not in str(right["verdict"])
    swap(place, "comb-x", "comb-y")
    _, out, _ = run("diagnose", place)
    told = " ".join(out.split())
    assert "readings of comb-x and comb-y look exchanged" in told
    assert "--exchange comb-x comb-y" in told and "look there for a blob" not in told
    code, out, _ = run("enter", place, "--exchange", "comb-x", "comb-y")
    assert code == 0 and "swapped" in out
    after = run_json("diagnose", place)
    assert after["verdict"]["text"] == right["verdict"]["text"]
    for name, term in right["terms"].items():
        assert after["terms"][name]["estimate"] == pytest.approx(term["estimate"], abs=1e-9)


def test_what_cannot_be_exchanged_is_refused(tmp_path):
    place = case(tmp_path)
    before = (place / "prints/01/readings.csv").read_bytes()
    code, _, err = run("enter", place, "--exchange", "comb-x", "comb-z")
    assert code == 2 and "no such coupon 'comb-z'; did you mean comb-y" in err
    code, _, err = run("enter", place, "--exchange", "comb-x", "wall")
    assert code == 2 and "no features in common" in err
    assert (place / "prints/01/readings.csv").read_bytes() == before


def test_sound_readings_are_never_called_exchanged(tmp_path):
    """Printers whose plays differ, read as they are."""
    place = case(tmp_path)
    for seed, (x, y) in enumerate([(0.0, 0.3), (0.3, 0.0), (0.1, 0.2)]):
        run("simulate", place, "--force", "--backlash-x", x, "--backlash-y", y, "--seed", seed)
        _, out, _ = run("diagnose", place)
        assert "exchanged" not in out
