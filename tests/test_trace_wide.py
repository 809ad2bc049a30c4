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
