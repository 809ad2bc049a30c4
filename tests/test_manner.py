"""Backlash compensated too much: whether the axes then jump or mirror the play, told by round bores."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest

from fitassay.analysis.chain.backlash import lost_motion
from fitassay.analysis.chain.mating import PathHabits
from fitassay.analysis.chain.sizes import Size
from fitassay.analysis.normal import Normal
from fitassay.analysis.parts.sizes import State, predict_size
from fitassay.analysis.terms import INDEX
from tests.dialled_printer import WIDTH, drawn
from tests.fit_case import fresh_case, run, run_json
from tests.printed_pairs import played
from tests.printers import printer
from tests.test_plan_words import measure


@pytest.fixture(scope="module")
def fresh(tmp_path_factory):
    """A case with its set made, nothing read."""
    return fresh_case(tmp_path_factory.mktemp("manner"))


def over_compensated(fresh, place, seed):
    """A case whose machine leads at every reversal, read; and the machine."""
    rng = np.random.default_rng([12, seed])
    machine = drawn(rng, over=True, constant=False)
    shutil.copytree(fresh, place)
    measure(place, "01", machine, rng)
    return machine


@pytest.mark.parametrize("seed", [0, pytest.param(12, marks=pytest.mark.long)])
def test_the_manner_is_told_and_bores_close_by_what_they_do(fresh, tmp_path, seed):
    """Mirrored as if it jumped, or the other way round, the closing of a 3 mm hole comes out 0.3 to 0.7 mm off."""
    place = tmp_path / "orrery"
    machine = over_compensated(fresh, place, seed)
    got = run_json("diagnose", place)
    assert (got["manner"]["jumps"] > 0.95) is machine.jumps
    closing = got["terms"]["bore_closure"]
    true = machine.errors()[INDEX["bore_closure"]]
    # Three standard uncertainties: false alarms 0.3 %.
    assert abs(closing["estimate"] - true) < 3 * closing["std_uncertainty"]
    assert not got["suspect_readings"]
    words = " ".join(run("diagnose", place)[1].split())
    told = "jumps at the reversal rather than" if machine.jumps else "mirrors the play rather than"
    assert f"By the round bores it {told}" in words
    # Foretold by the manner that fits, so that it is no open question.
    pair = run_json("predict", place, "--pair", "8,8.4", "--as-printed")["pairs"][0]
    assert "manner" not in pair["open_questions"]


def test_without_bores_the_manner_is_said_to_be_open(fresh, tmp_path):
    place = tmp_path / "orrery"
    over_compensated(fresh, place, 0)
    path = place / "prints" / "01" / "readings.csv"
    rows = [r for r in path.read_text("utf-8").splitlines() if ",bore" not in r]
    path.write_text("\n".join(rows) + "\n", "utf-8")
    got = run_json("diagnose", place)
    assert got["manner"]["jumps"] == 0.5
    assert "these readings do not tell" in " ".join(run("diagnose", place)[1].split())
    pair = run_json("predict", place, "--pair", "8,8.4", "--as-printed")["pairs"][0]
    assert "manner" in pair["open_questions"]


@pytest.mark.parametrize("jumps", [False, True])
def test_a_bore_is_foretold_by_the_manner(jumps):
    """Against jaws in a bore walked point by point, play overdone by 0.15 mm in x and taken up in y."""
    machine = drawn(np.random.default_rng(5), over=True, constant=False)
    machine.jumps = jumps
    machine.dials.taken_up = {"x": machine.play["x"] + 0.15, "y": machine.play["y"]}
    theta = machine.errors(10.0)
    known = Normal(mean=theta, cov=np.zeros((len(theta), len(theta))))
    state = State(posterior=known, width=WIDTH, habits=PathHabits(jumps=jumps))
    for axis in ("x", "y"):
        got = predict_size(Size(side="inside", axis=axis, nominal=10.0, shape="round"), state)
        # Jaws with flats reach a little less far into a bore: 0.3 mm, 0.3^2 / (4 x 10) short at either end.
        assert got.mean == pytest.approx(machine._bore(10.0, axis), abs=0.03)


def test_the_manner_once_told_is_known_for_prints_without_bores(fresh, tmp_path):
    place = tmp_path / "orrery"
    machine = over_compensated(fresh, place, 0)
    before = run_json("diagnose", place)["manner"]["jumps"]
    code, _, err = run("make", place, "--new-print", "--family", "reversal-comb")
    assert code == 0, err
    measure(place, "02", machine, np.random.default_rng(7))
    got = run_json("diagnose", place)
    assert got["manner"]["jumps"] == pytest.approx(before)
    pair = run_json("predict", place, "--pair", "8,8.4", "--as-printed")["pairs"][0]
    assert "manner" not in pair["open_questions"]
    # By itself that print does not tell it.
    shutil.rmtree(place / "prints" / "01")
    assert run_json("diagnose", place)["manner"]["jumps"] == 0.5


def test_without_over_compensation_nothing_is_said(fresh, tmp_path):
    place = tmp_path / "orrery"
    shutil.copytree(fresh, place)
    machine = drawn(np.random.default_rng(3), over=False, constant=False)
    measure(place, "01", machine, np.random.default_rng(4))
    got = run_json("diagnose", place)
    assert "manner" not in got
    assert not any("set too high" in json.dumps(n) for n in got.get("notes", []))


def test_an_axis_that_jumps_stands_where_a_walk_point_by_point_puts_it():
    """Against the recursion of the tests' own pairs, on two laps of a circle; one axis leads, one has play."""
    angle = 2 * np.pi * np.arange(2 * 360) / 360
    laps = 5 * np.column_stack([np.cos(angle), np.sin(angle)])
    theta = printer(backlash_x=-0.2, backlash_y=0.1)
    vertices, moves = lost_motion(laps[None], np.array([[-0.2, 0.1]]), jumps=True)
    expected = played(laps[:360], theta, jumps=True)
    # The second lap: the first begins where no move went before.
    assert np.abs(vertices[0, 361:] - expected[1:]).max() < 1e-9
    assert np.allclose(moves[0, 1:, 0], moves[0, :-1, 3])
