"""Advice that the next print can verify, and none about holes while a backlash compensation is set too high."""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.diagnosis.advice import advise, pays
from fitassay.analysis.diagnosis.verdict import Reference, reference_of, visible_sd
from fitassay.analysis.estimation.observations import single_reading_sd
from fitassay.analysis.normal import Normal
from fitassay.analysis.parts.pairs import Pair
from fitassay.analysis.parts.sizes import State
from fitassay.analysis.prints.joint_risk import Effect, making
from fitassay.analysis.terms import INDEX, NAMES
from fitassay.coupons.machine import Machine
from tests.printers import printer
from tests.sets import walk
from tests.test_plan import planned

MACHINE = Machine()


def advised(theta, sd=1e-4):
    """Terms that a printer known so well is advised to change, and the misfit before and after."""
    w = walk()
    gains = w.linearise()[1]
    reference = reference_of(w, gains, set(range(len(w.keys))), MACHINE.kinematics)
    visible = visible_sd(MACHINE, single_reading_sd(MACHINE))
    got = advise(theta, np.eye(len(theta)) * sd**2, reference, MACHINE, visible)
    return [a.term for a in got.steps], got.before_mm, got.after_mm


@pytest.mark.parametrize(("moved", "worth"), [(0.024, False), (0.026, True)])
def test_four_readings_show_what_moves_each_of_them_by_one_uncertainty(moved, worth):
    # Mean of four shifts m, each known to u: m / (u / sqrt(4)) = 2 at m = u, 0.025 mm (derived here).
    four = Reference(labels=("",) * 4, gains=np.zeros((4, 3)), inside=np.zeros(4, dtype=bool))
    assert pays(float(np.hypot(0.03, moved)), 0.03, 0.025, four) is worth


def test_what_does_not_show_does_not_pay_however_many_readings():
    many = Reference(labels=("",) * 400, gains=np.zeros((400, 3)), inside=np.zeros(400, dtype=bool))
    assert not pays(0.1005, 0.1, 0.025, many)
    assert pays(0.102, 0.1, 0.025, many)


def test_a_closing_that_six_readings_cannot_show_is_left_alone():
    """Bores of 5, 8 and 14 mm close by k 3 mm / D: at 0.04 mm their six readings stand out by 1.8 u in all."""
    assert advised(printer(bore_closure=0.04))[0] == []
    assert advised(printer(bore_closure=0.15))[0] == ["bore_closure"]


def test_holes_are_left_alone_while_play_is_compensated_too_much():
    terms, before, after = advised(printer(backlash_x=-0.15, bore_closure=0.2))
    assert terms == ["backlash_x"]
    # What the holes are off by stays in what is expected.
    assert 0.02 < after < before
    assert advised(printer(backlash_x=0.15, bore_closure=0.2))[0] == ["backlash_x", "bore_closure"]
    _, _, plan = planned(printer(backlash_x=-0.15, bore_closure=0.25))
    (step,) = plan.steps
    assert "compensated too much; round holes are judged once it is right" in step.advice.why


def test_too_much_compensation_is_taken_back_though_it_opens_holes_that_close():
    """Holes closed by 0.1 mm on average and opened by 0.1: of sizes alone the errors cancel there."""
    terms, *_ = advised(printer(backlash_x=-0.1, backlash_y=-0.1, bore_closure=0.27))
    assert terms == ["backlash_x", "backlash_y"]


def test_steps_that_help_only_together_are_made_together():
    """Play narrows the joints' pegs as much as a wide path thickens them: each alone makes fits worse."""
    _, _, plan = planned(printer(backlash_x=0.2, backlash_y=0.2, contour_offset=-0.06))
    marked = {s.advice.term: s.with_next for s in plan.steps}
    assert marked["backlash_x"] or marked["backlash_y"]
    assert not plan.steps[-1].with_next
    alone = planned(printer(backlash_x=0.25))[2]
    assert not any(s.with_next for s in alone.steps)


def shift(**terms):
    """A step that adds this to the errors."""
    return Effect(shift=printer(**terms))


def known(sd=1e-4, **terms):
    """What is known of a printer: these errors, all others none, each to `sd`."""
    return State(posterior=Normal(mean=printer(**terms), cov=np.eye(len(NAMES)) * sd**2), width=0.45)


def test_errors_that_cancel_in_a_joint_are_removed_together():
    """A hole of 6 mm closes by 0.1 mm, which a path 0.03 mm inward gives back (arithmetic)."""
    both = known(bore_closure=0.2, contour_offset=-0.03)
    outward, opened = shift(contour_offset=0.03), shift(bore_closure=-0.2)
    pairs = (Pair(peg=6.0, hole=6.3, flipped=False),)
    assert making([outward, opened], both, pairs) == ["with-next", "alone"]
    assert making([opened], known(bore_closure=0.2), pairs) == ["alone"]
    # Alone it leaves the hole 0.1 mm too tight, and nothing is there to be made with it.
    assert making([outward], both, pairs) == ["held"]
    # What comes behind it waits for nothing.
    assert making([outward, shift(scale_z=-0.002)], both, pairs) == ["held", "alone"]


def test_a_step_that_costs_a_grade_goes_with_what_wins_it_back():
    """Too much compensation lengthens what too few steps shorten: without it 120 mm are 0.2 mm worse."""
    _, _, plan = planned(printer(scale_x=-0.003, backlash_x=-0.2))
    marked = {s.advice.term: s.with_next for s in plan.steps}
    assert list(marked) == ["backlash_x", "scale_x"] and marked == {"backlash_x": True, "scale_x": False}
    # Where nothing wins it back the joints decide.
    pairs = (Pair(peg=12.0, hole=12.3, shape="square", flipped=False),)
    step = shift(contour_offset=-0.03)
    out = known(contour_offset=0.03)
    assert making([step], out, pairs, lambda before, after: True) == ["alone"]
    apart = [shift(contour_offset=-0.03), shift(scale_z=-0.002), shift(layer_datum=0.01)]
    won_back = INDEX["scale_z"]
    assert making(
        apart,
        out,
        pairs,
        lambda before, after: bool(
            before.posterior.mean[won_back] == 0.0 and after.posterior.mean[won_back] == 0.0
        ),
    ) == ["with-next", "alone", "alone"]


def test_a_step_that_leaves_the_joints_a_little_worse_goes_with_what_mends_them():
    """Four sides further out by 0.0025 mm: a joint 0.01 mm worse, half of what counts as harm."""
    pairs = (Pair(peg=12.0, hole=12.3, shape="square", flipped=False),)
    out, further, inward = (
        known(contour_offset=0.03),
        shift(contour_offset=0.0025),
        shift(contour_offset=-0.03),
    )
    assert making([further, inward], out, pairs) == ["with-next", "alone"]
    assert making([inward, further], out, pairs) == ["alone", "alone"]
    assert making([further], out, pairs) == ["alone"]
    # A micrometre is nothing to wait for.
    assert making([shift(contour_offset=0.0002), inward], out, pairs) == ["alone", "alone"]


def test_a_step_known_too_badly_for_the_joints_waits():
    """All sides stand out by 0.01 mm, or inward by 0.05: four of them change a joint by 0.04 to 0.2 mm."""
    pairs = (Pair(peg=12.0, hole=12.3, shape="square", flipped=False),)
    step = [shift(contour_offset=-0.012)]
    assert making(step, known(1e-4, contour_offset=0.012), pairs) == ["alone"]
    assert making(step, known(0.02, contour_offset=0.012), pairs) == ["held"]
