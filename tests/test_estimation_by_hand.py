"""Rules of the estimation, each by hand or by brute force; values derived here unless a source is named."""

from __future__ import annotations

from itertools import combinations
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from fitassay.analysis.estimation.excess_variance import disagreement
from fitassay.analysis.estimation.known import Fact, contradicted
from fitassay.analysis.estimation.marginal import Model
from fitassay.analysis.estimation.outlier_causes import intended
from fitassay.analysis.estimation.outliers import worst_readings
from fitassay.analysis.estimation.play import kink_variance
from fitassay.analysis.estimation.repeatability import repeat_notes
from fitassay.analysis.estimation.weighed import Commanded, extruded_of, without
from fitassay.analysis.normal import Normal
from fitassay.analysis.readings.weighings import Weighing
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.coupons.machine import Machine


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


@pytest.mark.parametrize(("factor", "expected"), [(1.33, None), (1.35, True), (0.69, None), (0.67, False)])
def test_repeats_that_scatter_otherwise_than_stated_are_said(factor, expected):
    """One alarm in a hundred, both ways: chi-square of 30 degrees of freedom, 13.787 and 53.672 (handbook table)."""
    machine = Machine()
    stated = np.hypot(machine["caliper.repeatability_mm"], machine["caliper.resolution_mm"] / np.sqrt(12))
    scatter: Any = SimpleNamespace(repeat_dof=30, repeat_sd_mm=factor * stated, repeatability_mm=0.02)
    notes = repeat_notes(scatter, machine)
    assert [n.data["more"] for n in notes] == ([] if expected is None else [expected])
