"""Layers, loops and offsets from moves written by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fitassay.analysis.gcode.layers import Layer, LayerRow, read_layers
from fitassay.analysis.gcode.loops import loops_of
from fitassay.analysis.gcode.moves import read_moves
from fitassay.analysis.gcode.offset import Seen, place_of
from fitassay.analysis.gcode.probes import TURNS, probes_on, turned_coupon, turned_points
from fitassay.coupons.feature import Coupon, Feature
from fitassay.coupons.sections import Ring

SQUARE = "G0 X{0} Y{0}\nG1 X{1} E1\nG1 Y{1} E1\nG1 X{0} E1\nG1 Y{0} E1\n"


def layers_in(tmp_path: Path, text: str, block: int = 1 << 18) -> list[Layer]:
    path = tmp_path / "plate.txt"
    path.write_text("M83\nG1 F600\n" + text)
    found = list(read_layers(read_moves(path, chunk_bytes=block), lambda *_: True))
    assert all(isinstance(layer, Layer) for layer in found)
    return found  # type: ignore[return-value]


@pytest.mark.parametrize("block", [1 << 18, 40])
def test_layers_heights_and_thickness(tmp_path, block):
    text = "".join(f"G1 Z{z}\n{SQUARE.format(10, 20)}" for z in (0.3, 0.5, 0.7))
    layers = layers_in(tmp_path, text, block)
    assert [layer.row.z for layer in layers] == pytest.approx([0.3, 0.5, 0.7])
    assert [layer.row.thickness for layer in layers] == pytest.approx([0.3, 0.2, 0.2])
    for layer in layers:
        assert layer.row.length == pytest.approx(40) and layer.row.filament == pytest.approx(4)
        (loop,) = loops_of(layer)
        assert loop.points.tolist() == [[10, 10], [20, 10], [20, 20], [10, 20]]
        assert loop.area == pytest.approx(100) and loop.gap == 0
        assert loop.filament_per_mm == pytest.approx(0.1) and loop.feed == pytest.approx(10)


def test_travel_up_and_down_makes_no_layer(tmp_path):
    hop = SQUARE.format(10, 20) + "G0 Z5\nG0 X40 Y40\nG0 Z0.2\n" + SQUARE.format(40, 50)
    (layer,) = layers_in(tmp_path, "G1 Z0.2\n" + hop)
    assert len(loops_of(layer)) == 2


def test_a_purge_line_is_no_ground_to_stand_on(tmp_path):
    text = (
        "G1 Z0.25\nG0 X0 Y1\nG1 X60 E3\nG1 Z0.2\n"
        + SQUARE.format(10, 50)
        + "G1 Z0.4\n"
        + SQUARE.format(10, 50)
    )
    thickness = {round(layer.row.z, 3): layer.row.thickness for layer in layers_in(tmp_path, text)}
    assert thickness[0.4] == pytest.approx(0.2)


def test_pieces_one_after_another(tmp_path):
    text = ""
    for at in (10, 60):
        text += "".join(f"G1 Z{z}\n{SQUARE.format(at, at + 10)}" for z in (0.2, 0.4))
    layers = layers_in(tmp_path, text)
    assert [layer.row.z for layer in layers] == pytest.approx([0.2, 0.4, 0.2, 0.4])
    assert [layer.row.thickness for layer in layers] == pytest.approx([0.2] * 4)


def test_what_leads_into_a_layer(tmp_path):
    text = "G1 Z0.2\n" + SQUARE.format(10, 20) + "G0 X70\nG1 Z0.4\n" + SQUARE.format(10, 20)
    second = layers_in(tmp_path, text)[1]
    (loop,) = loops_of(second)
    # The last moves of the layer below and the travel behind them come first.
    assert second.end[loop.first - 2].tolist() == [70, 10]
    assert second.end[loop.first - 1].tolist() == [10, 10]
    assert second.start[loop.first].tolist() == [10, 10]


@pytest.mark.parametrize(
    ("path", "vertices", "gap"),
    [
        ("X20 E1|Y20 E1|X10 E1|Y10 E1", 4, 0.0),
        ("X20 E1|Y20 E1|X10 E1|Y10.4 E1", 5, 0.4),
        ("X20 E1|Y20 E1|X10 E1|Y10.4 E1|Y10", 5, 0.4),  # the rest without feed
        ("X20 E1|Y20 E1|X10 E1|Y10 E1|X13 E1", 4, 0.0),  # on over the seam
        ("X20 E1|Y20 E1|X10 E1|Y14 E1", None, None),  # a hook, no loop
        ("X20 E1|Y10.45 E1|X10 E1|Y10.9 E1|X20 E1|Y11.35 E1|X10 E1", None, None),  # infill
    ],
)
def test_closing(tmp_path, path, vertices, gap):
    moves = "".join(f"G1 {words}\n" for words in path.split("|"))
    (layer,) = layers_in(tmp_path, "G1 Z0.2\nG0 X10 Y10\n" + moves)
    loops = loops_of(layer)
    if vertices is None:
        assert loops == ()
    else:
        (loop,) = loops
        assert len(loop.points) == vertices and loop.gap == pytest.approx(gap)


def test_a_step_too_short_to_go_anywhere_breaks_no_ramp(tmp_path):
    # On a ramp into the seam a vertex may leave a step in height alone.
    ramp = (
        "G0 X10 Y10 Z0.32\nG1 X20 Z0.34 E0.2\nG1 X20 Y12 Z0.345 E0.05\nG1 Z0.346 E0.00001\nG1 Y20 Z0.4 E0.7\n"
        "G1 X10 E1\nG1 Y10 E1\nG1 X20 E0.8\nG1 Y12 E0.1\nG1 Y20 E0.1\n"
    )
    layer = layers_in(tmp_path, "G1 Z0.2\n" + SQUARE.format(10, 20) + ramp)[1]
    (loop,) = loops_of(layer)
    assert loop.points[0].tolist() == [10, 10] and abs(loop.area) == pytest.approx(100)


def test_loops_without_travel_between(tmp_path):
    two = "G0 X10 Y10\n" + "".join(
        f"G1 {w} E1\n" for w in ("X20", "Y20", "X10", "Y10", "X11 Y11", "X19", "Y19", "X11", "Y11")
    )
    (layer,) = layers_in(tmp_path, "G1 Z0.2\n" + two)
    assert sorted(abs(loop.area) for loop in loops_of(layer)) == pytest.approx([64, 100])


def test_only_wanted_layers_are_kept(tmp_path):
    path = tmp_path / "plate.txt"
    path.write_text("M83\n" + "".join(f"G1 Z{z / 5:.1f}\n{SQUARE.format(10, 20)}" for z in range(1, 30)))
    found = list(read_layers(read_moves(path), lambda below, z: below < 3.1 <= z))
    kept = [layer for layer in found if isinstance(layer, Layer)]
    assert len(found) == 29 and len([r for r in found if isinstance(r, LayerRow)]) == 29 - len(kept)
    assert any(layer.row.covers(3.1) for layer in kept) and len(kept) <= 2


# Outlines as they lie on the bed


def square_with_hole() -> tuple[Ring, ...]:
    outer = np.array([[0.0, 0], [20, 0], [20, 30], [0, 30]])
    return Ring(points=outer), Ring(points=np.array([[5.0, 5], [5, 15], [15, 15], [15, 5]]))


def test_probes_point_away_from_the_material():
    import shapely

    outer, hole = square_with_hole()
    body = shapely.Polygon(outer.points, [hole.points])
    probes = probes_on((outer, hole))
    assert np.allclose(np.hypot(*probes.outward.T), 1)
    inside = shapely.contains_xy(body, *(probes.points - 0.1 * probes.outward).T)
    outside = shapely.contains_xy(body, *(probes.points + 0.1 * probes.outward).T)
    assert inside.all() and not outside.any()
    assert set(probes.ring.tolist()) == {0, 1}


@pytest.mark.parametrize("turn", TURNS, ids=lambda t: t.text or "as drawn")
def test_turned_coupons_measure_the_same_places(turn):
    feature = Feature(
        id="side", kind="outside", direction_deg=0.0, nominal_mm=16.0, contact_a_mm=(2.0, 7.0, 3.0),
        contact_b_mm=(18.0, 7.0, 3.0), jaw_mm=3.0, instruction="",
    )  # fmt: skip
    corner = replace(
        feature, id="corner", direction_deg=45.0, contact_a_mm=(2, 3, 3), contact_b_mm=(12, 13, 3)
    )
    coupon = Coupon(id="c", family="f", file="c.stl", size_mm=(20.0, 30.0, 5.0), features=(feature, corner))
    lying = turned_coupon(coupon, turn)
    assert lying.size_mm == ((30, 20, 5) if turn.quarter else (20, 30, 5))
    for drawn, laid in zip(coupon.features, lying.features, strict=True):
        a, b = np.array(laid.contact_a_mm[:2]), np.array(laid.contact_b_mm[:2])
        ends = turned_points(np.array([drawn.contact_a_mm[:2], drawn.contact_b_mm[:2]]), turn, coupon.size_mm)
        assert {tuple(a), tuple(b)} == {tuple(e) for e in np.round(ends, 9)}
        angle = np.deg2rad(laid.direction_deg)
        assert 0 <= laid.direction_deg < 180
        assert np.allclose(b - a, np.hypot(*(b - a)) * np.array([np.cos(angle), np.sin(angle)]))
        assert np.all(a >= 0) and np.all(b <= lying.size_mm[:2])
    assert turn.mirrored == (np.linalg.det(turn.matrix) < 0)


# Offset, scale and openings told apart


def seen_on(
    sizes: list[tuple[float, bool]], *, offset=-0.225, opening=0.0, scale=(0.0, 0.0), noise=0.0
) -> Seen:
    """Flanks of concentric squares of these sizes, 20 probes each; True for openings."""
    rng = np.random.default_rng(3)
    columns = {k: [] for k in ("offset", "outward", "local", "coupon", "opening", "bore", "flank")}
    for i, (size, hole) in enumerate(sizes):
        for j, out in enumerate(np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]])):
            along = np.array([-out[1], out[0]])
            place = out * size / 2 + np.linspace(-0.4, 0.4, 20)[:, None] * size * along
            normal = np.tile(-out if hole else out, (20, 1))
            seen = offset + opening * hole + np.sum(normal * (place * scale + (0.03, -0.02)), axis=1)
            columns["offset"].append(seen + noise * rng.standard_normal(20))
            columns["outward"].append(normal)
            columns["local"].append(place)
            columns["coupon"].append(np.zeros(20, dtype=int))
            columns["opening"].append(np.full(20, hole))
            columns["bore"].append(np.full(20, -1))
            columns["flank"].append(np.full(20, 4 * i + j))
    return Seen(**{k: np.concatenate(v) for k, v in columns.items()})


STEPS = [(22.0, False), (14.0, False), (8.0, False)]
HOLES = [(6.0, True), (10.0, True), (16.0, True)]


@pytest.mark.parametrize(
    ("sizes", "truth", "account"),
    [
        (STEPS, {}, ()),
        (STEPS, {"offset": 0.0}, ()),
        (STEPS, {"scale": (0.002, 0.002)}, ("scale",)),
        (STEPS, {"scale": (0.003, -0.001)}, ("scale xy",)),
        (STEPS + HOLES, {"opening": 0.04}, ("openings",)),
        (STEPS + HOLES, {"opening": 0.04, "scale": (0.002, 0.002)}, ("scale", "openings")),
        (STEPS + HOLES, {"opening": -0.03, "scale": (0.004, 0.001)}, ("scale xy", "openings")),
    ],
)
def test_simplest_account(sizes, truth, account):
    place = place_of(seen_on(sizes, noise=5e-4, **truth), ())
    assert place.account == account
    assert place.offset == pytest.approx(truth.get("offset", -0.225), abs=0.001)
    assert place.scale == pytest.approx(truth.get("scale", (0, 0)), abs=1e-4)
    assert place.opening == pytest.approx(truth.get("opening", 0.0), abs=0.001)
    assert place.u < 0.001
