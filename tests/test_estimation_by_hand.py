"""Rules of the estimation, each by hand or by brute force; values derived here unless a source is named."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import chi2

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.estimation.excess_variance import disagreement
from fitassay.analysis.estimation.feed import measured_filament
from fitassay.analysis.estimation.known import Fact, Scattered, contradicted
from fitassay.analysis.estimation.manner import chance_of_jumps
from fitassay.analysis.estimation.marginal import Model
from fitassay.analysis.estimation.outlier_causes import intended
from fitassay.analysis.estimation.outliers import worst_readings
from fitassay.analysis.estimation.play import kink_variance
from fitassay.analysis.estimation.readout import read_out
from fitassay.analysis.estimation.repeatability import repeat_notes
from fitassay.analysis.estimation.repeats import suspect_repeat
from fitassay.analysis.estimation.weighed import Commanded, extruded_of, without
from fitassay.analysis.normal import Normal
from fitassay.analysis.readings.file import Reading
from fitassay.analysis.readings.reading import REFERENCE
from fitassay.analysis.readings.weighings import Weighing
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine
from tests.sets import walk


def test_a_guess_hardly_nearer_than_what_was_read_explains_nothing():
    """14.06 where 14.00 +- 0.05 is due: 13.96, by 0.1 mm misread, lies within 0.05 but hardly nearer than 14.06."""
    assert intended(14.06, 14.0, 0.05)[0] is None
    assert intended(14.08, 14.0, 0.05)[0] == pytest.approx(13.98)
    assert intended(14.08, 14.0, 0.01)[0] is None


def best_pair_by_refits(precision: np.ndarray, residual: np.ndarray) -> tuple[int, int]:
    """The pair whose two own shifts, found by least squares, take most off r' P r."""

    def left(pair):
        taken = np.eye(len(residual))[:, list(pair)]
        root = np.linalg.cholesky(precision).T
        shift, *_ = np.linalg.lstsq(root @ taken, root @ residual, rcond=None)
        off = residual - taken @ shift
        return off @ precision @ off

    return min(combinations(range(len(residual)), 2), key=left)


@pytest.mark.parametrize("seed", range(12))
def test_the_best_pair_is_the_one_whose_refit_takes_most_off(seed):
    rng = np.random.default_rng(seed)
    m = 7
    gains = rng.normal(size=(m, 3))
    precision = np.linalg.inv(gains @ gains.T * 0.2**2 + 0.02**2 * np.eye(m))
    residual = 0.02 * rng.normal(size=m)
    residual[rng.choice(m, 2, replace=False)] += rng.choice([-1, 1], 2) * rng.uniform(0.6, 0.9, 2)
    found = worst_readings(precision, residual, np.full(m, 0.02), limit=3.0, pairs=True)
    first, second = best_pair_by_refits(precision, residual)
    # Two slips of 30 to 45 u each pay as a pair whichever pair it is.
    assert np.flatnonzero(found).tolist() == [first, second]


def test_readings_are_trusted_less_where_a_small_play_moves_them_unlike_the_perfect_printer():
    """x 0.02 mm beside y 0.40 mm: a reading that follows x by 0.35 where 1 is reckoned with is off by 0.65 * 0.05."""
    gains = np.zeros((3, len(TERMS)))
    x, y = INDEX["backlash_x"], INDEX["backlash_y"]
    gains[:, x] = [1.0, 1.0, -1.0]
    real = np.zeros((len(TERMS), 3))
    real[x] = [0.35, 0.75, -0.35]
    theta = np.zeros((3, len(TERMS)))
    theta[0, [x, y]] = 0.02, 0.40
    theta[1, [x, y]] = 0.02, 0.20
    theta[2, [x, y]] = 0.15, 0.40
    wide = kink_variance(theta, gains, lambda t: t @ real)
    assert np.sqrt(wide[0]) == pytest.approx([0.65 * 0.05, 0.0, 0.65 * 0.05], abs=1e-9)
    # The other play must be over a quarter of a millimetre, and this one under a tenth.
    assert not wide[1:].any()


def one(value: float, u: float) -> Fact:
    row = np.zeros(len(TERMS))
    row[INDEX["bead_excess"]] = 1.0
    return Fact(kind="weighed", row=row, value=value, u=u, origin="a scale")


@pytest.mark.parametrize(("off", "expected"), [(3.4, 0), (3.6, 1), (-3.6, 1)])
def test_a_fact_is_contradicted_from_three_and_a_half_standard_uncertainties_on(off, expected):
    """Both uncertainties count: 0.03 and 0.04 are 0.05 together."""
    known = Normal.independent(np.full(len(TERMS), 0.03))
    facts = (one(off * 0.05, 0.04),)
    assert len(contradicted(known, facts)) == expected


METRE = Weighing(what="filament", length_mm=1000.0)
WALL, BOSS, ALL = (
    Weighing(what="piece", coupon="wall"),
    Weighing(what="piece", coupon="boss"),
    Weighing(what="plates"),
)
ASKED = Commanded(pieces={"wall": 400.0, "boss": 2000.0}, walls=frozenset({"wall"}))


def test_what_is_missing_before_weighings_tell_anything():
    grams = np.array([1.0])
    assert without({}, None) == ("file", "filament", "piece")
    assert without({METRE: grams}, ASKED) == ("piece",)
    assert without({WALL: grams}, ASKED) == ("filament",)
    assert without({ALL: grams}, None) == ("file", "filament")
    assert without({METRE: grams, ALL: grams}, ASKED) == ()


@pytest.mark.parametrize(("wall", "boss"), [(1.212, 6.06), (1.44, 6.0)])
def test_true_feed_of_two_pieces_is_their_weighted_mean_and_widens_where_they_disagree(wall, boss):
    """By hand: 3 g the metre, so the wall's 400 mm ask for 1.2 g and the boss's 2000 mm for 6 g.

    Steps of 0.01 g and a linearity of 0.02 g are limits: u = sqrt(0.01^2 / 6 + 0.02^2 / 3). A single wall stands for
    the feed within 1 %, a piece of many walls within 3 %; a metre of filament is cut within 1 mm.
    """
    machine = Machine(values={**Machine().values, "scale.step_g": 0.01, "scale.linearity_g": 0.02})
    scale = np.sqrt(0.01**2 / 6 + 0.02**2 / 3)
    masses = {METRE: np.array([3.0]), WALL: np.array([wall]), BOSS: np.array([boss])}
    found = extruded_of(masses, ASKED, machine)
    assert found is not None
    grams, ratios = np.array([wall, boss]), np.array([wall / 1.2, boss / 6.0])
    u = ratios * np.hypot(scale / grams, [0.01, 0.03])
    mean = np.sum(ratios / u**2) / np.sum(u**-2)
    chi = np.sum(((ratios - mean) / u) ** 2)
    assert (chi > 1) == (wall == 1.44)
    own = np.sqrt(max(1.0, chi) / np.sum(u**-2))
    assert found.ratio == pytest.approx(mean)
    assert found.u_ratio == pytest.approx(np.hypot(own, mean * np.hypot(scale / 3.0, 1e-3)))


def test_a_ratio_far_from_one_is_named_and_left_out():
    """Half to one and a half times what was asked for is taken; beyond, the scale was misread or pieces mixed up."""
    for grams, far in ((1.75, ()), (1.85, ("wall_g",)), (0.65, ()), (0.55, ("wall_g",))):
        masses = {METRE: np.array([3.0]), WALL: np.array([grams])}
        found = extruded_of(masses, ASKED, Machine())
        assert found is not None and found.far == far
        assert set(found.ratios) == ({"wall_g"} - set(far))


def test_no_reading_disagrees_with_nothing():
    nothing = Model(
        gains=np.zeros((0, len(TERMS))), prior=Normal.independent(np.ones(len(TERMS))), noise=np.eye(0)
    )
    found = disagreement(nothing, np.zeros((3, 0)))
    for values, expected in ((found.chi2, 0.0), (found.dof, 0.0), (found.p_value, 1.0), (found.birge, 1.0)):
        assert values.tolist() == [expected] * 3


def test_what_is_left_of_many_readings_set_aside_is_held_to_a_quarter_of_chance_at_least():
    """The better half of 40 normal readings holds a seventh of what chance gives 20 (half-normal below its median).

    A quarter of it, 5, is taken as due all the same. 7.5 is half as much again; it happens by chance with
    Q(20, 7.5 / 0.25), and counts by what that is under 0.2.
    """
    u, m = 0.02, 20
    model = Model(
        gains=np.zeros((m, len(TERMS))),
        prior=Normal.independent(np.ones(len(TERMS))),
        noise=u**2 * np.eye(m),
    )
    found = disagreement(model, u * np.sqrt(7.5 / m) * np.ones(m), worst_out=m)
    counts = 1 - chi2.sf(7.5 / 0.25, m) / 0.2
    assert float(found.chi2) == pytest.approx(7.5) and float(found.dof) == pytest.approx(m)
    assert float(found.birge) == pytest.approx(1 + (1.5 - 1) * counts)


def test_four_readings_that_happen_to_disagree_are_no_sign_against_forty_that_agreed():
    """Excess variance pooled by degrees of freedom: 0.054 mm from 4 of them after 0 from 39."""
    before = Scattered().after(39.0, 0.0, 0.9)
    assert before.sd_mm == 0.0
    assert before.after(4.0, 0.054**2, 0.148).sd_mm == pytest.approx(0.054 * np.sqrt(4 / 43))
    # By itself, or where it disagrees clearly, a print speaks for itself; from two degrees of freedom none does.
    assert Scattered().after(4.0, 0.054**2, 0.148).sd_mm == pytest.approx(0.054)
    assert before.after(4.0, 0.054**2, 0.005).sd_mm == pytest.approx(0.054)
    assert before.after(2.0, 0.054**2, 0.005).sd_mm == 0.0
    # And what clearly scattered once is not forgotten at the first print that agrees.
    uneven = before.after(20.0, 0.05**2, 1e-4)
    assert uneven.after(20.0, 0.0, 0.5).sd_mm == pytest.approx(0.05 / np.sqrt(2))


@pytest.mark.parametrize(("factor", "expected"), [(1.33, None), (1.35, True), (0.69, None), (0.67, False)])
def test_repeats_that_scatter_otherwise_than_stated_are_said(factor, expected):
    """One alarm in a hundred, both ways: chi-square of 30 degrees of freedom, 13.787 and 53.672 (handbook table)."""
    machine = Machine()
    stated = np.hypot(machine["caliper.repeatability_mm"], machine["caliper.resolution_mm"] / np.sqrt(12))
    scatter: Any = SimpleNamespace(repeat_dof=30, repeat_sd_mm=factor * stated, repeatability_mm=0.02)
    notes = repeat_notes(scatter, machine)
    assert [n.data["more"] for n in notes] == ([] if expected is None else [expected])


def test_more_variance_than_stated_widens_noise_and_surface_and_nothing_else():
    """Noise by the factor, surface terms' deviations by its root, what they share with others likewise."""
    rng = np.random.default_rng(8)
    root = rng.normal(size=(len(TERMS), len(TERMS)))
    prior = Normal(mean=rng.normal(size=len(TERMS)), cov=root @ root.T)
    model = Model(gains=rng.normal(size=(3, len(TERMS))), prior=prior, noise=np.diag([1.0, 4.0, 9.0]))
    surface = [t.kind == "surface" for t in TERMS]
    assert any(surface) and not all(surface)
    each = model.scaled(np.array([4.0, 2.25]))
    for k, (factor, wide) in enumerate(((4.0, 2.0), (2.25, 1.5))):
        expected = np.array(prior.cov)
        for i in range(len(TERMS)):
            for j in range(len(TERMS)):
                expected[i, j] *= (wide if surface[i] else 1.0) * (wide if surface[j] else 1.0)
        alone = model.scaled(factor)
        assert alone.prior.cov == pytest.approx(expected) and each.prior.cov[k] == pytest.approx(expected)
        assert alone.noise == pytest.approx(factor * model.noise)
        assert each.noise[k] == pytest.approx(factor * model.noise)
        assert each.prior.mean[k] == pytest.approx(prior.mean)


def test_filament_of_which_one_first_diameter_is_missing_is_refused():
    with pytest.raises(InputError, match="holds no diameters"):
        measured_filament(np.array([[1.74, 1.75], [np.nan, 1.76], [1.75, 1.75]]), Machine())


def test_repeats_far_closer_than_a_hand_reads_still_tell_what_was_meant():
    """21.013 beside two of 20.000: 1 mm misread and the hand's own 0.013, though the two agree to the digit."""
    found = suspect_repeat(("boss", "step20-x"), 21.013, 20.0, 0.0)
    assert found.likely_mm == pytest.approx(20.013) and "by 1 mm" in found.reason
    found = suspect_repeat(("boss", "step20-x"), 21.013, 20.0, 0.005)
    assert found.likely_mm == pytest.approx(20.013)
    # Of repeats that scatter more, more is allowed.
    assert suspect_repeat(("boss", "step20-x"), 21.07, 20.0, 0.03).likely_mm is None
    assert suspect_repeat(("boss", "step20-x"), 21.07, 20.0, 0.1).likely_mm == pytest.approx(20.07)


@pytest.mark.parametrize(
    ("before", "after"), [(0.5, 0.5), (0.9, 0.9), (0.02, 0.02), (1.0, 0.99), (0.0, 0.01)]
)
def test_bores_that_both_manners_foretell_alike_leave_the_chance_as_it_was(before, after):
    """No evidence changes no odds; beforehand nothing is surer than 99 %."""
    w = walk()
    readings = simulate(w, theta_of({"backlash_y": 0.1}), noise_mm=0.01, seed=3)
    fitted = read_out(w, readings, Machine()).fit
    assert chance_of_jumps(fitted, fitted, w, before) == pytest.approx(after)


def test_what_an_estimate_owes_to_each_reading_is_what_a_change_of_it_does():
    """A piece of known size and the coupons' own features alike: estimates shift by influence times the change."""
    w, machine = walk(), Machine()
    own = simulate(w, theta_of({"backlash_y": 0.05, "contour_offset": 0.02}), noise_mm=0.005, seed=5)
    block = Reading(coupon=REFERENCE, feature="outside:10.000", reading_mm=10.01)
    before = read_out(w, (*own, block), machine).fit
    assert not before.outliers.any()
    moved = {}
    for k in (0, 9, len(own)):
        changed = [*own, block]
        changed[k] = replace(changed[k], reading_mm=changed[k].reading_mm + 1e-3)
        after = read_out(w, tuple(changed), machine).fit
        moved[changed[k].coupon] = after.posterior.mean - before.posterior.mean
        at = before.observations.keys.index((changed[k].coupon, changed[k].feature))
        # The tangent moves a little with the estimate.
        assert moved[changed[k].coupon] == pytest.approx(1e-3 * before.influence[:, at], abs=4e-5)
    # The block moves the outside zero most of all.
    assert np.argmax(np.abs(moved[REFERENCE])) == INDEX["outside_bias"]
