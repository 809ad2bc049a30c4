"""A case of a machine with crossed belts through the commands, as its user goes."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pdfplumber
import pytest

from fitassay.analysis.parts.part_file import write_parts
from fitassay.bench.session import Bench
from fitassay.case import Case
from tests.belt_printer import BeltPrinter
from tests.fit_case import run_json
from tests.own_starts import ABSOLUTE, END
from tests.parts import drawn
from tests.test_cli import run


def quick_case(folder, kinematics, *errors):
    """A machine so driven, with its quick set printed virtually with these errors; its folder."""
    case = str(folder / "orrery")
    words("init", case, "--yes", "--kinematics", kinematics)
    words("make", case, "--quick")
    words("simulate", case, *errors)
    return case


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    folder = quick_case(
        tmp_path_factory.mktemp("belts"), "crossed-belts", "--backlash-a", "0.4", "--seed", "2"
    )
    words("diagnose", folder)
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
            # Over the whole comb's width jaws feel the other belt; corners lie aslant to both.
            turned = 90.0 if feature["id"] == "across" else 0.0
            assert feature["kind"] == "diagonal" or feature["direction_deg"] == (degrees + turned) % 180
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


def test_a_belt_tightened_shows_in_the_comparison(case, tmp_path):
    # Of its own, since what comes after print 01 is no business of the other tests.
    case = str(shutil.copytree(case, tmp_path / "orrery"))
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


# --- sheet, report, bench page, guide -----------------------------------------------------------------------------


def test_the_sheet_leads_the_jaws_to_the_turned_faces(case):
    with pdfplumber.open(Path(case) / "prints" / "01" / "sheet.pdf") as sheet:
        pages = [" ".join(page.extract_text().split()) for page in sheet.pages]
    for comb, faces in (("comb-a", "front left and back right"), ("comb-b", "back left and front right")):
        (page,) = (p for p in pages if f": {comb} " in p)
        assert faces in page
        assert "left and right faces" not in page.replace(faces, "")


def test_the_report_speaks_of_belts_and_diagonals(case):
    report = (Path(case) / "prints" / "01" / "report.html").read_text("utf-8")
    for said in ("play of belt a", "tension of belt a", "at +45°", "at -45°", "Coupon comb-a"):
        assert said.lower() in report.lower(), said
    assert "backlash in x" not in report


def test_the_bench_page_draws_the_jaws_along_the_diagonals(case):
    bench = Bench(Case.open(case).print("01"))
    for comb, rise in (("comb-a", 1.0), ("comb-b", -1.0)):
        shown = bench.drawing(comb)["features"]
        assert shown
        along = {name: f for name, f in shown.items() if not name.startswith(("across", "diagonal"))}
        assert len(along) >= 4
        for feature in along.values():
            # The page's v points down.
            across, down = (feature["b"][i] - feature["a"][i] for i in (0, 1))
            assert -down / across == pytest.approx(rise, abs=1e-5)


def test_a_part_is_drawn_against_the_play_of_a_belt(case, tmp_path):
    part = tmp_path / "bracket.stl"
    write_parts(part, (drawn("bracket").part,), "bracket")
    got = run_json("correct", case, str(part), "--print", "01", "-o", str(tmp_path / "right.stl"))
    proof = got["bodies"][0]["virtual_print"]
    # Printers drawn from what the quick set leaves open still differ; the play is what they have in common.
    assert proof["corrected"]["mean_mm"] < 0.65 * proof["as_drawn"]["mean_mm"]
    assert 0.1 < got["bodies"][0]["largest_move_mm"] < 0.4
    assert got["withheld"] == ""


GUIDE = Path(__file__).parent.parent / "gallery" / "guide"


def test_the_guides_table_of_plays_is_the_simulations():
    """Half the difference of the plays along x and y, a play over the root of 2 along its diagonal."""
    text = (GUIDE / "drives.md").read_text("utf-8")
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in text.splitlines()
        if "0." in line[:6]
    ]
    assert len(rows) == 3
    for plays, *sizes, diagonals in rows:
        a, b = (float(p) for p in plays.split("/"))
        machine = BeltPrinter(n=1, play_a=np.array([a]), play_b=np.array([b]))
        outside, inside = _widths(machine, SQUARE), _widths(machine, SQUARE[::-1])
        got = [float(s) for s in sizes]
        assert got == pytest.approx([*outside, *inside], abs=0.006)
        # One belt alone runs along a diagonal.
        slanted = _widths(machine, SQUARE @ TURN.T, TURN)
        told = float(diagonals.split()[0])
        along = {"rising": [0], "falling": [1], "either": [0, 1]}
        (said,) = (i for word, i in along.items() if word in diagonals)
        for i in (0, 1):
            assert slanted[i] == pytest.approx(told if i in said else 0.0, abs=0.006)


def test_the_guide_has_a_drawing_of_either_drive():
    text = (GUIDE / "drives.md").read_text("utf-8")
    for drawing in ("drive-cartesian.svg", "drive-crossed-belts.svg"):
        assert f"]({drawing})" in text
        assert (GUIDE / drawing).read_text("utf-8").count("<path") > 2


SQUARE = 10.0 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
TURN = np.array([[1, -1], [1, 1]]) / 2**0.5


def _widths(machine: BeltPrinter, corners: np.ndarray, frame: np.ndarray | None = None) -> list[float]:
    """By how much the middles of a square's sides end up too far apart along the frame's axes [mm]."""
    share = np.linspace(0, 1, 400, endpoint=False)[:, None]
    ring = np.concatenate(
        [p + share * (q - p) for p, q in zip(corners, np.roll(corners, -1, 0), strict=True)]
    )
    walked = machine.placed(ring[None])[0]
    axes = np.eye(2) if frame is None else frame.T
    off = []
    for axis in axes:
        side, along = ring @ axis, ring @ np.array([-axis[1], axis[0]])
        middle = np.abs(along) < 0.5
        high, low = middle & (side > 9.9), middle & (side < -9.9)
        off.append(float((walked[high] @ axis).mean() - (walked[low] @ axis).mean() - 20.0))
    return off


# --- before anything is read, and what a delta is not told --------------------------------------------------------


def test_only_what_the_machine_has_is_in_doubt_before_a_card_is_read(tmp_path):
    start, end = tmp_path / "start.txt", tmp_path / "end.txt"
    start.write_text(ABSOLUTE, "utf-8")
    end.write_text(END, "utf-8")
    doubts = {}
    for kinematics in ("cartesian", "crossed-belts", "delta"):
        folder = str(tmp_path / kinematics)
        assert run("init", folder, "--yes", "--kinematics", kinematics)[0] == 0
        code, _, err = run("path", folder, "--card", "--start", str(start), "--end", str(end), "--yes")
        assert code == 0, err
        doubts[kinematics] = set(run_json("next", folder)["doubt"])
    both = {"scale_z", "bead_excess", "contour_offset", "bore_closure", "layer_datum", "first_layer_flare"}
    turned = {"backlash_a", "backlash_b", "scale_xy", "skew_xy"}
    assert doubts["cartesian"] == both | {"scale_x", "scale_y", "backlash_x", "backlash_y", "skew_xy"}
    assert doubts["crossed-belts"] == both | turned
    assert doubts["delta"] == both


@pytest.mark.parametrize(
    ("kinematics", "tells"),
    [("cartesian", "backlash of both axes"), ("crossed-belts", "the play of both belts"), ("delta", "")],
)
def test_the_card_is_offered_where_it_tells_something(tmp_path, kinematics, tells):
    folder = str(tmp_path / "orrery")
    assert ("--card" in words("init", folder, "--yes", "--kinematics", kinematics)) == bool(tells)
    assert run_json("next", folder)["card_first"] == bool(tells)
    hint = words("next", folder)
    assert ("--card" in hint) == bool(tells)
    assert tells in hint
    assert "fitassay make" in hint or tells


@pytest.fixture(scope="module")
def arms(tmp_path_factory):
    """A delta on which something shortens x, and whose bead is as it should be."""
    return quick_case(tmp_path_factory.mktemp("arms"), "delta", "--backlash-x", "0.3", "--seed", "3")


def test_nothing_but_one_sentence_names_what_is_not_told_of_a_delta(arms, tmp_path):
    part = str(Path(arms) / "prints" / "01" / "comb-x.stl")
    for arguments in (
        ("diagnose", arms),
        ("plan", arms),
        ("predict", arms, "--pair", "8,8.5"),
        ("correct", arms, part, "-o", str(tmp_path / "right.stl")),
    ):
        out = words(*arguments)
        sentences = [s for s in out.split(". ") if "backlash" in s or "squareness" in s]
        assert len(sentences) == 1, arguments
        assert "Not told of a delta" in sentences[0]
    # The quick plate shows neither bores nor heights: what is judged of a delta was looked at in part.
    said = words("diagnose", arms)
    assert "Nothing that was looked at exceeds" in said and "closing of round bores" in said


def test_sizes_of_a_delta_are_not_foretold_better_than_they_are_known(arms):
    (pair,) = run_json("predict", arms, "--pair", "8,8.5")["pairs"]
    # The half of the play that a peg and its hole take each, told by no name.
    assert pair["contributions_mm"]["withheld"] < -0.15
    assert not {"backlash_x", "scale_x", "skew_xy"} & set(pair["contributions_mm"])
    assert pair["put_together_mm"]["std_uncertainty"] > 0.1


def test_a_part_of_a_delta_is_not_drawn_for_what_is_not_told(arms, tmp_path):
    """A block for a machine that shortens x alone stays as wide in x as it is in y."""
    part = Path(arms) / "prints" / "01" / "comb-y.stl"
    got = run_json("correct", arms, str(part), "-o", str(tmp_path / "right.stl"))
    (body,) = got["bodies"]
    # 0.15 mm a side of the play would be to draw; bead and path are known to some hundredths.
    assert body["largest_move_mm"] < 0.1
    assert "backlash in x" in got["withheld"]
