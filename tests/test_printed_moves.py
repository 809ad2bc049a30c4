"""A virtual print of a sliced file follows the file's moves, so that it can disagree with the reader."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.chain.simulate import theta_of
from fitassay.analysis.gcode.printed_moves import printed_readings
from fitassay.analysis.gcode.trace_data import Trace
from fitassay.analysis.gcode.traced_print import print_traced
from fitassay.coupons.machine import Machine
from tests.pathwriter import Style
from tests.test_trace import traced

IDS = ("boss", "comb-x", "wall")


def printed(tmp_path: Path, trace: Trace, errors: dict[str, float]) -> dict[tuple[str, str], float]:
    path = tmp_path / "plate.txt"
    values = printed_readings([(path, trace)], trace, Machine(), theta_of(errors))
    return dict(zip(trace.walk.keys, values.tolist(), strict=True))


def test_sizes_that_the_file_draws(tmp_path):
    # Closed forms: outside L + 2p, wall w, whatever the reader makes of it; less is fed.
    trace, _ = traced(tmp_path, Style(offset=-0.1, flow=0.95), IDS)
    values = printed(tmp_path, trace, {})
    less = 0.05 * (0.45 - 0.2 * (1 - np.pi / 4))
    assert values["boss", "step22-x"] == pytest.approx(22 - 0.2 - less, abs=1e-3)
    assert values["comb-x", "stem6"] == pytest.approx(6 - 0.2 - less, abs=1e-3)
    assert values["wall", "wall-left"] == pytest.approx(0.45 - less, abs=1e-3)


@pytest.mark.long
@pytest.mark.parametrize(
    ("errors", "style"),
    [
        ({"backlash_x": 0.2, "scale_y": 0.01, "skew_xy": 0.002}, Style(seam="random", walls=3)),
        pytest.param(
            {"bead_excess": 0.05, "contour_offset": 0.1, "backlash_y": 0.3},
            Style(turn="90", offset=0.1),
            marks=pytest.mark.long,
        ),
    ],
)
def test_moves_and_recognised_loops_read_alike(tmp_path, errors, style):
    trace, _ = traced(tmp_path, style, ("boss", "bore", "comb-x"))
    values = printed(tmp_path, trace, errors)
    walked = trace.walk.readings(print_traced(trace, theta_of(errors))[None])[0]
    assert list(values.values()) == pytest.approx(walked.tolist(), abs=2e-3)


def test_a_reader_that_is_wrong_does_not_change_the_print(tmp_path):
    # The reader is made to take the second walls for the outer ones: its own walk reads a bead less.
    trace, _ = traced(tmp_path, Style(infill=False), ("boss",))
    loops = {
        key: {
            z: tuple(replace(loop, points=loop.points - 0.45 * loop.outward) for loop in found)
            for z, found in by_height.items()
        }
        for key, by_height in trace.loops.items()
    }
    fooled = replace(trace, loops=loops, walk=SetWalk(trace.walk.manifest, trace.slicers, loops))
    walked = dict(zip(fooled.walk.keys, fooled.walk.readings(theta_of({})[None])[0], strict=True))
    assert walked["boss", "step22-x"] == pytest.approx(22 - 0.9, abs=2e-3)
    assert printed(tmp_path, fooled, {})["boss", "step22-x"] == pytest.approx(22, abs=2e-3)
