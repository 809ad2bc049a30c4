"""From a sliced file to the verdict: its moves printed by tests/file_printer.py, read, and diagnosed along the trace.

The printer of the tests walks every move and knows of no loops, so that the reader and it can disagree.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fitassay.analysis.gcode.trace import trace_templates
from fitassay.analysis.gcode.traced_print import diagnose_traced
from fitassay.analysis.readings.reading import Reading
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import write_set
from tests.file_printer import Errors, Printed
from tests.path_twists import crumbs, led, parsed, split_moves, written
from tests.pathwriter import TURNS, Style
from tests.test_trace import SPOTS, drawn, full_set, templates

IDS = ("boss", "bore", "comb-x", "comb-y")
NOISE_MM = 0.01

X, Y = Errors(play=(0.25, 0.0)), Errors(play=(0.0, 0.25))
LARGER = Errors(scale=(0.012, 0.0))
# Beside the file's own 0.1 mm, which spoils fits too.
FAR = Errors(play=(0.5, 0.0))
WIDER = Errors(wider=0.25)

# Style, what is done to its moves, the printer's errors, the term that must be named.
CHAINS = {
    "plain, x": (Style(), list, X, "backlash_x"),
    "plain, y": (Style(), list, Y, "backlash_y"),
    "plain, longer in x": (Style(), list, LARGER, "scale_x"),
    "plain, wider": (Style(), list, WIDER, "bead_excess"),
    "crumbs, x": (Style(decimals=3), lambda ops: crumbs(ops, 5), X, "backlash_x"),
    "crumbs with filament, y": (Style(), lambda ops: crumbs(ops, 7, feeds=True), Y, "backlash_y"),
    "collinear pieces, y": (Style(), lambda ops: split_moves(ops, 3), Y, "backlash_y"),
    "clockwise, x": (Style(reverse=True), list, X, "backlash_x"),
    "outer first, three walls, y": (Style(outer_first=True, walls=3), list, Y, "backlash_y"),
    "holes larger, x": (Style(hole_offset=-0.2), list, X, "backlash_x"),
    "holes smaller, y": (Style(hole_offset=0.07), list, Y, "backlash_y"),
    "outsides smaller, x": (Style(offset=-0.1, hole_offset=0.1), list, FAR, "backlash_x"),
    "on the outline": (Style(offset=0.225), list, Errors(), "contour_offset"),
    "coasting, x": (Style(coast=1.6), list, X, "backlash_x"),
    "coasting, y": (Style(coast=2.5), list, Y, "backlash_y"),
    "in two strokes, y": (Style(split=True), list, Y, "backlash_y"),
    "scarf, x": (Style(scarf=10.0), list, X, "backlash_x"),
    "led in from inside, y": (Style(), led, Y, "backlash_y"),
    "wider inner walls, x": (Style(inner_width=0.6, walls=3), list, X, "backlash_x"),
    "turned, y": (Style(turn="90"), list, Y, "backlash_y"),
}
EVERY_TIME = ("coasting, y",)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Where the coupons' meshes are."""
    path = tmp_path_factory.mktemp("chains")
    write_set(full_set(), path)
    return path


def check(folder: Path, name: str) -> None:
    style, twist, errors, term = CHAINS[name]
    style = replace(style, infill=False, decimals=4)
    ops = twist(parsed(drawn(style, IDS).text))
    path = folder / "plate.txt"
    path.write_text(written(ops))
    trace = trace_templates(path, full_set().manifest, templates(), Machine())
    printed = Printed(ops, errors)
    rng = np.random.default_rng([41, list(CHAINS).index(name)])
    readings = []
    for key in IDS:
        coupon = trace.found[key].coupon
        a, b, c, d = TURNS[style.turn]
        x, y = SPOTS[key]
        sx, sy = templates()[key].coupon.size_mm[:2]
        corners = np.array([(x + i * sx, y + j * sy) for i in (0, 1) for j in (0, 1)])
        corner = (corners @ np.array([[a, b], [c, d]]).T).min(axis=0)
        # Scale moves the piece along the bed.
        middle = corner + np.array(coupon.size_mm[:2]) / 2
        corner = corner + middle * np.array(errors.scale)
        for feature in coupon.asked:
            value = printed.reading(coupon, feature, corner)
            assert np.isfinite(value), (key, feature.id)
            value += NOISE_MM * float(rng.standard_normal())
            readings.append(Reading(coupon=key, feature=feature.id, reading_mm=round(value, 2)))
    diagnosis = diagnose_traced(trace, full_set().manifest, folder, tuple(readings), Machine())
    verdict = diagnosis.verdict
    # Flat jaws cannot tell a wide bead from uneven layers: their sum is named then.
    named = verdict.contenders if verdict.status == "sum-known" else (verdict.term,)
    assert verdict.status in ("dominant", "leading", "sum-known"), verdict
    assert term in named, verdict
    assert not diagnosis.suspects, diagnosis.suspects
    # One false alarm in 500 files that are read rightly.
    assert diagnosis.p_value > 0.002, (diagnosis.chi2, diagnosis.dof)


@pytest.mark.long
# Outer loops in two strokes: the travel to the second one settles the play anew, and it may run the other way.
@pytest.mark.parametrize("back", [False, pytest.param(True, marks=pytest.mark.long)])
def test_gains_of_a_loop_in_two_strokes(tmp_path, back):
    ids, play = ("boss", "comb-y"), 0.1
    text = drawn(Style(split=True, split_back=back, infill=False, decimals=4), ids).text
    path = tmp_path / "plate.txt"
    path.write_text(text)
    trace = trace_templates(path, full_set().manifest, templates(), Machine())
    ops = parsed(text)
    told, walked = [], []
    printers = [Printed(ops, Errors(play=p)) for p in ((0.0, 0.0), (play, 0.0), (0.0, play))]
    for f in trace.features:
        corner = trace.found[f.coupon].place.shift
        sound, *with_play = (p.reading(trace.found[f.coupon].coupon, f.feature, corner) for p in printers)
        told.append(f.gains)
        walked.append([(value - sound) / play for value in with_play])
    assert np.array(told) == pytest.approx(np.array(walked), abs=0.06)
    # Nothing of that is told from the outline alone.
    assert np.abs(np.array(walked) - [f.ideal_gains for f in trace.features]).max() > 0.5


@pytest.mark.long
@pytest.mark.parametrize("name", EVERY_TIME)
def test_chain(folder, name):
    check(folder, name)


@pytest.mark.calibration
@pytest.mark.parametrize("name", [name for name in CHAINS if name not in EVERY_TIME])
def test_further_chain(folder, name):
    check(folder, name)
