"""The measuring sheet's parts: words, sections, measured faces, and placing without collisions."""

from __future__ import annotations

import functools
import itertools
import math
import unicodedata
from collections.abc import Iterator
from functools import cache

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fitassay.coupons.feature import Coupon, Feature
from fitassay.coupons.machine import FIGURES, Machine
from fitassay.coupons.sheet.layout import Layout, lay_out
from fitassay.coupons.sheet.paper import SheetPdf
from fitassay.coupons.sheet.section import Piece, load_piece, notch_tips, touched_face
from fitassay.coupons.sheet.view import View, views
from fitassay.coupons.sheet.words import (
    length_text,
    numbered_features,
    safe_text,
    scale_text,
    settings_in_force,
    shared_clauses,
)
from fitassay.coupons.solid import Solid
from tests.sets import coupon_set


@cache
def known() -> frozenset[int]:
    return SheetPdf("a4").known


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("orrery bench", "orrery bench"),
        ("two\nlines\tand  more", "two lines and more"),
        ("Ø 6 ± 0.02 µm → α", "Ø 6 ± 0.02 µm → α"),
        ("moon 🌙", "moon □"),
        ("a\x00b", "a□b"),
        ("\u202egnp.exe", "□gnp.exe"),
        ("e\u0301", "é"),
        ("x\u0336\u0337\u0338y", "x\u0336□□y"),
        ("a\ud800b", "a□b"),
        # Right-to-left words run from the right on paper: their letters are set in reverse.
        ("abc \u05d0\u05d1", "abc \u05d1\u05d0"),
        ("", ""),
    ],
)
def test_safe_text(text: str, shown: str) -> None:
    assert safe_text(text, known()) == shown


def test_safe_text_is_cut_visibly() -> None:
    assert safe_text("planet " * 2000, known(), 20) == "planet planet plane…"
    assert len(safe_text("o" * 10000, known(), 20)) == 20


@given(st.text(st.characters(codec=None), max_size=60))
def test_safe_text_of_anything(text: str) -> None:
    shown = safe_text(text, known(), 30)
    assert len(shown) <= 30
    assert all(unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co", "Cn") for c in shown)
    assert all(ord(c) in known() for c in shown)
    # Nothing vanishes: what is not white space leaves a sign.
    assert bool(shown) == bool(text.strip() and not text.isspace())


@pytest.mark.parametrize(
    ("value", "text"),
    [(6.0, "6"), (0.45, "0.45"), (113.137, "113.14"), (20.0, "20"), (0.001, "0"), (100.0, "100")],
)
def test_length_text(value: float, text: str) -> None:
    assert length_text(value) == text


@pytest.mark.parametrize(("scale", "text"), [(1.0, "1:1"), (2.0, "2:1"), (0.2, "1:5"), (0.05, "1:20")])
def test_scale_text(scale: float, text: str) -> None:
    assert scale_text(scale) == text


def test_shared_clauses() -> None:
    rest, notes = shared_clauses(
        {
            1: "On the left; not on the seam.",
            2: "On the right; not on the seam.",
            3: "On top.",
            4: "Low; high.",
        }
    )
    assert rest == {1: "On the left.", 2: "On the right.", 3: "On top.", 4: "Low; high."}
    assert notes == ["1 to 2: not on the seam."]


def test_settings_in_force_are_all_there() -> None:
    rows = settings_in_force(Machine(values={"settings.hole_mm": 0.15}))
    assert len(rows) == sum(figure.section == "settings" for figure in FIGURES)
    found = {meaning: value for meaning, _, value in rows}
    assert found["round hole compensation, on the diameter of a 3 mm hole"] == "0.15 mm"
    assert all(place.startswith(("slicer", "firmware")) for _, place, _ in rows)


@pytest.mark.parametrize("name", [coupon.id for coupon in coupon_set().manifest.coupons])
def test_sections_and_silhouettes_against_trimesh(name: str) -> None:
    """Area of each drawn section, and extent of each silhouette, by a second mesh library."""
    import trimesh

    solid = coupon_set().solids[name]
    mesh = trimesh.Trimesh(solid.vertices, solid.faces, process=False)
    coupon = next(c for c in coupon_set().manifest.coupons if c.id == name)
    piece = load_piece(coupon, coupon_set().solids)
    for z in sorted({f.contact_a_mm[2] for f in coupon.features if f.kind != "height"}):
        path = mesh.section(plane_origin=[0, 0, z], plane_normal=[0, 0, 1])
        area = functools.reduce(shapely.symmetric_difference, path.to_2D()[0].polygons_closed).area
        rings = piece.section(z)
        drawn = sum(_signed(ring) for ring in rings)
        assert drawn == pytest.approx(area, rel=1e-5)
    for axis, picks in (("y", (0, 2)), ("x", (1, 2)), ("z", (0, 1))):
        points = np.concatenate(piece.silhouette(axis))
        np.testing.assert_allclose(points.min(axis=0), mesh.bounds[0][list(picks)], atol=1e-4)
        np.testing.assert_allclose(points.max(axis=0), mesh.bounds[1][list(picks)], atol=1e-4)


def _signed(ring: np.ndarray) -> float:
    x, y = ring.T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) / 2)


def test_tops_cover_the_plan() -> None:
    """What is seen from above is the whole silhouette, each spot at one level only."""
    for coupon in coupon_set().manifest.coupons:
        piece = load_piece(coupon, coupon_set().solids)
        seen = sum(_signed(ring) for region in piece.tops for ring in region)
        plan = sum(_signed(ring) for ring in piece.silhouette("z"))
        assert seen == pytest.approx(plan, rel=2e-3), coupon.id


SQUARE = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
CIRCLE = 4.0 * np.stack(
    [np.cos(np.arange(360) * math.pi / 180), np.sin(np.arange(360) * math.pi / 180)], axis=1
)
EAST = np.array([1.0, 0.0])


def test_touched_face_of_a_flank_is_the_flank() -> None:
    face = touched_face([SQUARE], np.array([10.0, 4.0]), EAST)
    assert sorted(map(tuple, face.line)) == [(10.0, 0.0), (10.0, 10.0)]
    assert not face.round_shape


def test_touched_face_of_a_bore_is_what_a_jaw_reaches() -> None:
    face = touched_face([SQUARE + 20.0, CIRCLE], np.array([4.0, 0.0]), EAST)
    angles = np.degrees(np.arctan2(face.line[:, 1], face.line[:, 0]))
    assert face.round_shape
    assert -27.0 < angles.min() < -23.0 and 23.0 < angles.max() < 27.0


def test_touched_face_of_a_corner_is_half_a_jaw_each_way() -> None:
    face = touched_face([SQUARE], np.array([10.0, 10.0]), np.array([1.0, 1.0]) / math.sqrt(2))
    np.testing.assert_allclose(sorted(map(tuple, face.line)), [(8.5, 10.0), (10.0, 8.5), (10.0, 10.0)])


def test_touched_face_away_from_outlines_is_a_point() -> None:
    face = touched_face([SQUARE], np.array([5.0, 5.0]), EAST)
    assert np.ptp(face.line, axis=0).max() == 0.0


def test_round_and_notched() -> None:
    assert touched_face([CIRCLE], np.array([4.0, 0.0]), EAST).round_shape
    assert not touched_face([SQUARE], np.array([10.0, 5.0]), EAST).round_shape
    notched = np.array([[0.0, 0.5], [2.0, 2.0], [2.2, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    ((tip, mouth),) = notch_tips([notched, SQUARE, CIRCLE])
    assert tuple(tip) == (2.0, 2.0)
    assert mouth[0] < 0 and mouth[1] < 0


def _lies_clean(layout: Layout) -> None:
    """Figures, jaws and seam marks apart; figures off every dimension and extension line."""
    labels = [shapely.Polygon(d.label) for d in layout.dimensions]
    jaws = [shapely.Polygon(j.outline).buffer(-0.05) for j in layout.jaws]
    seams = [shapely.Point(s.centre).buffer(1.8) for s in layout.seams]
    for one, other in itertools.combinations([*labels, *jaws, *seams], 2):
        assert not one.intersects(other)
    for dimension in layout.dimensions:
        for line in (dimension.line, *dimension.extensions):
            assert not any(shapely.LineString(line).intersects(label) for label in labels)


def laid_out(scale: float) -> Iterator[tuple[Coupon, View, Layout]]:
    """Every view of the default set's coupons with its layout; a letter counts as 2 mm wide."""
    numbers = numbered_features(coupon_set().manifest)
    for coupon in coupon_set().manifest.coupons:
        piece = load_piece(coupon, coupon_set().solids)
        for view in views(coupon, piece, numbers):
            yield coupon, view, lay_out(view, scale, lambda text: 2.0 * len(text))


@pytest.mark.parametrize("scale", [2.0, 5.0])
def test_default_pieces_are_drawn_clean(scale: float) -> None:
    for coupon, _, layout in laid_out(scale):
        if layout.conflicts == 0:
            _lies_clean(layout)
        else:
            # One bead between two jaws is hidden at twice its size.
            assert coupon.family == "single-wall" and scale == 2.0


@pytest.mark.parametrize("scale", [1.0, 2.0])
def test_dimension_geometry(scale: float) -> None:
    """ISO 129-1 practice: parallel to the size, extension lines square to it, with a gap and a little beyond."""
    for _, view, layout in laid_out(scale):
        places = {place.number: place for place in view.places}
        for dimension in layout.dimensions:
            place = places[dimension.number]
            step = dimension.ends[1] - dimension.ends[0]
            along = np.array([math.cos(place.angle), math.sin(place.angle)])
            assert np.linalg.norm(step) == pytest.approx(abs((place.b - place.a) @ along) * scale, abs=1e-9)
            assert abs(step @ np.array([-along[1], along[0]])) < 1e-9
            for line in dimension.extensions:
                assert abs((line[1] - line[0]) @ along) < 1e-9
                near = min(np.abs((line[0] - end) @ along) for end in dimension.ends)
                assert near < 1e-9
                assert np.abs((line[1] - dimension.ends[0]) @ np.array([-along[1], along[0]])) > 1.0
                gaps = []
                for contact, face in ((place.a, place.face_a), (place.b, place.face_b)):
                    points = np.vstack([face.line, contact]) * scale
                    flat = np.abs((points - contact * scale) @ along) < 0.05
                    gaps.append(np.linalg.norm(points[flat] - line[0], axis=1).min())
                assert min(gaps) == pytest.approx(0.8, abs=0.05)
            # Read from below or from the right.
            assert -math.pi / 2 < dimension.angle <= math.pi / 2 + 1e-9


pegs = st.lists(
    st.tuples(st.floats(4.0, 18.0), st.floats(4.0, 18.0), st.sampled_from(["outside", "inside"])),
    min_size=1,
    max_size=4,
)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(pegs, st.sampled_from([1.0, 2.0]))
def test_layout_of_random_boards(sizes: list[tuple[float, float, str]], scale: float) -> None:
    """A board of pegs and holes: where the layout says that it is clean, it is."""
    import manifold3d

    board, x, features = [], 0.0, []
    total = sum(wide for wide, _, _ in sizes) + 8.0 * (len(sizes) + 1)
    solid = manifold3d.Manifold.cube([total, 30.0, 3.0])
    for k, (wide, deep, kind) in enumerate(sizes):
        x += 8.0
        block = manifold3d.Manifold.cube([wide, deep, 10.0]).translate([x, 15.0 - deep / 2, -1.0])
        solid = solid - block if kind == "inside" else solid + block.trim_by_plane([0, 0, 1.0], 0.0)
        z = 1.5 if kind == "inside" else 6.0
        low, high = 15.0 - deep / 2, 15.0 + deep / 2
        for name, angle, nominal, a, b in (
            ("x", 0.0, wide, (x, 15.0, z), (x + wide, 15.0, z)),
            ("y", 90.0, deep, (x + wide / 2, low, z), (x + wide / 2, high, z)),
        ):
            features.append(
                Feature(
                    id=f"{name}{k}",
                    kind=kind,  # type: ignore[arg-type]
                    direction_deg=angle,
                    nominal_mm=nominal,
                    contact_a_mm=a,
                    contact_b_mm=b,
                    jaw_mm=3.0,
                    instruction="Between the jaws.",
                )
            )
        board.append(block)
        x += wide
    mesh = solid.to_mesh64()
    piece = Piece(Solid(np.array(mesh.vert_properties[:, :3]), np.array(mesh.tri_verts)), "board")
    coupon = Coupon(
        id="board", family="board", file="board.stl", size_mm=(total, 30.0, 9.0), features=tuple(features)
    )
    numbers = {("board", feature.id): k for k, feature in enumerate(features, start=1)}
    for view in views(coupon, piece, numbers):
        layout = lay_out(view, scale, lambda text: 2.0 * len(text))
        assert len(layout.dimensions) == len(features)
        if layout.conflicts == 0:
            _lies_clean(layout)
