"""Steps that readings carry badly: one reading alone is asked for again; where no number is known none is told."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path

import pytest

from fitassay.bench.live import verdict_data
from fitassay.case import Case
from fitassay.inputs import read_inputs
from fitassay.labels import capital
from tests.fit_case import ERRORS, case, options, quick_case, run, run_json

AGAIN = "rests on one reading: take diagonal-45 on frame again before you change this"


def one_diagonal(tmp_path: Path) -> Path:
    """A leaning frame of which one diagonal was read, once."""
    place = case(tmp_path)
    run("simulate", place, "--force", "--squareness-x-y", "1.0", "--seed", "4")
    path = place / "prints/01/readings.csv"
    rows = [r for r in csv.reader(path.read_text("utf-8").splitlines()) if r[1:2] != ["diagonal-135"]]
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    return place


def flat(text: str) -> str:
    return " ".join(text.split())


def live(place: Path) -> dict:
    """What the bench page shows once all is read."""
    return verdict_data(read_inputs(Case.open(str(place)).print()).diagnose())


def test_a_step_on_one_unchecked_reading_asks_for_it_again(tmp_path):
    """With one diagonal left out, squareness hangs on the other; with both read and repeated, on neither alone."""
    place = case(tmp_path)
    run("simulate", place, "--force", "--squareness-x-y", "1.0", "--repeats", "2", "--seed", "4")
    steps = {a["setting"]: a["rests_on"] for a in run_json("diagnose", place)["advice"]}
    assert steps["settings.skew_deg"] is None
    assert AGAIN not in flat(run("diagnose", place)[1])
    place = one_diagonal(tmp_path / "again")
    steps = {a["setting"]: a["rests_on"] for a in run_json("diagnose", place)["advice"]}
    assert steps["settings.skew_deg"] == {"coupon": "frame", "feature": "diagonal-45"}


@pytest.mark.parametrize("at", ["diagonal-neck", "diagonal-head"])
def test_half_a_millimetre_misread_on_a_diagonal_of_the_quick_plate_changes_nothing_unasked(tmp_path, at):
    """Nothing else in fourteen readings checks a diagonal: what would set the frame straight asks for it again."""
    place = quick_case(tmp_path)
    run("simulate", place, "--backlash-y", "0.3", "--seed", "3")
    path = place / "prints/01/readings.csv"
    rows = list(csv.reader(path.read_text("utf-8").splitlines()))
    for row in rows:
        if row[1] == at:
            row[2] = f"{float(row[2]) + 0.5:.2f}"
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    (step,) = [a for a in run_json("diagnose", place)["advice"] if a["setting"] == "settings.skew_deg"]
    assert step["rests_on"] in [
        {"coupon": "comb-x", "feature": f} for f in ("diagonal-neck", "diagonal-head")
    ]


@pytest.mark.parametrize("face", ["diagnose", "plan", "apply", "report", "bench"])
def test_every_face_asks_for_it_on_a_line_of_its_own(tmp_path, face):
    place = one_diagonal(tmp_path)
    if face == "bench":
        assert any(AGAIN in step for step in live(place)["advice"])
        return
    _, out, _ = run(face if face != "report" else "diagnose", place)
    if face == "report":
        out = (place / "prints/01/report.html").read_text("utf-8")
        assert f'<p class="check"><bdi>R{AGAIN[1:]}.</bdi></p>' in out
        return
    lines = [line.strip().lower() for line in out.splitlines()]
    (at,) = [i for i, line in enumerate(lines) if line.startswith("rests on one reading: take")]
    assert AGAIN in " ".join(lines[at : at + 3])


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Play known to 0.055 with 0.028 (k = 2) and no error accused: no number, only which way it leans."""
    place = case(tmp_path_factory.mktemp("leaning"))
    assert run("diagnose", place)[0] == 0
    return place


@pytest.fixture
def leaning(made, tmp_path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "orrery"))


LEANS = "Backlash compensation of y should probably be larger (backlash in y), but by how much is known to no better"


def test_meanwhile_no_number_is_less_than_twice_its_uncertainty(made):
    got = json.loads((made / "prints/01/diagnosis.json").read_text("utf-8"))
    assert got["verdict"]["status"] not in ("dominant", "leading")
    for step in got["advice"]:
        if step["to"] is not None:
            assert 2 * step["std_uncertainty"] <= 0.5 * abs(step["to"] - step["from"]), step
    (lean,) = [s for s in got["unsettled"] if s["term"] == "backlash_y"]
    assert "settings.backlash_y_mm" not in {a["setting"] for a in got["advice"]}
    assert capital(lean["text"]).startswith(LEANS) and lean["settle"].startswith(
        "to settle it, print and measure "
    )


@pytest.mark.long
@pytest.mark.parametrize("face", ["diagnose", "plan", "apply", "report", "bench"])
def test_every_face_says_which_way_it_leans_and_what_would_settle_it(leaning, face):
    if face == "report":
        text = (leaning / "prints/01/report.html").read_text("utf-8")
    elif face == "bench":
        shown = live(leaning)
        assert not any("acklash compensation of y" in step for step in shown["advice"])
        text = " ".join(t for each in shown["unsettled"] for t in each["texts"])
    else:
        _, text, _ = run(face, leaning, *(["--no-proof"] if face == "apply" else []))
    assert re.search(
        re.escape(LEANS) + r" than half of it\. To .{6,14} it.{0,7}, print and measure ", flat(text)
    )


@pytest.mark.long
@pytest.mark.parametrize("face", ["diagnose", "plan", "apply", "report"])
def test_every_face_says_what_to_draw_tonight(leaning, face):
    """Beside what no number is known for there stands a size that fits all the same, with the play it then has."""
    (leaning / "joints.csv").write_text("name,peg_mm,hole_mm,motion\narm,8,8,turn\n", "utf-8")
    _, text, _ = run(face if face != "report" else "diagnose", leaning)
    if face == "report":
        text = (leaning / "prints/01/report.html").read_text("utf-8")
    (size,) = re.findall(
        r"To fit tonight, with the changes above made.{0,20}[Aa]rm, peg 8 mm, to turn: draw the hole (\d\.\d\d) mm; "
        r"it then turns \(\+0\.2[45]\d? ± 0\.\d+ mm\)",
        flat(re.sub(r"</?[a-z0-9]+>", " ", text)).replace("\N{NO-BREAK SPACE}", " "),
    )
    assert 8.2 < float(size) < 8.6


@pytest.mark.long
def test_what_to_draw_tonight_follows_the_printer(leaning):
    """The hole that is told, foretold after the steps: the play that was wanted."""
    run("apply", leaning, "--no-proof")
    got = run_json("plan", leaning)["drawn_instead"]
    assert [d["side"] for d in got] == ["hole"] * 3
    for drawn in got:
        assert drawn["clearance_mm"] == pytest.approx(0.25, abs=0.01)
        assert 2 * drawn["std_uncertainty"] < 0.5 * 0.25


def test_a_bought_hole_leaves_the_peg_to_draw(leaning):
    (leaning / "joints.csv").write_text("name,peg_mm,hole_mm,motion,bought\naxle,8,8,press,hole\n", "utf-8")
    (drawn,) = run_json("plan", leaning)["drawn_instead"]
    assert drawn["side"] == "peg" and drawn["clearance_mm"] == pytest.approx(-0.05, abs=0.01)


def test_apply_leaves_what_leans_as_it_was(leaning):
    got = run_json("apply", leaning, "--no-proof")
    assert "backlash_y" in {s["term"] for s in got["unsettled"]}
    assert "settings.backlash_y_mm" not in {c["setting"] for c in got["changed"]}
    assert Case.open(str(leaning)).machine()["settings.backlash_y_mm"] == 0.0


def test_what_would_settle_it_lessens_the_doubt(leaning):
    """The coupon that is named, printed and read once more: the play is known better."""
    before = json.loads((leaning / "prints/01/diagnosis.json").read_text("utf-8"))
    (lean,) = [s for s in before["unsettled"] if s["term"] == "backlash_y"]
    coupon = lean["settle"].partition("print and measure ")[2].split()[0]
    assert run("make", leaning, "--new-print", "--family", coupon)[0] == 0
    assert run("simulate", leaning, *options(ERRORS), "--seed", "9")[0] == 0
    after = run_json("diagnose", leaning)
    u = [got["terms"]["backlash_y"]["std_uncertainty"] for got in (before, after)]
    assert u[1] < u[0]
