"""A second long size on the plate of the small coupons: where it stands, what it tells, when it is asked for."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.evidence import worth_reading
from fitassay.analysis.estimation.fit import solve
from fitassay.analysis.estimation.marginal import Model
from fitassay.analysis.estimation.model_error import model_error
from fitassay.analysis.estimation.observations import hold_sd, single_reading_sd
from fitassay.analysis.estimation.priors import prior
from fitassay.analysis.terms import INDEX
from fitassay.coupons.export.manifest import read_manifest
from fitassay.coupons.export.stl import stl_bytes
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import build_set
from fitassay.coupons.sections import Slicer
from tests.coupon_cases import machine
from tests.fit_case import fresh_case
from tests.sets import coupon_set
from tests.test_cli import run as run_text

MACHINE = Machine()
SPANS = ("plate-x", "plate-y")


def run(*args: object) -> tuple[int, str, str]:
    return run_text(*map(str, args))


def spans(made):
    return [
        (c, f)
        for c in made.manifest.coupons
        for f in c.features
        if c.family == "stepped-bore" and f.id in SPANS
    ]


@pytest.mark.parametrize("side", [45.0, 60.0, 100.0, 300.0])
def test_jaws_stand_on_straight_flanks_of_the_mesh(side):
    """On either side at least the jaw's 3 mm of plain flank, by the section of the printed solid."""
    made = build_set(machine(side), families=("stepped-bore",), rims=True)
    found = spans(made)
    assert [f.id for _, f in found] == list(SPANS)
    for coupon, f in found:
        mesh = trimesh.load(io.BytesIO(stl_bytes(made.solids[coupon.id])), file_type="stl")
        cut = mesh.section(plane_origin=(0, 0, f.contact_height), plane_normal=(0, 0, 1))
        outline = max((shapely.Polygon(ring[:, :2]) for ring in cut.discrete), key=lambda ring: ring.area)
        assert f.nominal_mm == pytest.approx(coupon.size_mm[0 if f.id == "plate-x" else 1], abs=1e-6)
        for place in (f.contact_a_mm, f.contact_b_mm):
            along = np.array([1.5, 0.0]) if f.id == "plate-y" else np.array([0.0, 1.5])
            jaw = shapely.LineString([np.array(place[:2]) - along, np.array(place[:2]) + along])
            assert outline.boundary.buffer(1e-4).contains(jaw)
        # Whole layers of 0.2 mm, above the foot.
        assert f.contact_height > 1.5 and (f.contact_height / 0.2) % 1 == pytest.approx(0.5)


def test_it_is_asked_of_no_one():
    assert not spans(build_set(MACHINE, families=("stepped-bore",)))
    assert not [
        f
        for c in build_set(MACHINE, quick=True, rims=True).manifest.coupons
        for f in c.asked
        if f.cross_check
    ]
    full = coupon_set(rims=True).manifest
    assert len(full.asked) == len(coupon_set().manifest.asked)
    assert {f.id for _, f in full.optional if f.cross_check} == set(SPANS)


def walk_of(made, without: tuple[str, ...] = ()) -> SetWalk:
    coupons = tuple(
        replace(
            c,
            features=tuple(f for f in c.asked if f.id not in without)
            + tuple(f for f in c.features if f.cross_check and f.id not in without),
        )
        for c in made.manifest.coupons
    )
    slicers = {name: Slicer(solid, name) for name, solid in made.solids.items()}
    return SetWalk(replace(made.manifest, coupons=coupons), slicers)


def known(walk: SetWalk):
    gains = walk.linearise()[1]
    u = np.hypot(single_reading_sd(MACHINE), [hold_sd(f) for f in walk.features])
    noise = np.diag(u**2) + model_error(walk, MACHINE).cov
    return solve(Model(gains=gains, prior=prior(MACHINE), noise=noise), np.zeros(len(u)))


def test_what_it_tells():
    """Scale was known to 0.096 %, with the second size to 0.079 %; without the frame it goes on being known."""
    made = coupon_set(rims=True)
    both, frame = known(walk_of(made)), known(walk_of(made, without=SPANS))
    scales = [INDEX["scale_x"], INDEX["scale_y"]]
    assert (both.sd[scales] < 0.85 * frame.sd[scales]).all()
    lost = ("side-x", "side-y", "diagonal-45", "diagonal-135")
    alone, none = known(walk_of(made, without=lost)), known(walk_of(made, without=(*SPANS, *lost)))
    assert (alone.sd[scales] < 0.8 * none.sd[scales]).all()


def test_gains_are_those_of_an_outline():
    """L - w of scale, -1 of its axis' play, 1 of the bead, 2 of the offset (straight flanks, closed form)."""
    walk = walk_of(coupon_set(rims=True))
    gains = walk.linearise()[1]
    for axis in "xy":
        row = gains[walk.keys.index(("bore", f"plate-{axis}"))]
        expected = {
            f"scale_{axis}": 44.0 - MACHINE.line_width_mm,
            f"backlash_{axis}": -1.0,
            "bead_excess": 1.0,
            "contour_offset": 2.0,
            "outside_bias": 1.0,
        }
        for name, gain in expected.items():
            assert row[INDEX[name]] == pytest.approx(gain, abs=1e-6), name
        assert row[INDEX[f"backlash_{'yx'['xy'.index(axis)]}"]] == pytest.approx(0.0, abs=1e-6)
    assert {walk.keys.index(("bore", f)) for f in SPANS} <= set(worth_reading(walk, gains))


def read_all(case: Path) -> None:
    assert run("simulate", case, "--scale-x", "0.45", "--seed", "5")[0] == 0


@pytest.fixture
def case(tmp_path: Path) -> Path:
    return fresh_case(tmp_path)


def test_the_manifest_says_so_and_reads_back(case):
    file = case / "prints/01/coupons.json"
    data = json.loads(file.read_text())
    marked = [f["id"] for c in data["coupons"] for f in c["features"] if f.get("cross_check")]
    assert marked == list(SPANS)
    assert not [f for c in data["coupons"] for f in c["features"] if f.get("cross_check") is False]
    again = read_manifest(file)
    assert [f.id for _, f in again.optional if f.cross_check] == list(SPANS)


def test_the_sheet_draws_its_jaws_and_has_rows_for_it(case):
    pypdf = pytest.importorskip("pypdf")
    pages = [p.extract_text() for p in pypdf.PdfReader(case / "prints/01/sheet.pdf").pages]
    (page,) = [text for text in pages if "plate-x" in text]
    assert "plate-y" in page and "seen from above" in page and "straight part" in page
    # Balloons and jaws bear the rows' numbers: the row's own, the dimension's, one at each jaw.
    manifest = read_manifest(case / "prints/01/coupons.json")
    first = [f.id for _, f in (*manifest.asked, *manifest.optional)].index("plate-x") + 1
    for number in (first, first + 1):
        assert page.split().count(str(number)) >= 4


def test_it_is_entered_with_rims_and_reaches_the_estimate(case):
    read_all(case)
    before = json.loads(run("diagnose", case, "--json")[1])["terms"]["scale_x"]
    with (case / "prints/01/readings.csv").open("a") as file:
        file.write("bore,plate-x,44.21,\nbore,plate-y,44.01,\n")
    code, out, err = run("diagnose", case, "--json")
    assert code == 0, err
    after = json.loads(out)["terms"]["scale_x"]
    assert after["std_uncertainty"] < 0.9 * before["std_uncertainty"]
