"""A set as drawn tells the same as its meshes, in a fraction of the time."""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.terms import INDEX
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import build_set
from fitassay.coupons.sections import Slicer


@pytest.mark.parametrize(("quick", "wall"), [(False, "tube"), (True, "prism")])
def test_drafts_and_meshes_give_the_same_readings_and_sensitivities(quick, wall):
    made = build_set(Machine(), quick=quick, wall=wall)
    drawn = SetWalk(made.manifest, made.drafts)
    meshed = SetWalk(made.manifest, {name: Slicer(solid, name) for name, solid in made.solids.items()})
    for from_drawing, from_mesh in zip(drawn.linearise(), meshed.linearise(), strict=True):
        np.testing.assert_allclose(from_drawing, from_mesh, atol=1e-6)
    for name, solid in made.solids.items():
        assert made.drafts[name].volume == pytest.approx(solid.volume, rel=1e-6)


def test_sensitivities_are_the_closed_forms():
    """dR/de, dR/dp, dR/db and dR/dbias as the words of the error terms say: +-1, +-2, the play's gain, 1."""
    made = build_set(Machine(), quick=True)
    walk = SetWalk(made.manifest, made.drafts)
    base, gains = walk.linearise()
    row = {key: (walk.features[i], base[i], gains[i]) for i, key in enumerate(walk.keys)}
    for feature, at_zero, gain in row.values():
        if feature.kind not in ("outside", "inside") or feature.jaw_mm == 0:
            continue
        side = 1.0 if feature.kind == "outside" else -1.0
        assert at_zero == pytest.approx(feature.nominal_mm, abs=2e-3)
        assert gain[INDEX["bead_excess"]] == pytest.approx(side, abs=0.02)
        assert gain[INDEX["contour_offset"]] == pytest.approx(2 * side, abs=0.02)
        assert gain[INDEX[f"{feature.kind}_bias"]] == pytest.approx(1.0, abs=1e-6)
    played = {key: g[INDEX["backlash_x"]] for key, (_, _, g) in row.items() if key[0] == "comb-x"}
    stems = [g for (_, f), g in played.items() if f.startswith(("stem", "neck"))]
    heads = [g for (_, f), g in played.items() if f.startswith(("head", "chamber"))]
    assert stems and heads
    assert stems == pytest.approx([1.0] * len(stems), abs=1e-3)
    assert heads == pytest.approx([-1.0] * len(heads), abs=1e-3)
