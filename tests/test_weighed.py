"""Weighed readings: rows, doubts, what the scale says by hand computation, and what lacks."""

from __future__ import annotations

import csv
import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from fitassay.analysis.chain.extrusion import extrusion_row
from fitassay.analysis.estimation.weighed import (
    Commanded,
    extruded_of,
    feed_with_scale,
    filament_as_set,
    masses_of,
    weighed_fact,
)
from fitassay.analysis.readings.file import ReadingsBook, read_readings
from fitassay.analysis.readings.reading import Reading
from fitassay.analysis.readings.weighings import Weighing, parse_mass, plausible_mass, weighing_of
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.cli import cli
from fitassay.coupons.errors import InputErrors
from fitassay.coupons.export.manifest import read_manifest
from fitassay.coupons.export.stl import read_stl
from fitassay.coupons.machine import Machine
from tests.pathwriter import Style, write
from tests.sets import coupon_set, walk
from tests.test_cli import run as run_text

COUPONS = ("comb-x", "wall")


def run(*args: object) -> tuple[int, str, str]:
    return run_text(*map(str, args))


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("wall_g", Weighing("piece", coupon="wall")),
        (" WALL_G ", Weighing("piece", coupon="wall")),
        ("plates_g", Weighing("plates")),
        ("filament_g:1000", Weighing("filament", length_mm=1000)),
        ("Filament_g: 1250,5", Weighing("filament", length_mm=1250.5)),
    ],
)
def test_what_a_row_is_about(text, what):
    assert weighing_of(text, COUPONS) == what
    assert weighing_of(what.feature, COUPONS) == what


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("filament_g", "length is missing"),
        ("filament_g:20", "too little"),
        ("filament_g:1 m", "write 1000"),
        ("wal_g", "did you mean wall_g"),
        ("wall", "did you mean wall_g"),
        ("wall_g:3", "nothing that is weighed"),
    ],
)
def test_what_cannot_be_weighed(text, told):
    with pytest.raises(ValueError, match=told):
        weighing_of(text, COUPONS)


def test_masses_as_people_type_them():
    assert [parse_mass(t) for t in ("2.98", "2,98 g", " 0.43g")] == [2.98, 2.98, 0.43]
    for text, told in (
        ("2.98 kg", "not in grams"),
        ("0", "cannot be a mass"),
        ("9e9", "cannot be"),
        ("x", "2.98"),
    ):
        with pytest.raises(ValueError, match=told):
            parse_mass(text)


def test_a_length_of_filament_that_weighs_nothing_like_it_is_asked_about():
    """1.75 mm of PLA: pi/4 1.75^2 mm2 x 1.24 g/cm3 = 2.98 g a metre."""
    metre = Weighing("filament", length_mm=1000)
    assert not plausible_mass(metre, math.pi / 4 * 1.75**2 * 1.24)
    assert "too light" in plausible_mass(metre, 0.00298)
    assert "too heavy" in plausible_mass(metre, 298)


def case(
    tmp_path: Path, style: Style | None = None, *errors: object, ids: tuple[str, ...] = ("wall", "boss")
) -> Path:
    path = tmp_path / "orrery"
    assert run("init", path, "--yes")[0] == 0
    assert run("make", path, "--quick")[0] == 0
    assert run("simulate", path, *errors)[0] == 0
    if style is not None:
        folder = path / "prints/01"
        manifest = read_manifest(folder / "coupons.json")
        plate = path / "plate.txt"
        # Every coupon that is traced takes its time; the wall is what is weighed.
        sliced = [(c, read_stl(folder / c.file)) for c in manifest.coupons if not ids or c.id in ids]
        plate.write_text(write(sliced, style).text)
        assert run("trace", path, plate)[0] == 0
    return path


def add(path: Path, *rows: str) -> None:
    file = path / "prints/01/readings.csv"
    file.write_text(file.read_text() + "".join(f"{row}\n" for row in rows))


def told(path: Path) -> dict:
    code, out, err = run("diagnose", path, "--json")
    assert code == 0, err
    return json.loads(out)


def asked_for(path: Path) -> float:
    """Filament [mm] in the wall, by adding up the file's own E between the wall's layers (relative E)."""
    told = json.loads((path / "prints/01/trace.json").read_text())
    return told["filament_mm"]["pieces"]["wall"]


def test_rows_are_kept_and_do_no_harm_without_a_sliced_file(tmp_path):
    path = case(tmp_path)
    before = told(path)
    add(path, "weighed,filament_g:1000,2.98,", "weighed,wall_g,,not yet", "weighed,wall_g,0.43,")
    after = told(path)
    assert after["terms"] == before["terms"]
    assert any("tells nothing yet" in n and "fitassay trace" in n for n in after["notes"])
    book = ReadingsBook(path / "prints/01/readings.csv", read_manifest(path / "prints/01/coupons.json"))
    assert book.weighings() == ("filament_g:1000", "wall_g")
    book.add("weighed", "Wall_g", "0,44 g")
    assert sorted(book.values("weighed", "wall_g")) == [0.43, 0.44]
    with pytest.raises(InputErrors) as caught:
        add(path, "weighed,wall_g,4 mm,", "weighed,boss_g,1,")
        read_readings(path / "prints/01/readings.csv", book.manifest)
    assert "in grams" in str(caught.value) and "boss_g" in str(caught.value)


def test_the_filament_of_a_piece_is_what_the_file_spends_on_it(tmp_path):
    """Added up here, word by word (relative E), of strokes that end on the piece; purge line and skirt are not it."""
    path = case(tmp_path)
    folder = path / "prints/01"
    wall = next(c for c in read_manifest(folder / "coupons.json").coupons if c.id == "wall")
    plate = path / "plate.txt"

    def traced(style: Style) -> tuple[str, dict]:
        text = write([(wall, read_stl(folder / wall.file))], style).text
        plate.write_text(text)
        code, out, _ = run("trace", path, plate, "--json")
        assert code == 0
        return text, json.loads(out)["filament_mm"]

    text, told = traced(Style(retract=False, shift=(40.0, 40.0)))
    at, here, everything = {"X": 0.0, "Y": 0.0}, 0.0, 0.0
    low = np.array(wall.origin_on_plate_mm) + 40.0
    for line in re.findall(r"^G[01] .*", text, re.MULTILINE):
        words = {w[0]: float(w[1:]) for w in line.split(";")[0].split()[1:]}
        at.update({k: v for k, v in words.items() if k in at})
        spent = words.get("E", 0.0) if {"X", "Y"} & set(words) else 0.0
        everything += spent
        inside = np.array([at["X"], at["Y"]]) - low
        if (inside > -0.5).all() and (inside < np.array(wall.size_mm[:2]) + 0.5).all():
            here += spent
    assert told["in_all"] == pytest.approx(everything, rel=1e-4)
    assert 0 < here < everything
    assert told["pieces"]["wall"] == pytest.approx(here, rel=1e-4)
    with_skirt = traced(Style(retract=False, shift=(40.0, 40.0), skirt=True))[1]
    assert with_skirt["pieces"]["wall"] == pytest.approx(here, rel=1e-4)
    assert with_skirt["in_all"] > told["in_all"] + 5


def test_by_hand(tmp_path):
    """All figures worked out here: a machine that feeds 5 % too much, weighed on a scale of 0.01 g.

    With the diameter as set, e = (A/h)(F - 1) = 0.4071 x 0.05 = 0.0204 mm; u(d) = 0.05/sqrt(3) = 0.0289 mm gives
    0.4071 x 1.05 x 2 x 0.0289/1.75 = 0.0141 mm.
    """
    asked = 200.0
    per_mm, step = 2.98e-3, 0.01
    mass = round(1.05 * per_mm * asked, 2)  # 0.63 g
    machine = Machine()
    rows = (
        Reading(coupon="weighed", feature="filament_g:1000", reading_mm=2.98),
        Reading(coupon="weighed", feature="wall_g", reading_mm=mass),
    )
    commanded = Commanded(pieces={"wall": asked}, walls=frozenset({"wall"}))
    extruded = extruded_of(masses_of(rows, ("wall",)), commanded, machine)
    assert extruded is not None
    f = mass / (per_mm * asked)
    assert extruded.ratio == pytest.approx(f)
    u_mass = math.sqrt(step**2 / 6 + step**2 / 3)
    u_metre = math.hypot(u_mass / 2.98, 1 / 1000)
    u_f = f * math.sqrt((u_mass / mass) ** 2 + 0.01**2 + u_metre**2)
    assert extruded.u_ratio == pytest.approx(u_f, rel=1e-3)
    feed = feed_with_scale(extruded, None, machine)
    assert feed is not None
    fact = weighed_fact(filament_as_set(machine), feed, extrusion_row(walk(quick=True)), machine)
    a_per_h = ((0.45 - 0.2) * 0.2 + math.pi * 0.2**2 / 4) / 0.2
    assert fact.value == pytest.approx(a_per_h * (f - 1), rel=1e-3)
    u_d = 2 * 0.05 / math.sqrt(3) / 1.75
    assert fact.u == pytest.approx(a_per_h * f * math.hypot(u_d, u_f / f), rel=1e-3)
    assert fact.u == pytest.approx(0.0156, abs=1e-4)


def test_the_row_is_walked():
    """More plastic for a wider bead (d/de = h/A, derived here) and for a longer path; none for the path's place.

    A square tube's path runs half in x, half in y: half of each scale.
    """
    row = extrusion_row(walk(quick=True))
    area = (0.45 - 0.2) * 0.2 + math.pi * 0.2**2 / 4
    assert row[INDEX["bead_excess"]] == pytest.approx(0.2 / area, rel=1e-6)
    # Rounded corners and the tag's absence above it leave x and y alike.
    assert row[INDEX["scale_x"]] == pytest.approx(0.5, abs=0.01)
    assert row[INDEX["scale_x"]] + row[INDEX["scale_y"]] == pytest.approx(1.0, abs=1e-3)
    for name in ("contour_offset", "outside_bias", "scale_z", "bore_closure"):
        assert row[INDEX[name]] == 0
    assert len(row) == len(TERMS)


def test_density_never_enters_and_repeats_do_not_sharpen_the_scale():
    commanded = Commanded(pieces={"wall": 200.0}, walls=frozenset({"wall"}))

    def ratio(density: float, times: int = 1) -> tuple[float, float]:
        per_mm = density * math.pi / 4 * 1.75**2 * 1e-3
        rows = [Reading(coupon="weighed", feature="filament_g:2000", reading_mm=2000 * per_mm)]
        rows += [Reading(coupon="weighed", feature="wall_g", reading_mm=200 * 0.97 * per_mm)] * times
        found = extruded_of(masses_of(tuple(rows), ("wall",)), commanded, Machine())
        assert found is not None
        return found.ratio, found.u_ratio

    assert ratio(1.04)[0] == pytest.approx(0.97) == ratio(1.27)[0]
    assert ratio(1.24, times=3) == pytest.approx(ratio(1.24))


@pytest.mark.long
def test_the_scale_tells_the_bead_end_to_end(tmp_path):
    """Virtual: 6 % too much is fed, so the wall weighs 6 % more than filament of the file's length."""
    bead = ((0.45 - 0.2) * 0.2 + math.pi * 0.01) / 0.2 * 0.06
    path = case(tmp_path, Style(skirt=True), "--bead-excess", f"{bead:.4f}", "--seed", "2")
    before = told(path)["terms"]["bead_excess"]
    metre = 2.98
    add(path, f"weighed,filament_g:1000,{metre},")
    lacking = told(path)
    assert any("a printed piece on the scale" in n for n in lacking["notes"])
    add(path, f"weighed,wall_g,{1.06 * asked_for(path) * metre / 1000:.2f},")
    after = told(path)
    assert after["weighed"]["feed_percent"] == pytest.approx(106, abs=3)
    assert after["weighed"]["bead_mm"] == pytest.approx(bead, abs=0.012)
    assert any(n.startswith("By the scale the extruder feeds 10") for n in after["notes"])
    now = after["terms"]["bead_excess"]
    assert now["std_uncertainty"] < before["std_uncertainty"]
    assert abs(now["estimate"] - bead) < 2.5 * now["std_uncertainty"]
    # Nobody measured the diameter; once someone has, the scale says more.
    thick = "diameter_1_mm,diameter_2_mm\n" + "1.75,1.75\n" * 5
    (path / "filament.csv").write_text(thick)
    sharper = told(path)
    assert sharper["weighed"]["u_bead_mm"] < after["weighed"]["u_bead_mm"]
    assert sharper["filament"]["feed_error_percent"] == pytest.approx(6, abs=3)
    # A mass that cannot be is named and left out.
    file = path / "prints/01/readings.csv"
    file.write_text(file.read_text().replace("weighed,wall_g,0.", "weighed,wall_g,7."))
    wrong = told(path)
    assert (
        any("left out" in n and "given for wall is" in n for n in wrong["notes"]) and "weighed" not in wrong
    )


@pytest.mark.long
def test_flow_set_in_the_slicer_is_not_counted_twice(tmp_path):
    """Flow at 90 % in file and machine file, all of it fed: the bead is 10 % of A/h too narrow, not 19 %."""
    path = case(tmp_path, Style(flow=0.9), ids=())
    machine = path / "machine.toml"
    for file in (machine, path / "prints/01/machine.toml"):
        file.write_text(machine.read_text().replace("flow_percent = 100.0", "flow_percent = 90.0"))
    add(path, "weighed,filament_g:1000,2.98,", f"weighed,wall_g,{asked_for(path) * 2.98e-3:.2f},")
    assert told(path)["weighed"]["bead_mm"] == pytest.approx(-0.0407, abs=0.012)


def enter(path: Path, *args: str, stdin: str) -> str:
    done = CliRunner().invoke(cli, ["enter", str(path), *args], input=stdin)
    assert done.exit_code == 0 and done.stderr == "", done.output
    return " ".join(done.stdout.split())


def rows_of(path: Path) -> list[list[str]]:
    with open(path / "prints/01/readings.csv", newline="") as file:
        return [r for r in csv.reader(file) if r[0] == "weighed"]


def test_entering_is_not_offered_without_the_file(tmp_path):
    path = case(tmp_path)
    said = enter(path, "--weighed", stdin="1000 2.98\n")
    assert "how much filament the file asks for" in said and "fitassay trace" in said
    assert rows_of(path) == []


def test_entering_what_was_weighed(tmp_path):
    path = case(tmp_path, Style())
    grams = f"{asked_for(path) * 2.98e-3:.2f}"
    said = enter(
        path, "--weighed", stdin=f"\n20 0.06\n1000\n1000 298\nn\n1000 2.98 g\n\n60\nn\n{grams} g\n\n"
    )
    assert "steps of 0.01 g" in said
    assert "too little to weigh" in said and "too heavy" in said
    assert rows_of(path) == [["weighed", "filament_g:1000", "2.98", ""], ["weighed", "wall_g", grams, ""]]
    assert re.search(r"the extruder feeds (99|100|101)\.?\d* ± \d", said)
    # What is there is kept and shown; a second look asks for nothing anew.
    assert "has 2.98" in enter(path, "--weighed", stdin="\n\n\n\n")
    assert len(rows_of(path)) == 2


@pytest.mark.long
def test_another_scale_is_kept_in_the_machine_file(tmp_path):
    path = case(tmp_path, Style())
    enter(path, "--weighed", stdin="0.1\n1000 3.0\n\n\n\n")
    text = (path / "machine.toml").read_text()
    assert "step_g = 0.1" in text and "linearity_g = 0.1" in text


def test_sets_without_a_single_wall_have_a_row_too():
    families = ("stepped-boss",)
    assert coupon_set(families).manifest.coupons[0].id == "boss"
    assert np.isfinite(extrusion_row(walk(families))).all()
