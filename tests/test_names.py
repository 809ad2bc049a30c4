"""One name for one thing: options take the name that tables show, and no face uses another."""

from __future__ import annotations

import math
import re

import numpy as np
import pdfplumber
import pytest

from fitassay.analysis.result import Advice
from fitassay.analysis.terms import TERMS
from fitassay.coupons.machine import FIGURES
from fitassay.labels import advice_remarks
from tests.fit_case import case, run, run_json

# What the things are called elsewhere, in code, files or the talk of the workshop; never at the user's face.
OTHER_NAMES = re.compile(
    r"contour|bead[ _]excess|layer[ _]datum|bore[ _]closure|skew[ _]xy|corner[ _]form|uneven_layers|push_out|"
    r"xy[ -](size|compensation)|horizontal (expansion|offset|compensation)|flow rate|bed_gap|hole_mm|first_layer_mm|"
    r"(?<!horizontal )size compensation|skew_deg|flow_percent|line_width",
    re.IGNORECASE,
)


def other_names(text: str) -> list[str]:
    """Names in a face's text that are not the shown ones."""
    return [match.group(0) for match in OTHER_NAMES.finditer(" ".join(text.split()))]


@pytest.mark.parametrize(
    ("command", "option"),
    [
        ("simulate", "--path-offset"),
        ("simulate", "--bead-width"),
        ("simulate", "--squareness-x-y"),
        ("simulate", "--first-layer-gap"),
        ("simulate", "--caliper-inside-zero"),
        ("init", "--horizontal-size-compensation"),
        ("init", "--round-hole-compensation"),
        ("init", "--backlash-compensation-y"),
        ("init", "--nozzle-to-bed-offset"),
        ("init", "--skew-correction"),
    ],
)
def test_options_take_the_name_that_is_shown(command, option):
    code, out, _ = run(command, "--help")
    assert code == 0 and option in out
    # One name each: a shorter one that is taken as well is not shown beside it.
    assert f"{option}, --" not in out


def test_shorter_options_still_work(tmp_path):
    new, old = tmp_path / "new", tmp_path / "old"
    assert run("init", new, "--yes", "--name", "a", "--horizontal-size-compensation", "-0.1")[0] == 0
    assert run("init", old, "--yes", "--name", "a", "--contour", "-0.1")[0] == 0
    assert (new / "machine.toml").read_text("utf-8") == (old / "machine.toml").read_text("utf-8")
    for place, option in ((new, "--path-offset"), (old, "--contour-offset")):
        run("make", place, "--quick")
        run("simulate", place, option, "0.12", "--seed", "3")
    assert (new / "prints/01/readings.csv").read_bytes() == (old / "prints/01/readings.csv").read_bytes()


def test_every_error_and_setting_has_an_option_of_its_own():
    _, simulate, _ = run("simulate", "--help")
    _, init, _ = run("init", "--help")
    for text, many in ((simulate, len(TERMS)), (init, sum(f.section == "settings" for f in FIGURES))):
        options = re.findall(r"^  (--[a-z-]+)", text, re.MULTILINE)
        assert len(options) == len(set(options)) >= many


def test_leave_takes_the_name_that_diagnose_shows(tmp_path):
    import trimesh

    place = case(tmp_path)
    block = tmp_path / "block.stl"
    trimesh.creation.box((20, 10, 5)).export(block)
    shown = [run_json("correct", place, block, "-o", tmp_path / f"{k}.stl", "--leave", name) for k, name in
             enumerate(("bead width", "Bead-Width", "bead_excess"))]  # fmt: skip
    for data in shown[1:]:
        assert data["bodies"] == shown[0]["bodies"]
    code, _, err = run("correct", place, block, "-o", tmp_path / "x.stl", "--leave", "bead widht")
    assert code == 2 and "did you mean bead width" in err


@pytest.mark.long
def test_apply_takes_a_settings_name(tmp_path):
    place = case(tmp_path)
    advice = run_json("diagnose", place)["advice"]
    k = next(i for i, a in enumerate(advice) if a["setting"].startswith("settings.backlash_"))
    axis = advice[k]["setting"][-4]
    told = run_json("apply", place, f"backlash compensation of {axis}", "--no-proof")
    assert [c["setting"] for c in told["changed"]] == [advice[k]["setting"]]
    code, _, err = run("apply", case(tmp_path / "other"), "flwo")
    assert code == 2 and "did you mean flow" in err


def _advice(setting: str, to: float, unit: str = "mm") -> Advice:
    return Advice(
        setting=setting, from_value=0.0, to_value=to, std_uncertainty=0.01, unit=unit, why="", term=""
    )


def test_settings_are_told_as_people_meet_them():
    """Per side or in all, the whole play, the first layer inward."""
    (both,) = [r for r in advice_remarks(_advice("settings.contour_mm", -0.12)) if "in all, both" in r]
    assert "-0.240 mm" in both
    (inward,) = [r for r in advice_remarks(_advice("settings.first_layer_mm", -0.2)) if "counted inward" in r]
    assert "0.200 mm" in inward and "-0.2" not in inward
    assert any("whole play" in r for r in advice_remarks(_advice("settings.backlash_x_mm", 0.2)))


def test_squareness_is_told_as_tangent_and_diagonals():
    """Derived here: a correction of +0.5 degrees makes good a lean of -0.5: x' = x - tan(0.5 degrees) y."""
    remarks = advice_remarks(_advice("settings.skew_deg", 0.5, "degree"))
    (tangent,) = [r for r in remarks if "tangent" in r]
    assert f"{math.tan(math.radians(0.5)):.5f}" in tangent
    (diagonals,) = [r for r in remarks if "diagonals" in r]
    lean = -math.tan(math.radians(0.5))
    corners = np.array([[0, 0], [100, 0], [100 + 100 * lean, 100], [100 * lean, 100]])
    rising, falling = np.linalg.norm(corners[2] - corners[0]), np.linalg.norm(corners[3] - corners[1])
    told = [float(v) for v in re.findall(r"(\d+\.\d+) mm", diagonals)]
    assert told == pytest.approx([rising, falling], abs=0.01)


@pytest.mark.long
def test_no_face_uses_another_name(tmp_path):
    """Terminal, sheet, report, card and help of every command, for a case in which every error is there."""
    place = tmp_path / "orrery"
    texts = {"init": run("init", place, "--yes")[1]}
    texts["make"] = run("make", place, "--quick")[1]
    wide = (
        "--path-offset",
        "0.15",
        "--backlash-y",
        "0.3",
        "--bead-width",
        "0.1",
        "--first-layer-flare",
        "0.2",
    )
    texts["simulate"] = run("simulate", place, *wide, "--squareness-x-y", "0.6", "--scale-x", "0.8")[1]
    for words in (
        ("diagnose", place), ("plan", place), ("next", place), ("predict", place, "--pair", "6,6.2"),
        ("predict", place), ("apply", place), ("make", place, "--new-print"), ("simulate", place, "--print", "02"),
        ("compare", place, "01", "02"), ("compare", place), (place,),
    ):  # fmt: skip
        code, out, err = run(*words)
        texts[" ".join(map(str, words))] = out + err
    for command in ("init", "make", "path", "trace", "enter", "bench", "next", "diagnose", "compare", "apply", "plan",
                    "predict", "correct", "demo", "simulate"):  # fmt: skip
        texts[f"{command} --help"] = run(command, "--help")[1]
    with pdfplumber.open(place / "prints/01/sheet.pdf") as pdf:
        texts["sheet"] = " ".join(page.extract_text() for page in pdf.pages)
    report = (place / "prints/01/report.html").read_text("utf-8")
    texts["report"] = re.sub(r"<style>.*?</style>|<[^>]*>", " ", report, flags=re.DOTALL)
    assert {name: found for name, text in texts.items() if (found := other_names(text))} == {}
