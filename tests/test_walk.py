"""Gains derived by walking a toolpath, against closed forms derived here and independent references."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from fitassay.analysis.chain.backlash import lost_motion
from fitassay.analysis.chain.loops import ideal_loops, mitre_vectors
from fitassay.analysis.chain.span import CouponWalk, bead_reach, find_jaw
from fitassay.analysis.terms import INDEX, TERMS, errors_of
from fitassay.coupons.feature import Coupon, Feature
from fitassay.coupons.sections import Slicer
from fitassay.coupons.solid import Solid

W = 0.45
Z = 5.0


def prism(rings: list, height: float = 10.0) -> Slicer:
    from manifold3d import CrossSection, FillRule, Manifold

    mesh = Manifold.extrude(CrossSection(rings, FillRule.EvenOdd), height).to_mesh64()
    return Slicer(
        Solid(
            vertices=np.array(mesh.vert_properties)[:, :3].copy(),
            faces=np.array(mesh.tri_verts).astype(int).copy(),
        )
    )


def square(low: float, high: float) -> list[tuple[float, float]]:
    return [(low, low), (high, low), (high, high), (low, high)]


def circle(centre: float, diameter: float, sides: int = 240) -> list[tuple[float, float]]:
    # Mean width of a regular polygon is its perimeter over pi.
    radius = diameter / 2 * (math.pi / sides) / math.sin(math.pi / sides)
    angles = [2 * math.pi * (i + 0.5) / sides for i in range(sides)]
    return [(centre + radius * math.cos(a), centre + radius * math.sin(a)) for a in angles]


def feature(kind: str, degrees: float, a: tuple, b: tuple, jaw: float = 3.0) -> Feature:
    return Feature(
        id="f",
        kind=kind,  # type: ignore[arg-type]
        direction_deg=degrees,
        nominal_mm=math.dist(a, b),
        contact_a_mm=(*a, Z),
        contact_b_mm=(*b, Z),
        jaw_mm=jaw,
        instruction="",
    )


def walk_of(rings: list, f: Feature, single_wall: bool = False) -> CouponWalk:
    coupon = Coupon(
        id="c", family="test", file="", size_mm=(30, 30, 10), features=(f,), single_wall=single_wall
    )
    return CouponWalk(coupon, prism(rings), W)


def read(walk: CouponWalk, **terms: float) -> float:
    theta = np.zeros((1, len(TERMS)))
    for name, value in terms.items():
        theta[0, INDEX[name]] = value
    return float(walk.readings(errors_of(theta))[0, 0])


# A mushroom tooth on a spine: stem 12..18, head 10..20; plain teeth 24..28 and 34..38.
ROW = [
    (0, 0), (42, 0), (42, 5), (38, 5), (38, 15), (34, 15), (34, 5), (28, 5), (28, 15), (24, 15), (24, 5),
    (18, 5), (18, 10), (20, 10), (20, 15), (10, 15), (10, 10), (12, 10), (12, 5), (0, 5),
]  # fmt: skip
# A T-slot, neck 12..18 above a chamber 10..20, in a block.
SLOT = [
    (0, 0), (34, 0), (34, 20), (18, 20), (18, 15), (20, 15), (20, 8), (10, 8), (10, 15), (12, 15), (12, 20),
    (0, 20),
]  # fmt: skip

STRAIGHT = [
    ("block outside", [square(0, 20), square(5, 15)], "outside", (0, 10), (20, 10), -1),
    ("block inside", [square(0, 20), square(5, 15)], "inside", (5, 10), (15, 10), -1),
    ("stem", [ROW], "outside", (12, 7.5), (18, 7.5), +1),
    ("head", [ROW], "outside", (10, 12.5), (20, 12.5), -1),
    ("plain tooth", [ROW], "outside", (24, 10), (28, 10), 0),
    ("plain slot", [ROW], "inside", (28, 10), (34, 10), 0),
    ("neck", [SLOT], "inside", (12, 17.5), (18, 17.5), +1),
    ("chamber", [SLOT], "inside", (10, 11), (20, 11), -1),
]


@pytest.mark.parametrize("turned", [False, True], ids=["along x", "along y"])
@pytest.mark.parametrize(("name", "rings", "kind", "a", "b", "c"), STRAIGHT, ids=[s[0] for s in STRAIGHT])
def test_straight_features_read_the_closed_form(name, rings, kind, a, b, c, turned):
    """R = L + s (L -+ w) +- e +- 2p + c b + bias, for large errors too, along x and along y."""
    axis, degrees = "x", 0.0
    if turned:  # mirror at x = y, rings reversed so that material stays on the left
        rings = [[(y, x) for x, y in reversed(ring)] for ring in rings]
        a, b, axis, degrees = a[::-1], b[::-1], "y", 90.0
    walk = walk_of(rings, feature(kind, degrees, a, b))
    nominal = math.dist(a, b)
    side = 1 if kind == "outside" else -1
    for s, e, p, play, bias in [
        (0, 0, 0, 0, 0),
        (0.004, 0.07, 0.1, 0.24, 0.03),
        (-0.01, -0.1, -0.15, -0.2, -0.05),
    ]:
        expected = nominal + s * (nominal - side * (W - 2 * p)) + side * (e + 2 * p) + c * play + bias
        errors = {
            f"scale_{axis}": s, f"backlash_{axis}": play, "bead_excess": e, "contour_offset": p,
            f"{kind}_bias": bias,
        }  # fmt: skip
        assert read(walk, **errors) == pytest.approx(expected, abs=2e-5), name
    # The other axis' play and the shear move nothing along this one at first order.
    other = "y" if axis == "x" else "x"
    assert read(walk, **{f"backlash_{other}": 0.3}) == pytest.approx(nominal, abs=1e-5)


def test_stem_less_head_of_equal_width_is_twice_the_backlash_and_nothing_else():
    stem = walk_of([ROW], feature("outside", 0, (12, 7.5), (18, 7.5)))
    narrow = [(x, y) for x, y in ROW]
    # A second tooth whose head is as wide as the first one's stem.
    for i, (x, y) in enumerate(narrow):
        if y >= 10 and 9 < x < 21 and (x, y) not in [(18, 10), (12, 10)]:
            narrow[i] = (18 if x > 15 else 12, y)
        elif 9 < x < 21 and x in (12, 18):
            narrow[i] = (16 if x > 15 else 14, y)
    head = walk_of([narrow], feature("outside", 0, (12, 12.5), (18, 12.5)))
    errors = {
        "scale_x": 0.006,
        "bead_excess": 0.08,
        "contour_offset": 0.12,
        "outside_bias": 0.04,
        "backlash_x": 0.26,
    }
    assert read(stem, **errors) - read(head, **errors) == pytest.approx(2 * 0.26, abs=1e-5)


def test_single_wall_sees_the_bead_alone():
    walk = walk_of([square(0, 20), square(W, 20 - W)], feature("thickness", 0, (0, 10), (W, 10)), True)
    assert read(walk) == pytest.approx(W, abs=1e-5)
    assert read(walk, contour_offset=0.2, backlash_x=0.3, scale_x=0.004) == pytest.approx(W, abs=2e-3)
    assert read(walk, bead_excess=0.06, outside_bias=0.02) == pytest.approx(W + 0.08, abs=1e-5)


def test_diagonals_differ_by_shear_times_diagonal_whatever_the_backlash():
    up = walk_of([square(0, 40)], feature("diagonal", 45, (0, 0), (40, 40)))
    down = walk_of([square(0, 40)], feature("diagonal", 135, (40, 0), (0, 40)))
    path_diagonal = (40 - W) * math.sqrt(2)
    # Mitred corners of the path, rounded by the bead: diagonal of the path plus one bead.
    assert read(up) == pytest.approx(path_diagonal + W, abs=1e-4)
    for play in (0.0, 0.3):
        errors = {"skew_xy": 0.006, "backlash_x": play, "backlash_y": 0.1, "contour_offset": 0.05}
        grown = path_diagonal + 2 * 0.05 * math.sqrt(2)
        assert read(up, **errors) - read(down, **errors) == pytest.approx(0.006 * grown, rel=0.01)


@pytest.mark.parametrize("diameter", [5.0, 8.0, 14.0])
def test_round_bore(diameter):
    """Reads sqrt(D^2 - t^2) between jaws of flat t (geometry), less bead, offset, backlash and closure."""
    flat = 0.3
    low, high = 15 - diameter / 2, 15 + diameter / 2
    for degrees, a, b, axis in [(0, (low, 15), (high, 15), "x"), (90, (15, low), (15, high), "y")]:
        walk = walk_of([square(0, 30), circle(15, diameter)], feature("inside", degrees, a, b, flat))
        assert read(walk) == pytest.approx(math.sqrt(diameter**2 - flat**2), abs=2e-3)
        perfect = read(walk)
        assert read(walk, bore_closure=0.1) - perfect == pytest.approx(-0.1 * 3 / diameter, abs=1e-3)
        assert read(walk, **{f"backlash_{axis}": 0.2}) - perfect == pytest.approx(-0.2, abs=1e-3)
        assert read(walk, bead_excess=0.06) - perfect == pytest.approx(-0.06, abs=1e-3)
        assert read(walk, contour_offset=0.06) - perfect == pytest.approx(-0.12, abs=1e-3)
        s = 0.004
        assert read(walk, **{f"scale_{axis}": s}) - perfect == pytest.approx(s * (diameter + W), abs=1e-3)


def test_play_operator_is_the_recursion_of_play():
    """w_k = max(u_k - r, min(u_k + r, w_{k-1})); the sequence for r = 0.5, from rest at 0, derived here by hand."""
    u = np.array([0, 1, 2, 3, 2.5, 2, 1, 0, -1, -0.5, 0, 1])
    path = np.stack([u, np.zeros_like(u)], axis=1)[None]
    vertices, _ = lost_motion(path, np.array([[1.0, 0.0]]))
    expected = [0, 0.5, 1.5, 2.5, 2.5, 2.5, 1.5, 0.5, -0.5, -0.5, -0.5, 0.5]
    assert vertices[0, :, 0].tolist() == expected
    t = np.linspace(0, 6 * np.pi, 20001)
    swing = np.stack([10 * np.sin(t), 0 * t], axis=1)[None]
    vertices, _ = lost_motion(swing, np.array([[0.2, 0.0]]))
    assert np.ptp(vertices[0, 8000:, 0]) == pytest.approx(19.8, abs=1e-6)


def test_play_moves_match_a_finely_stepped_command():
    """The three straight pieces of each move trace what small steps of the same command trace."""
    rng = np.random.default_rng(5)
    corners = rng.uniform(-3, 3, (12, 2))
    play = np.array([[0.5, 0.3]])
    _, moves = lost_motion(corners[None], play)
    steps = np.linspace(0, 1, 2001)[:-1, None]
    fine = np.concatenate([a + steps * (b - a) for a, b in zip(corners[:-1], corners[1:], strict=True)])
    vertices, _ = lost_motion(fine[None], play)
    trace = shapely.LineString(moves[0].reshape(-1, 2))
    gap = shapely.distance(trace, shapely.points(vertices[0]))
    assert gap.max() < 1e-9


def test_play_shrinks_a_circle_for_hole_and_boss_alike():
    """r = 10, b = 0.06 on both axes: extents 19.94 in either direction (derived here: 2 r - b)."""
    a = np.linspace(0, 4 * np.pi, 20001)
    for turn in (1, -1):
        path = np.stack([10 * np.cos(a), turn * 10 * np.sin(a)], axis=1)[None]
        vertices, _ = lost_motion(path, np.array([[0.06, 0.06]]))
        assert np.ptp(vertices[0, 10000:], axis=0) == pytest.approx([19.94, 19.94], abs=1e-5)


def test_ideal_path_equals_the_offset_of_a_geometry_library():
    """Mitre displacement by p against shapely's own parallel offset."""
    loops = ideal_loops(prism([ROW]).section(Z), W)
    body = shapely.Polygon(ROW)
    for p in (-0.1, 0.0, 0.15):
        moved = shapely.Polygon(loops[0].points + p * loops[0].outward)
        expected = body.buffer(p - W / 2, join_style="mitre", mitre_limit=6)
        assert moved.symmetric_difference(expected).area < 1e-3
    vectors = mitre_vectors(np.array(square(0, 1), dtype=float))
    assert vectors.tolist() == [[-1, -1], [1, -1], [1, 1], [-1, 1]]


def test_bead_reach_against_a_swept_polygon():
    """Reach of random beads under random jaws against shapely's buffer, cut to the jaw's strip."""
    rng = np.random.default_rng(11)
    for _ in range(60):
        ends = rng.uniform(-1, 1, (1, 1, 2, 2))
        radius, half = rng.uniform(0.2, 0.5), rng.uniform(0.05, 1.0)
        angle = rng.uniform(0, 2 * np.pi)
        direction = np.array([np.cos(angle), np.sin(angle)])
        across = np.array([-direction[1], direction[0]])
        contact = rng.uniform(-0.3, 0.3, 2)
        bead = shapely.LineString(ends[0, 0]).buffer(radius, quad_segs=400)
        strip = shapely.Polygon(
            [contact + i * half * across + j * 9 * direction for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        )
        cut = bead.intersection(strip)
        got = bead_reach(ends, np.array([radius]), contact[None], direction, half)[0]
        if cut.is_empty:
            assert got == -np.inf
        else:
            points = np.array(cut.exterior.coords)
            assert got == pytest.approx(((points - contact) @ direction).max(), abs=2e-4)


def test_lost_motion_by_hand_set_right_and_set_too_high():
    """Play 0.4 lags 0.2 behind whichever way the axis last moved; set too high it leads by as much (derived here)."""
    path = np.array([[[0.0, 0.0], [10.0, 0.0], [3.0, 0.0], [3.1, 0.0], [5.0, 0.0]]])
    play = np.array([[0.4, 0.0]])
    lagging = [0.0, 9.8, 3.2, 3.2, 4.8]
    assert lost_motion(path, play)[0][0, :, 0] == pytest.approx(lagging)
    leading = [0.0, 10.2, 2.8, 3.0, 5.2]
    assert lost_motion(path, -play)[0][0, :, 0] == pytest.approx(leading)
    assert lost_motion(path, play)[0][0, :, 1] == pytest.approx(np.zeros(5))


def test_a_jaw_finds_the_moves_before_it_and_no_others():
    (loop,) = ideal_loops(prism([square(0, 20)]).section(Z), W)
    east, south = np.array([1.0, 0.0]), np.array([0.0, -1.0])

    def touched(contact: tuple[float, float], direction: np.ndarray) -> set[tuple[float, float]]:
        found = find_jaw((loop,), np.array(contact), direction, 1.5, W)
        middles = (loop.points + np.roll(loop.points, -1, axis=0)) / 2
        return {(round(x, 3), round(y, 3)) for _, moves in found.moves for x, y in middles[moves].tolist()}

    edge = 20 - W / 2
    assert touched((20.0, 10.0), east) == {(edge, 10.0)}
    assert touched((10.0, 0.0), south) == {(10.0, W / 2)}
    # At a corner both sides are under the jaw; two millimetres beside the piece nothing is.
    assert touched((20.0, 20.0), east) == {(edge, 10.0), (10.0, edge)}
    assert touched((22.5, 10.0), east) == set()


def test_each_axis_takes_up_its_play_at_its_own_place():
    """Out and back along a diagonal, plays 0.4 and 0.2: y turns back 0.2 before x does (derived here)."""
    path = np.array([[[0.0, 0.0], [10.0, 10.0], [0.0, 0.0]]])
    _, moves = lost_motion(path, np.array([[0.4, 0.2]]))
    assert moves[0, 1] == pytest.approx(np.array([[9.8, 9.9], [9.8, 9.9], [9.8, 9.7], [0.2, 0.1]]))


def test_a_height_reads_its_scale_and_the_first_layer_gap():
    f = Feature(
        id="f", kind="height", direction_deg=0.0, nominal_mm=8.0, contact_a_mm=(5, 5, 0),
        contact_b_mm=(5, 5, 8), jaw_mm=3.0, instruction="",
    )  # fmt: skip
    walk = walk_of([square(0, 20)], f)
    assert read(walk, scale_z=0.01, layer_datum=0.05) == pytest.approx(8.0 * 1.01 + 0.05)
    assert read(walk, scale_z=-0.02, backlash_x=0.3, bead_excess=0.1) == pytest.approx(8.0 * 0.98)


@pytest.mark.parametrize(
    ("kind", "outside"),
    [("outside", 1), ("thickness", 1), ("height", 1), ("diagonal", 1), ("rim", 1), ("inside", 0)],
)
def test_each_jaws_zero_error_is_in_the_readings_taken_with_them(kind, outside):
    """Outer jaws take outlines, walls, heights, diagonals and rims; the others openings."""
    rings, a, b, degrees = [square(0, 20), square(5, 15)], (0, 10), (20, 10), 0.0
    if kind == "inside":
        a, b = (5, 10), (15, 10)
    elif kind == "diagonal":
        a, b, degrees = (0, 0), (20, 20), 45.0
    elif kind == "thickness":
        rings, b = [square(0, 20), square(W, 20 - W)], (W, 10)
    f = feature(kind, degrees, a, b)
    if kind == "height":
        f = replace(f, contact_a_mm=(5, 5, 0), contact_b_mm=(5, 5, 8), nominal_mm=8.0)
    walk = walk_of(rings, f, single_wall=kind == "thickness")
    assert read(walk, outside_bias=0.03) - read(walk) == pytest.approx(0.03 * outside, abs=1e-12)
    assert read(walk, inside_bias=0.05) - read(walk) == pytest.approx(0.05 * (1 - outside), abs=1e-12)
