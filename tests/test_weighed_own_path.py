"""The single wall drawn by a path of our own, put on the scale: its filament is known without any traced file."""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path

import pytest

from tests.own_starts import ABSOLUTE, END
from tests.plain_parser import steps_of
from tests.test_weighed import add, enter, run, told

METRE_G = 2.98


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    place = tmp_path_factory.mktemp("weighed")
    path = place / "orrery"
    start, end = place / "start.txt", place / "end.txt"
    start.write_text(ABSOLUTE)
    end.write_text(END)
    for arguments in (
        ("init", path, "--yes"),
        ("make", path, "--family", "single-wall", "--family", "comb-x"),
        ("path", path, "--start", start, "--end", end, "--yes"),
        ("simulate", path, "--seed", "2", "--bead-excess", "0.06"),
    ):
        code, _, err = run(*arguments)
        assert code == 0, err
    return path


@pytest.fixture
def case(made, tmp_path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "orrery"))


def fed_over_the_wall(path: Path) -> float:
    """Filament [mm] of the file's beads where the wall stands, by another reader."""
    plates = json.loads((path / "prints/01/coupons.json").read_text())["coupons"]
    (wall,) = (c for c in plates if c["id"] == "wall")
    (x, y), (dx, dy, _) = wall["origin_on_plate_mm"], wall["size_mm"]
    text = (path / "prints/01/plate-1.gcode").read_text()
    own = text[text.index("; path") : text.index("; end")]
    return math.fsum(
        s.fed
        for s in steps_of(own)
        if s.fed > 0 and s.length > 0 and x - 1 < s.a[0] < x + dx + 1 and y - 1 < s.a[1] < y + dy + 1
    )


def test_the_scale_tells_the_bead_without_a_trace(case):
    """6 % too much is fed, so the wall weighs 6 % more than filament of the file's length (cross-section by hand)."""
    asked = fed_over_the_wall(case)
    bead = ((0.45 - 0.2) * 0.2 + math.pi * 0.01) / 0.2 * 0.06
    add(case, f"weighed,filament_g:1000,{METRE_G},", f"weighed,wall_g,{1.06 * asked * METRE_G / 1000:.4f},")
    found = told(case)["weighed"]
    assert found["feed_percent"] == pytest.approx(106, abs=0.3)
    assert found["bead_mm"] == pytest.approx(bead, abs=0.002)


def test_weighing_is_offered_and_entered(case):
    code, out, err = run("next", case, "--json")
    assert code == 0, err
    assert "weighed" in out and "fitassay trace" not in out
    grams = f"{fed_over_the_wall(case) * METRE_G / 1000:.2f}"
    said = enter(case, "--weighed", stdin=f"\n1000 {METRE_G}\n\n{grams}\n\n")
    assert "By the scale the extruder feeds" in said
    # What the start primes the nozzle with is not ours to know, so the whole plate is not asked for.
    assert "everything printed" not in said


@pytest.mark.long
def test_the_diagnosis_itself_names_weighing_until_it_is_done(case):
    """Bead and uneven layers act alike here: its own list says that the scale would part them, and then no more."""
    before = told(case)["next"]
    (offer,) = [n for n in before if n["coupon"] == "weighed"]
    assert offer["feature"] == "wall_g" and offer["gain"] > 0.02 and "weigh wall" in offer["text"]
    code, out, err = run("diagnose", case)
    assert code == 0, err
    assert "enter --weighed" in " ".join(out.split()) and "To print weighed" not in out
    page = (case / "prints/01/report.html").read_text()
    assert "fitassay enter CASE --weighed" in page
    grams = fed_over_the_wall(case) * METRE_G / 1000
    add(case, f"weighed,filament_g:1000,{METRE_G},", f"weighed,wall_g,{grams:.4f},")
    assert not [n for n in told(case)["next"] if n["coupon"] == "weighed"]


def test_a_record_without_lengths_is_no_harm(case):
    record = case / "prints/01/path.json"
    data = json.loads(record.read_text())
    for file in data["files"]:
        del file["pieces_mm"]
    record.write_text(json.dumps(data))
    add(case, "weighed,filament_g:1000,2.98,", "weighed,wall_g,0.40,")
    assert any("tells nothing yet" in n for n in told(case)["notes"])
