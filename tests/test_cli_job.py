"""make, simulate, diagnose, demo: the job from the outside, through files and exit codes."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path

import pytest

from fitassay.analysis.readings.file import read_readings
from fitassay.analysis.terms import TERMS
from fitassay.coupons.export.manifest import read_manifest
from fitassay.coupons.families import FAMILIES
from fitassay.names import of_error
from tests.faults import full_disk
from tests.pty_session import PtySession
from tests.test_cli import run


@pytest.fixture(scope="module")
def quick(tmp_path_factory) -> Path:
    """A case with a quick print made, to be copied."""
    case = tmp_path_factory.mktemp("quick") / "orrery"
    assert run("init", str(case), "--yes")[0] == 0
    code, _, err = run("make", str(case), "--quick")
    assert (code, err) == (0, "")
    return case


@pytest.fixture
def case(quick, tmp_path) -> Path:
    """A fresh copy of the quick case."""
    return Path(shutil.copytree(quick, tmp_path / "orrery"))


def answer(*args: str) -> dict:
    """What a command says in JSON; nothing else may be on standard output."""
    code, out, err = run(*args, "--json")
    assert (code, err) == (0, ""), err
    return json.loads(out)


def test_make_writes_what_it_lists_and_lists_what_it_writes(case):
    target = case / "prints" / "01"
    told = answer("make", str(case), "--quick")
    assert {Path(f).name for f in told["files"]} == {p.name for p in target.iterdir()}
    manifest = read_manifest(target / "coupons.json")
    assert [c["id"] for c in told["coupons"]] == [c.id for c in manifest.coupons]
    assert told["features"] == sum(len(c.features) for c in manifest.coupons) <= 14
    assert told["grams"] == pytest.approx(sum(c["grams"] for c in told["coupons"]), abs=0.01)
    rows = list(csv.DictReader((target / "readings.csv").read_text().splitlines()))
    assert [(r["coupon"], r["feature"]) for r in rows] == [
        (c.id, f.id) for c in manifest.coupons for f in c.features
    ]


@pytest.mark.parametrize("width", [60, pytest.param(80, marks=pytest.mark.long), 110])
def test_the_table_fits_the_terminal_and_names_every_coupon(case, width, monkeypatch):
    monkeypatch.setenv("COLUMNS", str(width))
    code, out, err = run("make", str(case), "--quick")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert max(len(line) for line in lines if str(case) not in line) <= width
    assert lines[0].split() == ["coupon", "plate", "features", "grams", "minutes", "isolates"]
    for name in ("comb-x", "comb-y", "wall", "together"):
        assert sum(line.startswith(name) for line in lines) == 1
    assert "\x1b" not in out
    assert "machine's manual" in " ".join(out.split())


def test_colour_only_at_a_terminal_that_wants_it(case):
    run("simulate", str(case), "--backlash-y", "0.2")
    assert "\x1b" not in "".join(run("diagnose", str(case))[1:])
    coloured = []
    for env in ({}, {"NO_COLOR": "1"}):
        s = PtySession("diagnose", str(case), cwd=case.parent, env=env)
        assert s.end() == 0
        # Codes 30 to 37 and 90 to 97 of ECMA-48 (SGR) choose a foreground colour.
        codes = re.findall(r"\x1b\[([0-9;]*)m", s.text)
        coloured.append(any(re.search(r"\b[39][0-7]\b", c) for c in codes))
    assert coloured == [True, False]


def test_other_families_may_be_picked_and_a_wrong_one_is_told(case):
    told = answer("make", str(case), "--family", "stepped-boss", "--family", "single-wall", "--new-print")
    assert {c["family"] for c in told["coupons"]} == {"stepped-boss", "single-wall"}
    assert told["print"] == "02"
    told = answer("make", str(case), "--family", "comb-y", "--family", "wall", "--new-print")
    assert [c["id"] for c in told["coupons"]] == ["comb-y", "wall"]
    code, _, err = run("make", str(case), "--family", "stepped-bos")
    assert code == 2
    assert "did you mean stepped-boss?" in err


def test_help_names_every_family():
    code, out, _ = run("make", "--help")
    assert code == 0
    assert all(name in "".join(out.split()) for name in FAMILIES)


@pytest.mark.long
def test_what_to_print_next_comes_with_its_command(tmp_path):
    """A plain block leaves contenders; the single wall parts them, and the two prints are read together."""
    case = str(tmp_path / "orrery")
    run("init", case, "--yes")
    run("make", case, "--family", "plain-block")
    run("simulate", case, "--contour-offset", "0.12", "--backlash-y", "0.24")
    _, out, _ = run("diagnose", case)
    flat = " ".join(out.split())
    assert f"To print wall: fitassay make {case} --new-print --family wall; once it is read:" in flat
    assert run("make", case, "--new-print", "--family", "wall")[0] == 0
    run("simulate", case, "--contour-offset", "0.12", "--backlash-y", "0.24")
    told = answer("diagnose", case, "--carry", "01")["terms"]["contour_offset"]
    alone = answer("diagnose", case, "--print", "01")["terms"]["contour_offset"]
    assert told["std_uncertainty"] < alone["std_uncertainty"] / 2


def test_making_anew_clears_away_what_no_longer_belongs(case):
    target = case / "prints" / "01"
    (target / "mine.txt").write_text("keep me")
    answer("make", str(case), "--family", "single-wall")
    names = {p.name for p in target.iterdir()}
    assert "comb-x.stl" not in names
    assert {"wall.stl", "plate-1.3mf", "coupons.json", "mine.txt"} <= names


def test_readings_are_never_overwritten(case):
    readings = case / "prints" / "01" / "readings.csv"
    first = read_manifest(case / "prints" / "01" / "coupons.json").coupons[0]
    run("enter", str(case), stdin=f"{first.features[0].nominal_mm}\nq\n")
    before = readings.read_bytes()
    assert b"6.00" in before
    # The same coupons: all is made anew but the readings.
    assert answer("make", str(case), "--quick")["readings_kept"] is True
    assert readings.read_bytes() == before
    # Other coupons: refused, nothing touched.
    manifest = (case / "prints" / "01" / "coupons.json").read_bytes()
    code, _, err = run("make", str(case), "--family", "single-wall")
    assert code == 2
    assert "readings.csv: holds readings or notes of other coupons than these; give --new-print" in err
    assert readings.read_bytes() == before
    assert (case / "prints" / "01" / "coupons.json").read_bytes() == manifest
    assert not (case / "prints" / "01" / "wall-2.stl").exists()
    # A further print leaves the first alone.
    assert answer("make", str(case), "--family", "single-wall", "--new-print")["print"] == "02"
    assert readings.read_bytes() == before
    code, _, err = run("simulate", str(case), "--print", "01")
    assert code == 2
    assert "give --force to replace them" in err
    assert readings.read_bytes() == before


def test_unreadable_readings_are_not_thrown_away(case):
    readings = case / "prints" / "01" / "readings.csv"
    readings.write_bytes(b"PK\x03\x04 my workbook")
    code, _, err = run("make", str(case), "--family", "single-wall")
    assert code == 2
    assert readings.read_bytes() == b"PK\x03\x04 my workbook"


def test_a_machine_too_small_is_refused_with_the_dimension(tmp_path):
    run("init", str(tmp_path / "o"), "--yes", "--volume-x", "30")
    code, out, err = run("make", str(tmp_path / "o"))
    assert code == 1
    assert out == ""
    assert "volume.x_mm" in err
    assert not (tmp_path / "o" / "prints").exists()


def test_a_full_disk_is_told(case, monkeypatch):
    readings = (case / "prints" / "01" / "readings.csv").read_bytes()

    monkeypatch.setattr("os.fsync", full_disk)
    for args in (["make", str(case), "--quick"], ["simulate", str(case)]):
        code, out, err = run(*args)
        assert code == 2
        assert err.startswith("fitassay: ")
        assert "cannot be written (No space left on device)" in err
        assert err.count("\n") == 1
    assert (case / "prints" / "01" / "readings.csv").read_bytes() == readings


def test_simulate_and_diagnose_give_the_error_back(case):
    told = answer("simulate", str(case), "--backlash-y", "0,24", "--seed", "7", "--reference", "outside:10")
    assert told["errors"] == {"backlash_y": 0.24}
    assert told["readings"] == 15
    target = case / "prints" / "01"
    diagnosis = answer("diagnose", str(case))
    assert diagnosis == json.loads((target / "diagnosis.json").read_text("utf-8"))
    assert set(diagnosis["terms"]) == {t.name for t in TERMS if "cartesian" in t.kinematics}
    term = diagnosis["terms"]["backlash_y"]
    # Four standard uncertainties: one seed in 16,000 would fail, and this seed does not.
    assert abs(term["estimate"] - 0.24) < 4 * term["std_uncertainty"]
    assert diagnosis["verdict"]["status"] == "dominant"
    assert diagnosis["verdict"]["term"] == "backlash_y"
    assert (target / "report.html").read_text("utf-8").startswith("<!")
    code, out, err = run("diagnose", str(case))
    assert (code, err) == (0, "")
    assert "acklash in y" in out
    flat = " ".join(out.split())
    assert f"Report: {target / 'report.html'}" in flat
    assert f"Then: fitassay apply {case} writes the new values into machine.toml" in flat


def test_settings_changed_since_the_print_are_told(case):
    """The advice starts from what was set for the print; the case's file may have moved on."""
    run("simulate", str(case), "--backlash-y", "0.24")
    before = answer("diagnose", str(case))["advice"]
    file = case / "machine.toml"
    file.write_text(file.read_text("utf-8").replace("backlash_y_mm = 0.0", "backlash_y_mm = 0.24"), "utf-8")
    code, _, err = run("diagnose", str(case))
    assert code == 0
    assert "has other settings by now (backlash compensation of y)" in " ".join(err.split())
    assert answer("diagnose", str(case))["advice"] == before


def test_simulate_is_the_same_for_the_same_seed(case):
    readings = case / "prints" / "01" / "readings.csv"
    texts = []
    for seed in ("3", "3", "4"):
        run("simulate", str(case), "--bead-excess", "0.05", "--seed", seed, "--repeats", "2", "--force")
        texts.append(readings.read_text())
    assert texts[0] == texts[1] != texts[2]
    manifest = read_manifest(case / "prints" / "01" / "coupons.json")
    assert len(read_readings(readings, manifest)) == 28


@pytest.mark.parametrize("term", TERMS, ids=lambda t: t.name)
def test_every_term_is_an_option_in_the_units_of_the_face(term):
    code, out, _ = run("simulate", "--help")
    assert code == 0
    unit = {"mm": "mm", "1": "%", "rad": "degree"}[term.unit]
    assert f"{of_error(term).option} {unit}" in out


def test_percent_and_degrees_become_fractions_and_radians(case):
    told = answer("simulate", str(case), "--scale-x", "0.5%", "--skew-xy", "0.5")
    assert told["errors"]["scale_x"] == pytest.approx(0.005)
    assert told["errors"]["skew_xy"] == pytest.approx(0.00872664626)  # half a degree


def test_errors_that_leave_no_feature_are_told(case):
    code, _, err = run("simulate", str(case), "--bead-excess", "-2")
    assert code == 2
    assert "would vanish" in err


def test_diagnose_without_readings_says_what_to_do(case):
    code, _, err = run("diagnose", str(case))
    assert code == 2
    assert "readings.csv: holds no readings yet; run 'fitassay enter" in err
    (case / "prints" / "01" / "readings.csv").unlink()
    code, _, err = run("diagnose", str(case))
    assert code == 2
    assert "there is no such file" in err


def test_diagnose_names_every_bad_row_and_writes_nothing(case):
    readings = case / "prints" / "01" / "readings.csv"
    rows = readings.read_text().split("\n")
    readings.write_text("\n".join([rows[0], rows[1].replace(",,", ",0.8in,"), rows[2].replace(",,", ",-1,")]))
    code, out, err = run("diagnose", str(case))
    assert code == 2
    assert out == ""
    assert [line.split(", ")[1] for line in err.splitlines()] == ["line 2", "line 3"]
    assert not (case / "prints" / "01" / "diagnosis.json").exists()


def test_a_prior_of_no_known_error_is_told(case):
    run("simulate", str(case), "--backlash-y", "0.2")
    machine = case / "machine.toml"
    text = machine.read_text("utf-8")
    machine.write_text(text.replace("[priors]\n", "[priors]\nbacklash_w = 0.1\n"), "utf-8")
    code, _, err = run("diagnose", str(case))
    assert code == 2
    assert "priors.backlash_w: is no error's name; did you mean backlash_" in err


def test_diagnose_refuses_the_readings_of_another_print(case):
    readings = case / "prints" / "01" / "readings.csv"
    readings.write_text("coupon,feature,reading_mm,note\ngear,tooth1,3.2,\n")
    code, _, err = run("diagnose", str(case))
    assert code == 2
    assert "readings for another print" in err


def test_a_missing_mesh_is_told(case):
    run("simulate", str(case), "--backlash-y", "0.2")
    (case / "prints" / "01" / "comb-x.stl").unlink()
    code, _, err = run("diagnose", str(case))
    assert code == 2
    assert "comb-x.stl" in err
    assert err.count("\n") == 1


@pytest.mark.long
def test_demo_says_where_its_report_is(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, out, err = run("demo")
    assert (code, err) == (0, "")
    assert "Report: orrery/prints/01/report.html" in out
    assert "After the changes" in out
    assert Path("orrery/prints/02/report.html").exists()
    assert answer("demo")["case"] == "orrery-2"


@pytest.mark.long
def test_demo_tells_the_story_of_the_arms_joint(tmp_path, monkeypatch):
    """The case holds the joint, and the demo opens with what becomes of it: binds now, turns after the changes."""
    monkeypatch.chdir(tmp_path)
    code, out, _ = run("demo")
    told = " ".join(out.split())
    assert code == 0 and "6,6.2,turn" in (tmp_path / "orrery/joints.csv").read_text("utf-8")
    assert re.search(r"arm on its peg, 6 mm in 6.2 mm, to turn: binds .* now; turns .* draw the hole", told)
    assert told.index("arm on its peg") < told.index("One error dominates")


def test_demo_does_the_whole_job(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    told = answer("demo")
    assert told["case"] == "orrery"
    assert Path("orrery/prints/02/report.html").exists()
    diagnosis = json.loads(Path("orrery/prints/01/diagnosis.json").read_text("utf-8"))
    assert diagnosis["verdict"]["term"] == "backlash_y"
    assert diagnosis["verdict"]["status"] == "dominant"
    # The virtual printer's errors lie within the stated uncertainties: 14 terms, 4 of them each.
    for name, true in told["errors"].items():
        term = told["diagnosis"]["terms"][name]
        assert abs(term["estimate"] - true) < 4 * term["std_uncertainty"], name
    # The advice mended it: less misfit, and a peg that bound over a turn no longer does.
    misfit = told["second"]["misfit_mm"]
    assert misfit["after"] < 0.3 * misfit["before"]
    assert [p["probability_binds"] > 0.5 for p in told["pegs"]] == [True, False]
    code, _, err = run("demo", "orrery")
    assert code == 2
    assert "orrery: is there already and not empty" in err
