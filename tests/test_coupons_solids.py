"""Every coupon's mesh: closed, one body, outward, the volume and sections that were drawn."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh

from fitassay.coupons.draft import Slab
from fitassay.coupons.families import FAMILIES
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import build_set, write_set
from fitassay.coupons.meshing import solid_of
from fitassay.coupons.shapes import rectangle, region
from tests.coupon_cases import CASES, drafts, solids

ROOT = Path(__file__).parent.parent


def as_trimesh(solid) -> trimesh.Trimesh:
    return trimesh.Trimesh(solid.vertices, solid.faces, process=False)


@pytest.mark.parametrize(("family", "job"), CASES)
def test_mesh_is_one_closed_outward_body_without_slivers(family, job):
    for solid in solids(family, job):
        mesh = as_trimesh(solid)
        assert mesh.is_watertight
        assert mesh.is_winding_consistent
        assert mesh.body_count == 1
        assert mesh.volume > 0, "normals point inwards"
        assert solid.volume == pytest.approx(mesh.volume, rel=1e-9)
        a, b, c = np.moveaxis(solid.corners, 1, 0)
        doubled = np.linalg.norm(np.cross(b - a, c - a), axis=1)
        longest = np.max([np.linalg.norm(p - q, axis=1) for p, q in ((a, b), (b, c), (c, a))], axis=0)
        assert (doubled / longest).min() > 2e-4, "a sliver thinner than 0.2 micrometres"


@pytest.mark.parametrize(("family", "job"), CASES)
def test_volume_equals_the_sum_of_drawn_areas(family, job):
    for draft, solid in zip(drafts(family, job), solids(family, job), strict=True):
        drawn = sum(s.outline.area * (s.z1 - s.z0) for s in draft.slabs)
        assert solid.volume == pytest.approx(drawn, rel=1e-6)


@pytest.mark.parametrize(("family", "job"), CASES)
def test_sections_are_the_drawn_outlines(family, job):
    """Cut by a second library in the middle of every slab."""
    for draft, solid in zip(drafts(family, job), solids(family, job), strict=True):
        mesh = as_trimesh(solid)
        for slab in draft.slabs:
            cut = mesh.section((0, 0, 1), (0, 0, (slab.z0 + slab.z1) / 2))
            assert cut is not None
            got = shapely.Polygon()
            for loop in cut.discrete:
                got = got.symmetric_difference(shapely.Polygon(loop[:, :2]))
            assert got.area == pytest.approx(slab.outline.area, rel=1e-6)
            assert shapely.symmetric_difference(got, slab.outline).area < 1e-4 * slab.outline.length


@pytest.mark.parametrize(("family", "job"), CASES)
def test_box_starts_in_the_origin_and_has_the_size_said(family, job):
    for draft, solid in zip(drafts(family, job), solids(family, job), strict=True):
        assert np.allclose(solid.bounds, [(0, 0, 0), draft.size], atol=2e-6)


def test_pieces_that_only_touch_along_an_edge_are_refused():
    slabs = [
        Slab(outline=region(rectangle(0, 0, 1, 1)), z0=0, z1=1),
        Slab(outline=region(rectangle(1, 1, 2, 2)), z0=1, z1=2),
    ]
    with pytest.raises(ValueError, match="one body"):
        solid_of(slabs)


def test_a_cube_has_the_volume_of_a_cube():
    solid = solid_of([Slab(outline=region(rectangle(0, 0, 2, 3)), z0=0, z1=4)])
    assert solid.volume == pytest.approx(24, rel=1e-12)
    assert len(solid.faces) == 12


@pytest.mark.long
def test_files_are_the_same_bytes_in_two_processes(tmp_path):
    """This interpreter and one with another hash seed write the whole set and the block."""
    script = (
        "import sys; from pathlib import Path; from fitassay.coupons.make import build_set, write_set;"
        "from fitassay.coupons.machine import Machine; from fitassay.coupons.families import FAMILIES;"
        "write_set(build_set(Machine(), families=tuple(FAMILIES)), Path(sys.argv[1]))"
    )
    subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "1")],
        check=True,
        cwd=ROOT,
        env={"PYTHONHASHSEED": "1", "PATH": ""},
    )
    write_set(build_set(Machine(), families=tuple(FAMILIES)), tmp_path / "2")
    one = {p.name: p.read_bytes() for p in (tmp_path / "1").iterdir()}
    two = {p.name: p.read_bytes() for p in (tmp_path / "2").iterdir()}
    assert set(one) == set(two)
    assert [name for name in one if one[name] != two[name]] == []
    assert len(one) >= 10


def test_slabs_whose_heights_round_badly_still_make_one_body():
    """0.8 + (3.6 - 0.8) is a last bit more than 3.6; islands on top of such a joint must not come loose."""
    assert 0.8 + (3.6 - 0.8) != 3.6
    island = region(rectangle(2, 2, 3, 3))
    levels = [0.0, 0.8, 3.6, 4.4, 5.6, 8.4, 9.1, 10.3]
    slabs = [
        Slab(outline=region(rectangle(0, 0, 5, 5)) if i % 2 == 0 else island, z0=a, z1=b)
        for i, (a, b) in enumerate(zip(levels, levels[1:], strict=False))
    ]
    solid = solid_of(slabs)
    assert solid.volume == pytest.approx(sum(s.outline.area * (s.z1 - s.z0) for s in slabs), rel=1e-9)
    assert set(np.unique(solid.vertices[:, 2])) == set(levels)
