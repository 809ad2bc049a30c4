"""Only what is loud is accused, no verdict is surer than 99 %, and advice stays within a setting's range."""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.advice import advise
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.diagnosis.judging import judge_many
from fitassay.analysis.diagnosis.verdict import STATUSES, Reference, visible_limits
from fitassay.analysis.diagnosis.verdict_words import verdict_of
from fitassay.analysis.estimation.priors import prior
from fitassay.analysis.normal import Normal
from fitassay.analysis.terms import INDEX, PRINTER, TERMS
from fitassay.coupons.machine import Machine
from tests.sets import walk

VISIBLE_MM = 0.05
PRIOR = np.array([t.prior_sd or 0.01 for t in TERMS])


def one_size(**gains: float) -> Reference:
    """One reference size that feels these terms."""
    row = np.zeros((1, len(TERMS)))
    for name, gain in gains.items():
        row[0, INDEX[name]] = gain
    return Reference(labels=("outside x, 20 mm",), gains=row, inside=np.zeros(1, dtype=bool))


def alike(n: int, **gains: float) -> Reference:
    """So many reference sizes that feel these terms."""
    one = one_size(**gains)
    return Reference(
        labels=one.labels * n, gains=np.repeat(one.gains, n, axis=0), inside=np.repeat(one.inside, n)
    )


def judged(value: float, sd: float, reference: Reference):
    """Backlash in x known as value and sd; the other printer terms hardly differ from zero."""
    mean = np.zeros(len(TERMS))
    spread = np.where(PRINTER, 1e-4, 1e-3) * PRIOR
    mean[INDEX["backlash_x"]] = value
    spread[INDEX["backlash_x"]] = sd
    posterior = Normal(mean=mean[None], cov=np.diag(spread**2)[None])
    return judge_many(posterior, reference, np.array([VISIBLE_MM]), PRIOR, np.ones(1), np.zeros(1)), posterior


def test_each_jaw_sees_by_its_own_error_limit():
    """k = 2 times hypot(0.01, a / sqrt(3)), a rectangular (GUM 4.3.7): 0.03 outside, 0.09 inside."""
    machine = Machine(values={"caliper.error_limit_mm": 0.03, "caliper.inside_error_limit_mm": 0.09})
    reference = Reference(labels=("a", "b"), gains=np.zeros((2, len(TERMS))), inside=np.array([False, True]))
    assert visible_limits(reference, machine, 0.01) == pytest.approx([0.04, 0.105830], abs=1e-6)


@pytest.mark.parametrize(
    ("value", "sd", "loud"),
    # |m| g - v > 1.645 sd g, with g = 1: the bound lies at 0.0829 (derived here).
    [(0.08, 0.02, False), (0.0825, 0.02, False), (0.0833, 0.02, True), (0.2, 0.02, True), (-0.2, 0.02, True)],
)
def test_an_accusation_must_be_louder_than_a_reading_can_see(value, sd, loud):
    got, _ = judged(value, sd, one_size(backlash_x=-1.0, scale_x=20.0))
    assert STATUSES[int(got.status[0])] == ("dominant" if loud else "undetermined")
    assert TERMS[int(got.term[0])].name == "backlash_x"


def test_the_largest_gain_of_all_sizes_counts():
    gains = np.zeros((2, len(TERMS)))
    gains[:, INDEX["scale_x"]] = 5.0, 20.0
    reference = Reference(labels=("a", "b"), gains=gains, inside=np.zeros(2, dtype=bool))
    mean = np.zeros(len(TERMS))
    mean[INDEX["scale_x"]] = 0.005
    spread = np.full(len(TERMS), 1e-6)
    posterior = Normal(mean=mean[None], cov=np.diag(spread**2)[None])
    got = judge_many(posterior, reference, np.full(2, VISIBLE_MM), PRIOR, np.ones(1), np.zeros(1))
    assert STATUSES[int(got.status[0])] == "dominant"


def test_no_verdict_is_surer_than_99_percent():
    got, posterior = judged(0.3, 0.001, one_size(backlash_x=-1.0, scale_x=20.0))
    assert got.probability[0] == pytest.approx(0.99)
    verdict = verdict_of(got, posterior[0], np.array([VISIBLE_MM]), ())
    assert verdict.probability == pytest.approx(0.99)
    assert "(99 % sure)" in verdict.text


def test_a_large_error_that_may_be_too_small_to_see_is_told_and_not_accused():
    got, posterior = judged(0.08, 0.02, one_size(backlash_x=-1.0, scale_x=20.0))
    verdict = verdict_of(got, posterior[0], np.array([VISIBLE_MM]), ())
    assert verdict.term == ""
    assert "not accused" in verdict.text and "0.05 mm" in verdict.text


def test_a_bead_that_uneven_layers_pass_for_is_not_accused_and_the_offset_is_changed():
    """To flat jaws 0.12 mm of either look alike: their sum is told, and the size compensation takes half off."""
    w = walk()
    readings = simulate(w, theta_of({"bead_excess": 0.12}), noise_mm=0.02, seed=3)
    found = interpret(w, readings, Machine())
    assert found.verdict.term == ""
    assert "Bead width or uneven layers" in found.verdict.text
    (change,) = [a for a in found.advice if a.setting == "settings.contour_mm"]
    assert change.to_value == pytest.approx(-0.06, abs=0.015)
    assert "together +0.1" in change.why
    assert not [a for a in found.advice if a.setting == "settings.flow_percent"]


def summed(value: float, u: float, of: tuple[str, str]) -> Normal:
    """What is known once an error and what acts like it have been read as a sum."""
    row = np.zeros(len(TERMS))
    row[[INDEX[name] for name in of]] = 1.0
    return prior(Machine()).condition(row, value, u)


@pytest.mark.parametrize(
    ("together", "changed"), [(0.19, False), (0.205, True), (-0.05, False), (-0.11, True)]
)
def test_flow_is_changed_only_for_a_bead_that_uneven_layers_do_not_explain(together, changed):
    """Of a sum v the bead is 0.891 (v - 0.035), with sd 0.033, and 0.891 (v - 0.105) where layers are at their worst.

    Both beyond 2.5 times the sd: v > 0.198, or v < -0.058 (derived here); the effect must move a size by 0.1 mm, too,
    which four sizes read once more verify: 2 * 0.1 / sqrt(4).
    """
    known = summed(together, 1e-4, ("bead_excess", "uneven_layers"))
    assert known.mean[INDEX["bead_excess"]] == pytest.approx(0.891 * (together - 0.035), abs=2e-4)
    advice = advise(known.mean, known.cov, alike(4, bead_excess=1.0), Machine(), 0.1).steps
    flow = [a.setting for a in advice if a.setting == "settings.flow_percent"]
    assert flow == (["settings.flow_percent"] if changed and abs(0.891 * (together - 0.035)) >= 0.1 else [])


def test_flow_is_changed_for_a_bead_known_by_itself():
    """Weighed, 0.05 mm with 0.012: no layers come in."""
    row = np.eye(len(TERMS))[INDEX["bead_excess"]]
    known = prior(Machine()).condition(row, 0.05, 0.012)
    advice = advise(known.mean, known.cov, one_size(bead_excess=1.0), Machine(), 0.01).steps
    assert "settings.flow_percent" in [a.setting for a in advice]


@pytest.mark.parametrize(
    ("error", "surface", "value", "status"),
    [
        # Worst 0.105: accused from 0.105 + (0.05 + 1.645 * 0.033) / 0.891 = 0.222 on; the sum alone from 0.05 on.
        ("bead_excess", "uneven_layers", 0.21, "sum-known"),
        ("bead_excess", "uneven_layers", 0.235, "dominant"),
        ("bead_excess", "uneven_layers", 0.06, "sum-known"),
        ("contour_offset", "push_out", 0.07, "sum-known"),
        ("contour_offset", "push_out", 0.15, "dominant"),
    ],
)
def test_where_two_act_alike_their_sum_is_told_until_one_alone_is_loud(error, surface, value, status):
    gain = 2.0 if error == "contour_offset" else 1.0
    reference = one_size(**{error: gain, surface: gain, "backlash_x": -1.0})
    known = summed(value, 1e-3, (error, surface))
    # All others are known to be nil.
    others = np.ones(len(TERMS))
    others[[INDEX[error], INDEX[surface]]] = 0.0
    known = known.condition(np.diag(others)[others > 0], np.zeros(int(others.sum())), 1e-4)
    got = judge_many(
        Normal(mean=known.mean[None], cov=known.cov[None]),
        reference,
        np.array([VISIBLE_MM]),
        PRIOR,
        np.ones(1),
        np.zeros(1),
    )
    assert STATUSES[int(got.status[0])] == status
    verdict = verdict_of(got, known, np.array([VISIBLE_MM]), ())
    assert verdict.term == (error if status == "dominant" else "")
    if status == "sum-known":
        assert f"together +{value:.4f} ± 0.0020" in verdict.text and "(k = 2)" in verdict.text
        assert verdict.contenders == (error, surface)


def test_advice_ends_where_the_setting_does():
    """Compensation goes to 2 mm; 1.9 mm are set and 0.3 mm are missing, so that 0.2 mm stay."""
    machine = Machine(values={"settings.backlash_x_mm": 1.9})
    mean = np.zeros(len(TERMS))
    mean[INDEX["backlash_x"]] = 0.3
    got = advise(mean, np.diag(np.full(len(TERMS), 1e-12)), one_size(backlash_x=-1.0), machine, 0.01)
    (change,) = got.steps
    assert change.to_value == 2.0
    assert "2 mm" in change.why
    assert got.before_mm == pytest.approx(0.3, abs=1e-4)
    assert got.after_mm == pytest.approx(0.2, abs=1e-4)
