"""A case of a machine with crossed belts through the commands, as its user goes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.fit_case import run_json
from tests.own_starts import ABSOLUTE, END
from tests.test_cli import run


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    folder = str(tmp_path_factory.mktemp("belts") / "orrery")
    for arguments in (
        ("init", folder, "--yes", "--kinematics", "crossed-belts"),
        ("make", folder, "--quick"),
        ("simulate", folder, "--backlash-a", "0.4", "--seed", "2"),
        ("diagnose", folder),
    ):
        code, _, err = run(*arguments)
        assert code == 0, err
    return folder


def words(*arguments):
    code, out, err = run(*arguments)
    assert code == 0, err
    return " ".join(out.split())


def test_the_combs_run_along_the_diagonals(case):
    manifest = json.loads((Path(case) / "prints" / "01" / "coupons.json").read_text("utf-8"))
    combs = {c["id"]: c for c in manifest["coupons"] if c["family"] == "reversal-comb"}
    assert set(combs) == {"comb-a", "comb-b"}
    for name, degrees in (("comb-a", 45.0), ("comb-b", 135.0)):
        for feature in combs[name]["features"]:
            assert feature["direction_deg"] == degrees
            a, b = feature["contact_a_mm"], feature["contact_b_mm"]
            apart = ((b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2) ** 0.5
            assert apart == pytest.approx(feature["nominal_mm"], abs=1e-5)


@pytest.mark.parametrize(
    ("kinematics", "isolates"),
    [
        ("cartesian", "backlash alone: stem minus head is twice the play"),
        # Along its diagonal a belt's play counts by 1 / sqrt 2, for the stem one way and for the head the other.
        ("crossed-belts", "a belt's play alone: stem minus head is 1.4 times it"),
    ],
)
def test_make_says_what_the_combs_of_this_machine_isolate(tmp_path, kinematics, isolates):
    folder = str(tmp_path / "orrery")
    assert run("init", folder, "--yes", "--kinematics", kinematics)[0] == 0
    combs = [c for c in run_json("make", folder, "--quick")["coupons"] if c["family"] == "reversal-comb"]
    assert [c["isolates"] for c in combs] == [isolates] * 2


def test_errors_that_such_a_machine_does_not_have_are_refused_and_not_told(case):
    code, _, err = run("simulate", case, "--backlash-x", "0.3", "--force")
    assert code == 2
    assert "crossed-belts machine has no backlash in x" in err and "backlash_a" in err
    told = run_json("diagnose", case)["terms"]
    assert {"backlash_a", "backlash_b", "scale_xy"} <= set(told)
    assert not {"backlash_x", "backlash_y", "scale_x", "scale_y"} & set(told)


def test_plan_and_apply_speak_of_the_belt(case):
    plan = run_json("plan", case)
    (step,) = (s for s in plan["steps"] if s["term"] == "backlash_a")
    assert (step["setting"], step["from"], step["to"]) == ("tension of belt a", None, None)
    # Sizes along x and y feel half of each belt's play: a boss tells 0.4 mm of it, with the bead known already.
    assert step["check"]["enough"] and len(step["check"]["coupons"]) == 1
    assert "1. tension of belt a, by hand: play of belt a" in words("plan", case)
    before = (Path(case) / "machine.toml").read_text("utf-8")
    out = words("apply", case, "1")
    assert "Do this by hand; no setting does it" in out
    assert "moves along the rising diagonal" in out and "unplug" in out
    assert "machine.toml has them already" not in out
    assert step["check"]["coupons"][0] in out
    assert (Path(case) / "machine.toml").read_text("utf-8") == before


def test_sizes_and_fits_are_foretold_by_the_belts(case):
    got = json.dumps(run_json("predict", case, "--print", "01", "--pair", "8,8.5"))
    assert "backlash_a" in got
    assert "backlash_x" not in got


def test_a_belt_tightened_shows_in_the_comparison(case):
    if not (Path(case) / "prints" / "02").exists():
        assert run("make", case, "--new-print", "--quick")[0] == 0
    assert run("simulate", case, "--print", "02", "--backlash-a", "0.05", "--seed", "3")[0] == 0
    got = run_json("compare", case, "01", "02")
    assert got["terms"]["backlash_a"]["outcome"] == "improved"
    # The quick set leaves scale and bores as unknown as they were.
    assert got["misfit_mm"]["after"] < got["misfit_mm"]["before"]
    assert {"backlash_x", "backlash_y", "scale_x", "scale_y"}.isdisjoint(got["terms"])
    assert "play of belt a" in words("compare", case)


def test_a_sliced_file_is_read_for_the_belts(tmp_path):
    case = str(tmp_path / "orrery")
    assert run("init", case, "--yes", "--kinematics", "crossed-belts")[0] == 0
    assert run("make", case, "--family", "comb-a")[0] == 0
    start, end = tmp_path / "start.txt", tmp_path / "end.txt"
    start.write_text(ABSOLUTE, "utf-8")
    end.write_text(END, "utf-8")
    code, _, err = run("path", case, "--start", str(start), "--end", str(end), "--yes")
    assert code == 0, err
    (plate,) = (Path(case) / "prints" / "01").glob("*.gcode")
    traced = run_json("trace", case, str(plate))
    gains = {f["feature"]: f["backlash_gain"] for f in traced["features"] if f["coupon"] == "comb-a"}
    # Along its diagonal a belt's play counts by 1 / sqrt 2, more where the path comes back, less where it goes on.
    assert gains["stem6"] == pytest.approx({"a": 0.5**0.5, "b": 0.0}, abs=0.01)
    assert gains["head10"] == pytest.approx({"a": -(0.5**0.5), "b": 0.0}, abs=0.01)
