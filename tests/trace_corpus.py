"""Sliced files as they really come, by kind: what the program does, and what must be said of it.

tests/sliced_files_tried.py records runs of it for the guide. The path writer knows the truth and shares no code with
the reader. Bounds: offsets of outsides and of openings 0.005 mm, bead 1.5 %, flow 1 %, seams 0.1 mm.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from fitassay.analysis.gcode.slicing_words import slicing_sentences
from fitassay.analysis.gcode.trace import trace_templates
from fitassay.analysis.gcode.trace_data import Trace
from fitassay.analysis.gcode.trace_json import trace_json
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine
from tests.pathwriter import Drawn, Style
from tests.test_trace import TURN_TEXT, drawn, full_set, templates

OFFSET_MM, BEAD, FLOW, SEAM_MM = 0.005, 0.015, 0.01, 0.1
PLATES = (("boss", "bore"), ("comb-x", "comb-y"), ("bore", "comb-y"), ("boss", "wall"))


@dataclass(frozen=True)
class Kind:
    """One sort of file.

    Attributes
    ----------
    style : dict
        What the program does. ``written_flow``: what the file's own words make of the flow.
    said : tuple of str
        One of these must be said, as a warning or as the reason of a refusal; none: nothing of the sort is due.
    plates : tuple of tuple of str
        Coupons on the plate, one of these.
    refused : bool
        True where the file must be refused.
    bead : bool
        False where nothing in the file tells width and flow apart.
    manners : bool
        False where the file is written plainly.
    """

    style: dict[str, Any]
    said: tuple[str, ...] = field(default_factory=tuple)
    plates: tuple[tuple[str, ...], ...] = PLATES
    refused: bool = False
    bead: bool = True
    manners: bool = True


HOLED = (("boss", "bore"), ("bore", "comb-y"), ("bore",))
STAIRS = (("boss", "comb-x"), ("boss", "bore"))

KINDS: dict[str, Kind] = {
    "plain": Kind({}),
    "openings smaller": Kind({"hole_offset": 0.07}, ("smaller than outlines",), HOLED),
    "openings larger": Kind({"hole_offset": -0.2}, ("larger than outlines",), HOLED),
    "round holes larger": Kind({"bore_offset": -0.05}, ("Round holes are compensated",), HOLED),
    "outsides smaller": Kind({"offset": -0.1, "hole_offset": 0.1}, ("stands 0.100 mm inside",)),
    "outsides larger": Kind({"offset": 0.1, "hole_offset": -0.1}, ("stands 0.100 mm outside",)),
    "on the outline": Kind({"offset": 0.225}, ("drawn on the outline",)),
    "crumbs": Kind({"crumbs": True, "decimals": 3}),
    # Of millimetres: thousandths of an inch are coarser than any bound here.
    "two decimals": Kind({"decimals": 2, "inches": False}),
    "coasting 1.6": Kind({"coast": 1.6}, ("without filament",)),
    "coasting 2.5": Kind({"coast": 2.5}, ("without filament",)),
    "ends short 0.6": Kind({"coast": 0.6, "coast_moves": False}, ("short of their start",)),
    "ends short 1.2": Kind({"coast": 1.2, "coast_moves": False}, ("short of their start",)),
    "ends short 2.0": Kind({"coast": 2.0, "coast_moves": False}, ("short of their start",)),
    "left open by 5": Kind(
        {"coast": 5.0, "coast_moves": False, "walls": 2, "seam": "sharpest"},
        ("mm short of their start: what",),
        (("boss",),),
    ),
    "drawn in two": Kind({"split": True}, ("in several strokes",)),
    # An absolute E in inches has too few decimals for the ramp's first tenths.
    "scarf rising": Kind({"scarf": 20.0, "inches": False}, ("scarf",)),
    "scarf rising, short": Kind({"scarf": 5.0}, ("scarf",)),
    "scarf level": Kind({"scarf": 10.0, "scarf_rising": False}, ("scarf",)),
    "wipe": Kind({"wipe": 2.0}),
    "by volume": Kind({"by_volume": True}),
    "by volume, wide": Kind({"by_volume": True, "width": 0.5}, ("commanded bead is 0.500 mm",)),
    "by volume, said": Kind({"by_volume": True, "words": ("M200 D1.75",)}, ("M200 D1.75",)),
    "flow 95 %": Kind({"flow": 0.95}, ("% of what that takes",)),
    "flow 108 %": Kind({"flow": 1.08}, ("% of what that takes",)),
    "round pitch": Kind({"pitch": "rounded"}),
    "square beads": Kind({"square_beads": True}),
    "wider inner walls": Kind({"inner_width": 0.6, "walls": 3}),
    "narrower inner walls, flow 93 %": Kind(
        {"inner_width": 0.4, "walls": 3, "flow": 0.93}, ("% of what that takes",)
    ),
    "wide bead": Kind({"width": 0.6}, ("commanded bead is",)),
    "other filament": Kind({"filament": 2.85}, ("% of what that takes",)),
    "close filling": Kind({"dense": True}, plates=(("boss",), ("comb-x",))),
    "uneven beads": Kind({"uneven": 0.15}, ("are uneven",), bead=False),
    "flow word": Kind({"words": ("M221 S90",), "written_flow": 0.9}, ("(M221 S90) changes the flow",)),
    "flow word higher up": Kind(
        {"late_words": ("M221 S80",), "words_at_z": 1.5}, ("(M221 S80) changes the flow",), bead=False
    ),
    "speed word": Kind({"words": ("M220 S50",)}, ("(M220 S50) changes the speed",)),
    "steps word": Kind({"words": ("M92 X80.5",)}, ("(M92 X80.5) changes the steps per millimetre",)),
    "nozzle height word": Kind({"words": ("M290 Z0.05",)}, ("changes the height of the nozzle",)),
    "backlash word": Kind({"words": ("M425 X0.1 F1",)}, ("changes the backlash compensation",)),
    "skew word": Kind({"words": ("M852 S0.01",)}, ("changes the skew compensation",)),
    "axis scale word": Kind({"words": ("M579 X1.01",)}, ("changes the scale of the axes",)),
    "home word": Kind({"words": ("M206 X0.5",)}, ("changes the place of home",)),
    "rotation word": Kind({"words": ("G68 X0 Y0 R10",)}, ("coordinate rotation",), refused=True),
    "scaling word": Kind({"words": ("G51 X1.01",)}, ("coordinate scaling",), refused=True),
    "polar word": Kind({"words": ("G16",)}, ("polar",), refused=True),
    "z scaled 0.5 %": Kind({"z_scale": 1.005}, ("Heights are enlarged by +0.50 %",), STAIRS),
    "z scaled 1 %": Kind({"z_scale": 1.01}, ("Heights are enlarged by +1.00 %",), STAIRS),
    "z offset": Kind({"z_offset": 0.1}, ("tops lie 0.10 mm higher than drawn",)),
    "thicker layers": Kind({"layer": 0.25}, ("Layers are 0.250 mm high",)),
    "raft": Kind({"raft": 4}, ("on a raft of 0.80 mm",)),
    "tower": Kind({"tower": 30.0}),
    "other part": Kind({"other_part": True}),
    "look-alike part": Kind({"look_alike": True}),
    "copies": Kind({"twice": ("bore",)}, ("Coupon bore is on the plate 2 times",), HOLED),
    "copies of a comb": Kind(
        {"twice": ("comb-x",)}, ("Coupon comb-x is on the plate 2 times",), (("comb-x", "bore"),)
    ),
    "purge high up": Kind({"purge_z": 60.0}),
    "relative, unsaid": Kind(
        {"declared": False, "relative_feed": True, "relative_moves": False},
        ("Nothing in the file says how E counts",),
    ),
    "deletes a file": Kind({"words": ("M30 orrery.txt",)}),
    "lines lost": Kind({"numbered": True, "number_gap": True}, ("Line numbers are missing",)),
    "cut off": Kind(
        {"cut_at_z": 3.4, "one_by_one": False}, ("ends at 3.4 of 13.0 mm",), (("boss", "bore"), ("boss",))
    ),
    "one wall": Kind({"walls": 1}),
    "five walls": Kind({"walls": 5}),
    "askew by 0.08 degrees": Kind({"angle_deg": 0.08}, ("turned by +0.08 degrees",)),
    "askew by 0.15 degrees": Kind({"angle_deg": 0.15}, ("is turned by 0.15 degrees",), refused=True),
    "enlarged by 0.2 %": Kind({"scale": 1.002}, ("enlarged by +0.20 %",)),
    "turned by 90 degrees": Kind({"turn": "90"}, ("turned by 90 degrees counter-clockwise",)),
    "turned, openings larger": Kind({"turn": "270", "hole_offset": -0.15}, ("Openings are drawn",), HOLED),
    "mirrored": Kind({"turn": "mirrored"}, ("mirrored left to right",)),
    "one a bead off": Kind(
        {"off": (("boss", 0.45),)}, ("a whole bead",), (("boss", "comb-y", "comb-x"),), refused=True
    ),
    "one 0.1 mm off": Kind(
        {"off": (("boss", 0.1),)},
        # In inches a thousandth of a millimetre is below the last decimal.
        ("boss is drawn 0.100 mm outside", "boss is drawn 0.101 mm outside"),
        (("boss", "comb-y", "comb-x"),),
    ),
    "first layer inset": Kind({"first_inset": 0.2}, ("first layer is drawn 0.200 mm",)),
    "first-layer bead": Kind({"first_width": 0.6}, ("its bead fed for 0.600 mm, its edge where theirs is",)),
    "endless wall": Kind({"spiral": True}, plates=(("wall",),), bead=False, manners=False),
    "single wall doubled": Kind({"single": "two"}, ("drawn as more than one bead",), (("boss", "wall"),)),
    "several at once": Kind(
        {"offset": 0.05, "hole_offset": -0.1, "flow": 0.96, "coast": 1.2, "crumbs": True, "split": False},
        ("% of what that takes",),
        HOLED,
    ),
    # New kinds at the end: a kind's place among the others is part of its seed.
    "led in through the air": Kind({"lead": 1.5, "retract": False}, plates=HOLED),
    "led in across the hole": Kind({"lead": 4.0, "retract": False}, plates=HOLED),
    "wide nozzle": Kind(
        {"width": 0.9, "layer": 0.3, "walls": 2},
        ("commanded bead is 0.900 mm",),
        (("boss",), ("boss", "bore")),
    ),
    "narrow nozzle": Kind(
        {"width": 0.25, "layer": 0.1, "walls": 3}, ("commanded bead is 0.250 mm",), (("boss",),)
    ),
    "short of its start, on into the filling": Kind(
        {"zigzag": True, "seam_gap": 0.4, "outer_first": False, "infill": True}, ("mm short of their start",)
    ),
    "overlapped by another part": Kind(
        {"other_part": True, "places": (("boss", (155.0, 12.0)), ("bore", (140.0, 0.0)))},
        ("is overlapped by another part",),
        (("boss",), ("boss", "comb-y"), ("bore", "comb-x"), ("bore",)),
        refused=True,
    ),
    "joined with another part": Kind(
        {"joined": (("boss", (15.0, 5.0, 40.0, 12.0)), ("bore", (40.0, -10.0, 55.0, 6.0)))},
        ("is overlapped by another part",),
        (("boss",), ("boss", "comb-y"), ("bore", "comb-x"), ("bore",)),
        refused=True,
    ),
    "left open by 8": Kind(
        {"coast": 8.0, "coast_moves": False, "walls": 2, "seam": "sharpest"},
        ("mm short of their start, and the nozzle does not go on",),
        (("boss",), ("boss", "bore"), ("bore",), ("boss", "comb-y")),
        refused=True,
    ),
    "left open by 4": Kind(
        {"coast": 4.0, "coast_moves": False, "walls": 2, "seam": "sharpest", "outer_first": False},
        ("Outer walls stop up to 4.0 mm short of their start: what",),
        (("bore",), ("bore", "comb-x"), ("bore", "comb-y")),
    ),
    "outer wall second": Kind({"outer_second": True, "walls": 3}, ("outer wall between inner ones",)),
}


def style_of(kind: Kind, rng: np.random.Generator) -> Style:
    """The kind's style, with manners of writing and of slicing drawn at random that must not matter."""

    def pick(*values):
        return values[int(rng.integers(len(values)))]

    changed = {k: v for k, v in kind.style.items() if k != "written_flow"}
    style = Style(
        walls=int(rng.integers(2, 5)),
        outer_first=pick(True, False),
        reverse=pick(True, False),
        infill=pick(True, False, False),
        shift=(float(rng.uniform(-20, 60)), float(rng.uniform(-20, 60))),
        seam=pick("sharpest", "vertex", "random"),
    )
    if kind.manners:
        style = replace(
            style,
            relative_feed=pick(True, False),
            relative_moves=pick(True, False, False, False),
            inches=pick(True, *[False] * 5),
            arcs=pick("", "", "I", "R"),
            blanks=pick(True, True, False),
            lower=pick(True, False, False),
            numbered=pick(True, False, False),
            comments=pick("", ";"),
            end=pick("\n", "\r\n"),
            decimals=pick(3, 4),
            offset_origin=pick(True, False, False, False),
            retract=pick(True, True, False),
            one_by_one=pick(True, *[False] * 5),
            skirt=pick(True, False),
            brim=pick(0, 0, 0, 4),
            inner_speed=pick(None, 60.0),
        )
    return replace(style, **changed)


@dataclass
class Outcome:
    """What came of one file: the answer, and how far its figures are from the truth, as shares of their bounds."""

    answer: str
    off: dict[str, float] = field(default_factory=dict)


def check(folder: Path, name: str, seed: int) -> Outcome:
    """Read one file of a kind.

    Raises
    ------
    AssertionError
        It was read wrongly, or what is strange in it was not said.
    """
    rng = np.random.default_rng([7, seed, list(KINDS).index(name)])
    kind = KINDS[name]
    ids = kind.plates[seed % len(kind.plates)]
    style = style_of(kind, rng)
    made = drawn(style, ids, seed)
    path = folder / "plate.txt"
    path.write_bytes(made.text.encode())
    try:
        trace = trace_templates(path, full_set().manifest, templates(), Machine())
    except InputError as exc:
        assert kind.refused and any(text in str(exc) for text in kind.said), (style, exc)
        return Outcome("refused")
    assert not kind.refused, (style, trace.warnings)
    told = (*trace.warnings, *slicing_sentences(trace))
    assert not kind.said or any(text in w for text in kind.said for w in told), (style, told)
    off = _compare(trace, made, style, kind, ids)
    wrong = {k: v for k, v in off.items() if not v < 1}
    assert not wrong, (wrong, style, trace.warnings)
    return Outcome("said" if kind.said else "right", off)


def _compare(trace: Trace, made: Drawn, style: Style, kind: Kind, ids: tuple[str, ...]) -> dict[str, float]:
    """How far the figures are from the truth, as shares of their bounds."""
    assert set(trace.found) == set(ids), (trace.found.keys(), trace.warnings)
    assert all(p.place.turn.text == TURN_TEXT[style.turn] for p in trace.found.values())
    off = {}
    outlines = [k for k in ids if k != "wall"]
    if outlines:
        assert trace.offset_mm is not None and trace.place is not None
        off["outsides"] = abs(trace.offset_mm - style.offset) / OFFSET_MM
    if "bore" in ids and trace.place is not None and trace.offset_mm is not None:
        opening = trace.offset_mm + trace.place.opening
        off["openings"] = abs(opening - style.offset - style.hole_offset) / OFFSET_MM
        off["bores"] = max(abs(v - style.bore_offset) for v in trace.place.bores.values()) / OFFSET_MM
    assert trace.bead is not None
    if kind.bead:
        off["bead"] = abs(trace.bead.width / style.width - 1) / BEAD
        if style.walls > 1 and outlines:
            assert trace.bead.flow is not None
            flow = style.flow * kind.style.get("written_flow", 1.0) * (1.75 / style.filament) ** 2
            off["flow"] = abs(trace.bead.flow / flow - 1) / FLOW
    answer = trace_json(trace)
    if outlines:
        assert answer["walls"] == style.walls, answer["walls"]
        order = (
            "one wall only"
            if style.walls == 1
            else "outer wall between"
            if style.outer_second
            else "outer wall first"
            if style.outer_first
            else "inner walls"
        )
        assert answer["order"].startswith(order), answer["order"]
    assert abs(trace.layer_height_mm / style.layer / style.z_scale - 1) < 0.01, trace.layer_height_mm
    moved = np.array((5.0, -3.0) if style.offset_origin else (0.0, 0.0))
    worst = 0.0
    for key, paths in trace.found.items():
        seams = np.array([s for (owner, _), spots in made.seams.items() if owner == key for s in spots])
        for loop in paths.outer:
            if key != "wall" or not loop.opening:
                gap = np.hypot(*(seams - loop.seam - paths.place.shift - moved).T).min()
                worst = max(worst, float(gap))
                assert loop.left != style.reverse or TURN_TEXT[style.turn].startswith("mirrored"), (
                    key,
                    loop.height,
                )
    if "spiral" not in kind.style:
        off["seams"] = worst / SEAM_MM
    speed = style.speed * (0.5 if "M220 S50" in style.words else 1.0)
    assert trace.slicing is not None
    assert abs(trace.slicing.speeds["outer walls"] / speed - 1) < 0.01, trace.slicing.speeds
    return off
