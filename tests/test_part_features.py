"""Holes, bosses, slots, tongues, openings and outlines found in parts that are drawn here with known sizes.

The parts come from manifold3d's own cylinders and boxes, written as float32 STL and read back, so that they carry the
noise of a real file. Printed sizes are checked against the closed forms of outside, inside and comb sizes, derived
here: a wall pair that is reached by moves of one direction loses no backlash, one reached from both sides loses b.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from manifold3d import CrossSection, Manifold
from shapely import LineString, Point

from fitassay.analysis.normal import Normal
from fitassay.analysis.parts.facets import Facets
from fitassay.analysis.parts.flat_features import flat_features
from fitassay.analysis.parts.part_facing import facing
from fitassay.analysis.parts.part_file import Part, read_parts
from fitassay.analysis.parts.part_listing import PartListing
from fitassay.analysis.parts.round_features import round_features
from fitassay.analysis.parts.sizes import State
from fitassay.analysis.terms import INDEX, NAMES
from fitassay.report.part_text import joint_words
from tests import parts
from tests.fit_case import case, run, run_json

WIDTH = 0.45


def cylinder(
    diameter: float, length: float, sides: int = 64, at: tuple = (0, 0, 0), turned: tuple = (0, 0, 0)
) -> Manifold:
    return Manifold.cylinder(length, diameter / 2, diameter / 2, sides, True).rotate(turned).translate(at)


def box(size: tuple, at: tuple = (0, 0, 0), turned: float = 0.0) -> Manifold:
    return Manifold.cube(size, True).rotate((0, 0, turned)).translate(at)


def part_of(body: Manifold, tmp_path: Path, name: str = "own") -> Part:
    """Through a binary STL of one's own writing: eighty bytes, a count, fifty bytes a facet."""
    mesh = body.to_mesh64()
    corners = np.array(mesh.vert_properties)[:, :3][np.array(mesh.tri_verts)].astype("<f4")
    rows = np.zeros(len(corners), dtype=[("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    rows["v"] = corners
    path = tmp_path / f"{name}.stl"
    path.write_bytes(b"own".ljust(80) + np.uint32(len(rows)).tobytes() + rows.tobytes())
    return read_parts(path)[0][0]


def found(part: Part) -> tuple[set, set]:
    """Round features as (kind, diameter, x, y, z, length), flat ones as (kind, sizes, direction, x, y)."""
    facets = Facets(part.vertices, part.faces)
    rounds, curved = round_features(facets)
    return (
        {(f.kind, *(round(v, 2) + 0.0 for v in (f.diameter_mm, *f.centre_mm, f.length_mm))) for f in rounds},
        {
            (
                f.kind,
                tuple(round(s, 2) for s in f.sizes_mm),
                round(math.degrees(f.direction_rad)) % 180,
                *(round(c, 2) + 0.0 for c in f.centre_mm[:2]),
            )
            for f in flat_features(facets, curved)
        },
    )


def arm() -> Manifold:
    """The orrery's arm: bearing hole, peg on top, screw holes of few and of many sides."""
    body = box((60, 20, 8)) - cylinder(8.2, 20, 96, (-20, 0, 0)) - cylinder(3.4, 20, 16, (20, 5, 0))
    return body - cylinder(3.0, 20, 12, (20, -5, 0)) + cylinder(8.0, 10, 48, (5, 0, 8))


def bracket() -> Manifold:
    """A fork with a slot, a cross pin that lies, and a turned square."""
    body = box((40, 30, 10)) - box((8, 20, 20), (10, 10, 0)) - box((6, 6, 20), (-8, -6, 0), 30.0)
    return body - cylinder(3.0, 60, 32, (0, 10, 0), (0, 90, 0))


def keyed_shaft() -> Manifold:
    """A shaft with a flat and a slotted hole with round ends."""
    shaft = cylinder(10, 20) - box((10, 12, 30), (9, 0, 0))
    ends = cylinder(5, 30, 48, (-30, -6, 0)) + cylinder(5, 30, 48, (-30, 6, 0))
    return shaft + box((20, 24, 6), (-30, 0, -7)) - Manifold.batch_hull([ends])


def tray() -> Manifold:
    """A box with a cavity and rounded corners outside."""
    corners = [cylinder(6, 12, 48, (x, y, 0)) for x in (-17, 17) for y in (-12, 12)]
    return Manifold.batch_hull(corners) - box((34, 24, 12), (0, 0, 2))


def leaning() -> Manifold:
    """A block with a hole that leans, and a hexagon pocket."""
    return box((40, 40, 10)) - cylinder(6, 60, 64, (8, 0, 0), (20, 0, 0)) - cylinder(13, 60, 6, (-10, 0, 0))


def domes() -> Manifold:
    """Balls, a doughnut's rim and a chamfer: nothing of it is a fit."""
    ring = Manifold.revolve(Manifold.sphere(1, 8).project().translate((10, 0)).scale((1, 1)), 96)
    return Manifold.sphere(6, 48).translate((30, 0, 0)) + ring


WHOLE = {
    "arm": (
        arm,
        {
            ("hole", 8.2, -20, 0, 0, 8),
            ("hole", 3.4, 20, 5, 0, 8),
            ("hole", 3.0, 20, -5, 0, 8),
            ("boss", 8.0, 5, 0, 8.5, 9),
        },
        {("outline", (60.0, 20.0), 0, 0, 0)},
    ),
    "bracket": (
        bracket,
        {("hole", 3.0, -7, 10, 0, 26), ("hole", 3.0, 17, 10, 0, 6)},
        {
            ("slot", (8.0,), 0, 10, 7.5),
            ("opening", (6.0, 6.0), 30, -8, -6),
            ("tongue", (40.0,), 0, 0, 0),
            ("tongue", (26.0,), 0, -7, 7.5),
            ("tongue", (6.0,), 0, 17, 7.5),
            ("tongue", (30.0,), 90, -7, 0),
            ("tongue", (30.0,), 90, 17, 0),
        },
    ),
    "tray": (
        tray,
        set(),
        {("outline", (40.0, 30.0), 0, 0, 0), ("opening", (34.0, 24.0), 0, 0, 0)},
    ),
    "domes": (domes, set(), set()),
}


@pytest.mark.parametrize("name", WHOLE)
def test_every_feature_is_found_at_its_place_and_none_invented(name: str, tmp_path: Path) -> None:
    body, rounds, flats = WHOLE[name]
    assert found(part_of(body(), tmp_path)) == (rounds, flats)


@pytest.mark.parametrize(
    ("radius", "features"),
    [
        (2.9, {("opening", (20.0, 12.0), 0, 0, 0)}),
        (3.1, {("slot", (20.0,), 0, 0, 0), ("slot", (12.0,), 90, 0, 0)}),
    ],
)
def test_an_opening_keeps_more_than_half_of_each_side_straight(
    radius: float, features: set, tmp_path: Path
) -> None:
    """A window of 20 x 12 mm with rounded corners: with 3 mm half of the shorter side is left."""
    corners = [
        cylinder(2 * radius, 8, 64, (x * (10 - radius), y * (6 - radius), 0))
        for x in (-1, 1)
        for y in (-1, 1)
    ]
    plate = box((40, 30, 6)) - Manifold.batch_hull(corners)
    outline = ("outline", (40.0, 30.0), 0, 0, 0)
    assert found(part_of(plate, tmp_path)) == (set(), {outline, *features})


def test_a_flat_on_a_shaft_and_a_slot_with_round_ends(tmp_path: Path) -> None:
    part = part_of(keyed_shaft(), tmp_path)
    (shaft,), curved = round_features(Facets(part.vertices, part.faces))
    assert (shaft.kind, shaft.whole) == ("boss", False)
    assert shaft.diameter_mm == pytest.approx(10, abs=0.001)
    flats = flat_features(Facets(part.vertices, part.faces), curved)
    slots = [f for f in flats if f.kind == "slot"]
    assert [f.sizes_mm[0] for f in slots] == pytest.approx([5.0], abs=0.001)
    assert slots[0].reach_mm == pytest.approx(12.0, abs=0.01)


def test_a_leaning_hole_has_its_axis_and_a_hexagon_is_not_round(tmp_path: Path) -> None:
    part = part_of(leaning(), tmp_path)
    (hole,), _ = round_features(Facets(part.vertices, part.faces))
    assert hole.diameter_mm == pytest.approx(6, abs=0.002)
    lean = math.radians(20)
    along = np.array(hole.axis) * np.sign(hole.axis[2])
    assert along == pytest.approx([0, -math.sin(lean), math.cos(lean)], abs=1e-6)
    listing = PartListing(part, WIDTH)
    assert ("leaning",) in [f.remarks for f in listing.features]


def test_a_lying_pin_has_its_axis(tmp_path: Path) -> None:
    part = part_of(cylinder(6, 20, 64, (0, 0, 0), (0, 90, 25)), tmp_path)
    (pin,), _ = round_features(Facets(part.vertices, part.faces))
    turn = math.radians(25)
    along = np.array(pin.axis) * np.sign(pin.axis[0])
    assert along == pytest.approx([math.cos(turn), math.sin(turn), 0], abs=1e-6)


def state_of(**terms: float) -> State:
    mean = np.zeros(len(NAMES))
    for name, value in terms.items():
        mean[INDEX[name]] = value
    return State(posterior=Normal(mean=mean, cov=np.eye(len(NAMES)) * 1e-6), width=WIDTH)


def test_sizes_are_walked_on_the_parts_own_outlines(tmp_path: Path) -> None:
    """b = 0.2 in x, p = 0.05: what each pair of walls gets follows from the sides that it is reached from."""
    listing = PartListing(part_of(bracket(), tmp_path), WIDTH)
    by_kind = {
        (f.shape.kind, round(f.sizes_mm[0], 3)): f.printed
        for f in listing.printed(state_of(backlash_x=0.2, contour_offset=0.05))
    }
    # Both walls of the fork's slot are reached by moves towards +x: no backlash, twice the offset.
    assert by_kind["slot", 8.0][0][1].mean == pytest.approx(8 - 0.1, abs=0.002)
    # The outer walls are reached from both sides.
    assert by_kind["tongue", 40.0][0][1].mean == pytest.approx(40 + 0.1 - 0.2, abs=0.002)
    # The right-hand prong: its left wall by +x moves, as the slot's, its right one by -x ... +x: b off.
    assert by_kind["tongue", 6.0][0][1].mean == pytest.approx(6 + 0.1 - 0.2, abs=0.002)
    # y has no play.
    assert by_kind["tongue", 30.0][0][1].mean == pytest.approx(30 + 0.1, abs=0.002)


def test_parts_that_lie_on_each_other_are_joined_by_place(tmp_path: Path) -> None:
    one = PartListing(part_of(bracket() - cylinder(6, 30, 64, (-14, 8, 0)), tmp_path, "fork"), WIDTH)
    other = cylinder(5.8, 8, 64, (-14, 8, 0)) + box((7.7, 9, 8), (10, 12, 0)) + box((40, 4, 2), (0, 10, 5))
    two = PartListing(part_of(other, tmp_path, "key"), WIDTH)
    joints = facing(one, two, state_of(contour_offset=0.1))
    got = {(j.hollow.shape.kind, j.hollow.sizes_mm[0], j.filled.sizes_mm[0], j.by) for j in joints}
    got = {(k, round(h, 2), round(f, 2), by) for k, h, f, by in got}
    assert ("hole", 6.0, 5.8, "place") in got
    assert ("slot", 8.0, 7.7, "place") in got
    by = {round(j.hollow.sizes_mm[0]): j.clearance for j in joints}
    # Four half offsets of 0.1 on two walls each: 0.4 off either clearance.
    assert by[6].mean == pytest.approx(0.2 - 0.4, abs=0.01)
    assert by[6].p_negative > 0.9
    assert by[8].mean == pytest.approx(0.3 - 0.4, abs=0.01)


def test_parts_apart_are_joined_by_size(tmp_path: Path) -> None:
    one = PartListing(part_of(box((20, 20, 6)) - cylinder(6, 20), tmp_path, "plate"), WIDTH)
    two = PartListing(part_of(cylinder(5.7, 20, 64, (100, 0, 0)), tmp_path, "pin"), WIDTH)
    (joint,) = facing(one, two, state_of())
    assert joint.by == "size"
    assert joint.clearance.mean == pytest.approx(0.3, abs=0.01)


@pytest.mark.benchmarks
def test_three_hundred_thousand_facets(benchmark, tmp_path: Path) -> None:
    ball = Manifold.sphere(20, 776) + cylinder(8, 30, 96, (0, 0, 20))
    part = part_of(ball, tmp_path)
    assert len(part.faces) > 280_000
    rounds, _ = benchmark.pedantic(lambda: round_features(Facets(part.vertices, part.faces)), rounds=1)
    assert [(f.kind, round(f.diameter_mm, 2)) for f in rounds] == [("boss", 8.0)]


def test_predict_lists_joins_and_draws(tmp_path: Path) -> None:
    """The case of the fit tests binds a peg that is drawn 0.1 mm under its hole."""
    part_of(box((20, 20, 6)) - cylinder(6, 20), tmp_path, "plate")
    part_of(cylinder(5.9, 20), tmp_path, "pin")
    words = ("predict", case(tmp_path), "--part", tmp_path / "plate.stl", "--with", tmp_path / "pin.stl")
    data = run_json(*words)
    assert [p["name"] for p in data["parts"]] == ["plate", "pin"]
    (joint,) = data["joints"]
    assert joint["clearance_mm"]["probability_negative"] > 0.9
    picture = Path(data["parts"][0]["picture"]).read_text(encoding="utf-8")
    assert picture.count("<text") == len(data["parts"][0]["features"])
    assert "will bind" in " ".join(run(*words)[1].split())


def test_leaders_of_a_row_of_features_do_not_cross_nor_end_at_one_point(tmp_path: Path) -> None:
    """Two holes and an opening in a row, with the outline about them."""
    row = box((70, 24, 6)) - cylinder(8.3, 20, at=(-23, 0, -1)) - cylinder(5.1, 20, at=(-7, 0, -1))
    part_of(row - box((20, 12.3, 20), (17, 0, -1)), tmp_path, "row")
    data = run_json("predict", case(tmp_path), "--part", tmp_path / "row.stl")
    assert len(data["parts"][0]["features"]) == 4
    svg = Path(data["parts"][0]["picture"]).read_text(encoding="utf-8")
    thin = re.findall(r'<path d="([^"]*)" fill="none" stroke="[^"]*" stroke-width="1"/>', svg)
    drawn = re.findall(r"M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)", "".join(thin))
    leaders = [LineString([(float(x), float(y)), (float(u), float(v))]) for x, y, u, v in drawn]
    assert len(leaders) == 4
    for i, one in enumerate(leaders):
        for two in leaders[:i]:
            assert not one.crosses(two)
            # No leader passes the dot at which another one ends.
            assert min(one.distance(Point(two.coords[1])), two.distance(Point(one.coords[1]))) > 5


@pytest.mark.parametrize(
    ("p", "words"),
    [
        (0.99, "will bind"),
        (0.84, "will bind"),
        (0.82, "perhaps binds"),
        (0.3, "perhaps goes in"),
        (0.1, "goes in"),
    ],
)
def test_under_five_to_one_a_joint_perhaps_binds(p: float, words: str) -> None:
    assert joint_words(p) == words


def test_what_goes_together_needs_a_part(tmp_path: Path) -> None:
    part_of(cylinder(5.9, 20), tmp_path, "pin")
    code, _, err = run("predict", case(tmp_path), "--with", tmp_path / "pin.stl")
    assert code == 2
    assert "--part" in err


def test_a_part_that_folds_through_itself_is_listed_all_the_same():
    """Two corners of a closed mesh exchanged: jaws find nothing between walls that lie inside out."""
    part = parts.part_of(parts.box(0, 0, 30, 20, 0, 8) - parts.post(6, 8, 10, -1, 9, sides=24), "arm")
    corners = np.round(part.vertices, 3).tolist()
    a, b = corners.index([10.387, 8.168, 0.0]), corners.index([0.0, 20.0, 8.0])
    folded = part.vertices.copy()
    folded[[a, b]] = folded[[b, a]]
    listing = PartListing(replace(part, vertices=folded), WIDTH)
    assert all(np.isfinite(gain).all() for gain in listing.gains.values())


def slanted() -> dict[str, Manifold]:
    """A dovetail's groove upright and lying, its tongue, and a rack of six teeth."""
    tail = [[(-4.0, 0.0), (4.0, 0.0), (7.0, 5.0), (-7.0, 5.0)]]
    groove = box((40, 20, 8)) - Manifold.extrude(CrossSection(tail), 20).translate((0, 5.01, -10))
    teeth = [(0.0, 0.0), (38.0, 0.0)]
    for i in reversed(range(6)):
        teeth += [(i * 6.28 + x, y) for x, y in ((5.0, 5.0), (4.0, 9.0), (1.5, 9.0), (0.5, 5.0))]
    return {
        "groove": groove,
        "lying groove": groove.rotate((90, 0, 0)),
        "tongue": Manifold.extrude(CrossSection(tail), 8) + box((30, 6, 8), (0, -2.9, 4)),
        "rack": Manifold.extrude(CrossSection([teeth]), 6),
    }


@pytest.mark.parametrize("name", slanted())
def test_dovetails_and_racks_are_named_as_not_found_and_nothing_is_made_of_them(
    tmp_path: Path, name: str
) -> None:
    listing = PartListing(part_of(slanted()[name], tmp_path), WIDTH)
    assert listing.slanted >= 2
    # Only the bodies' own sides are sizes; no flank at 59 degrees, no gap of teeth.
    assert {round(s, 2) for f in listing.features for s in f.sizes_mm} <= {40.0, 20.0, 8.0, 30.0, 6.0}
    assert {f.shape.kind for f in listing.features} <= {"outline", "tongue"}


@pytest.mark.parametrize("name", [n for n in WHOLE if n != "leaning"])
def test_parts_without_slanted_walls_say_nothing_of_them(tmp_path: Path, name: str) -> None:
    assert PartListing(part_of(WHOLE[name][0](), tmp_path), WIDTH).slanted == 0


def test_the_listing_says_how_to_foretell_a_dovetail(tmp_path: Path) -> None:
    part_of(slanted()["groove"], tmp_path, "groove")
    place = case(tmp_path)
    words = " ".join(run("predict", place, "--part", tmp_path / "groove.stl")[1].split())
    assert "Dovetails and racks are not recognised" in words and "--shape dovetail" in words
    code, out, err = run("predict", place, "--pair", "6,6.3", "--shape", "dovetail")
    assert code == 0 and "dovetail" in out, err


@pytest.mark.parametrize("wrong", [("--with", "{pin}", "--fit", "H8"), ("--with", "{bad}"), ("--turns",)])
def test_what_is_refused_is_not_noted_first(tmp_path: Path, wrong: tuple[str, ...]) -> None:
    part_of(box((20, 20, 6)) - cylinder(6, 20), tmp_path, "plate")
    part_of(cylinder(5.9, 20), tmp_path, "pin")
    bad = tmp_path / "bad.stl"
    bad.write_bytes(b"no shape")
    filled = [w.format(pin=tmp_path / "pin.stl", bad=bad) for w in wrong]
    code, _, err = run("predict", case(tmp_path), "--part", tmp_path / "plate.stl", *filled)
    assert code == 2
    assert "Note:" not in err
