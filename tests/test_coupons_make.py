"""Sets: what the default and the quick set hold, which volumes they fit, where the pieces lie."""

from __future__ import annotations

import importlib
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

import fitassay.coupons.families
from fitassay.coupons.errors import InputError, JobError
from fitassay.coupons.families import FAMILIES
from fitassay.coupons.job import Job
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import build_set, draw_set
from fitassay.coupons.plates import place
from fitassay.coupons.rules import Rules
from tests.coupon_cases import MACHINES, machine
from tests.sets import coupon_set

RULES = Rules()
DEFAULT_FAMILIES = {
    "stepped-boss", "stepped-bore", "reversal-comb", "single-wall", "corner-plate", "height-stair",
}  # fmt: skip
VOLUMES = [
    *((v, v, v) for v in (45, 50, 60, 80, 100, 120, 200, 300)),
    (100, 60, 40),
    (120, 40, 120),
    (200, 200, 15),
]  # fmt: skip


def footprints(made) -> dict[int, list]:
    """Boxes on each plate, from the meshes themselves."""
    plates: dict[int, list] = {}
    for coupon in made.manifest.coupons:
        low, high = made.solids[coupon.id].bounds[:, :2] + coupon.origin_on_plate_mm
        plates.setdefault(coupon.plate, []).append(shapely.box(*low, *high))
    return plates


def check_plates(made) -> None:
    """Inside the bed's rim, apart from each other, under the nozzle's lift."""
    x, y, z = made.machine.volume_mm
    bed = shapely.box(0, 0, x, y).buffer(-RULES.edge + 2e-3, join_style="mitre")
    plates = footprints(made)
    assert sorted(plates) == list(range(1, len(plates) + 1))
    assert sum(map(len, plates.values())) == len(made.manifest.coupons)
    for boxes in plates.values():
        assert all(bed.covers(box) for box in boxes)
        for i, box in enumerate(boxes):
            for other in boxes[:i]:
                assert box.distance(other) >= RULES.part_gap - 2e-3
    assert max(s.bounds[1, 2] for s in made.solids.values()) <= z - RULES.headroom + 1e-6


def test_default_set_is_small_enough():
    made = coupon_set()
    assert {c.family for c in made.manifest.coupons} == DEFAULT_FAMILIES
    assert len({c.plate for c in made.manifest.coupons}) <= 3
    assert sum(len(c.features) for c in made.manifest.coupons) <= 48
    # Grams from the meshes, independently of the costs: PLA at 1.24 g/cm3, printed solid.
    assert sum(s.volume for s in made.solids.values()) * 1.24e-3 <= 30
    assert sum(c.grams for c in made.costs.values()) <= 30
    assert made.notes == ()
    check_plates(made)


def test_quick_set_is_one_plate_fourteen_features_one_hour():
    made = coupon_set(quick=True)
    assert len({c.plate for c in made.manifest.coupons}) == 1
    assert sum(len(c.features) for c in made.manifest.coupons) <= 14
    assert sum(c.minutes for c in made.costs.values()) <= 60
    kinds = {f.id.rstrip("0123456789") for c in made.manifest.coupons for f in c.features}
    assert {"stem", "head", "tooth", "neck", "across", "diagonal-neck", "diagonal-head", "wall-left"} <= kinds


EDGES = (VOLUMES[0], VOLUMES[7], *VOLUMES[-2:])
"""Smallest, largest, narrow and low: these are made on every run, all behind it."""


@pytest.mark.parametrize("quick", [False, True])
@pytest.mark.parametrize(
    "volume", [v if v in EDGES else pytest.param(v, marks=pytest.mark.long) for v in VOLUMES], ids=str
)
def test_volumes_get_a_set_that_fits(volume, quick):
    made = build_set(machine(*volume), quick=quick)
    check_plates(made)
    assert {c.family for c in made.manifest.coupons} == (
        {"reversal-comb", "single-wall"} if quick else DEFAULT_FAMILIES
    )


def test_longer_machines_get_longer_spans_within_the_calipers_reach():
    def diagonal(side, **more):
        made = draw_set(machine(side, **more), families=("corner-plate",))
        return next(f.nominal_mm for f in made.manifest.coupons[0].features if f.kind == "diagonal")

    spans = [diagonal(side) for side in (45, 60, 100, 120)]
    assert spans == sorted(set(spans))
    assert spans[2] == pytest.approx(80 * 2**0.5, abs=1.5)
    assert 140 < diagonal(300) < 150
    assert 190 < diagonal(300, **{"caliper.range_mm": 200.0}) < 200


@pytest.mark.parametrize(
    ("volume", "quick", "says"),
    [
        ((39, 100, 100), False, "volume.x_mm"),
        ((100, 39, 100), True, "volume.y_mm"),
        ((20, 20, 20), False, "volume.x_mm"),
        ((100, 100, 5), False, "volume.z_mm"),
        ((100, 100, 5), True, "volume.z_mm"),
    ],
)
def test_too_small_volumes_are_refused_naming_the_dimension(volume, quick, says):
    with pytest.raises(JobError, match=says) as caught:
        build_set(machine(*volume), quick=quick)
    assert caught.value.exit_code == 1
    assert "\n" not in str(caught.value)
    assert re.search(r"needs? (at least )?\d", str(caught.value))


def test_a_short_caliper_is_named():
    with pytest.raises(JobError, match="caliper.range_mm"):
        build_set(machine(**{"caliper.range_mm": 40.0}), families=("corner-plate",))


def test_nothing_is_longer_than_the_caliper():
    with pytest.raises(JobError, match="caliper.range_mm: step22-x of coupon boss is 22 mm"):
        build_set(machine(**{"caliper.range_mm": 20.0}), families=("stepped-boss",))
    stair = build_set(machine(**{"caliper.range_mm": 50.0}), families=("height-stair",))
    assert max(f.nominal_mm for f in stair.manifest.coupons[0].features) == pytest.approx(49.0)


def test_rules_can_be_changed():
    wide = build_set(MACHINES["default"], families=("reversal-comb",), rules=Rules(outside_gap=6.0))
    plain = build_set(MACHINES["default"], families=("reversal-comb",))
    assert wide.manifest.coupons[0].size_mm[0] == pytest.approx(plain.manifest.coupons[0].size_mm[0] + 4)
    with pytest.raises(JobError, match="inside_opening: window6-x is 6 mm wide"):
        build_set(MACHINES["default"], families=("stepped-bore",), rules=Rules(inside_opening=7.0))


def test_what_is_left_out_is_said():
    notes = draw_set(MACHINES["small"]).notes
    assert any("stepped-bore" in note for note in notes)
    assert any("reversal-comb" in note and "along x" in note for note in notes)
    assert any("column is only 27 mm" in note for note in notes)
    assert any("14 mm and 8 mm" in note for note in draw_set(machine(100, 100, 8)).notes)


beads = st.tuples(st.floats(0.2, 0.8), st.floats(1.0, 1.3), st.floats(0.2, 0.75)).map(
    lambda t: (round(t[0], 2), round(t[0] * t[1], 3), max(0.04, round(t[0] * t[2], 3)))
)


@pytest.mark.long
@settings(max_examples=20, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(x=st.floats(30, 320), y=st.floats(30, 320), z=st.floats(5, 320), bead=beads, quick=st.booleans())
def test_any_volume_gets_a_set_that_fits_or_a_refusal_naming_the_dimension(x, y, z, bead, quick):
    nozzle, w, h = bead
    assume(h < w)
    made_for = machine(round(x, 1), round(y, 1), round(z, 1), nozzle=nozzle, w=w, h=h)
    try:
        made = build_set(made_for, quick=quick)
    except JobError as error:
        assert re.match(r"volume\.[xyz]_mm: ", str(error)), str(error)
        # A cube of 70 mm and thin layers is always enough.
        assert min(x, y) < 70 or z < 25
        return
    check_plates(made)
    for coupon in made.manifest.coupons:
        low, high = made.solids[coupon.id].bounds
        assert np.allclose(low, 0, atol=1e-6)
        assert np.allclose(high, coupon.size_mm, atol=2e-6)
        for feature in coupon.features:
            for contact in (feature.contact_a_mm, feature.contact_b_mm):
                assert np.all(np.array(contact) >= -1e-6)
                assert np.all(np.array(contact) <= np.array(coupon.size_mm) + 2e-6)


def test_families_are_picked_by_name_in_measuring_order():
    made = build_set(MACHINES["default"], families=("height-stair", "stepped-boss"))
    assert [c.id for c in made.manifest.coupons] == ["boss", "stair"]
    block = build_set(MACHINES["default"], families=("plain-block",)).manifest.coupons[0]
    assert block.size_mm == (20.0, 20.0, 10.0)
    assert [(f.kind, f.nominal_mm) for f in block.features] == [
        ("outside", 20.0), ("outside", 20.0), ("inside", 10.0), ("inside", 10.0),
    ]  # fmt: skip


def test_unknown_names_are_refused_with_what_was_meant():
    with pytest.raises(InputError, match="did you mean stepped-boss"):
        build_set(MACHINES["default"], families=("steped-boss",))
    with pytest.raises(InputError, match="choose from stepped-boss"):
        build_set(MACHINES["default"], families=("qqq",))
    with pytest.raises(InputError, match="did you mean comb-y"):
        build_set(machine(), families=("combs-y",))
    with pytest.raises(InputError, match="no family given"):
        build_set(MACHINES["default"], families=())
    with pytest.raises(InputError, match="tube or prism"):
        build_set(MACHINES["default"], wall="pipe")  # type: ignore[arg-type]


def test_tube_and_prism_have_the_same_features_and_cost():
    tube = build_set(MACHINES["default"], families=("single-wall",), wall="tube")
    prism = build_set(MACHINES["default"], families=("single-wall",), wall="prism")
    assert tube.manifest == prism.manifest
    assert prism.solids["wall"].volume > 5 * tube.solids["wall"].volume
    # Only the wall is printed of the prism.
    assert prism.costs["wall"].grams == pytest.approx(tube.costs["wall"].grams, rel=0.02)
    assert tube.costs["wall"].grams == pytest.approx(tube.solids["wall"].volume * 1.24e-3, rel=1e-6)


def test_the_wall_is_one_bead_all_round():
    made = build_set(MACHINES["coarse"], families=("single-wall",))
    wall = FAMILIES["single-wall"].build(Job(machine=MACHINES["coarse"]))[0].slabs[1].outline
    outer, inner = shapely.Polygon(wall.exterior), shapely.Polygon(wall.interiors[0])
    assert outer.boundary.hausdorff_distance(inner.boundary) == pytest.approx(0.9, abs=4e-3)
    assert outer.boundary.distance(inner.boundary) == pytest.approx(0.9, abs=1e-5)
    assert made.manifest.coupons[0].single_wall
    assert {f.nominal_mm for f in made.manifest.coupons[0].features} == {0.9}


def test_ids_features_and_instructions_read_well():
    made = draw_set(MACHINES["default"], families=tuple(FAMILIES))
    ids = [c.id for c in made.manifest.coupons]
    assert len(set(ids)) == len(ids)
    for coupon in made.manifest.coupons:
        assert re.fullmatch(r"[a-z0-9-]+", coupon.id)
        features = [f.id for f in coupon.features]
        assert len(set(features)) == len(features)
        assert all(re.fullmatch(r"[a-z0-9.-]+", f) for f in features)
        for feature in coupon.features:
            assert feature.instruction.endswith(".")
            assert 40 < len(feature.instruction) < 200
            if feature.kind not in ("height",) and coupon.family != "fit-ladder":
                assert "seam" in feature.instruction
    assert all(f.isolates and f.name == f.name.lower() for f in FAMILIES.values())


def test_a_family_is_one_new_file(tmp_path, monkeypatch):
    """A module dropped into the package is found, built and measured like the others."""
    (tmp_path / "moon_post.py").write_text(
        "from fitassay.coupons.draft import Draft, across, standing\n"
        "from fitassay.coupons.family import Family\n"
        "from fitassay.coupons.shapes import notched_square, region\n"
        "def build(job):\n"
        "    z = job.plate_height\n"
        "    x = across(job, 'x', id='post', kind='outside', low=0.0, high=12.0, at=7.0, z=job.mid_layer(1, z),\n"
        "               instruction='Outside jaws on the left and right faces; the seam belongs in the notch.')\n"
        "    outline = region(notched_square(0.0, 0.0, 12.0, 2.0))\n"
        "    return [Draft(id='moon', slabs=tuple(standing(job, outline, z)), features=(x,))]\n"
        "FAMILY = Family(name='moon-post', isolates='one width', build=build, order=99, default=False)\n"
    )
    monkeypatch.setattr(
        fitassay.coupons.families, "__path__", [*fitassay.coupons.families.__path__, str(tmp_path)]
    )
    try:
        found = fitassay.coupons.families._found()
        assert [*found][-1] == "moon-post"
        monkeypatch.setitem(FAMILIES, "moon-post", found["moon-post"])
        made = build_set(MACHINES["default"], families=("moon-post",))
        assert made.solids["moon"].volume == pytest.approx(144 * 5, rel=0.06)
    finally:
        sys.modules.pop("fitassay.coupons.families.moon_post", None)
        importlib.invalidate_caches()


def test_plates_take_what_fits_and_refuse_what_does_not():
    spots = place([(40, 40)] * 5, (100, 100), edge=3, gap=4)
    assert [s.plate for s in spots].count(1) == 4
    assert [s.plate for s in spots].count(2) == 1
    assert place([(94, 94)], (100, 100), edge=3, gap=4)[0].x == 3
    assert place([], (100, 100), edge=3, gap=4) == []
    with pytest.raises(JobError, match="does not fit on a bed"):
        place([(10, 10), (20, 95)], (100, 100), edge=3, gap=4)
    with pytest.raises(JobError, match="does not fit on a bed"):
        place([(60, 20)], (30, 100), edge=3, gap=4)  # it would fit turned, but pieces are never turned


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.floats(1, 60), st.floats(1, 60)), min_size=1, max_size=25))
def test_places_never_overlap_nor_leave_the_rim(sizes):
    spots = place(sizes, (70.0, 80.0), edge=3.0, gap=4.0)
    assert len(spots) == len(sizes)
    boxes = [
        (s.plate, shapely.box(s.x, s.y, s.x + x, s.y + y)) for s, (x, y) in zip(spots, sizes, strict=True)
    ]
    rim = shapely.box(3, 3, 67, 77).buffer(2e-3)
    for i, (plate, box) in enumerate(boxes):
        assert rim.covers(box)
        for other, neighbour in boxes[:i]:
            assert other != plate or box.distance(neighbour) > 4 - 4e-3
    # Pieces are apart along at least one axis; on a full plate the first always lies on plate 1.
    assert spots[0].plate == 1


def test_coupons_import_nothing_of_the_analysis_nor_heavy_libraries():
    script = (
        "import sys, fitassay.coupons.make;"
        "print([m for m in sys.modules if m.split('.')[0] in"
        " ('trimesh', 'scipy', 'matplotlib', 'pydantic', 'reportlab')"
        " or m.startswith('fitassay.') and not m.startswith('fitassay.coupons')])"
    )
    out = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parent.parent,
    )
    assert out.stdout.strip() == "[]"


@pytest.mark.benchmarks
@pytest.mark.parametrize("quick", [False, True])
def test_speed_of_building_a_set(benchmark, quick):
    benchmark(build_set, MACHINES["default"], quick=quick)


TINY = {
    **{"volume.x_mm": 80.0, "volume.y_mm": 70.0, "volume.z_mm": 90.0},
    **{"process.nozzle_mm": 0.3, "process.line_width_mm": 0.34, "process.layer_height_mm": 0.15},
}


@pytest.mark.parametrize(
    ("values", "quick", "most"),
    [({}, False, 95.0), (TINY, False, 140.0), ({}, True, 20.0), (TINY, True, 30.0)],
)
def test_a_set_is_printed_in_one_evening(values, quick, most):
    """At 30 mm/s with three walls and 15 % filling: an ordinary 100 mm machine, and a tiny one with a fine nozzle."""
    made = draw_set(Machine(values=values), quick=quick)
    assert sum(c.minutes for c in made.costs.values()) <= most
