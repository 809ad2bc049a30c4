"""How much of an uneven surface a reading sees, against published factors and a draw of layers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitassay.analysis.chain import layers_under, mean_range
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.terms import INDEX
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import build_set
from fitassay.coupons.sections import Slicer
from tests.sets import coupon_set, walk


def surface_gain(w):
    return w.linearise()[1][:, INDEX["uneven_layers"]]


def layers_touched(w):
    return [layers_under(f, w.manifest.layer_height_mm) for f in w.features]


@pytest.mark.parametrize(
    ("n", "published"),
    [(2, 1.12838), (3, 1.69257), (5, 2.32593), (10, 3.07751), (15, 3.47183), (20, 3.73495), (25, 3.93063)],
)
def test_mean_range_is_the_control_charts_factor(n, published):
    """Factors d2 of ISO 7870-2 and the usual tables (from memory, five decimals)."""
    assert mean_range(n) == pytest.approx(published, abs=2e-5)


def test_mean_range_of_two_and_of_one():
    """d2(2) = 2 / sqrt(pi) in closed form; one value has no range."""
    assert mean_range(2) == pytest.approx(2 / np.sqrt(np.pi), abs=1e-6)
    assert mean_range(1) == mean_range(0) == 0


def test_deep_jaws_see_all_of_it_heights_and_the_foot_nothing():
    w = walk()
    gains = dict(zip(w.keys, surface_gain(w), strict=True))
    layers = dict(zip(w.keys, layers_touched(w), strict=True))
    assert gains["boss", "step14-x"] == pytest.approx(1) and gains["wall", "wall-left"] == pytest.approx(1)
    assert gains["bore", "window10-y"] == pytest.approx(-1)
    assert gains["stair", "step8"] == pytest.approx(0) and gains["stair", "foot"] == pytest.approx(0)
    # 3 mm of jaw on layers of 0.2 mm.
    assert layers["comb-x", "stem6"] == 15
    assert layers["stair", "step8"] == 0
    assert layers["stair", "foot"] == 1


def test_rims_and_knife_edges_see_the_share_of_their_layers():
    made = coupon_set(("stepped-boss", "single-wall"))
    coupons = []
    for c in made.manifest.coupons:
        changed = [
            replace(f, kind="rim") if f.kind == "outside" else replace(f, jaw_mm=0.2) for f in c.features
        ]
        coupons.append(replace(c, features=tuple(changed)))
    slicers = {name: Slicer(solid, name) for name, solid in made.solids.items()}
    w = SetWalk(replace(made.manifest, coupons=tuple(coupons)), slicers)
    gains = dict(zip(w.keys, surface_gain(w), strict=True))
    # Drawn, not computed: 0.4 mm are two layers of 0.2 mm, the jaws deep rest on fifteen.
    shifts = np.random.default_rng(3).standard_normal((40_000, 15))
    deep = np.mean(shifts.max(axis=1) - shifts.min(axis=1))
    rim = np.mean(shifts[:, :2].max(axis=1) - shifts[:, :2].min(axis=1))
    # Standard error of the ratio 0.0013.
    assert gains["boss", "step14-x"] == pytest.approx(rim / deep, abs=0.006)
    assert gains["wall", "wall-left"] == pytest.approx(0, abs=1e-9)


def test_a_contact_on_the_lowest_layers_counts_as_one():
    """Both jaws rest on one layer where either of them touches the foot."""
    f = next(f for f in walk().features if f.id == "step14-x")
    (ax, ay, _), (bx, by, bz) = f.contact_a_mm, f.contact_b_mm
    assert layers_under(f, 0.2) == 15
    assert layers_under(replace(f, contact_a_mm=(ax, ay, 0.1)), 0.2) == 1
    assert layers_under(replace(f, contact_a_mm=(ax, ay, bz), contact_b_mm=(bx, by, 0.1)), 0.2) == 1


def test_deep_jaws_on_two_thick_layers_see_all_of_it():
    """3 mm of jaw on layers of 1.5 mm: two layers, and the unit is what such jaws see."""
    made = coupon_set(("stepped-boss",))
    w = SetWalk(
        replace(made.manifest, layer_height_mm=1.5), {n: Slicer(s, n) for n, s in made.solids.items()}
    )
    assert dict(zip(w.keys, surface_gain(w), strict=True))["boss", "step14-x"] == pytest.approx(1)


def test_layers_are_counted_by_their_height():
    fine = Machine(values={"process.layer_height_mm": 0.1, "process.line_width_mm": 0.45})
    made = build_set(fine, families=("stepped-boss",))
    w = SetWalk(made.manifest, {name: Slicer(solid, name) for name, solid in made.solids.items()})
    assert set(layers_touched(w)) == {30}
