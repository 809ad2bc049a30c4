"""The reversal card: written, printed and read virtually by code that shares nothing with the program."""

from __future__ import annotations

import io
import json
import math
import shutil
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from pypdf import PdfReader

from fitassay.analysis.chain.pairs import pair_row
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.estimation.readout import Readout, read_out
from fitassay.analysis.gcode.frame import checked_start
from fitassay.analysis.gcode.own_path import OwnFile, drive_of, own_file, with_end
from fitassay.analysis.readings.pairs import parse_pair
from fitassay.analysis.readings.reading import Reading
from fitassay.analysis.terms import INDEX
from fitassay.cli import cli
from fitassay.coupons.errors import InputErrors, JobError
from fitassay.coupons.export.manifest import manifest_json, read_manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import CouponSet
from fitassay.coupons.sheet.document import sheet_pdf
from fitassay.coupons.toolpath.card_set import card_path, card_set
from tests.own_starts import ABSOLUTE, END
from tests.plain_parser import steps_of, strokes_of
from tests.virtual_card import PrintedCard, first_open, gaps, nearest_pair, offsets

MACHINES = {
    # side, bead, layer [mm]; rows an axis, lowest and highest pair
    "45": (45.0, 0.22, 0.1, 2, -6, 14),
    "60": (60.0, 0.45, 0.2, 4, -6, 14),
    "100": (100.0, 0.45, 0.2, 4, -6, 14),
    "200": (200.0, 0.9, 0.4, 2, -4, 8),
}


def machine_of(name: str) -> Machine:
    side, width, layer, *_ = MACHINES[name]
    return Machine(
        values={
            **{f"volume.{axis}_mm": side for axis in "xyz"},
            "process.line_width_mm": width,
            "process.layer_height_mm": layer,
        }
    )


@cache
def card(name: str = "100") -> CouponSet:
    return card_set(machine_of(name))


@cache
def written(name: str = "100", retract_mm: float = 0.0) -> OwnFile:
    machine = machine_of(name)
    (coupon,) = card(name).manifest.coupons
    frame = with_end(checked_start(ABSOLUTE, "start"), END)
    layers = card_path(machine, coupon.origin_on_plate_mm)
    return own_file(layers, drive_of(machine, retract_mm=retract_mm), frame, machine, "card")


def read(answers: dict[str, float | None], name: str = "100") -> Readout:
    made = card(name)
    readings = tuple(
        Reading(
            coupon="card", feature=key, reading_mm=None, pair=v, fit="" if v is not None else "none lines up"
        )
        for key, values in answers.items()
        for v in (values if isinstance(values, tuple) else (values,))
    )
    return read_out(SetWalk(made.manifest, made.drafts), readings, machine_of(name))


def estimate(out: Readout, term: str) -> tuple[float, float]:
    i = INDEX[term]
    return float(out.fit.posterior.mean[i]), float(out.fit.posterior.sd[i])


@pytest.mark.parametrize("name", MACHINES)
def test_the_card_fits_the_bed_is_small_and_quick(name):
    side, width, layer, rows, first, last = MACHINES[name]
    (coupon,) = card(name).manifest.coupons
    assert max(coupon.size_mm[:2]) <= min(60.0, side - 6)
    verniers = [f for f in coupon.features if f.kind == "vernier"]
    assert len(verniers) == 2 * rows
    assert {(f.pairs.first, f.pairs.last) for f in verniers} == {(first, last)}
    assert all(f.pairs.pitch_mm >= 3 * width - 1e-9 for f in verniers)
    file = written(name)
    assert file.minutes <= 6
    assert written(name, retract_mm=1.5).minutes <= 6
    lines = file.text.splitlines()
    own = [s for s in steps_of(file.text) if lines.index("; path") + 1 < s.line < lines.index("; end")]
    ends = np.array([s.b for s in own][3:])
    assert ends[:, :2].min() >= 1.0 and ends[:, :2].max() <= side - 1.0
    heights = {round(r[0].a[2] / layer) for r in strokes_of(own)}
    assert heights == {1, 2}
    length = sum(s.length for r in strokes_of(own) for s in r)
    fed = sum(s.fed for r in strokes_of(own) for s in r) * math.pi / 4 * 1.75**2
    assert fed == pytest.approx(length * ((width - layer) * layer + math.pi * layer**2 / 4), rel=0.015)


def test_a_bed_too_small_is_refused():
    with pytest.raises(JobError, match="does not fit"):
        card_set(Machine(values={"volume.x_mm": 40.0, "volume.y_mm": 40.0, "process.line_width_mm": 0.9}))


def test_every_tick_is_come_to_from_its_side_over_three_millimetres():
    """Upper ticks from the low side, lower ones from the high side; the other way round in every second row."""
    (coupon,) = card().manifest.coupons
    steps = steps_of(written().text)
    before = {}
    for way, bead in zip(steps, steps[1:], strict=False):
        if bead.fed > 0 and way.fed == 0:
            before[tuple(np.round(bead.b, 2))] = np.subtract(way.b, way.a)
    for feature in (f for f in coupon.features if f.kind == "vernier"):
        along = np.array(feature.direction)
        for contact, way in zip(
            (feature.contact_a_mm, feature.contact_b_mm), feature.pairs.ways, strict=True
        ):
            pitch = feature.pairs.pitch_mm - (0.05 if way < 0 else 0.0)
            for i in (feature.pairs.first, 0, feature.pairs.last):
                end = np.array(contact[:2]) + i * pitch * along + coupon.origin_on_plate_mm
                keys = [
                    k
                    for k in before
                    if np.abs(np.subtract(k[:2], end)).max() < 0.011 and abs(k[2] - 0.2) < 0.01
                ]
                assert len(keys) == 1
                assert way * (before[keys[0]][:2] @ along) > 0
    leads = [s for s in steps if s.word == "G0" and abs(s.length - 3.0) < 1e-3]
    assert len(leads) >= 2 * 2 * 21 * 2


def test_the_rows_show_backlash_and_nothing_else_but_squareness_which_cancels():
    rows = {f.id: pair_row(f, 0.45) for f in card().manifest.coupons[0].features}
    for axis in "xy":
        four = [rows[f"{axis}{k}"][1] for k in (1, 2, 3, 4)]
        for row in four:
            rest = np.delete(row, [INDEX[f"backlash_{axis}"], INDEX["skew_xy"]])
            assert row[INDEX[f"backlash_{axis}"]] == pytest.approx(1.0)
            assert np.abs(rest).max() < 1e-6
        assert np.mean(four, axis=0)[INDEX["skew_xy"]] == pytest.approx(0.0, abs=1e-9)
    assert rows["gap"][1][INDEX["bead_excess"]] == pytest.approx(1.0)
    assert np.abs(rows["gap"][1][[INDEX["backlash_x"], INDEX["backlash_y"], INDEX["skew_xy"]]]).max() < 1e-6
    # Rows of an axis are staggered by quarters of a step.
    assert sorted(round(rows[f"x{k}"][0] / 0.05, 3) for k in (1, 2, 3, 4)) == [-0.25, 0.0, 0.25, 0.5]


@pytest.mark.parametrize("name", MACHINES)
def test_the_nozzle_never_turns_back_on_its_way_past_ticks(name):
    """Within a pass each move goes on along the row, up to the last tick; passes are few."""
    (coupon,) = card(name).manifest.coupons
    steps = steps_of(written(name).text)
    layer = MACHINES[name][2]
    for feature in (f for f in coupon.features if f.kind == "vernier"):
        k = 0 if feature.direction_deg == 0 else 1
        pairs = feature.pairs
        for contact, way in zip((feature.contact_a_mm, feature.contact_b_mm), pairs.ways, strict=True):
            pitch = pairs.pitch_mm - (0.05 if way < 0 else 0.0)
            end = np.array(contact[:2]) + coupon.origin_on_plate_mm
            drawn = [
                i
                for i, s in enumerate(steps)
                if s.fed > 0
                and abs(s.b[1 - k] - end[1 - k]) < 0.011
                and abs((s.b[k] - end[k]) / pitch - round((s.b[k] - end[k]) / pitch)) < 0.01
                and abs(s.length - pairs.tick_mm) < 0.01
                and abs(s.b[2] - layer) < 0.01
            ]
            assert len(drawn) == pairs.last - pairs.first + 1
            ends = np.array([steps[i].b[k] for i in drawn])
            passes = np.split(np.array(drawn), 1 + np.flatnonzero(way * np.diff(ends) < 0))
            assert len(passes) == math.ceil(3.0 / (pairs.pitch_mm - 0.05))
            for one in passes:
                between = steps[one[0] : one[-1] + 1]
                assert all(way * (s.b[k] - s.a[k]) > -1e-6 for s in between)


@pytest.mark.parametrize("name", ["60", "100"])
@pytest.mark.parametrize("take_up", [0.5, 2.0, 3.0])
def test_lost_motion_of_a_springy_drive_is_read_whole(name, take_up):
    """Half of it is taken up little by little, as far as 3 mm (common practice, no source)."""
    (coupon,) = card(name).manifest.coupons
    play, none = np.array([[0.3, 0.2]]), np.zeros((1, 2))
    printed = PrintedCard(
        written(name).text, play, none, np.zeros(1), springy=play / 2, take_up=np.array([take_up])
    )
    rng = np.random.default_rng(0)
    counts = {
        f.id: float(nearest_pair(offsets(printed, coupon, f, 0.2), f.pairs.first, rng, wrong=0.0)[0])
        for f in coupon.features
        if f.kind == "vernier"
    }
    out = read(counts, name)
    for axis, truth in zip("xy", play[0], strict=True):
        value, u = estimate(out, f"backlash_{axis}")
        assert abs(value - truth) < min(2 * u, 0.025)


def test_light_of_closing_gaps_passes_one_layer_of_beads():
    """Layers shift as a whole: two that stand over each other would hide light, and the bead would look too wide.

    The layer below stands 0.15 mm back on either side, more than layers shift (0.01 to 0.04 mm, common practice).
    """
    (coupon,) = card().manifest.coupons
    (gap,) = (f for f in coupon.features if f.kind == "gap")
    top = round(max(f.contact_a_mm[2] for f in coupon.features) / 0.2 + 0.5)
    row = np.array(gap.contact_a_mm[:2]) + coupon.origin_on_plate_mm
    beads = [
        r[0]
        for r in strokes_of(steps_of(written().text))
        if len(r) == 1 and r[0].length > 3.5 and abs((r[0].a[1] + r[0].b[1]) / 2 - row[1]) < 0.01
    ]
    own = {k: sorted(s.a[0] for s in beads if round(s.a[2] / 0.2) == k) for k in (1, 2, 3)}
    pairs = range(gap.pairs.first, gap.pairs.last + 1)
    assert (len(own[1]), len(own[2]), len(own[3]), top) == (2 * len(pairs), 2 * len(pairs), 0, 2)
    for i, low, high, foot, other in zip(
        pairs, own[2][::2], own[2][1::2], own[1][::2], own[1][1::2], strict=True
    ):
        assert high - low == pytest.approx(0.45 + 0.05 * i, abs=0.002)
        assert other - foot == pytest.approx(high - low + 0.3, abs=0.002)


def population(n: int, seed: int, name: str = "100") -> dict[str, np.ndarray]:
    """Cards of n printers printed and read: errors of the estimates, stated u, and the bead's z-scores.

    Backlash -0.2 to 0.6, skew 1 degree, scale 1 %, bead +-0.15; layers shift by 0.02 as a whole, each tick by 0.01;
    the eye takes the nearest whole pair and in one row of ten a neighbour.
    """
    rng = np.random.default_rng(seed)
    made = card(name)
    (coupon,) = made.manifest.coupons
    width, layer = MACHINES[name][1:3]
    play, bead = rng.uniform(-0.2, 0.6, (n, 2)), rng.uniform(-0.15, 0.15, n)
    scale, skew = rng.uniform(-0.01, 0.01, (n, 2)), np.deg2rad(rng.uniform(-1, 1, n))
    printed = PrintedCard(written(name).text, play, scale, skew)
    answers = {}
    for f in coupon.features:
        tick = 0.01 * math.sqrt(2)
        if f.kind == "vernier":
            off = offsets(printed, coupon, f, layer)
            answers[f.id] = nearest_pair(off + tick * rng.standard_normal(off.shape), f.pairs.first, rng)
        else:
            apart = gaps(printed, coupon, f, 2 * layer, width)
            light = apart - (width + bead)[:, None] + tick * rng.standard_normal(apart.shape)
            answers[f.id] = first_open(light, f.pairs.first, rng)
    off, u, z = [], [], []
    for i in range(n):
        given = {key: None if v[i] is None else float(v[i]) for key, v in answers.items()}
        out = read(given, name)
        for k, axis in enumerate("xy"):
            value, sd = estimate(out, f"backlash_{axis}")
            off.append(value - play[i, k])
            u.append(sd)
        value, sd = estimate(out, "bead_excess")
        z.append((value - bead[i]) / sd)
    return {"off": np.array(off), "u": np.array(u), "z": np.array(z)}


def test_a_card_printed_by_others_play_and_read_by_a_virtual_eye():
    """Forty printers, fixed seed; bounds three standard deviations of a proportion below the bars of the full run."""
    got = population(40, seed=11)
    assert np.mean(np.abs(got["off"]) <= 0.025) >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 80)
    assert got["u"].mean() <= 0.015
    assert np.mean(np.abs(got["off"]) <= 1.96 * got["u"]) >= 0.93 - 3 * math.sqrt(0.95 * 0.05 / 80)
    assert np.mean(np.abs(got["z"]) <= 1.96) >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 40)


@pytest.mark.calibration
def test_five_hundred_cards():
    """The bars of the full run."""
    got = population(500, seed=12)
    within = np.mean(np.abs(got["off"]) <= 0.025)
    covered = np.mean(np.abs(got["off"]) <= 1.96 * got["u"])
    bead = np.mean(np.abs(got["z"]) <= 1.96)
    print(f"within 0.025: {within:.3f}, u: {got['u'].mean():.4f}, covered: {covered:.3f}, bead: {bead:.3f}")
    assert within >= 0.95
    assert got["u"].mean() <= 0.015
    assert 0.93 <= covered <= 0.975
    assert bead >= 0.95


EVEN = {"x1": 3.0, "x2": 3.5, "x3": 3.5, "x4": 3.0}


def test_one_neighbour_counted_by_mistake_moves_the_answer_little():
    """By hand: the rows count 0, 0.5, 0.25 and -0.25 pairs too high, so these mean 3.1 pairs, 0.156 mm."""
    value, u = estimate(read(EVEN), "backlash_x")
    assert value == pytest.approx(0.156, abs=0.006)
    assert u <= 0.015
    for key in EVEN:
        slipped, wider = estimate(read({**EVEN, key: EVEN[key] + 1}), "backlash_x")
        assert abs(slipped - value) < 0.02
        assert abs(slipped - 0.156) < 2 * wider


def test_three_counts_of_a_row_are_surer_and_torn_ones_are_asked_about():
    one = read({"y1": 2.0})
    three = read({"y1": (2.0, 2.0, 2.0)})
    torn = read({"y1": (2.0, 5.0)})
    us = [estimate(out, "backlash_y")[1] for out in (three, one, torn)]
    assert us == sorted(us) and us[0] < us[1] < us[2]
    assert [n.code for n in torn.trial_notes] == ["counts-apart"]
    assert "count there once more" in torn.trial_notes[0].text
    assert not three.trial_notes


def test_no_pair_that_lines_up_says_only_that_it_is_off_the_row():
    value, u = estimate(read({"x1": None}), "backlash_x")
    assert u > 0.2


def test_lost_motion_that_goes_with_the_speed_is_told_and_the_usual_speed_counts():
    out = read({"x1": 6.0, "x2": 6.5, "x3": 2.0, "x4": 1.5})
    (note,) = [n for n in out.trial_notes if n.code == "play-with-speed"]
    assert note.data["axis"] == "x"
    assert "Lost motion in x goes with the speed: 0.09 mm slowly, 0.30 mm at the usual speed" in note.text
    assert estimate(out, "backlash_x")[0] == pytest.approx(0.30, abs=0.01)


def test_the_first_open_gap_bounds_the_bead():
    """First light at pair 1, that is 0.05 mm apart: the bead is 0 to 0.05 mm too wide."""
    value, u = estimate(read({"gap": 1.0}), "bead_excess")
    assert value == pytest.approx(0.025, abs=0.006)
    assert 0.014 < u < 0.04
    wide, _ = estimate(read({"gap": None}), "bead_excess")
    assert wide > 0.25


def test_the_manifest_keeps_the_rows(tmp_path):
    path = tmp_path / "coupons.json"
    path.write_text(manifest_json(card().manifest))
    assert read_manifest(path) == card().manifest
    data = json.loads(path.read_text())
    del data["coupons"][0]["features"][0]["pairs"]
    path.write_text(json.dumps(data))
    with pytest.raises(InputErrors, match="vernier needs its pairs"):
        read_manifest(path)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("3", 3.0),
        ("3,5", 3.5),
        ("-2", -2.0),
        ("\N{MINUS SIGN}2", -2.0),
        ("pair 4", 4.0),
        ("0", 0.0),
        ("None", None),
    ],
)
def test_answers_of_a_row(text, number):
    assert parse_pair(text, card().manifest.coupons[0].features[0])[0] == number


@pytest.mark.parametrize(
    ("text", "words"),
    [("15", "go from -6 to 14"), ("3.2", "whole and half"), ("goes", "no pair's number"), ("", "no number")],
)
def test_what_is_no_answer_of_a_row(text, words):
    with pytest.raises(ValueError, match=words):
        parse_pair(text, card().manifest.coupons[0].features[0])
    with pytest.raises(ValueError, match="whole numbers"):
        parse_pair("1.5", card().manifest.coupons[0].features[-1])


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_sheet_is_one_page_with_the_rows(paper):
    made = card()
    pdf = PdfReader(io.BytesIO(sheet_pdf(made.manifest, made.solids, made.machine, paper=paper)))
    (page,) = pdf.pages
    text = page.extract_text()
    assert "Reversal card" in text and "Nozzle and bed burn" in text
    assert all(name in text for name in ("x1", "x4", "y1", "y4", "gap", "-6 to 14, slow", "count 3"))


def run(*words: str, input: str = "") -> tuple[int, str]:
    result = CliRunner().invoke(cli, list(words), input=input)
    return result.exit_code, result.output


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    place = tmp_path_factory.mktemp("card")
    folder = place / "orrery"
    (place / "s.txt").write_text(ABSOLUTE)
    (place / "e.txt").write_text(END)
    assert run("init", str(folder), "--yes")[0] == 0
    words = ("--start", str(place / "s.txt"), "--end", str(place / "e.txt"), "--yes")
    code, out = run("path", str(folder), "--card", *words)
    assert code == 0, out
    assert "card.gcode: about 5 minutes" in " ".join(out.split())
    return folder


@pytest.fixture
def case(made, tmp_path):
    return Path(shutil.copytree(made, tmp_path / "orrery"))


def test_from_an_empty_case_to_what_to_set_without_a_caliper(case):
    typed = "3\n3.5\n3.5\n3\n0\n0.5\n0\n0\n0\n"
    code, out = run("enter", str(case), input=typed)
    assert code == 0, out
    assert "pairs -6 to 14   by eye" in out and "9 read of 9" in out
    code, out = run("diagnose", str(case), "--json")
    assert code == 0, out
    told = json.loads(out)
    assert told["terms"]["backlash_x"]["estimate"] == pytest.approx(0.156, abs=0.01)
    assert told["terms"]["backlash_y"]["estimate"] == pytest.approx(0.0, abs=0.01)
    (advice,) = [a for a in told["advice"] if a["setting"] == "settings.backlash_x_mm"]
    assert advice["to"] == pytest.approx(0.156, abs=0.01)
    assert not any(a["setting"] == "settings.backlash_y_mm" for a in told["advice"])
    # The same card again, for what is left, is a print of its own.
    assert run("path", str(case), "--card", "--json")[0] == 0
    assert (case / "prints/02/card.gcode").exists()


def test_a_repeat_far_off_is_asked_about_at_the_terminal(case):
    code, out = run("enter", str(case), "--at", "x1", input="3\nb\n+ 6\nn\n+ 3\nq\n")
    assert "more than one pair off 3" in out
    rows = (case / "prints/01/readings.csv").read_text().splitlines()
    assert [r for r in rows if r.startswith("card,x1")] == ["card,x1,3,", "card,x1,3,"]


def test_wrong_rows_of_the_table_are_named(case):
    path = case / "prints/01/readings.csv"
    path.write_text(path.read_text().replace("card,x1,,", "card,x1,22,").replace("card,y1,,", "card,y1,0.3,"))
    code, out = run("diagnose", str(case))
    assert code == 2
    assert "line 2, column reading_mm: '22' is no pair of this row" in out
    assert "'0.3' is no pair; write whole and half numbers" in out


def test_the_virtual_printer_fills_in_pairs(case):
    assert run("simulate", str(case), "--backlash-y", "0.24", "--bead-excess", "0.08", "--seed", "2")[0] == 0
    told = json.loads(run("diagnose", str(case), "--json")[1])
    for term, truth in (("backlash_y", 0.24), ("backlash_x", 0.0), ("bead_excess", 0.08)):
        found = told["terms"][term]
        assert abs(found["estimate"] - truth) < 3 * found["std_uncertainty"], term


def test_swept_beads_are_the_mesh():
    """What the STL shows is what the path prints, layer by layer."""
    (coupon,) = card().manifest.coupons
    runs = [r for r in strokes_of(steps_of(written().text)) if r[0].a[2] == pytest.approx(0.2)][2:]
    beads = shapely.union_all(
        [shapely.LineString([r[0].a[:2], *(s.b[:2] for s in r)]).buffer(0.225) for r in runs]
    )
    mesh = shapely.MultiPolygon(
        [shapely.Polygon(r.points) for r in card().drafts["card"].section(0.1) if r.area > 0]
    )
    moved = shapely.transform(mesh, lambda p: p + np.array(coupon.origin_on_plate_mm))
    assert beads.difference(moved.buffer(0.02)).area < 0.01 * beads.area
