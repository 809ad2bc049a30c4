"""The chain's physics against figures from outside: a measured axis, a circle under play, filament, plastic, jaws."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from fitassay.analysis.chain.backlash import lost_motion
from fitassay.analysis.chain.span import bead_reach
from fitassay.analysis.estimation.feed import measured_filament, split_flow
from fitassay.analysis.terms import INDEX, TERMS, errors_of
from fitassay.coupons.machine import Machine
from tests.posteriors import posterior
from tests.sets import walk
from tests.test_walk import circle, feature, walk_of

AXIS = np.loadtxt(Path(__file__).parent / "data" / "positioning" / "linear-axis.txt")
TARGETS, FORWARD, BACKWARD = AXIS[:, 0], AXIS[:, 1:6], AXIS[:, 6:11]
LONG_WAY_MM = 3.0


def approach_gain(target: float, way: float) -> float:
    """d position / d backlash of a target that is come upon by a long move, from the chain's own play."""
    far = target - way * LONG_WAY_MM
    path = np.array([[[far + way * LONG_WAY_MM, 0.0], [far, 0.0], [target, 0.0]]])
    step = 0.01
    vertices = lost_motion(np.repeat(path, 2, axis=0), np.array([[0.0, 0.0], [step, 0.0]]))[0]
    return float(vertices[1, -1, 0] - vertices[0, -1, 0]) / step


def backlash_of(targets: np.ndarray, forward: np.ndarray, backward: np.ndarray) -> tuple[float, float]:
    """Backlash and its standard uncertainty through rows like the combs': a place of its own for each target."""
    rows, values = [], []
    for i, target in enumerate(targets):
        place = np.eye(len(targets))[i]
        for runs, way in ((forward[i], 1.0), (backward[i], -1.0)):
            rows += [np.append(place, approach_gain(target, way))] * len(runs)
            values += list(runs - target)
    found = posterior(
        np.array(rows), np.array(values), np.full(len(rows), 0.04), np.full(len(targets) + 1, np.inf)
    )
    return float(found.mean[-1]), float(found.sd[-1])


def test_a_target_is_missed_by_half_the_play_either_way():
    assert approach_gain(2.0, 1.0) == pytest.approx(-0.5)
    assert approach_gain(2.0, -1.0) == pytest.approx(+0.5)


def test_the_measured_axis_reverses_by_what_its_report_says():
    """Mean reversal, forward less backward: report 0.03544, recomputed 0.0354444 (see the data file's header).

    A drive with play trails its command, so that its reversal is negative; this axis runs ahead: its backlash is the
    reversal's negative, compensation set too high.
    """
    backlash, u = backlash_of(TARGETS, FORWARD, BACKWARD)
    assert -backlash == pytest.approx(0.03544, abs=5e-6)
    assert -backlash == pytest.approx(0.0354444, abs=5e-8)
    # Mean of 25 runs each way, independent: 0.04 sqrt(2 / 25).
    assert u == pytest.approx(0.04 * math.sqrt(2 / 25), rel=1e-6)


def test_reversal_at_each_target():
    found = [
        -backlash_of(TARGETS[i : i + 1], FORWARD[i : i + 1], BACKWARD[i : i + 1])[0]
        for i in range(len(TARGETS))
    ]
    assert found == pytest.approx([0.040242, 0.051238, 0.035478, 0.023194, 0.02707], abs=5e-7)
    assert max(found) == pytest.approx(0.05124, abs=5e-6)


@pytest.mark.parametrize("turn", [1, -1])
def test_radial_deviation_of_a_circle_under_play(turn):
    """r = 10, play 0.06 on both axes: radial range -0.0300 to +0.0266, extents 2 r - B (ISO 230-4's radial
    deviation about the commanded centre; the figures are derived, not published)."""
    a = np.linspace(0, 4 * np.pi, 40001)
    path = np.stack([10 * np.cos(a), turn * 10 * np.sin(a)], axis=1)[None]
    lap = lost_motion(path, np.array([[0.06, 0.06]]))[0][0, 20000:]
    off = np.linalg.norm(lap, axis=1) - 10
    assert off.min() == pytest.approx(-0.0300, abs=5e-5)
    assert off.max() == pytest.approx(+0.0266, abs=5e-5)
    assert np.ptp(lap, axis=0) == pytest.approx([19.94, 19.94], abs=1e-5)


@pytest.mark.parametrize("kind", ["outside", "inside"])
@pytest.mark.parametrize("degrees", [0.0, 90.0])
def test_a_round_boss_and_a_hole_shrink_alike(kind, degrees):
    """Extents 2 r - B read by jaws over the printed bead (derived: 19.940 at r = 10, B = 0.06)."""
    rings = (
        [circle(15, 20)]
        if kind == "outside"
        else [[(0, 0), (30, 0), (30, 30), (0, 30)], circle(15, 20)[::-1]]
    )
    ends = ((5, 15), (25, 15)) if degrees == 0 else ((15, 5), (15, 25))
    w = walk_of(rings, feature(kind, degrees, *ends, jaw=0.3 if kind == "inside" else 3.0))
    theta = np.zeros((2, len(TERMS)))
    theta[1, [INDEX["backlash_x"], INDEX["backlash_y"]]] = 0.06
    ideal, played = w.readings(errors_of(theta))[:, 0]
    # Inside jaws of 0.3 mm read 20 mm low by 0.0023 mm (`BORES`).
    assert ideal == pytest.approx(
        20 if kind == "outside" else 20 - 0.0023, abs=1.5e-3 if kind == "outside" else 3e-4
    )
    assert played - ideal == pytest.approx(-0.06, abs=1.5e-3)


@pytest.mark.parametrize(
    ("deviation", "area", "bead"),
    [
        (+0.05, +5.796, +0.0236),
        (-0.05, -5.633, -0.0229),
        (+0.02, +2.299, +0.0094),
        (-0.02, -2.273, -0.0093),
    ],
)
def test_filament_within_its_tolerance_widens_the_bead(deviation, area, bead):
    """Trade tolerances of 1.75 mm filament (vendors' pages), area and a 0.45 x 0.20 mm bead computed."""
    machine = Machine()
    filament = measured_filament(np.full((3, 2), 1.75 + deviation), machine)
    split = split_flow(0.0, 0.01, filament, machine)
    assert 100 * ((filament.mean_mm / 1.75) ** 2 - 1) == pytest.approx(area, abs=5e-4)
    assert split.filament_mm == pytest.approx(bead, abs=5e-5)


@pytest.mark.parametrize(("kelvin", "shorter"), [(10, 0.068), (40, 0.272)])
def test_contraction_of_a_long_piece(kelvin, shorter):
    """PLA contracts by 68e-6 /K (from memory): 100 mm by 0.068 mm over 10 K, 0.272 mm over 40 K.

    Contraction takes path and bead alike, so the bead's share is put back to compare with scale, which takes the
    path alone.
    """
    w = walk()
    i = w.keys.index(("frame", "side-x"))
    theta = np.zeros((1, len(TERMS)))
    theta[0, INDEX["scale_x"]] = -68e-6 * kelvin
    off = (w.readings(theta) - w.readings(0 * theta))[0, i]
    path = 80 - w.manifest.line_width_mm
    assert -off / path * 100 == pytest.approx(shorter, abs=1e-6)


BORES = {
    2: (0.0100, 0.0226, 0.0404, 0.0635, 0.0921, 0.1265, 0.1670, 0.2679),
    3: (0.0067, 0.0150, 0.0268, 0.0420, 0.0606, 0.0828, 0.1086, 0.1716),
    4: (0.0050, 0.0113, 0.0201, 0.0314, 0.0453, 0.0617, 0.0808, 0.1270),
    5: (0.0040, 0.0090, 0.0160, 0.0251, 0.0361, 0.0492, 0.0644, 0.1010),
    6: (0.0033, 0.0075, 0.0133, 0.0209, 0.0301, 0.0410, 0.0536, 0.0839),
    8: (0.0025, 0.0056, 0.0100, 0.0156, 0.0225, 0.0307, 0.0401, 0.0627),
    10: (0.0020, 0.0045, 0.0080, 0.0125, 0.0180, 0.0245, 0.0321, 0.0501),
    20: (0.0010, 0.0023, 0.0040, 0.0063, 0.0090, 0.0123, 0.0160, 0.0250),
}
"""D - sqrt(D^2 - w^2) [mm] by bore and effective jaw width 0.2 to 0.8 and 1.0 mm (derived; a maker's table for 5 mm,
from memory, agrees to 0.002)."""


@pytest.mark.parametrize("bore", BORES)
def test_inside_jaws_read_small_bores_low(bore):
    """A jaw's flat rests on its edges: the chain's bead under a jaw of width w in a bore D."""
    w = 0.45
    a = np.linspace(0, 2 * np.pi, 4001)
    path = (bore + w) / 2 * np.stack([np.cos(a), np.sin(a)], axis=1)
    pieces = np.stack([path[:-1], path[1:]], axis=1)[None]
    radius, middle = np.array([w / 2]), np.zeros((1, 2))
    for width, low in zip((0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 1.0), BORES[bore], strict=True):
        read = 0.0
        for side in ((-1.0, 0.0), (1.0, 0.0)):
            # Of the ring's two halves the jaw rests on the one before it: the material begins there.
            near = pieces[:, (pieces[0, :, 0] @ np.array(side)) > 0]
            reach = bead_reach(near, radius, middle, -np.array(side), width / 2)
            read -= float(reach[0])
        assert bore - read == pytest.approx(low, abs=2e-4)
