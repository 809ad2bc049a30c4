"""Filament readings and the split of the bead error, against figures worked out here and Monte Carlo."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fitassay.analysis.estimation.feed import (
    feed_fact,
    measured_feed,
    measured_filament,
    split_flow,
    with_filament,
)
from fitassay.analysis.result import Advice
from fitassay.coupons.cost import bead_area
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine
from tests import diagnoses


@pytest.mark.parametrize(
    ("width", "height", "area", "feed"),
    [
        (0.45, 0.20, 0.0814159, 0.0338488),
        (0.40, 0.20, 0.0714159, 0.0296913),
        (0.60, 0.30, 0.1606858, 0.0668054),
        (0.50, 0.10, 0.0478540, 0.0198954),
        (0.20, 0.20, 0.0314159, 0.0130612),
    ],
)
def test_bead_cross_section(width, height, area, feed):
    """Rectangle with rounded ends; table derived, the shape after Comminal et al. 2018."""
    assert bead_area(width, height) == pytest.approx(area, abs=5e-8)
    assert bead_area(width, height) / (math.pi * 1.75**2 / 4) == pytest.approx(feed, abs=5e-8)


def test_thick_filament_explains_the_bead():
    """1.80 for 1.75 mm feeds 5.80 % too much; a 0.45 x 0.20 bead grows by 0.0236 mm (trade figure, computed)."""
    machine = Machine()
    filament = measured_filament(np.full((4, 2), 1.80), machine)
    split = split_flow(0.0236, 0.01, filament, machine)
    assert split.filament_mm == pytest.approx(0.0236, abs=5e-5)
    assert split.feed_mm == pytest.approx(0.0, abs=5e-5)
    thin = split_flow(0.0, 0.01, measured_filament(np.full((4, 2), 1.70), machine), machine)
    assert thin.filament_mm == pytest.approx(-0.0229, abs=5e-5)
    assert thin.feed_mm == pytest.approx(0.0229, abs=5e-5)


def test_split_uncertainty_against_monte_carlo():
    """JCGM 101 style: propagate 400 000 draws through the exact formula (sd good to 0.1 %)."""
    machine = Machine()
    rng = np.random.default_rng(2)
    filament = measured_filament(np.array([[1.79, 1.75], [1.78, 1.77], [1.80, 1.74]]), machine)
    split = split_flow(0.05, 0.012, filament, machine)
    d = filament.mean_mm + filament.u_mean_mm * rng.standard_normal(400_000)
    e = 0.05 + 0.012 * rng.standard_normal(400_000)
    rest = e - bead_area(0.45, 0.2) / 0.2 * ((d / 1.75) ** 2 - 1)
    assert split.feed_mm == pytest.approx(rest.mean(), abs=5e-4)
    assert split.u_feed_mm == pytest.approx(rest.std(), rel=0.01)


def test_feed_tests_that_scatter_more_than_the_mark_is_read_count_by_their_scatter():
    """Ratios 0.9, 1.0 and 1.1 scatter by 0.1 (n - 1): 0.1 / sqrt(3); alike, sqrt(2) marks of 0.3 mm on 100 mm."""
    scattered = measured_feed(np.array([[100, 120, 30], [100, 120, 20], [100, 120, 10]]))
    assert scattered.ratio == pytest.approx(1.0)
    assert scattered.u_ratio == pytest.approx(0.1 / math.sqrt(3))
    alike = measured_feed(np.array([[100, 120, 20], [100, 120, 20]]))
    assert alike.u_ratio == pytest.approx(0.3 * math.sqrt(2) / 100 / math.sqrt(2))


def test_oval_filament_counts_by_its_area():
    machine = Machine()
    oval = measured_filament(np.array([[1.85, 1.65], [1.85, 1.65]]), machine)
    assert oval.mean_mm == pytest.approx(math.sqrt(1.85 * 1.65))
    assert oval.ovality_mm == pytest.approx(0.2)
    single = measured_filament(np.array([[1.76, np.nan]]), machine)
    assert single.mean_mm == pytest.approx(1.76)
    assert single.u_mean_mm > measured_filament(np.full((9, 2), 1.76), machine).u_mean_mm


def test_parts_of_a_bead_by_hand():
    """A bead 0.05 mm wider, of 1.80 for 1.75 mm filament at 110 % flow: 1.1228 = 1.0580 x 1.1 x f.

    A / h = 0.40708 mm; the filament makes 0.40708 x 0.0580, the flow 0.40708 x 1.0580 x 0.1, the feed the rest.
    """
    machine = Machine(values={"settings.flow_percent": 110.0})
    filament = measured_filament(np.full((4, 2), 1.80), machine)
    split = split_flow(0.05, 0.012, filament, machine)
    thick, per_area = (1.80 / 1.75) ** 2, 0.407080
    assert split.filament_mm == pytest.approx(per_area * (thick - 1), abs=1e-5)
    assert split.flow_mm == pytest.approx(per_area * thick * 0.1, abs=1e-5)
    assert split.filament_mm + split.flow_mm + split.feed_mm == pytest.approx(0.05)
    fed = (1 + 0.05 / per_area) / (thick * 1.1)
    assert split.feed_percent == pytest.approx(100 * (fed - 1), abs=1e-3)
    u_filament = per_area * 2 * 1.80 / 1.75**2 * filament.u_mean_mm
    assert split.u_filament_mm == pytest.approx(u_filament, rel=1e-4)
    assert split.u_feed_mm == pytest.approx(math.hypot(0.012, u_filament), rel=1e-4)
    assert split.u_feed_percent / split.u_feed_mm == pytest.approx(split.feed_percent / split.feed_mm)


def test_a_feed_test_shares_the_surprise_out():
    """Filament's part a and feed's part b known before, their sum m from the coupons: normal, given m.

    m is what is left once the test's own row has been weighed in, so a and b move towards it by their variances.
    """
    machine = Machine()
    filament = measured_filament(np.array([[1.79, 1.75], [1.78, 1.77], [1.80, 1.74]]), machine)
    feed = measured_feed(np.array([[100.0, 120.0, 22.0]]))
    m, s = 0.03, 0.008
    split = split_flow(m, s, filament, machine, feed)
    fact = feed_fact(filament, feed, machine)
    per_area, ratio = 0.407080, filament.mean_mm / 1.75
    a, u_a = per_area * (ratio**2 - 1), per_area * 2 * ratio * filament.u_mean_mm / 1.75
    u_b = math.sqrt(fact.u**2 - (u_a * feed.ratio) ** 2)
    # Covariance of (a, a + b), and the conditional mean and variance of a given that the sum is N(m, s^2).
    share = u_a**2 / (u_a**2 + u_b**2)
    assert split.filament_mm == pytest.approx(a + share * (m - fact.value), rel=1e-5)
    assert split.u_filament_mm == pytest.approx(math.sqrt(u_a**2 * (1 - share) + (share * s) ** 2), rel=1e-4)
    assert split.u_feed_mm == pytest.approx(math.sqrt(u_b**2 * share + ((1 - share) * s) ** 2), rel=1e-4)
    assert split.filament_mm + split.feed_mm == pytest.approx(m)


@pytest.mark.parametrize(
    ("bead", "known"), [(0.0204, True), (-0.0204, True), (0.0196, False), (-0.0196, False)]
)
def test_a_share_of_the_bead_is_told_once_the_bead_is_known(bead, known):
    """From twice its standard uncertainty of 0.01 on, whichever its sign."""
    found = diagnoses.make()
    terms = tuple(
        replace(t, estimate=bead, std_uncertainty=0.01) if t.name == "bead_excess" else t for t in found.terms
    )
    machine = Machine()
    filament = measured_filament(np.full((4, 2), 1.80), machine)
    told = with_filament(replace(found, terms=terms), filament, None, machine, 0.05).extra["filament"]
    assert told["share_of_bead_error"] == (pytest.approx(0.0236 / bead, rel=2e-3) if known else None)
    assert told["feed_tests"] == 0 and told["places"] == 4


@pytest.mark.parametrize(
    ("bead", "measured", "set_anew"),
    [(0.05, 1.85, True), (0.05, 1.65, False), (-0.05, 1.65, True), (-0.05, 1.85, False)],
)
def test_a_thin_filament_is_no_answer_to_a_wide_bead(bead, measured, set_anew):
    """Of 1.75 mm set: a thick filament explains a wide bead, a thin one a narrow bead, and not the other way."""
    found = diagnoses.make()
    terms = tuple(
        replace(t, estimate=bead, std_uncertainty=0.01) if t.name == "bead_excess" else t for t in found.terms
    )
    machine = Machine()
    filament = measured_filament(np.full((4, 2), measured), machine)
    flow = Advice(
        setting="settings.flow_percent", from_value=100.0, to_value=100.0 - 200.0 * bead, std_uncertainty=1.0,
        unit="%", why="the bead is off", term="bead_excess",
    )  # fmt: skip
    found = replace(found, terms=terms, advice=(flow,))
    advice = with_filament(found, filament, None, machine, 0.05).advice
    assert any(a.setting == "settings.filament_diameter_mm" for a in advice) == set_anew


def test_no_diameters_is_said():
    with pytest.raises(InputError, match="no diameters"):
        measured_filament(np.empty((0, 2)), Machine())
