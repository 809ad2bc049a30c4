"""Closed forms against Monte Carlo propagation of distributions (JCGM 101, GUM Supplement 1)."""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.estimation.feed import FEED_MODEL, Feed, Filament, bead_per_area, feed_fact, split_flow
from fitassay.analysis.terms import INDEX, NAMES, TERMS
from fitassay.coupons.cost import bead_area
from fitassay.coupons.machine import Machine
from tests.sets import walk

TRIALS = 1_000_000
"""JCGM 101, 7.2.2: a million trials can be expected to give a 95 % interval to one or two significant digits."""

MACHINE = Machine()


def interval(values: np.ndarray, level: float = 0.95) -> tuple[float, float]:
    """Probabilistically symmetric coverage interval (JCGM 101, 7.7)."""
    low, high = np.quantile(values, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)


def test_a_feed_far_from_one_counts_by_its_relative_uncertainty():
    """Of a product the relative variances add: 0.02 of 0.8 is 2.5 %, and the model's share beside it."""
    filament = Filament(mean_mm=1.75, u_mean_mm=1e-6, ovality_mm=0.0, spread_mm=0.0, places=5)
    fact = feed_fact(filament, Feed(ratio=0.8, u_ratio=0.02, tests=3), MACHINE)
    area = bead_area(MACHINE.line_width_mm, MACHINE.layer_height_mm)
    height = MACHINE.layer_height_mm
    assert fact.u == pytest.approx(0.8 * area / height * np.hypot(0.025, FEED_MODEL), rel=1e-4)


def test_bead_width_from_its_cross_section():
    """w + e from the plastic fed: A = (w - h) h + pi h^2 / 4 solved for the width; d, feed and model uncertain."""
    rng = np.random.default_rng(101)
    filament = Filament(mean_mm=1.79, u_mean_mm=0.012, ovality_mm=0.02, spread_mm=0.01, places=5)
    feed = Feed(ratio=1.03, u_ratio=0.004, tests=3)
    w, h = MACHINE.line_width_mm, MACHINE.layer_height_mm
    d = rng.normal(filament.mean_mm, filament.u_mean_mm, TRIALS)
    f = rng.normal(feed.ratio, feed.u_ratio, TRIALS) * rng.normal(1.0, FEED_MODEL, TRIALS)
    area = bead_area(w, h) * (d / 1.75) ** 2 * f
    width = (area - np.pi * h**2 / 4) / h + h
    fact = feed_fact(filament, feed, MACHINE)
    assert np.flatnonzero(fact.row).tolist() == [INDEX["bead_excess"]]
    # The mean of a million trials is good to u / 1000; second-order terms are smaller still.
    assert fact.value == pytest.approx(float(np.mean(width - w)), abs=5 * fact.u / 1000 + 5e-5)
    assert fact.u == pytest.approx(float(np.std(width)), rel=0.01)
    low, high = interval(width - w)
    assert (fact.value - 1.96 * fact.u, fact.value + 1.96 * fact.u) == pytest.approx(
        (low, high), abs=0.03 * fact.u
    )


def test_parts_of_the_bead_error_given_their_sum():
    """Filament and feed known beforehand, their sum read off the coupons: conditional distribution by weighing."""
    rng = np.random.default_rng(102)
    filament = Filament(mean_mm=1.79, u_mean_mm=0.02, ovality_mm=0.02, spread_mm=0.01, places=5)
    feed = Feed(ratio=1.0, u_ratio=0.004, tests=3)
    per_area = bead_per_area(MACHINE)
    by_d = per_area * ((rng.normal(1.79, 0.02, TRIALS) / 1.75) ** 2 - 1)
    by_f = (per_area + by_d) * (rng.normal(1.0, np.hypot(0.004, FEED_MODEL), TRIALS) - 1)
    total = by_d + by_f
    read, u = 0.06, 0.01
    weight = np.exp(-0.5 * ((read - total) / u) ** 2)
    weight /= weight.sum()
    mean = float(weight @ total)
    sd = float(np.sqrt(weight @ (total - mean) ** 2))
    split = split_flow(mean, sd, filament, MACHINE, feed)
    for value, uncertainty, draws in (
        (split.filament_mm, split.u_filament_mm, by_d),
        (split.feed_mm, split.u_feed_mm, by_f),
    ):
        expected = float(weight @ draws)
        spread = float(np.sqrt(weight @ (draws - expected) ** 2))
        # First order in the filament's share of the feed's effect: good to some per cent.
        assert value == pytest.approx(expected, abs=0.1 * spread)
        assert uncertainty == pytest.approx(spread, rel=0.05)
    assert split.filament_mm + split.flow_mm + split.feed_mm == pytest.approx(mean, abs=1e-12)


@pytest.mark.parametrize("diameter", [5.0, 8.0])
def test_inside_jaws_with_flats_in_a_round_bore(diameter):
    """R = sqrt(D^2 - t^2): the walk, its derivative and the propagated uncertainty."""
    w = walk()
    column = min(
        (i for i in range(len(w.keys)) if w.round[i] and w.features[i].direction_deg == 0.0),
        key=lambda i: abs(w.features[i].nominal_mm - diameter),
    )
    feature = w.features[column]
    nominal, flat = feature.nominal_mm, feature.jaw_mm
    assert flat == 0.3
    rng = np.random.default_rng(103)
    u_e, u_p = 0.04, 0.03
    e, p = rng.normal(0.02, u_e, TRIALS), rng.normal(-0.01, u_p, TRIALS)
    real = nominal - e - 2 * p
    read = np.sqrt(real**2 - flat**2)
    # The walk of the first thousand printers is that formula (polygon of the bore: 2 um).
    theta = np.zeros((1000, len(TERMS)))
    theta[:, INDEX["bead_excess"]], theta[:, INDEX["contour_offset"]] = e[:1000], p[:1000]
    assert w.readings(theta)[:, column] == pytest.approx(read[:1000], abs=2e-3)
    # Law of propagation with the walk's own derivatives.
    centre = np.zeros(len(TERMS))
    centre[INDEX["bead_excess"]], centre[INDEX["contour_offset"]] = 0.02, -0.01
    base, gains = w.linearise(centre)
    row = dict(zip(NAMES, gains[column], strict=True))
    u = float(np.hypot(row["bead_excess"] * u_e, row["contour_offset"] * u_p))
    assert u == pytest.approx(float(read.std()), rel=0.01)
    low, high = interval(read)
    assert (base[column] - 1.96 * u, base[column] + 1.96 * u) == pytest.approx((low, high), abs=3e-3)
    # Taken for the diameter itself the reading would be low by t^2 / 2D.
    assert nominal - np.sqrt(nominal**2 - flat**2) == pytest.approx(flat**2 / (2 * nominal), rel=1e-3)
