"""Can it be measured: room for the jaws, flanks away from seams, marks and the bed, walls that print."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon

from fitassay.coupons.families import FAMILIES
from fitassay.coupons.rules import Rules
from fitassay.coupons.shapes import notched_box, notched_window
from tests.coupon_cases import CASES, JOBS, ROUND, drafts, slab_at, straight

RULES = Rules()
EXACT = 1e-5
CONTACT_CLEAR_MM = 1.0
"""From the jaw's edge to the nearest corner of a notch."""


def frame_of(feature):
    """Contacts in the plane, the unit vector from a to b, and the one across it."""
    a, b = np.array(feature.contact_a_mm[:2]), np.array(feature.contact_b_mm[:2])
    along = (b - a) / np.linalg.norm(b - a)
    return a, b, along, np.array([-along[1], along[0]])


def box(corner, along, across, depth, half):
    """A rectangle that starts at `corner`, `depth` long along one vector, `half` to either side across it."""
    corner, u, v = map(np.asarray, (corner, along, across))
    near, far = corner, corner + depth * u
    return Polygon([near - half * v, far - half * v, far + half * v, near + half * v])


def features_of(family, job, kind):
    """All features of that kind, each with its draft."""
    return [(draft, f) for draft in drafts(family, job) for f in draft.features if f.kind == kind]


@pytest.mark.parametrize(("family", "job"), CASES)
def test_outside_jaws_find_flank_and_gap(family, job):
    """4 mm of plain flank and 4 mm of air beyond it, at the contact and everywhere above, where jaws come in."""
    for draft in drafts(family, job):
        for feature in straight(draft):
            if feature.kind == "inside":
                continue
            a, b, along, across = frame_of(feature)
            here = slab_at(draft, feature.contact_a_mm[2])
            half = RULES.outside_flank / 2
            edge = here.outline.boundary.buffer(EXACT)
            for contact, outward in ((a, -along), (b, along)):
                if JOBS[job].wall == "prism" and draft.single_wall and not edge.covers(Point(contact)):
                    continue  # the inner face stands where the wall will be printed
                flank = LineString([contact - half * across, contact + half * across])
                assert edge.covers(flank), f"{draft.id} {feature.id}: less than 4 mm of flank"
                jaw = box(contact + EXACT * outward, outward, across, RULES.outside_gap, half)
                for slab in draft.slabs:
                    if slab.z1 > feature.contact_a_mm[2]:
                        assert not slab.outline.intersects(jaw), (
                            f"{draft.id} {feature.id}: no gap for the jaw"
                        )


@pytest.mark.parametrize(("family", "job"), CASES)
def test_inside_jaws_find_opening_and_depth(family, job):
    for draft in drafts(family, job):
        for feature in draft.features:
            if feature.kind != "inside" or feature.id.startswith("rung"):
                continue  # a rung is tried with its peg, not measured
            a, b, along, _ = frame_of(feature)
            z = feature.contact_a_mm[2]
            assert feature.nominal_mm >= RULES.inside_opening
            assert draft.size[2] >= RULES.inside_depth + RULES.band_start - EXACT
            assert draft.size[2] - z >= RULES.inside_depth / 2 - JOBS[job].h, (
                "jaws must reach down to the contact and past it"
            )
            way = LineString([a + 0.01 * along, b - 0.01 * along])
            for slab in draft.slabs:
                if slab.z1 > z:
                    assert not slab.outline.intersects(way), (
                        f"{draft.id} {feature.id}: something is in the way"
                    )
            edge = slab_at(draft, z).outline.boundary
            assert edge.distance(Point(a)) < 1e-3
            assert edge.distance(Point(b)) < 1e-3


@pytest.mark.parametrize(("family", "job"), CASES)
def test_heights_stand_on_a_top_wide_enough_for_a_jaw(family, job):
    for draft, feature in features_of(family, job, "height"):
        a, b = feature.contact_a_mm, feature.contact_b_mm
        assert a[:2] == b[:2]
        assert a[2] == 0
        top = Point(b[:2]).buffer(RULES.outside_flank / 2, cap_style="square")
        below = [s for s in draft.slabs if s.z1 == b[2]]
        above = [s for s in draft.slabs if s.z0 >= b[2]]
        assert any(s.outline.covers(top) for s in below)
        assert not any(s.outline.intersects(top) for s in above)
        assert draft.slabs[0].outline.covers(top)


@pytest.mark.parametrize(("family", "job"), CASES)
def test_diagonals_end_on_sharp_square_corners(family, job):
    for draft, feature in features_of(family, job, "diagonal"):
        ring = np.array(slab_at(draft, feature.contact_a_mm[2]).outline.exterior.coords)
        for contact in (feature.contact_a_mm, feature.contact_b_mm):
            assert np.linalg.norm(ring - contact[:2], axis=1).min() < EXACT


@pytest.mark.parametrize(("family", "job"), CASES)
def test_nominals_are_the_distances_of_contacts(family, job):
    for draft in drafts(family, job):
        for feature in draft.features:
            a, b = np.array(feature.contact_a_mm), np.array(feature.contact_b_mm)
            assert np.linalg.norm(b - a) == pytest.approx(feature.nominal_mm, abs=2e-6)
            if feature.kind != "height":
                turn = math.radians(feature.direction_deg)
                way = feature.nominal_mm * np.array([math.cos(turn), math.sin(turn)])
                assert np.allclose((b - a)[:2], way, atol=2e-6)


@pytest.mark.parametrize(("family", "job"), CASES)
def test_measured_bands_keep_off_the_first_layers(family, job):
    """Only the foot, which is there to show them, is measured in the first layer."""
    h = JOBS[job].h
    for draft in drafts(family, job):
        for feature in draft.features:
            z = feature.contact_a_mm[2]
            if feature.kind == "height":
                continue
            if feature.id == "foot":
                assert z == pytest.approx(h / 2)
                continue
            assert z > RULES.band_start
            assert (z / h - 0.5) == pytest.approx(round(z / h - 0.5), abs=1e-4), (
                "not in the middle of a layer"
            )
            # Whatever stands below 1 mm under this flank is drawn back.
            if not draft.single_wall and slab_at(draft, z).z0 < RULES.band_start:
                first = draft.slabs[0].outline
                for contact in (feature.contact_a_mm, feature.contact_b_mm):
                    assert first.boundary.distance(Point(contact[:2])) > 0.25


@pytest.mark.parametrize(("family", "job"), CASES)
def test_heights_are_whole_layers(family, job):
    h = JOBS[job].h
    for draft in drafts(family, job):
        for slab in draft.slabs:
            for z in (slab.z0, slab.z1):
                assert z / h == pytest.approx(round(z / h), abs=1e-4)


def turning(ring) -> np.ndarray:
    """Change of direction at every corner of a closed ring [rad]."""
    p = np.array(ring.coords)[:-1]
    out = np.roll(p, -1, axis=0) - p
    came = np.roll(out, 1, axis=0)
    return np.arctan2(came[:, 0] * out[:, 1] - came[:, 1] * out[:, 0], np.sum(came * out, axis=1))


@pytest.mark.parametrize(("family", "job"), CASES)
def test_every_measured_ring_offers_the_seam_a_notch_away_from_the_jaws(family, job):
    """The notch's tip is by far the sharpest corner, and no jaw comes within 1 mm of it."""
    for draft in drafts(family, job):
        for feature in draft.features:
            if feature.kind in ("height", "thickness") or feature.id.startswith(ROUND):
                continue
            outline = slab_at(draft, feature.contact_a_mm[2]).outline
            contacts = [Point(c[:2]) for c in (feature.contact_a_mm, feature.contact_b_mm)]
            ring = min(
                (outline.exterior, *outline.interiors), key=lambda r: sum(r.distance(c) for c in contacts)
            )
            turn = np.degrees(turning(ring))
            tip = int(np.argmax(np.abs(turn)))
            assert turn[tip] == pytest.approx(-120, abs=3), (
                "the tip is a cut into the material, 60 degrees wide"
            )
            assert np.sort(np.abs(turn))[-2] < 110
            jaw = 0.0 if feature.kind == "diagonal" else feature.jaw_mm / 2
            points = np.array(ring.coords)[:-1]
            for corner in (points[tip - 1], points[tip], points[(tip + 1) % len(points)]):
                for contact in contacts:
                    assert contact.distance(Point(corner)) >= jaw + CONTACT_CLEAR_MM


@pytest.mark.parametrize("notch", [1.5, 2.0, 3.0])
def test_notches_leave_the_loop_enough_way_before_the_first_flanks(notch):
    """From the tip, along both axes that the next two flanks need, and in the direction they have without it."""
    ring = np.array(notched_box(0, 0, 20, 10, notch))
    tip = ring[-1]
    bottom = ring[0]
    assert (bottom - tip)[1] <= -0.99 * notch
    window = np.array(notched_window(0, 0, 10, notch))
    tip, left = window[1], window[2]
    assert (left - tip)[0] <= -0.99 * notch
    assert (left - tip)[1] > 0


@pytest.mark.parametrize(("family", "job"), CASES)
def test_no_wall_is_thinner_than_two_beads(family, job):
    """Opening by a disc two beads wide loses only what is cut off corners; the single wall is the exception."""
    w = JOBS[job].w
    r = 0.98 * w
    for draft in drafts(family, job):
        if draft.single_wall:
            continue
        for slab in draft.slabs:
            if _marked_on(draft, slab) is not None:
                continue  # the mark's islands stand on solid ground, and the slab below has the same rim
            outline = slab.outline
            core = outline.buffer(-r)
            assert core.geom_type == "Polygon", f"{draft.id}: a neck thinner than two beads at z = {slab.z0}"
            lost = outline.difference(core.buffer(1.02 * r))
            for piece in getattr(lost, "geoms", [lost]):
                assert piece.area < 1.5 * r * r, f"{draft.id}: thin at {piece.centroid}"


def _rim(slab) -> Polygon:
    return max(
        (Polygon(p.exterior) for p in getattr(slab.outline, "geoms", [slab.outline])), key=lambda p: p.area
    )


def _marked_on(draft, slab):
    """The plain outline below a slab with strokes cut into it, None for other slabs."""
    for below in draft.slabs:
        if below.z1 != slab.z0:
            continue
        cut = below.outline.difference(slab.outline)
        # A cup that begins or widens upwards is no mark: it is a layer high, or takes from the bore below.
        apart = cut.area > 0 and cut.distance(below.outline.boundary) > EXACT
        apart = apart and slab.z1 - slab.z0 >= RULES.mark_depth - EXACT
        if apart and _rim(slab).equals(_rim(below)):
            return below.outline
    return None


@pytest.mark.parametrize(("family", "job"), CASES)
def test_marks_keep_off_measured_flanks(family, job):
    """Strokes are cut into a top face and leave its rim, hence every flank, as it is."""
    for draft in drafts(family, job):
        marked = [s for s in draft.slabs if _marked_on(draft, s) is not None]
        if draft.single_wall:
            assert draft.slabs[0].outline.area > draft.slabs[1].outline.area
            assert draft.slabs[0].z1 <= RULES.band_start + JOBS[job].h
            continue
        assert len(marked) == 1, f"{draft.id} carries no mark"
        plain = _marked_on(draft, marked[0])
        strokes = plain.difference(marked[0].outline)
        assert strokes.area > 10
        assert strokes.distance(plain.boundary) >= RULES.mark_edge - EXACT


@pytest.mark.parametrize("family", FAMILIES)
def test_outer_corners_where_nothing_is_measured_are_round_or_few(family):
    """Flat pieces on a cold bed lift at sharp corners; only measured squares keep theirs."""
    if family not in ("stepped-bore", "single-wall"):
        pytest.skip("its outline is measured or made of teeth")
    for draft in drafts(family, "default"):
        turn = np.degrees(np.abs(turning(slab_at(draft, draft.size[2] - 2).outline.exterior)))
        assert turn.max() < 30


def test_rules_have_a_name_a_value_and_a_reason():
    table = Rules.table()
    assert {"outside_gap", "inside_opening", "chamfer", "edge"} <= {name for name, _, _ in table}
    assert all(value > 0 and len(reason) > 15 for _, value, reason in table)
