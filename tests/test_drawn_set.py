"""A set as drawn tells the same as its meshes, in a fraction of the time."""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.chain.sensitivities import SetWalk
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
