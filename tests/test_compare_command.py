"""`fitassay compare` as a user or a program meets it."""

import re
from xml.etree import ElementTree

import pytest

from tests.fit_case import ERRORS, case, options, run, run_json


def edit(place, **values):
    """Change figures of machine.toml as a user would."""
    path = place / "machine.toml"
    text = path.read_text(encoding="utf-8")
    for name, value in values.items():
        text, found = re.subn(rf"(?m)^{name} = .*$", f"{name} = {value}", text)
        assert found == 1, name
    path.write_text(text, encoding="utf-8")


def another(place, errors, seed, *make):
    assert run("make", place, "--new-print", *make)[0] == 0
    assert run("simulate", place, "--seed", seed, *options(errors))[0] == 0


@pytest.fixture(scope="module")
def mended(tmp_path_factory):
    """The case with a second print after half of the advice was followed; tests only read it."""
    place = case(tmp_path_factory.mktemp("mended"))
    errors = {**ERRORS, "contour-offset": 0.12}
    assert run("simulate", place, "--force", "--seed", 3, *options(errors))[0] == 0
    # So small a bead excess is not told from uneven layers: the path makes it good, half of it a side.
    bead = ERRORS["bead-excess"] / 2
    edit(place, backlash_x_mm=ERRORS["backlash-x"], contour_mm=-errors["contour-offset"] - bead)
    left = {**errors, "backlash-x": 0.0, "contour-offset": -bead}
    another(place, left, 5)
    return place


@pytest.mark.long
def test_two_prints(mended):
    place = mended
    got = run_json("compare", place, "01", "02")
    assert got["misfit_mm"]["after"] < got["misfit_mm"]["before"] and got["probability_better"] > 0.975
    assert got["terms"]["backlash_x"]["outcome"] == "improved"
    assert got["terms"]["contour_offset"]["outcome"] == "improved"
    assert got["terms"]["backlash_x"]["as_expected"] and got["terms"]["contour_offset"]["as_expected"]
    assert got["terms"]["backlash_y"]["outcome"] == "no clear change"
    verdicts = {s["setting"]: s["verdict"] for s in got["settings"]}
    assert verdicts["settings.backlash_x_mm"] == "as advised"
    assert verdicts["settings.contour_mm"] == "as advised"
    assert verdicts["settings.backlash_y_mm"] == "not changed"
    # What was left: 0.05 mm of play in y, and 0.04 mm of bead that half as much of the path makes good.
    assert got["now_largest"] in ("backlash_y", "bead_excess", "contour_offset")
    picture = place / "prints" / "02" / "compare-01.svg"
    assert got["picture"] == str(picture)
    assert ElementTree.parse(picture).getroot().tag.endswith("svg")


@pytest.mark.long
def test_words_and_picture_are_the_same_on_every_run(mended):
    place = mended
    first = run("compare", place, "01", "02")
    drawn = (place / "prints" / "02" / "compare-01.svg").read_bytes()
    assert run("compare", place, "01", "02") == first
    assert (place / "prints" / "02" / "compare-01.svg").read_bytes() == drawn
    out = " ".join(first[1].split())
    for words in (
        "8 mm bores, in x and y) fell",
        "as advised",
        "not changed",
        "did what it should",
        "improved",
    ):
        assert words in out


@pytest.mark.long
def test_settings_of_a_print_are_kept_though_the_case_moves_on(tmp_path):
    # After the advice was followed in machine.toml, the first print is still diagnosed under its own settings.
    place = case(tmp_path)
    before = run_json("diagnose", place)["advice"]
    edit(place, backlash_x_mm=0.12)
    after = run_json("diagnose", place)["advice"]
    assert before == after
    assert next(a for a in after if a["setting"] == "settings.backlash_x_mm")["from"] == 0.0


@pytest.mark.long
def test_all_prints_with_two_materials(tmp_path):
    place = case(tmp_path)
    edit(place, material='"nylon"')
    another(place, {**ERRORS, "scale-x": -0.6, "scale-y": -0.6, "scale-z": -0.6}, 7)
    got = run_json("compare", place)
    assert [p["material"] for p in got["prints"]] == ["PLA", "nylon"]
    material = got["factors"]["material"]
    assert {"scale_x", "scale_y", "scale_z"} <= set(material["significant"])
    assert "backlash_x" not in material["differences"]
    for axis in ("scale_x", "scale_y"):
        (d,) = material["differences"][axis]
        assert (d["level"], d["against"]) == ("nylon", "PLA")
        assert abs(d["difference"] + 0.006) < 3 * d["difference_std_uncertainty"]
    assert got["charts"]["scale_x"]["stable"] is None
    code, out, _ = run("compare", place)
    assert code == 0 and "go with the material" in out and "too few prints" in out


@pytest.mark.long
def test_history_finds_the_print_that_falls_out(tmp_path):
    place = case(tmp_path)
    for seed in (5, 6, 7):
        another(place, ERRORS, seed, "--quick")
    another(place, {**ERRORS, "backlash-x": 0.45}, 8, "--quick")
    got = run_json("compare", place)
    chart = got["charts"]["backlash_x"]
    assert chart["prints"] == ["01", "02", "03", "04", "05"]
    assert chart["values"][-1] == pytest.approx(0.45, abs=0.05)
    assert ElementTree.parse(got["picture"]).getroot().tag.endswith("svg")
    assert got["factors"] == {}


@pytest.mark.parametrize(
    "args, words",
    [
        (("01",), "give two prints"),
        (("01", "02", "03"), "give two prints"),
        (("01", "01"), "compared with itself"),
        (("01", "09"), "there is no print 09"),
    ],
)
def test_bad_requests(tmp_path, args, words):
    code, out, err = run("compare", case(tmp_path), *args)
    assert code == 2 and words in err and out == "" and "Traceback" not in err


def test_print_without_readings_is_left_out_and_said(tmp_path):
    place = case(tmp_path)
    assert run("make", place, "--new-print", "--quick")[0] == 0
    code, out, err = run("compare", place)
    assert code == 0 and "print 02 is left out" in " ".join(err.split())
    assert run("compare", place, "01", "02")[0] == 2


@pytest.mark.long
@pytest.mark.parametrize(("left", "outcome"), [(0.02, "improved"), (0.23, "no clear change")])
def test_a_small_proof_print_is_judged_by_what_the_earlier_print_left_known(tmp_path, left, outcome):
    """Backlash of 0.23 mm set off; the proof print shows it gone, or that the setting did not take."""
    place = tmp_path / "proof"
    for words in (
        ("init", place, "--yes"),
        ("make", place),
        ("simulate", place, "--backlash-x", "0.23", "--seed", "3"),
        ("apply", place, "1"),
        ("simulate", place, "--backlash-x", str(left), "--seed", "4"),
    ):
        code, _, err = run(*words)
        assert code == 0, err
    data = run_json("compare", place, "01", "02")
    assert data["part_only"]
    assert data["terms"]["backlash_x"]["outcome"] == outcome
    assert data["terms"]["backlash_x"]["after"] == pytest.approx(left, abs=0.05)
    assert (data["probability_better"] > 0.97) == (outcome == "improved")
    word = "fell" if outcome == "improved" else "did not clearly change"
    assert word in " ".join(run("compare", place, "01", "02")[1].split())
