"""Habits of slicing programs beside those of the corpus: each read right, or refused or told by its true reason.

Made by turning a plain file of tests/pathwriter.py into what another program would have written. Common practice, no
source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from fitassay.analysis.gcode.slicing_words import slicing_sentences
from fitassay.analysis.gcode.trace import trace_templates
from fitassay.analysis.gcode.trace_data import Trace
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine
from tests.path_twists import (
    Manner,
    Ops,
    crumbs,
    firmware_retracts,
    fuzzy,
    hops,
    layer_starts,
    led,
    mapped,
    parsed,
    wiped,
    with_lines,
    written,
)
from tests.pathwriter import Style
from tests.test_trace import TURN_TEXT, drawn, full_set, templates

BOSS, BORE, BOTH, COMBS = ("boss",), ("bore",), ("boss", "bore"), ("comb-x", "comb-y")

OTHER_LINES = (
    "SET_LIMIT ACCEL=3000 X=5",
    "M117 Layer 3 of X10 Y10 Z5",
    "M486 S1",
    "M204 P800",
    "M106 S128",
    "M118 (G1 X5)",
    ";X10 Y5 E3",
    "T0",
)


@dataclass(frozen=True)
class Habit:
    """What is done, and what must be said of it; of plain ones nothing but where seams lie."""

    style: dict[str, Any] = field(default_factory=dict)
    twist: Callable[[Ops], Ops] = list
    manner: Manner = Manner()
    ids: tuple[str, ...] = BOSS
    said: str = ""
    not_said: str = "turned by"
    refused: str = ""
    offset: float | None = 0.0
    beads: tuple[float, float] | None = (0.45, 1.0)


def plain_number(text: str) -> str:
    """Without zeros that say nothing: .5, -.5, 10."""
    text = text.rstrip("0") if "." in text else text
    return text.replace("0.", ".", 1) if text.startswith(("0.", "-0.")) and len(text.strip("-0.")) else text


def with_exponent(text: str) -> str:
    value = float(text)
    return f"{value:.5e}" if 0 < abs(value) < 0.1 else text


def uneven_bed(ops: Ops) -> Ops:
    return mapped(ops, lambda p: np.array([p[0], p[1], p[2] + 0.04 * np.sin(p[0] / 15) * np.cos(p[1] / 20)]))


HABITS: dict[str, Habit] = {
    "lifted on travel": Habit(twist=hops),
    "firmware retracts": Habit(twist=firmware_retracts),
    "wipes while it retracts": Habit(twist=wiped),
    "loops entered and left from inside": Habit(twist=led, ids=BORE),
    "entered from inside without filament": Habit(twist=lambda ops: led(ops, feeds=False), ids=BORE),
    "E set to nothing now and then": Habit(manner=Manner(absolute_e=True, resets=50)),
    "E set to nothing on each layer": Habit(
        twist=lambda ops: layer_starts(ops, "G92 E0"), manner=Manner(absolute_e=False)
    ),
    "all moves of one kind": Habit(manner=Manner(travel="G1", travel_e=True)),
    "all moves of one kind, absolute": Habit(manner=Manner(travel="G1", travel_e=True, absolute_e=True)),
    "short numbers": Habit(manner=Manner(decimals=4, number=plain_number)),
    "numbers with exponents": Habit(
        manner=Manner(e_decimals=6, number=with_exponent), refused="is written with a power of ten"
    ),
    "crumbs without filament": Habit({"crumbs": True, "decimals": 3}, not_said="several strokes"),
    "crumbs with filament": Habit(twist=lambda ops: crumbs(ops, 5, feeds=True), ids=BORE),
    "lines of other kinds": Habit(twist=lambda ops: with_lines(ops, OTHER_LINES)),
    "an uneven bed worked in": Habit(twist=uneven_bed, refused="rise and fall while it prints"),
    "a skew worked in": Habit({"skew": 0.004}, said="path itself is skewed by +0.23 degrees"),
    "roughened walls": Habit(twist=fuzzy, said="Outer walls waver", beads=None),
    "inner walls fed more": Habit(
        {"flow": 0.95, "inner_flow": 1.1}, said="flow 95.0 %, of inner walls 104.5 %", beads=(0.45, 0.95)
    ),
    "outer walls fed less": Habit(
        {"flow": 0.95, "inner_flow": 1 / 0.95, "walls": 3},
        said="flow 95.0 %, of inner walls 100.0 %",
        beads=(0.45, 0.95),
    ),
    "outer walls side by side, inner overlapping": Habit(
        {"pitch": "rounded", "outer_pitch": "width", "walls": 3}
    ),
    "narrow outer walls": Habit(
        {"width": 0.42, "inner_width": 0.45, "pitch": "rounded", "walls": 3},
        said="inner walls 0.450 mm",
        beads=(0.42, 1.0),
    ),
    "wide second wall": Habit({"inner_width": 0.6}, said="inner walls 0.600 mm"),
    "wide second wall, flow": Habit(
        {"inner_width": 0.5, "flow": 0.95}, said="inner walls 0.500 mm; flow 95.0 %", beads=(0.45, 0.95)
    ),
    "to and fro": Habit({"alternate": True}, said="the other way round from layer to layer"),
    "one wall more on every second layer": Habit({"extra_wall": True}, said="3 walls side by side"),
    # Those of 0.3 mm happen to lie where nothing is measured.
    "layers of many heights": Habit(
        {"heights": (0.2, 0.1, 0.1, 0.3, 0.2, 0.1)}, said="Layers are 0.100 to 0.200 mm high where measured"
    ),
    "layers of two heights, told alike": Habit(
        {"heights": (0.2, 0.1)},
        said="layers, 0.100 to 0.200 mm thick where measured",
        not_said="then 0.20 mm",
    ),
    # A wider bead's path lies farther in for the same edge.
    "wide first layer": Habit(
        {"first_width": 0.6},
        said="its bead fed for 0.600 mm, its edge where theirs is",
        not_said="first_layer_mm",
    ),
    "wide first layer drawn in": Habit(
        {"first_width": 0.6, "first_inset": 0.15},
        said="The first layer is drawn 0.150 mm inside where the layers above have their edge",
        not_said="feet come out",
    ),
    "coupons of two widths": Habit(
        {"widths": (("bore", 0.6),)},
        ids=BOTH,
        said="beads of their own (boss 0.450 mm and bore 0.600 mm)",
        not_said="where the others are",
        offset=None,
        beads=None,
    ),
    "coupons of two flows": Habit(
        {"flows": (("bore", 0.9),)},
        ids=BOTH,
        said="beads of their own (boss 0.450 mm and bore 0.409 mm)",
        not_said="uneven",
        beads=None,
    ),
    "one comb turned": Habit({"turns": (("comb-x", "90"),)}, ids=COMBS, said="comb-x is turned by 90"),
    "combs turned both": Habit(
        {"turns": (("comb-x", "90"), ("comb-y", "270"))}, ids=COMBS, said="comb-y is turned by 90"
    ),
    "combs exchanged, holes larger": Habit(
        {"places": (("comb-x", (70, 60)), ("comb-y", (10, 60))), "hole_offset": -0.2}, ids=(*COMBS, "boss")
    ),
    "a tower upon a coupon": Habit(
        {"tower": 30.0, "places": (("boss", (143.0, 140.8)),)},
        refused="printed upon coupon boss: above it the file goes on to 30 mm",
    ),
    "another part through a mirrored coupon": Habit(
        {"other_part": True, "places": (("boss", (-177.0, 12.0)),), "turns": (("boss", "mirrored"),)},
        refused="boss is overlapped by another part",
    ),
    "a shield around all": Habit({"shield": 13.0}, ids=BOTH),
    "filled with loops": Habit(
        {"concentric": True}, said="8 walls or more, or fewer and filling that follows them, side by side"
    ),
    "walls left open by 5 mm": Habit(
        {"coast": 5.0, "coast_moves": False, "walls": 2, "seam": "vertex", "infill": False},
        said="2 walls side by side",
        not_said="1 wall",
    ),
    "few loops of filling": Habit(
        {"concentric": True, "layer": 0.15, "walls": 2},
        ids=BORE,
        said="6 walls, or fewer and filling that follows them, side by side",
    ),
    "walls with a gap, on into the filling": Habit(
        {"zigzag": True, "seam_gap": 0.4, "outer_first": False, "walls": 2},
        said="0.40 mm short of their start",
    ),
    "walls with a gap at a corner, on into the filling": Habit(
        {"zigzag": True, "seam_gap": 0.4, "outer_first": False, "walls": 2, "seam": "vertex"},
        said="0.40 mm short of their start",
    ),
    "filled to and fro": Habit({"zigzag": True, "dense": True}),
    "holes of few corners": Habit(
        {"polygon_holes": 9}, ids=BORE, said="drawn with few corners (5 mm by 9", not_said="compensated"
    ),
    "coarse": Habit({"simplify": 0.03}, ids=BORE, said="drawn with few corners", not_said="waver"),
}

EVERY_TIME = (
    "loops entered and left from inside",
    "numbers with exponents",
    "inner walls fed more",
)


def read(tmp_path, habit: Habit) -> tuple[Trace, Style, list[np.ndarray]]:
    style = replace(Style(), **habit.style)
    made = drawn(style, habit.ids)
    text = made.text
    if habit.twist is not list or habit.manner != Manner():
        text = written(habit.twist(parsed(text)), habit.manner)
    path = tmp_path / "plate.txt"
    path.write_text(text)
    trace = trace_templates(path, full_set().manifest, templates(), Machine())
    return trace, style, [seam for seams in made.seams.values() for seam in seams]


def check(tmp_path, habit: Habit) -> None:
    if habit.refused:
        with pytest.raises(InputError, match=habit.refused):
            read(tmp_path, habit)
        return
    trace, style, seams = read(tmp_path, habit)
    told = " ".join([*trace.warnings, *slicing_sentences(trace)])
    assert habit.said in told, told
    assert habit.not_said not in told or "turned" in habit.said, told
    assert set(trace.found) == set(habit.ids)
    for key, paths in trace.found.items():
        assert paths.place.turn.text == TURN_TEXT[dict(style.turns).get(key, style.turn)]
        for loop in paths.outer:
            assert min(np.hypot(*(np.array(seams) - loop.seam - paths.place.shift).T)) < 0.1
    assert trace.bead is not None and trace.place is not None and trace.offset_mm is not None
    if habit.offset is not None:
        assert trace.offset_mm == pytest.approx(habit.offset, abs=0.005)
    if habit.beads is not None:
        assert trace.bead.width == pytest.approx(habit.beads[0], rel=0.015)
        assert trace.bead.flow == pytest.approx(habit.beads[1], rel=0.01)
    if not habit.said:
        quiet = ("The seam lies", "Seam or order", "The single-wall coupon", "Openings are drawn")
        assert [w for w in trace.warnings if not w.startswith(quiet)] == []


@pytest.mark.parametrize("name", EVERY_TIME)
def test_habit(tmp_path, name):
    check(tmp_path, HABITS[name])


@pytest.mark.long
@pytest.mark.parametrize("name", [name for name in HABITS if name not in EVERY_TIME])
def test_further_habit(tmp_path, name):
    check(tmp_path, HABITS[name])


def test_a_long_end_walked_without_filament_is_not_left_open(tmp_path):
    """What else is strange in such a file keeps its own reason."""
    path = tmp_path / "plate.txt"
    made = drawn(Style(coast=5.0, angle_deg=0.15), ("boss", "comb-x"), 3)
    path.write_bytes(made.text.encode())
    with pytest.raises(InputError, match="is turned by 0.15 degrees"):
        trace_templates(path, full_set().manifest, templates(), Machine())
