"""The uncertainty budget: a published example through the same table, and that an estimate's parts make its whole."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.estimation.known import Known, fact_of_term
from fitassay.analysis.estimation.uncertainty_budget import combined, from_inputs
from fitassay.analysis.terms import BEAD
from fitassay.coupons.machine import Machine
from tests.sets import walk

MACHINE = Machine()


def test_the_end_gauge_of_the_gum():
    """JCGM 100:2008, H.1, table H.1: calibration of an end gauge of 50 mm; u_c = 32 nm, 34 nm with second order."""
    length = 50e6  # nm
    inputs = (
        ("standard", "B", 1.0, 25.0),
        ("repeated observations", "A", 1.0, 5.8),
        ("random effects of comparator", "A", 1.0, 3.9),
        ("systematic effects of comparator", "B", 1.0, 6.7),
        ("difference in expansion coefficients", "B", -length * -0.1, 0.58e-6),
        ("difference in temperatures", "B", -length * 11.5e-6, 0.029),
    )
    sources = from_inputs(inputs)
    by_name = {s.name: float(s.u[0]) for s in sources}
    assert by_name["difference in expansion coefficients"] == pytest.approx(2.9, abs=0.05)
    assert by_name["difference in temperatures"] == pytest.approx(16.6, abs=0.1)
    assert float(combined(sources)[0]) == pytest.approx(31.71, abs=0.05)
    # The second-order term of H.1.7, 11.7 nm, in the same table: 34 nm.
    more = from_inputs((*inputs, ("second order", "B", 1.0, 11.7)))
    assert round(float(combined(more)[0])) == 34


@pytest.mark.parametrize("repeats", [1, 3])
@pytest.mark.parametrize("noise", [0.02, 0.08])
def test_the_parts_of_every_estimate_make_its_whole(repeats, noise):
    """C = K V K' + (C f)(C f)'/u^2 + C P^-1 C, with a fact, a gauge block, repeats, and a print too uneven."""
    w = walk()
    readings = simulate(
        w,
        theta_of({"backlash_y": 0.3, "bead_excess": 0.05}),
        noise_mm=noise,
        seed=6,
        repeats=repeats,
        references={"outside:10.000": 10.0},
    )
    known = Known(facts=(fact_of_term("feed", BEAD, 0.05, 0.02, "a test"),))
    found = interpret(w, readings, MACHINE, known)
    data = found.as_json()["uncertainty_budget"]
    assert data["coverage_factor"] == 2
    assert set(data["terms"]) == {t.name for t in found.terms}
    for name in data["terms"]:
        rows = data["terms"][name]["sources"]
        parts = math.sqrt(sum(r["std_uncertainty"] ** 2 for r in rows))
        assert parts == pytest.approx(data["terms"][name]["std_uncertainty"], rel=1e-9)
        assert parts == pytest.approx(found.term(name).std_uncertainty, rel=2e-3, abs=2e-9), name
    bead = {r["source"]: r for r in data["terms"]["bead_excess"]["sources"]}
    assert "feed" in bead
    outside = {r["source"]: r for r in data["terms"]["outside_bias"]["sources"]}
    assert "pieces of known size" in outside
    scatter = {r["source"]: r["type"] for t in data["terms"].values() for r in t["sources"]}
    assert scatter["caliper's scatter"] == ("A" if repeats > 1 else "B")


def test_more_repeats_make_the_part_of_the_scatter_smaller_and_not_that_of_the_hand():
    w = walk()

    def part(repeats: int, source: str) -> float:
        readings = simulate(w, theta_of({}), seed=2, repeats=repeats)
        rows = interpret(w, readings, MACHINE).extra["uncertainty_budget"]["terms"]["backlash_x"]["sources"]
        return next((r["std_uncertainty"] for r in rows if r["source"] == source), 0.0)

    assert part(4, "caliper's scatter") < 0.75 * part(1, "caliper's scatter")
    # 0.6 of the stated 0.02 mm is common to the repeats of a feature.
    assert part(4, "what repeats share, and the hold of the jaws") > 0
    assert np.isclose(part(1, "what repeats share, and the hold of the jaws"), 0.0)
