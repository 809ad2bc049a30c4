"""Sections: areas, round rings and the opening across which a feature is read; expected values derived here."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitassay.coupons.errors import InputError
from fitassay.coupons.feature import Feature
from fitassay.coupons.sections import Ring, Slicer, body_of, bore_at, polygons
from fitassay.coupons.solid import Solid


def polygon(
    sides: int, radius: float, centre: tuple[float, float] = (0.0, 0.0), stretch: float = 1.0
) -> Ring:
    turn = 2 * math.pi * (np.arange(sides) + 0.5) / sides
    points = radius * np.column_stack([stretch * np.cos(turn), np.sin(turn)])
    return Ring(points=points + centre)


def opening(ring: Ring) -> Ring:
    return Ring(points=ring.points[::-1])


def inside(a: tuple[float, float], b: tuple[float, float], kind: str = "inside") -> Feature:
    return Feature(
        id="f",
        kind=kind,  # type: ignore[arg-type]
        direction_deg=0.0,
        nominal_mm=math.dist(a, b),
        contact_a_mm=(*a, 1.0),
        contact_b_mm=(*b, 2.0),
        jaw_mm=0.5,
        instruction="",
    )


def test_area_and_perimeter_of_a_rectangle():
    ring = Ring(points=np.array([[1.0, 2.0], [4.0, 2.0], [4.0, 7.0], [1.0, 7.0]]))
    assert ring.area == pytest.approx(15.0)
    assert opening(ring).area == pytest.approx(-15.0)
    assert ring.perimeter == pytest.approx(16.0)


@pytest.mark.parametrize("sides", [10, 24, 240])
def test_a_regular_polygon_is_a_circle_of_its_mean_width(sides):
    found = polygon(sides, 4.0, (7.0, -3.0)).circle()
    assert found is not None
    centre, diameter = found
    assert centre == pytest.approx([7.0, -3.0], abs=1e-9)
    assert diameter == pytest.approx(2 * sides * 4.0 * math.sin(math.pi / sides) / math.pi)


def test_what_is_no_circle():
    assert polygon(9, 4.0).circle() is None
    assert polygon(48, 4.0, stretch=1.015).circle() is not None
    assert polygon(48, 4.0, stretch=1.03).circle() is None


def test_only_openings_are_bores():
    assert polygon(48, 4.0).bore() is None
    assert opening(polygon(48, 4.0)).bore() is not None


def test_the_bore_that_a_feature_is_read_across():
    rings = (
        polygon(48, 30.0),
        opening(polygon(48, 4.0, (10.0, 0.0))),
        opening(polygon(48, 3.0, (-10.0, 0.0))),
    )
    found = bore_at(inside((-13.0, 0.0), (-7.0, 0.0)), rings)
    assert found is not None and found[0] == pytest.approx([-10.0, 0.0])
    assert bore_at(inside((-13.0, 0.0), (-7.0, 0.0), "outside"), rings) is None
    # A quarter of the diameter off the middle is another feature's place.
    assert bore_at(inside((-11.6, 0.0), (-11.5, 0.0)), rings) is None
    assert bore_at(inside((-11.5, 0.0), (-11.3, 0.0)), rings) is not None


def test_the_contact_height_is_the_middle_of_both_contacts():
    assert inside((0.0, 0.0), (1.0, 0.0)).contact_height == 1.5


def test_a_direction_along_y_has_no_part_of_x():
    upright = Feature(
        id="f", kind="outside", direction_deg=90.0, nominal_mm=1.0, contact_a_mm=(0, 0, 0),
        contact_b_mm=(0, 1, 0), jaw_mm=1.0, instruction="",
    )  # fmt: skip
    assert upright.direction == (0.0, 1.0)


def test_an_opening_belongs_to_the_smallest_outline_that_holds_it():
    big, island = polygon(24, 20.0), polygon(24, 5.0)
    rings = (big, opening(polygon(24, 10.0)), island, opening(polygon(24, 2.0)))
    found = {round(p.exterior.bounds[2]): len(p.interiors) for p in polygons(rings)}
    assert found == {20: 1, 5: 1}
    assert sum(p.area for p in polygons(rings)) == pytest.approx(sum(r.area for r in rings))


def _tetrahedron() -> Solid:
    corners = np.array([[0.0, 0, 0], [9, 0, 0], [0, 9, 0], [0, 0, 9]])
    return Solid(corners, np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]]))


def test_a_section_shrinks_with_height():
    slicer = Slicer(_tetrahedron())
    for z in (0.5, 3.0, 8.0):
        (ring,) = slicer.section(z)
        assert ring.area == pytest.approx((9 - z) ** 2 / 2, rel=1e-6)
    assert slicer.section(9.5) == ()


def test_an_open_or_unreal_mesh_is_refused_by_name():
    solid = _tetrahedron()
    # The first facet of the tetrahedron is its base: corner 0, 2, 1.
    base = r"\((4\.5, 0|0, 4\.5|4\.5, 4\.5), 0\) mm"
    with pytest.raises(InputError, match=rf"peg: .*not watertight \(3 edges .* one of them at {base}\)"):
        body_of(solid.vertices, solid.faces[1:], "peg")
    unreal = solid.vertices.copy()
    unreal[1, 2] = np.nan
    with pytest.raises(InputError, match="peg, facet 1: .*no numbers"):
        body_of(unreal, solid.faces, "peg")
    with pytest.raises(InputError, match="peg, facet 2: .*no numbers"):
        body_of(unreal, solid.faces[[2, 1, 0, 3]], "peg")
