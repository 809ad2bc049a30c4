"""A hole compensation that is one constant for all holes, and one that grows as they get smaller."""

from __future__ import annotations

import re

import numpy as np
import pytest

from fitassay.analysis.controls import ConstantHoles
from fitassay.analysis.parts.joints import read_joints, usual_hole
from fitassay.analysis.result import Advice
from fitassay.coupons.errors import InputErrors
from fitassay.coupons.machine_file import read_machine
from fitassay.labels import advice_remarks
from tests.fit_case import run, run_json, write_readings

CLOSING = 0.24


def read_bores(place, number, constant, rng):
    """Readings of a machine that is sound but for its holes, which close by k 3 mm / D less a constant (design)."""

    def read(coupon, feature):
        size = feature["nominal_mm"]
        if feature["id"].startswith("bore"):
            # Jaws with flats of 0.3 mm read the chord beside the diameter.
            printed = size - CLOSING * 3 / size + constant
            size = np.sqrt(printed**2 - 0.3**2)
        if feature["kind"] == "diagonal":
            size -= 0.186  # of a bead's rounding at both corners
        return [size + 0.01 * rng.standard_normal()]

    write_readings(place / "prints" / number, read)


@pytest.fixture
def closing(tmp_path):
    """A machine with a constant for all holes, chosen for those of 8 mm, whose bores close."""
    place = tmp_path / "orrery"
    for args in (("init", place, "--yes", "--hole-setting", "constant"), ("make", place)):
        code, _, err = run(*args)
        assert code == 0, err
    read_bores(place, "01", 0.0, np.random.default_rng(3))
    return place


@pytest.mark.long
def test_a_constant_is_advised_once_and_not_again(closing):
    """No ping-pong: what it leaves of small and large holes is known to come of it."""
    (step,) = run_json("plan", closing)["steps"]
    assert step["setting"] == "settings.hole_constant_mm"
    assert step["to"] == pytest.approx(CLOSING * 3 / 8, abs=0.02)
    text = (closing / "machine.toml").read_text("utf-8")
    (closing / "machine.toml").write_text(
        text.replace("hole_constant_mm = 0.0", f"hole_constant_mm = {step['to']:.3f}"), "utf-8"
    )
    assert run("make", closing, "--new-print", "--family", "bore")[0] == 0
    read_bores(closing, "02", round(step["to"], 3), np.random.default_rng(4))
    plan = run_json("plan", closing)
    assert plan["done"] and not plan["steps"], plan
    # What a hole of 3 mm prints as is foretold with the constant: CLOSING less 0.09 mm, not nothing.
    got = run_json("predict", closing, "--pair", "2.5,3.0", "--as-printed")["pairs"][0]
    loose = next(
        v["mean"] for k, v in got.items() if k.endswith("_mm") and isinstance(v, dict) and "mean" in v
    )
    assert loose == pytest.approx(0.5 - CLOSING + step["to"], abs=0.06)


@pytest.mark.long
def test_both_manners_are_told_where_it_is_not_known_which(tmp_path):
    place = tmp_path / "orrery"
    for args in (("init", place, "--yes"), ("make", place)):
        code, _, err = run(*args)
        assert code == 0, err
    read_bores(place, "01", 0.0, np.random.default_rng(3))
    words = " ".join(run("plan", place)[1].split())
    told = re.search(
        r"3 mm hole: 0 -> ([\d.]+) mm .*if yours is one constant for all holes: ([\d.]+) mm on the diameter, "
        r"([\d.]+) mm per side, best for holes of 8 mm",
        words,
    )
    assert told
    growing, constant, side = map(float, told.groups())
    assert constant == pytest.approx(growing * 3 / 8, abs=0.002) and side == pytest.approx(
        constant / 2, abs=0.001
    )
    (place / "joints.csv").write_text(
        "peg_mm,hole_mm,motion,bought\n3.9,4,slide,\n5.9,6,slide,\n9,9,press,hole\n"
    )
    # Of 4 and 6 mm holes the closing is on average that of 4.8 mm; the bought one closes no more.
    assert "best for holes of 4.8 mm" in " ".join(run("plan", place)[1].split())
    machine = place / "machine.toml"
    machine.write_text(machine.read_text("utf-8").replace('hole_setting = ""', 'hole_setting = "growing"'))
    (place / "prints" / "01" / "machine.toml").write_bytes(machine.read_bytes())
    assert "one constant" not in run("plan", place)[1]


def test_usual_hole_of_joints():
    assert usual_hole(()) is None
    joints = read_joints(b"peg_mm,hole_mm,shape\n3,3,round\n6,6,square\n", "joints.csv")
    assert usual_hole(joints) == 3.0


def test_the_manner_is_kept_in_machine_toml(tmp_path):
    code, _, err = run("init", tmp_path / "a", "--yes", "--hole-setting", "growing")
    assert code == 0, err
    path = tmp_path / "a" / "machine.toml"
    assert read_machine(path).hole_setting == "growing"
    path.write_text(path.read_text("utf-8").replace('"growing"', '"constnat"'), "utf-8")
    with pytest.raises(
        InputErrors, match=r"hole_setting: must be constant, growing or empty .*did you mean constant"
    ):
        read_machine(path)


def test_a_constant_opens_small_holes_too_little_and_large_ones_too_much():
    holes = ConstantHoles(constant_mm=0.1, usual_mm=8.0)
    # Chosen for 8 mm: k = 0.267 mm. At 4 mm it lacks 0.1, at 16 mm it is 0.05 too much (arithmetic).
    assert holes.surplus(8.0) == 0.0
    assert holes.surplus(4.0) == pytest.approx(-0.1) and holes.surplus(16.0) == pytest.approx(0.05)


def test_a_constant_per_side():
    advice = Advice(
        setting="settings.hole_constant_mm",
        from_value=0.0,
        to_value=0.1,
        std_uncertainty=0.01,
        unit="mm",
        why="",
        for_hole_mm=6.0,
    )
    (told,) = [r for r in advice_remarks(advice) if "per side" in r]
    assert told == "chosen for holes of 6 mm; where it is counted per side: 0.050 mm"
