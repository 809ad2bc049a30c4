"""Outlines, marks, whole layers and costs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString, Polygon

from fitassay.coupons.cost import bead_area, cost_of, printed_volume
from fitassay.coupons.draft import Slab
from fitassay.coupons.errors import JobError
from fitassay.coupons.families.single_wall import tag
from fitassay.coupons.job import Job
from fitassay.coupons.make import draw_set
from fitassay.coupons.mark import glyph, make_arrow, make_mark, stroke_width
from fitassay.coupons.shapes import (
    CHORD_MM,
    circle,
    inset,
    notched_box,
    notched_window,
    quarter_turn,
    rectangle,
    region,
    rounded,
    side_notch,
    snap,
)
from tests.coupon_cases import JOBS, machine

JOB = JOBS["default"]


def corner_angles(ring) -> np.ndarray:
    """Angle between the two sides at every corner [degree], 0 to 180."""
    p = np.array(ring)
    a, b = np.roll(p, 1, axis=0) - p, np.roll(p, -1, axis=0) - p
    cos = np.sum(a * b, axis=1) / np.linalg.norm(a, axis=1) / np.linalg.norm(b, axis=1)
    return np.degrees(np.arccos(np.clip(cos, -1, 1)))


@pytest.mark.parametrize("diameter", [3.0, 5.0, 14.0, 100.0])
def test_circles_have_their_diameter_as_mean_width_and_no_flat_that_bites(diameter):
    ring = np.array(circle(diameter, 1.0, -2.0)) - (1.0, -2.0)
    turns = np.linspace(0, math.pi, 7201, endpoint=False)
    across = np.column_stack([np.cos(turns), np.sin(turns)])
    reach = ring @ across.T
    width = reach.max(axis=0) - reach.min(axis=0)
    assert width.mean() == pytest.approx(diameter, abs=1e-6)
    assert np.ptp(width) < 2e-3
    # Cauchy: the mean width of a convex outline is its perimeter over pi.
    assert Polygon(ring).length / math.pi == pytest.approx(diameter, rel=1e-12)
    radii = np.linalg.norm(ring, axis=1)
    middles = np.linalg.norm((ring + np.roll(ring, 1, axis=0)) / 2, axis=1)
    assert radii.max() - middles.min() < 1e-3
    assert abs(radii.max() - diameter / 2) < CHORD_MM
    assert abs(middles.min() - diameter / 2) < CHORD_MM


def test_circles_are_symmetric_so_that_x_and_y_read_alike():
    ring = circle(8.0, 0.0, 0.0)
    assert len(ring) % 8 == 0
    points = {(round(x, 9), round(y, 9)) for x, y in ring}
    assert points == {(round(y, 9), round(x, 9)) for x, y in ring} == {(-x, y) for x, y in points}


def test_notches_are_sixty_degrees_and_the_sharpest_corner():
    for ring in (notched_box(0, 0, 20, 14, 2.0), [(0, 0), *side_notch(10, 2.0), (20, 0), (20, 20), (0, 20)]):
        angles = np.sort(corner_angles(ring))
        assert angles[0] == pytest.approx(60, abs=0.01)
        assert angles[1] >= 74.9
    window = np.sort(corner_angles(notched_window(0, 0, 10, 2.0)))
    assert window[0] == pytest.approx(60, abs=1)
    assert window[1] > 85


def test_outlines_run_with_the_material_on_the_left():
    outline = region(rectangle(0, 0, 9, 9), rectangle(3, 3, 6, 6))
    assert outline.exterior.is_ccw
    assert not outline.interiors[0].is_ccw
    assert region(rectangle(0, 0, 9, 9)[::-1]).exterior.is_ccw


def test_a_quarter_turn_is_a_rotation():
    ring = rectangle(0, 0, 4, 3)[:3]
    turned = np.array(quarter_turn(ring, 3.0))
    assert Polygon(turned).area == pytest.approx(Polygon(ring).area)
    assert Polygon(turned).exterior.is_ccw == Polygon(ring).exterior.is_ccw
    assert np.allclose(turned, np.array([(3, 0), (3, 4), (0, 4)]))


def test_rounding_keeps_the_box_and_cuts_what_a_circle_leaves():
    ring = rounded(rectangle(0, 0, 10, 8), 2.0)
    shape = Polygon(ring)
    assert shape.is_valid
    assert shape.bounds == pytest.approx((0, 0, 10, 8), abs=1e-9)
    assert shape.area == pytest.approx(80 - (4 - math.pi) * 4, rel=2e-3)
    assert rounded(rectangle(0, 0, 10, 8), [0, 0, 0, 0]) == rectangle(0, 0, 10, 8)


def test_an_inset_moves_every_edge_by_as_much():
    drawn = inset(region(rectangle(0, 0, 10, 10), rectangle(4, 4, 6, 6)), 0.5)
    assert drawn.bounds == pytest.approx((0.5, 0.5, 9.5, 9.5))
    assert Polygon(drawn.interiors[0]).bounds == pytest.approx((3.5, 3.5, 6.5, 6.5))
    with pytest.raises(ValueError, match="region"):
        inset(region(rectangle(0, 0, 1, 1)), 0.6)
    with pytest.raises(ValueError, match="region"):
        snap(LineString([(0, 0), (1, 1)]))


@given(
    size=st.floats(0.1, 300),
    h=st.floats(0.04, 1.0).map(lambda v: round(v, 3)),
)
def test_sizes_round_to_whole_layers(size, h):
    job = Job(machine=machine(w=2.0, h=h, nozzle=1.5))
    for got, off in ((job.up(size), (-1e-6, 1.0)), (job.down(size), (-1.0, 1e-6))):
        assert got / h == pytest.approx(round(got / h), abs=1e-4)
        assert off[0] - 1e-5 <= (got - size) / h <= off[1] + 1e-5
    z = job.mid_layer(size, size + 4)
    assert abs(z - (size + 2)) <= h
    assert z / h - 0.5 == pytest.approx(round(z / h - 0.5), abs=1e-4)


def test_a_mark_is_as_wide_as_allowed_and_legible():
    mark = make_mark(JOB, "comb-x", width=30.0)
    assert mark.width <= 30
    assert mark.height == pytest.approx(5.5 * stroke_width(JOB), abs=0.05)
    # A round brush of the stroke's width paints all of it: no thinner spot, no sliver.
    opened = mark.strokes.buffer(-0.47 * stroke_width(JOB)).buffer(0.48 * stroke_width(JOB))
    assert mark.strokes.difference(opened).area < 0.02 * mark.strokes.area


def test_letters_differ_and_stand_side_by_side():
    for text in ("BOSS", "0123456789", "ABCDEFGHIJKLMNOPQRSTUVWXYZ"):
        parts = getattr(make_mark(JOB, text, width=1000, arrow=False).strokes, "geoms", None)
        assert parts is not None
        assert len(parts) == len(text)
    assert len({glyph(c) for c in "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-"}) == 37


@pytest.mark.parametrize("character", ["Ø", "±", "µ", "é", "→", " ", "孔"])
def test_characters_without_strokes_are_refused_not_left_out(character):
    with pytest.raises(JobError, match="cannot show"):
        make_mark(JOB, f"A{character}B", width=100)


def test_a_mark_that_does_not_fit_says_so():
    with pytest.raises(JobError, match="does not fit on 5.0 mm"):
        make_mark(JOB, "COMB-X", width=5.0)


def test_the_arrow_points_to_plus_x():
    arrow = make_arrow(JOB)
    x, y = np.array(arrow.strokes.exterior.coords).T
    assert np.allclose(y[x > arrow.width - 0.3].mean(), arrow.height / 2, atol=0.05)
    right = arrow.strokes.intersection(shapely.box(arrow.width / 2, 0, arrow.width, arrow.height))
    assert right.area > 0.6 * arrow.strokes.area
    assert make_arrow(JOB).upwards().height == pytest.approx(arrow.width)


@pytest.mark.parametrize("job", ["default", "coarse", "fine"])
def test_the_walls_tag_is_one_piece(job):
    made = tag(JOBS[job], "wall")
    assert made.outline.geom_type == "Polygon"
    assert made.outline.bounds[:2] == pytest.approx((0, 0), abs=1e-6)


def test_a_sparse_piece_is_walls_closed_layers_and_a_share_of_filling():
    """20 x 20 x 10 mm, three walls of 0.45, layers of 0.2: worked by hand.

    Room of 17.3^2 = 299.29 mm2; walls (400 - 299.29) x 10 = 1007.1; six closed layers 1.2 x 299.29 = 359.148;
    the rest 8.8 x 299.29 x 0.15 = 395.063. A second slab of 10 x 10 x 5 on top covers 100 of the room's roof.
    """
    square = Slab(outline=shapely.box(0, 0, 20, 20), z0=0.0, z1=10.0)
    assert printed_volume([square], machine()) == pytest.approx(1007.1 + 359.148 + 395.063, abs=0.01)
    upper = Slab(outline=shapely.box(5, 5, 15, 15), z0=10.0, z1=15.0)
    room = 7.3**2
    lower = 1007.1 + 0.6 * (2 * 299.29 - 100) + (2992.9 - 0.6 * (2 * 299.29 - 100)) * 0.15
    above = (100 - room) * 5 + 0.6 * room + (5 - 0.6) * room * 0.15
    assert printed_volume([square, upper], machine()) == pytest.approx(lower + above, abs=0.01)
    solid = replace(machine(), values={**machine().values, "process.filling_percent": 100.0})
    assert printed_volume([square], solid) == pytest.approx(4000.0)


def test_the_full_set_is_printed_in_two_hours_and_the_quick_one_in_twenty_minutes():
    """At 30 mm/s; 164 and 27 minutes were they solid."""
    assert sum(c.minutes for c in draw_set(machine()).costs.values()) < 112
    assert sum(c.minutes for c in draw_set(machine(), quick=True).costs.values()) <= 20


def test_bead_section_and_cost():
    """A bead 0.45 wide and 0.2 high: 0.25 x 0.2 + pi 0.2^2 / 4 = 0.0814 mm2, worked by hand."""
    assert bead_area(0.45, 0.2) == pytest.approx(0.05 + math.pi * 0.01)
    # 1 cm3 of PLA is 1.24 g; 1000 / 0.0814 = 12283 mm of path take 6.82 min at 30 mm/s.
    cost = cost_of(1000.0, machine())
    assert cost.grams == pytest.approx(1.24)
    assert cost.minutes == pytest.approx(6.824, abs=1e-3)
