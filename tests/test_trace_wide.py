"""Sliced files with unusual settings, several at once: each was read wrongly, and silently, before.

Made by tests/pathwriter.py, which knows the truth. Derived here.
"""

from __future__ import annotations

import pytest

from fitassay.analysis.gcode.slicing_words import slicing_sentences
from tests.pathwriter import Style
from tests.test_trace import traced

BOSS, STEPS = ("boss",), ("boss", "bore")


def said(trace) -> str:
    return " ".join((*trace.warnings, *slicing_sentences(trace)))


# Words that switch something off say nothing, and change nothing.


@pytest.mark.parametrize(
    "word",
    [
        "M200 S0 D1.75",
        *(
            pytest.param(w, marks=pytest.mark.long)
            for w in ("M200 D0", "M572 D0 S0", "M900 T0 K0", "M556 S100 X0 Y0")
        ),
    ],
)
def test_a_word_that_switches_off(tmp_path, word):
    trace, _ = traced(tmp_path, Style(words=(word,), infill=False), BOSS)
    assert trace.warnings == ()
    assert trace.bead is not None and trace.bead.flow == pytest.approx(1, abs=0.005)


@pytest.mark.long
def test_volume_switched_off_and_on_again(tmp_path):
    style = Style(words=("M200 D1.75", "M200 S0", "M200 S1"), by_volume=True, infill=False)
    trace, _ = traced(tmp_path, style, BOSS)
    assert trace.bead is not None and trace.bead.by_volume
    assert trace.bead.flow == pytest.approx(1, abs=0.005)
    assert trace.filament_mm == pytest.approx(sum(trace.piece_filament_mm.values()), rel=0.1)
    trace, _ = traced(tmp_path, Style(words=("M200 D1.75", "M200 S0"), infill=False), BOSS)
    assert trace.bead is not None and trace.bead.flow == pytest.approx(1, abs=0.005)


# Layers that do not divide the drawn heights


@pytest.mark.parametrize(
    ("style", "ids", "told", "heights"),
    [
        ({"layer": 0.3}, STEPS, "tops come out up to 0.10 mm off for that alone", (0.0, 0.0)),
        *(
            pytest.param(*v, marks=pytest.mark.long)
            for v in (
                (
                    {"layer": 0.15},
                    ("bore", "comb-y"),
                    "tops come out up to 0.05 mm off for that alone",
                    (0.0, 0.0),
                ),
                ({"layer": 0.3, "raft": 3}, STEPS, "raft of 0.90 mm", (0.0, 0.9)),
                ({"first_layer": 0.3}, STEPS, "tops lie 0.10 mm lower than drawn", (0.0, -0.1)),
                ({"layer": 0.25, "z_scale": 1.05}, ("stair", "boss"), "enlarged by +5.", (0.05, 0.0)),
            )
        ),
    ],
)
def test_heights_of_other_layers(tmp_path, style, ids, told, heights):
    trace, _ = traced(tmp_path, Style(infill=False, **style), ids)
    assert told in said(trace)
    scale, offset = heights
    assert trace.heights.scale == pytest.approx(scale, abs=0.003)
    assert trace.heights.offset == pytest.approx(offset, abs=0.01 if not scale else 0.15)
    assert scale or "enlarged" not in said(trace)
    assert "raft" in style or "raft" not in said(trace)
    assert "ends at" not in said(trace)


# Width, pitch and flow unusual at once


@pytest.mark.parametrize(
    ("style", "ids", "offset", "bead"),
    [
        ({"width": 0.6, "offset": 0.299, "square_beads": True}, ("bore",), 0.299, (0.6, 1.0)),
        *(
            pytest.param(*v, marks=pytest.mark.long)
            for v in (
                ({"width": 0.6, "offset": -0.3, "square_beads": True, "walls": 3}, BOSS, -0.3, (0.6, 1.0)),
                ({"width": 0.4, "offset": -0.2, "flow": 0.993, "pitch": "rounded"}, BOSS, -0.2, (0.4, 0.993)),
                (
                    {
                        "width": 0.5,
                        "offset": 0.25,
                        "flow": 1.065,
                        "pitch": "rounded",
                        "inner_width": 0.545,
                        "walls": 3,
                    },
                    BOSS,
                    0.25,
                    (0.5, 1.065),
                ),
            )
        ),
    ],
)
def test_round_figures_are_likelier(tmp_path, style, ids, offset, bead):
    trace, _ = traced(tmp_path, Style(infill=False, **style), ids)
    assert trace.offset_mm == pytest.approx(offset, abs=0.005)
    assert trace.bead is not None and trace.bead.flow is not None
    assert (trace.bead.width, trace.bead.flow) == pytest.approx(bead, rel=0.01)


@pytest.mark.parametrize(
    "style",
    [
        # The third wall was taken for the second.
        {
            "width": 0.35,
            "inner_width": 0.322,
            "flow": 0.93,
            "layer": 0.3,
            "pitch": "rounded",
            "scale": 1.003,
            "walls": 4,
        },
        pytest.param({"width": 0.2, "layer": 0.1, "walls": 3}, marks=pytest.mark.long),
        # No second wall was found.
        {"width": 0.9, "layer": 0.3, "walls": 3},
        pytest.param({"width": 1.2, "pitch": "rounded", "walls": 2}, marks=pytest.mark.long),
    ],
)
def test_beads_of_other_nozzles(tmp_path, style):
    trace, _ = traced(tmp_path, Style(infill=False, **style), BOSS)
    assert trace.offset_mm == pytest.approx(0, abs=0.005)
    assert trace.bead is not None and trace.bead.flow is not None
    assert (trace.bead.width, trace.bead.flow) == pytest.approx(
        (style["width"], style.get("flow", 1)), rel=0.01
    )
    assert f"{style['walls']} walls side by side" in said(trace)


@pytest.mark.parametrize(
    ("style", "told"),
    [
        (
            {"width": 0.7, "flow": 1.144, "square_beads": True},
            "0.700 mm wide at a flow of 114.4 %, counted with square ends",
        ),
        pytest.param(
            {"width": 0.6, "offset": -0.223, "flow": 1.098, "pitch": "rounded"},
            "0.600 mm wide at a flow of 109.8 %, the path 0.223 mm inside its place",
            marks=pytest.mark.long,
        ),
    ],
)
def test_every_account_that_nothing_rules_out_is_said(tmp_path, style, told):
    trace, _ = traced(tmp_path, Style(infill=False, **style), BOSS)
    (ambiguous,) = (w for w in trace.warnings if "fit more than one bead" in w)
    assert told in ambiguous
    assert trace.bead is not None and trace.bead.others
    # The doubt about the path's place goes into its uncertainty.
    assert trace.offset_u_mm >= max(abs(a.width - trace.bead.width) for a in trace.bead.others) / 2


# Places


@pytest.mark.long
@pytest.mark.parametrize(
    ("style", "ids", "opening"),
    [
        # Openings' inner walls were taken while the outsides had their outer ones.
        ({"width": 0.4, "offset": 0.292, "scale": 1.003, "scarf": 12.0, "layer": 0.3}, STEPS, 0.0),
        ({"offset": -0.01, "hole_offset": 0.01, "layer": 0.15}, ("bore",), 0.01),
    ],
)
def test_openings_and_outsides_apart(tmp_path, style, ids, opening):
    trace, _ = traced(tmp_path, Style(infill=False, **style), ids)
    assert trace.offset_mm == pytest.approx(style["offset"], abs=0.005)
    assert trace.place is not None and trace.place.opening == pytest.approx(opening, abs=0.004)
