"""What enters an estimate, and with what weight: figures by hand for caliper, filament, feed, facts and transfer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.estimation.excess_variance import disagreement
from fitassay.analysis.estimation.feed import feed_fact, measured_feed, measured_filament
from fitassay.analysis.estimation.known import path_place, with_facts, without_facts
from fitassay.analysis.estimation.marginal import Model
from fitassay.analysis.estimation.observations import gather, pooled_repeatability
from fitassay.analysis.estimation.priors import prior
from fitassay.analysis.normal import Normal
from fitassay.analysis.prints.mixed_model import PrintResult, read_together
from fitassay.analysis.prints.transfer import carry
from fitassay.analysis.readings.file import Reading
from fitassay.analysis.terms import INDEX
from fitassay.coupons.machine import Machine
from tests.sets import walk

MACHINE = Machine()


def uncertainty(machine: Machine, repeats: int) -> float:
    """Of a feature read so many times alike [mm]; the repeats agree as the stated scatter has it on average."""
    w = walk(("plain-block",))
    coupon, feature = w.keys[0]
    rows = tuple(Reading(coupon=coupon, feature=feature, reading_mm=12.0) for _ in range(repeats))
    return float(gather(rows, w, machine).u[0])


def test_error_limits_of_both_jaws_are_rectangular():
    """GUM 4.3.7: +-a without more has u = a / sqrt(3); outside and inside jaws each have their own."""
    machine = Machine(values={"caliper.error_limit_mm": 0.03, "caliper.inside_error_limit_mm": 0.09})
    sd = prior(machine).sd
    assert sd[INDEX["outside_bias"]] == pytest.approx(0.0173205, abs=1e-6)
    assert sd[INDEX["inside_bias"]] == pytest.approx(0.0519615, abs=1e-6)


def test_one_reading_has_the_stated_scatter_and_the_step():
    """0.02 and 0.01 / sqrt(12), by hand; flexible plastic scatters three times as much."""
    assert uncertainty(MACHINE, 1) == pytest.approx(0.0202073, abs=1e-6)
    assert uncertainty(replace(MACHINE, soft=True), 1) == pytest.approx(0.0600694, abs=1e-6)


def test_repeats_do_not_average_the_step_away():
    """Nine equal readings: s^2 = 6 x 0.0004 / 14 pooled, u^2 = s^2 / 9 + 0.01^2 / 12 + (0.6 x 0.02)^2."""
    assert uncertainty(MACHINE, 9) == pytest.approx(0.0130913, abs=1e-6)


def test_steps_are_counted_once_though_repeats_show_them_too():
    """Sum of squares 0.02 on two degrees of freedom, of which 2 x 0.06^2 / 12 = 0.0006 are steps of 0.06."""
    groups = [np.array([1.0, 1.1, 1.2])]
    s, _, shown = pooled_repeatability(groups, 0.1, 0.06)
    assert s == pytest.approx(np.sqrt((6 * 0.01 + 0.02 - 0.0006) / 8), rel=1e-12)
    assert shown == pytest.approx(0.1, rel=1e-12)


def test_one_diameter_is_known_less_than_two():
    """0.0202 for one reading, that over sqrt(2) for two, each with the jaws' zero error 0.02 / sqrt(3)."""
    limit = MACHINE["caliper.error_limit_mm"] / np.sqrt(3)
    for diameters, scatter in (([[1.75, np.nan]], 0.0202073), ([[1.75, 1.75]], 0.0142887)):
        u = measured_filament(np.array(diameters), MACHINE).u_mean_mm
        assert u == pytest.approx(np.hypot(scatter, limit), abs=1e-6)


def test_places_average_the_scatter_but_not_the_zero_error():
    limit = MACHINE["caliper.error_limit_mm"] / np.sqrt(3)
    u = measured_filament(np.full((400, 2), 1.75), MACHINE).u_mean_mm
    assert u == pytest.approx(np.hypot(0.0142887 / 20, limit), abs=1e-6)


def test_a_feed_test_reads_both_ends_of_its_length():
    """Two marks of 0.3 mm on 100 mm: 0.00424."""
    assert measured_feed(np.array([[100.0, 120.0, 20.0]])).u_ratio == pytest.approx(0.0042426, abs=1e-6)


def test_places_that_differ_count_by_their_scatter():
    """1.65, 1.75 and 1.85 mm scatter by 0.1 (n - 1), far more than the caliper: 0.1 / sqrt(3)."""
    limit = MACHINE["caliper.error_limit_mm"] / np.sqrt(3)
    got = measured_filament(np.array([[1.65, 1.65], [1.75, 1.75], [1.85, 1.85]]), MACHINE)
    assert got.spread_mm == pytest.approx(0.1)
    assert got.u_mean_mm == pytest.approx(np.hypot(0.1 / np.sqrt(3), limit), abs=1e-6)
    assert np.isnan(measured_filament(np.array([[1.75, 1.75]]), MACHINE).spread_mm)
    two = measured_filament(np.array([[1.65, 1.65], [1.85, 1.85]]), MACHINE)
    assert two.u_mean_mm == pytest.approx(np.hypot(0.2 / np.sqrt(2) / np.sqrt(2), limit), abs=1e-6)


def test_a_feed_off_its_command_makes_the_bead():
    """0.9 of the length at 110 % flow and 1.80 for 1.75 mm: area 0.9 x 1.1 x 1.0580 = 1.0474; u of each by hand."""
    machine = Machine(values={"settings.flow_percent": 110.0})
    filament = measured_filament(np.full((4, 2), 1.80), machine)
    feed = measured_feed(np.array([[100.0, 120.0, 30.0]]))
    fact = feed_fact(filament, feed, machine)
    area = 0.9 * 1.1 * (1.80 / 1.75) ** 2
    assert fact.value == pytest.approx(0.40708 * (area - 1), abs=1e-5)
    relative = np.sqrt((2 * filament.u_mean_mm / 1.80) ** 2 + (0.0042426 / 0.9) ** 2 + 0.04**2)
    assert fact.u == pytest.approx(0.40708 * area * relative, rel=1e-4)


def test_feeding_into_the_open_is_not_feeding_while_printing():
    """Bead 0.45 x 0.2: A / h = 0.40708; diameter, test and 4 % for the back pressure in quadrature, by hand."""
    filament = measured_filament(np.full((4, 2), 1.75), MACHINE)
    feed = measured_feed(np.array([[100.0, 120.0, 20.0]]))
    fact = feed_fact(filament, feed, MACHINE)
    relative = np.sqrt((2 * filament.u_mean_mm / 1.75) ** 2 + 0.0042426**2 + 0.04**2)
    assert fact.value == pytest.approx(0.0, abs=1e-9)
    assert fact.u == pytest.approx(0.40708 * relative, rel=1e-4)


def test_excess_variance_sets_in_without_a_step():
    """Readings that disagree ever more: the excess grows in small steps, and is that of the rule in the end."""
    rng = np.random.default_rng(4)
    _, gains = walk().linearise()
    model = Model(gains=gains, prior=prior(MACHINE), noise=np.diag(np.full(len(gains), 0.0202**2)))
    residual = 0.0202 * rng.standard_normal(len(gains))
    found = [disagreement(model, k * residual) for k in np.linspace(0.8, 1.6, 400)]
    scatter = np.array([float(np.sqrt(f.excess)) for f in found])
    assert found[0].p_value > 0.3 and found[-1].p_value < 1e-4
    assert scatter[0] == 0 and scatter[-1] > 0.02
    assert np.abs(np.diff([float(f.excess) for f in found])).max() < 1e-5


def test_a_gauge_block_is_no_part_of_an_uneven_print():
    block = tuple(Reading(coupon="reference", feature="outside:10.000", reading_mm=10.01) for _ in range(16))
    u = []
    for noise in (0.001, 0.12):
        found = interpret(walk(), simulate(walk(), theta_of({}), noise_mm=noise, seed=3) + block, MACHINE)
        u.append(next(f.std_uncertainty_mm for f in found.fits if f.coupon == "reference"))
        assert (found.extra["scatter_mm"] > 0.05) == (noise > 0.1)
    # s^2 = 6 x 0.0004 / 21 pooled with 15 equal repeats; over 16, the step, and the 0.012 that a hand repeats.
    assert u == pytest.approx([0.0126284, 0.0126284], abs=1e-6)


def test_a_gauge_block_misread_is_named():
    wrong = Reading(coupon="reference", feature="outside:10.000", reading_mm=11.0)
    found = interpret(walk(), (*simulate(walk(), theta_of({}), seed=3), wrong), MACHINE)
    assert [(s.coupon, s.likely_mm) for s in found.suspects] == [("reference", 10.0)]
    assert abs(found.term("outside_bias").estimate) < 0.02


def test_a_fact_taken_out_again_leaves_what_was_before():
    before = prior(MACHINE)
    fact = path_place(0.11, 0.02)
    again = without_facts(with_facts(before, (fact,)), (fact,))
    assert again.mean == pytest.approx(before.mean, abs=1e-9)
    assert again.cov == pytest.approx(before.cov, rel=1e-6, abs=1e-12)


def test_what_is_transferred_pulls_back_and_widens_and_turns_with_the_settings():
    """One term of sd s = 0.3 drifting by d = 0.008: rho^2 = 1 - d^2 / s^2, u'^2 = rho^2 u^2 + d^2, by hand.

    Scale: steps per mm raised by a hundredth multiply 1 + s, and with it the uncertainty.
    """
    table = prior(MACHINE)
    i, j = INDEX["backlash_y"], INDEX["scale_x"]
    mean, sd = np.zeros(len(table.mean)), table.sd.copy()
    mean[i], sd[i], mean[j], sd[j] = 0.2, 0.01, 0.002, 0.001
    earlier = PrintResult(
        name="01",
        posterior=Normal.independent(sd, mean),
        prior_sd=table.sd,
        machine=MACHINE,
    )
    key = "settings.steps_per_mm_x"
    now = replace(MACHINE, values={**MACHINE.values, key: MACHINE[key] * 1.01})
    got = carry(earlier, now).terms
    rho = np.sqrt(1 - (0.008 / 0.3) ** 2)
    assert got.mean[i] == pytest.approx(0.2 * rho, rel=1e-12)
    assert got.sd[i] == pytest.approx(np.hypot(0.01 * rho, 0.008), rel=1e-12)
    rho = np.sqrt(1 - (0.0002 / 0.005) ** 2)
    assert got.mean[j] == pytest.approx((1 + 0.002 * rho) * 1.01 - 1, rel=1e-12)
    assert got.sd[j] == pytest.approx(1.01 * np.hypot(0.001 * rho, 0.0002), rel=1e-12)


def test_five_prints_with_one_filament_fact_know_the_bead_no_better_than_one():
    """u(bead) of the fact is 0.0173; drift of 0.008 between prints parts the others from the one that holds it."""
    table = prior(MACHINE)
    filament = measured_filament(np.array([[1.75, 1.75], [1.75, 1.75], [1.75, 1.75]]), MACHINE)
    fact = replace(feed_fact(filament, measured_feed(np.array([[100.0, 120.0, 20.0]])), MACHINE), u=0.0176)
    place = path_place(0.0, 0.02)
    results = tuple(
        PrintResult(
            name=f"0{n}",
            posterior=with_facts(table, (fact, place)),
            prior_sd=table.sd,
            machine=MACHINE,
            facts=(fact, place),
        )
        for n in range(1, 6)
    )
    together = read_together(results)
    bead, path = INDEX["bead_excess"], INDEX["contour_offset"]
    # The prior of the bead is 0.1: 1 / sqrt(1 / 0.1^2 + 1 / 0.0176^2) = 0.0173.
    assert together.of(4).sd[bead] == pytest.approx(0.01733, abs=2e-4)
    assert together.of(0).sd[bead] == pytest.approx(np.hypot(0.01733, 0.008 * np.sqrt(2)), abs=1.5e-3)
    assert together.base.sd[bead] > 0.0173
    assert together.of(4).sd[path] == pytest.approx(0.0198, abs=2e-4)
    # Carried from print to print it stays what it is.
    carried = carry(results[0].apart_from((fact,)), MACHINE)
    assert with_facts(carried.terms, (fact,)).sd[bead] == pytest.approx(0.01733, abs=2e-4)
