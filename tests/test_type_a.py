"""Repeats: pooled, compared with the caliper's stated figure, and what few of them mean for the coverage factor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.estimation.fit import fit
from fitassay.analysis.estimation.observations import STATED_DOF, gather, pooled_repeatability
from fitassay.analysis.estimation.priors import prior
from fitassay.analysis.estimation.repeatability import (
    FALSE_ALARM,
    dof_notes,
    effective_dof,
    repeat_notes,
)
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.coupons.machine import Machine
from tests.sets import walk

MACHINE = Machine()


def repeated(noise: float, seed: int, repeats: int = 2):
    w = walk(("plain-block",))
    return gather(simulate(w, theta_of({}), noise_mm=noise, seed=seed, repeats=repeats), w, MACHINE)


def test_pooled_repeatability_is_that_of_the_textbook():
    """GUM 4.2.4 and H.3.4: sums of squares over all features, over the sum of their degrees of freedom."""
    groups = [np.array([1.0, 1.2]), np.array([5.0, 5.1, 5.2]), np.array([9.0])]
    s, dof, sd = pooled_repeatability(groups, 0.1)
    assert dof == 3
    assert sd == pytest.approx(np.sqrt((0.02 + 0.02) / 3))
    # The caliper's stated figure counts as an estimate with 6 degrees of freedom.
    assert STATED_DOF == 6
    assert s == pytest.approx(np.sqrt((6 * 0.01 + 0.04) / 9))


@pytest.mark.long
def test_repeats_as_stated_are_seldom_doubted():
    """1000 sets of 16 readings: at most 1 % false alarms, plus three standard deviations of that count (1 in 700)."""
    alarms = sum(bool(repeat_notes(repeated(0.02, seed, 4), MACHINE)) for seed in range(1000))
    assert FALSE_ALARM == 0.01
    assert alarms <= 10 + 3 * np.sqrt(10)


@pytest.mark.parametrize(("noise", "words"), [(0.06, "more than"), (0.002, "less than")])
def test_repeats_that_disagree_with_the_stated_figure_are_told(noise, words):
    """12 degrees of freedom tell three times as much, or a tenth, in 29 of 30 seeds and more."""
    notes = [repeat_notes(repeated(noise, seed, 4), MACHINE) for seed in range(30)]
    assert sum(f"{words} the 0.02 mm stated" in note.text for found in notes for note in found) >= 29


def test_a_coarse_step_hides_the_scatter_and_is_not_taken_for_skill():
    machine = Machine(values={"caliper.resolution_mm": 0.1})
    w = walk(("plain-block",))
    readings = simulate(w, theta_of({}), noise_mm=0.02, resolution_mm=0.1, seed=1, repeats=6)
    assert repeat_notes(gather(readings, w, machine), machine) == ()


def test_effective_degrees_of_freedom_by_welch_and_satterthwaite():
    """One flat term read as the mean of n: nu_eff = nu u^4 / (s^2 / n)^2 (GUM G.4.1).

    u holds the caliper's step and what a hand repeats, too.
    """
    w = walk(("single-wall",))
    wall = next(r for r in simulate(w, theta_of({}), seed=3) if r.feature == "wall-left")
    readings = tuple(replace(wall, reading_mm=0.45 + x) for x in (0.0, 0.01, 0.03))
    # Nothing but the bead's width is in doubt.
    pinned = Machine(
        values={"caliper.error_limit_mm": 1e-9},
        priors={t.name: 1e3 if t.name == "bead_excess" else 1e-9 for t in TERMS},
    )
    o = gather(readings, w, pinned)
    done = fit(o, w, prior(pinned))
    own = o.repeatability_mm**2 / 3
    expected = (STATED_DOF + 2) * (own + 0.01**2 / 12 + 0.012**2) ** 2 / own**2
    assert effective_dof(done)[INDEX["bead_excess"]] == pytest.approx(expected, rel=1e-6)


def test_priors_and_limits_count_as_known():
    """The less the repeats matter for an estimate the more degrees of freedom it has."""
    w = walk()
    evidence = gather(simulate(w, theta_of({"backlash_y": 0.2}), seed=5, repeats=2), w, MACHINE)
    done = fit(evidence, w, prior(MACHINE))
    dof = effective_dof(done)
    assert dof.min() >= STATED_DOF + evidence.repeat_dof - 1e-6
    # The caliper's own zero is its stated limit, hardly the readings'.
    assert dof[INDEX["outside_bias"]] > 10 * dof[INDEX["backlash_y"]]


def test_few_repeats_ask_for_a_larger_coverage_factor():
    """t of 10 degrees of freedom covers 95 % at 2.23 (GUM, Table G.2)."""
    (note,) = dof_notes("bead_excess", 10.0)
    assert "2.23 in place of 2" in note.text
    assert dof_notes("bead_excess", 40.0) == ()
    assert dof_notes("bead_excess", np.inf) == ()


def test_the_diagnosis_tells_and_weighs():
    w = walk()
    readings = simulate(w, theta_of({"backlash_y": 0.3}), noise_mm=0.06, seed=5, repeats=2)
    told = interpret(w, readings, MACHINE)
    assert any(n.code == "repeats-scatter" for n in told.notes)
    assert told.as_json()["effective_dof"]["backlash_y"] > STATED_DOF
    once = interpret(w, simulate(w, theta_of({"backlash_y": 0.3}), seed=5), MACHINE)
    assert "effective_dof" not in once.as_json()
    assert not any(n.code == "few-degrees-of-freedom" for n in once.notes)
    assert told.term("backlash_y").std_uncertainty > once.term("backlash_y").std_uncertainty
