"""Slips of the hand: found, named, never silently dropped; sound sets left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.diagnosis.verdict import reference_of
from fitassay.analysis.estimation.marginal import Model, deleted
from fitassay.analysis.estimation.outlier_causes import intended
from fitassay.analysis.estimation.outliers import find_outliers
from fitassay.analysis.estimation.priors import prior
from fitassay.analysis.estimation.repeats import sort_repeats
from fitassay.analysis.normal import Normal
from fitassay.analysis.readings.file import Reading
from fitassay.analysis.terms import TERMS
from fitassay.analysis.validation.interpret_many import interpret_many
from fitassay.analysis.validation.population import MIXES, draw_printers
from fitassay.analysis.validation.virtual_caliper import NOISES, SLIPS, Noise, read_sets, slip
from fitassay.coupons.machine import Machine
from tests.posteriors import posterior
from tests.sets import walk

MACHINE = Machine()
TRUTH = {"backlash_y": 0.3, "contour_offset": 0.1, "scale_x": 0.003}


def example(seed: int = 0) -> tuple[Model, np.ndarray]:
    """Model of the full set, and residuals of a printer from the priors."""
    _, gains = walk().linearise()
    rng = np.random.default_rng(seed)
    table = prior(MACHINE)
    theta = rng.standard_normal(len(TERMS)) * table.sd
    model = Model(gains=gains, prior=table, noise=np.diag(np.full(len(gains), 0.0004)))
    return model, gains @ theta + 0.02 * rng.standard_normal(len(gains))


def test_deleted_residuals_are_those_of_a_fit_without_the_reading():
    model, residual = example()
    off, sd = deleted(np.linalg.inv(model.cov), residual)
    for i in (0, 7, 20, 38, 46):
        rest = np.arange(len(model.gains)) != i
        fit = posterior(model.gains[rest], residual[rest], np.full(rest.sum(), 0.02), model.prior.sd)
        row = model.gains[i]
        assert off[i] == pytest.approx(residual[i] - row @ fit.mean, rel=1e-8, abs=1e-10)
        assert sd[i] == pytest.approx(np.sqrt(0.0004 + row @ fit.cov @ row), rel=1e-8)


def test_two_slips_that_hide_each_other_are_found():
    """The only two readings of a long lever, off by the same: either alone looks good in the light of the other."""
    gains = np.zeros((10, len(TERMS)))
    gains[:, 0] = [1, 2, 3, 4, 5, 6, 7, 8, 1000, 1000]
    gains[:, 5] = 1.0
    sds = np.full(len(TERMS), 1e-9)
    sds[[0, 5]] = 0.005, 0.1
    model = Model(gains=gains, prior=Normal.independent(sds), noise=np.diag(np.full(10, 0.0001)))
    residual = 0.01 * np.random.default_rng(1).standard_normal(10)
    residual[8:] += 60.0
    off, sd = deleted(np.linalg.inv(model.cov), residual)
    assert np.abs(off / sd)[8:].max() < np.abs(off / sd)[:8].max()
    assert find_outliers(model, residual).tolist() == [False] * 8 + [True, True]


@pytest.mark.parametrize("name", ["stem6", "head10", "neck6", "across"])
def test_half_a_millimetre_on_a_comb_is_named_where_the_play_is_large(name):
    """Quick set, play of 0.55 mm: what all readings of an axis may be off by alike excuses none by itself."""
    w = walk(quick=True)
    readings = simulate(w, theta_of({"backlash_x": 0.55, "backlash_y": 0.1}), seed=5)
    i = [(r.coupon, r.feature) for r in readings].index(("comb-x", name))
    for slip_mm in (-0.5, 0.5):
        value = readings[i].reading_mm
        assert value is not None
        spoilt = (*readings[:i], replace(readings[i], reading_mm=value + slip_mm), *readings[i + 1 :])
        assert [(s.coupon, s.feature) for s in interpret(w, spoilt, MACHINE).suspects] == [("comb-x", name)]


@pytest.mark.parametrize("places", [(9, 33), pytest.param((0, 14, 21, 40), marks=pytest.mark.long)])
@pytest.mark.parametrize("kind", [*SLIPS])
def test_one_slip_is_named_with_what_was_meant(kind, places):
    w = walk()
    readings = simulate(w, theta_of(TRUTH), seed=5)
    clean = interpret(w, readings, MACHINE)
    assert clean.suspects == ()
    rng = np.random.default_rng(2)
    for i in places:
        value = readings[i].reading_mm
        assert value is not None
        wrong = float(slip(np.array(value), rng, kind))
        spoilt = (*readings[:i], replace(readings[i], reading_mm=wrong), *readings[i + 1 :])
        found = interpret(w, spoilt, MACHINE)
        assert [(s.coupon, s.feature) for s in found.suspects] == [
            (readings[i].coupon, readings[i].feature)
        ], i
        suspect = found.suspects[0]
        assert suspect.reading_mm == wrong
        assert suspect.expected_mm == pytest.approx(value, abs=0.12)
        assert suspect.likely_mm == pytest.approx(value, abs=0.02), suspect.reason
        assert (found.verdict.status, found.verdict.term) == (clean.verdict.status, clean.verdict.term)
        # Set aside in the open: still in the table of readings, marked.
        assert [f.suspect for f in found.fits].count(True) == 1
        assert len(found.fits) == len(readings)


def test_swapped_rows_are_named_as_swapped():
    w = walk()
    readings = list(simulate(w, theta_of(TRUTH), seed=6))
    a, b = 2, 11
    readings[a], readings[b] = (
        replace(readings[a], reading_mm=readings[b].reading_mm),
        replace(readings[b], reading_mm=readings[a].reading_mm),
    )
    found = interpret(w, tuple(readings), MACHINE)
    assert {s.feature for s in found.suspects} == {readings[a].feature, readings[b].feature}
    for s in found.suspects:
        other = b if s.feature == readings[a].feature else a
        assert s.likely_mm == readings[other].reading_mm
        assert s.reason == f"looks swapped with {readings[other].feature} on {readings[other].coupon}"


@pytest.mark.parametrize(
    ("value", "expected", "likely", "reason"),
    [
        (0.551, 14.0, 13.9954, "inches"),
        (355.6, 14.0, 14.0, "mm taken for inches"),
        (140.0, 14.0, 14.0, "decimal point"),
        (1.4, 14.0, 14.0, "decimal point"),
        (1400.0, 14.0, 14.0, "decimal point"),
        (15.0, 14.0, 14.0, "1 mm"),
        (24.0, 14.0, 14.0, "10 mm"),
        (13.5, 14.0, 14.0, "0.5 mm"),
        (14.5, 14.0, 14.0, "0.5 mm"),
        (13.9, 14.0, 14.0, "0.1 mm"),
        (14.1, 14.0, 14.0, "0.1 mm"),
        (31.02, 13.02, 13.02, "digits"),
        (12.37, 14.0, None, "measure it again"),
        (22.02, 22.07, None, "measure it again"),  # 22.12 would be no nearer
    ],
)
def test_what_was_likely_meant(value, expected, likely, reason):
    got, why = intended(value, expected, 0.05)
    assert got == (None if likely is None else pytest.approx(likely, abs=1e-6))
    assert reason in why


def sets_of(n: int, noise: Noise, mix: str = "priors", seed: int = 31):
    w = walk()
    rng = np.random.default_rng(seed)
    weights = reference_of(w, w.linearise()[1], set(range(len(w.keys)))).weights
    theta = draw_printers(MIXES[mix], n, MACHINE, weights, rng)
    return w, read_sets(w.readings(theta), noise, MACHINE, rng)


@pytest.mark.long
def test_sound_sets_are_left_alone():
    """Stated false alarm: at most 3 % of sets. 1,500 sets, seeded; one sigma of the count is 0.4 %."""
    w, sets = sets_of(1500, NOISES["rounded"])
    found = interpret_many(w, sets.values, MACHINE, u=sets.u)
    assert found.settled.outliers.any(axis=1).mean() <= 0.03


@pytest.mark.long
def test_a_coarse_hand_is_not_taken_for_slips():
    """Readings that scatter twice as much as stated: the print is uneven, no reading is wrong.

    What printers do beside the terms takes up part of the scatter, and a reading is asked for again in 6.5 % of sets
    (3,000 of them); the rest is the print's own, less than all that is beyond the stated scatter.
    """
    w, sets = sets_of(400, Noise(name="coarse", text="", scatter=2.0))
    found = interpret_many(w, sets.values, MACHINE)
    # Binomial with 400 sets: 0.065 + 3 sigma of 0.012.
    assert found.settled.outliers.any(axis=1).mean() <= 0.10
    assert 0.5 * 0.02 < np.median(found.settled.scatter) < 0.02 * np.sqrt(3)


def repeated(values: dict[str, list[float]]) -> tuple[Reading, ...]:
    return tuple(
        Reading(coupon="boss", feature=f, reading_mm=v) for f, several in values.items() for v in several
    )


def test_one_of_three_repeats_is_set_aside_alone():
    kept = sort_repeats(repeated({"a": [14.02, 13.02, 14.0], "b": [8.0, 8.03, 8.01]}), 0.02)
    assert [r.reading_mm for r in kept.kept] == [14.02, 14.0, 8.0, 8.03, 8.01]
    assert [(s.feature, s.reading_mm, s.likely_mm) for s in kept.suspects] == [("a", 13.02, 14.02)]
    assert kept.torn == ()


@pytest.mark.parametrize(
    ("wrong", "likely", "reason"),
    [
        (14.37, None, "does not agree with the other readings of this feature; measure it again"),
        (1.402, 14.02, "the decimal point slipped by one place"),
        (15.03, 14.03, "looks misread by 1 mm"),
    ],
)
def test_a_repeat_that_is_off_is_named_by_its_features_others(wrong, likely, reason):
    (found,) = sort_repeats(repeated({"a": [14.02, wrong, 14.03], "b": [8.0, 8.01, 8.02]}), 0.02).suspects
    assert (found.reading_mm, found.expected_mm, found.reason) == (
        wrong,
        pytest.approx(14.025, abs=0.006),
        reason,
    )
    assert found.likely_mm == (None if likely is None else pytest.approx(likely))


def test_two_repeats_are_torn_by_half_as_much():
    """Both lie half their difference from their mean: 0.71 of the limit, 2.67 standard deviations for two readings.

    The limit for two is the 1 - 0.015 / 4 quantile, 2.67 (normal distribution); 0.71 x 2.67 x 0.02 = 0.0380.
    """
    for apart, torn in ((0.077, (("boss", "a"),)), (0.074, ())):
        found = sort_repeats(repeated({"a": [10.0, 10.0 + apart]}), 0.02)
        assert found.torn == torn and found.suspects == () and len(found.kept) == 2


def test_repeats_that_scatter_more_than_stated_are_judged_by_their_own_scatter():
    """Four features read twice, 0.1 apart: median range over 1.13 (d2 of two, ISO 7870-2), not the 0.01 stated."""
    values = {name: [10.0, 10.1] for name in "abcd"}
    assert sort_repeats(repeated(values), 0.01).torn == ()
    # Three features are too few to tell of their own scatter.
    del values["d"]
    assert len(sort_repeats(repeated(values), 0.01).torn) == 3


def test_repeats_that_merely_scatter_are_kept():
    """2,000 features read three times: false alarms by Bonferroni below 1.5 % of files; here one file."""
    rng = np.random.default_rng(9)
    values = {f"f{i}": list(np.round(10 + 0.02 * rng.standard_normal(3), 2)) for i in range(2000)}
    assert sort_repeats(repeated(values), 0.02).suspects == ()


def test_of_two_repeats_the_others_decide():
    w = walk()
    readings = simulate(w, theta_of(TRUTH), seed=5)
    extra = replace(readings[4], reading_mm=round(float(readings[4].reading_mm or 0) + 1.0, 2))
    found = interpret(w, (*readings, extra), MACHINE)
    assert [(s.feature, s.reading_mm) for s in found.suspects] == [(extra.feature, extra.reading_mm)]
    fit = next(f for f in found.fits if f.feature == extra.feature and f.coupon == extra.coupon)
    assert (fit.repeats, fit.suspect) == (1, False)


def test_two_repeats_that_nothing_else_checks_are_both_set_aside():
    w = walk(("height-stair",))
    readings = simulate(w, theta_of({}), seed=5)
    foot = next(r for r in readings if r.feature == "foot")
    again = replace(foot, reading_mm=float(foot.reading_mm or 0) + 0.3)
    found = interpret(w, (*readings, again), MACHINE)
    assert [s.feature for s in found.suspects] == ["foot", "foot"]
    assert all("third time" in s.reason for s in found.suspects)


def test_readings_that_nothing_checks_are_said():
    w = walk()
    readings = simulate(w, theta_of({}), seed=5)
    note = next(n.text for n in interpret(w, readings, MACHINE).notes if "slip of 1 mm" in n.text)
    assert "foot on stair" in note
    assert "diagonal-45 on frame" in note
    assert "step14-x" not in note
    # Read twice alike, they are checked.
    twice = interpret(w, (*readings, *(r for r in readings if r.coupon in ("frame", "stair"))), MACHINE)
    assert not any("slip of 1 mm" in n.text for n in twice.notes)


def test_many_slips_of_the_print_withhold_the_verdict():
    """Five faces of one coupon stand 0.25 mm proud, as on a coupon with its seam on the measured faces."""
    w = walk()
    readings = list(simulate(w, theta_of({"bead_excess": 0.05}), seed=7))
    rng = np.random.default_rng(3)
    for i in rng.permutation(12)[:6]:
        readings[i] = replace(
            readings[i], reading_mm=float(readings[i].reading_mm or 0) + rng.choice([-0.3, 0.3])
        )
    found = interpret(w, tuple(readings), MACHINE)
    assert found.verdict.status == "unexplained"
    assert found.verdict.term == ""
    assert found.advice == ()


def test_a_verdict_that_rests_on_one_reading_says_so():
    w = walk()
    readings = simulate(w, theta_of({"first_layer_flare": 0.25}), seed=5)
    found = interpret(w, readings, MACHINE)
    assert found.verdict.term == "first_layer_flare"
    assert any("rests on one reading, foot on stair" in n.text for n in found.notes)
    again = interpret(w, (*readings, next(r for r in readings if r.feature == "foot")), MACHINE)
    assert not any("rests on one reading" in n.text for n in again.notes)
    many = interpret(w, simulate(w, theta_of({"backlash_y": 0.3}), seed=5), MACHINE)
    assert not any("rests on one reading" in n.text for n in many.notes)
