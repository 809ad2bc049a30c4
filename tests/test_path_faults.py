"""The rough virtual printer against the ideal walk and against what each fault must do; populations and noise."""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.diagnosis.verdict import reference_of
from fitassay.analysis.estimation.priors import prior_sds
from fitassay.analysis.terms import INDEX, PRINTER, SURFACE, TERMS, estimated_on
from fitassay.analysis.validation.path_faults import Roughness, rough_readings
from fitassay.analysis.validation.population import MIXES, draw_printers
from fitassay.analysis.validation.virtual_caliper import NOISES, SLIPS, read_sets, slip
from fitassay.coupons.machine import Machine
from tests.sets import walk

MACHINE = Machine()


def printers(n: int, **terms: float) -> np.ndarray:
    theta = np.zeros((n, len(TERMS)))
    for name, value in terms.items():
        theta[:, INDEX[name]] = value
    return theta


def change(theta: np.ndarray, rough: Roughness, seed: int = 1) -> dict[tuple[str, str], np.ndarray]:
    w = walk()
    off = rough_readings(w, theta, rough, np.random.default_rng(seed)) - w.readings(theta)
    return dict(zip(w.keys, off.T, strict=True))


def test_without_faults_it_is_the_ideal_printer():
    rng = np.random.default_rng(3)
    theta = rng.standard_normal((20, len(TERMS))) * prior_sds(MACHINE)
    theta[:, SURFACE] = 0.0  # faults themselves
    for key, off in change(theta, Roughness()).items():
        assert np.abs(off).max() < 0.01, key


def test_cut_corners_shorten_both_diagonals_by_twice_the_cut():
    off = change(printers(1), Roughness(corner_mm=0.1))
    assert off["frame", "diagonal-45"] == pytest.approx([-0.2], abs=0.01)
    assert off["frame", "diagonal-135"] == pytest.approx([-0.2], abs=0.01)
    assert abs(off["boss", "step22-x"][0]) < 1e-3


@pytest.mark.long
def test_jitter_adds_the_expected_range_of_the_layers_under_the_jaws():
    """Outside sizes gain E[max] - E[min] of as many normal values, inside sizes lose it; expected by simulation."""
    # Jaws of 3 mm lie on fifteen layers of 0.2 mm.
    draws = np.random.default_rng(8).standard_normal((100_000, 15))
    expected = 0.01 * np.ptp(draws, axis=1).mean()
    off = change(printers(400), Roughness(jitter_mm=0.01))
    # Standard deviation of one range is about 0.75 sigma: one standard error of the mean is 0.0004 mm.
    assert off["boss", "step14-x"].mean() == pytest.approx(expected, abs=0.0016)
    assert off["bore", "window10-y"].mean() == pytest.approx(-expected, abs=0.0016)
    assert off["stair", "step8"] == pytest.approx(np.zeros(400), abs=1e-12)


def test_flare_widens_what_stands_in_the_lowest_band_by_twice_itself():
    off = change(printers(1), Roughness(flare_mm=0.04))
    assert off["boss", "step22-x"] == pytest.approx([0.08], abs=1e-3)
    assert off["boss", "step8-x"] == pytest.approx([0.0], abs=1e-3)
    assert off["bore", "window10-x"] == pytest.approx([-0.08], abs=1e-3)
    assert off["wall", "wall-left"] == pytest.approx([0.0], abs=1e-3)


@pytest.mark.long
def test_varying_play_is_the_play_on_average_and_nothing_without_it():
    off = change(printers(300, backlash_x=0.2), Roughness(ripple=0.5))
    for feature in ("step14-x", "step8-x"):
        assert abs(off["boss", feature].mean()) < 0.01
        assert off["boss", feature].std() > 0.015
    assert max(np.abs(v).max() for v in change(printers(5), Roughness(ripple=0.5)).values()) < 0.01


def test_the_worst_seam_moves_flanks_by_the_play():
    """A flank come upon from the wrong side stands a whole play off; a size, one or both of its flanks."""
    off = change(printers(100, backlash_x=0.2, backlash_y=0.2), Roughness(seam="worst"))
    found = np.concatenate([np.abs(v) for (c, _), v in off.items() if c in ("boss", "comb-x")])
    moved = found[found > 0.05]
    assert len(moved) > 0.05 * len(found)
    assert moved.max() <= 0.42
    assert max(np.abs(v).max() for v in change(printers(25), Roughness(seam="worst")).values()) < 0.01


def test_a_blob_is_felt_where_the_seam_lies_under_a_jaw_alone():
    # Round bores have no notch; the sheet asks for a seam between the contacts.
    hidden = {k: v for k, v in change(printers(25), Roughness(blob_mm=0.2)).items() if "bore" not in k[1]}
    assert max(np.abs(v).max() for v in hidden.values()) < 0.01
    anywhere = change(printers(250), Roughness(blob_mm=0.2, seam="random"))
    felt = np.concatenate([np.abs(v) for v in anywhere.values()])
    assert 0.001 < np.mean(felt > 0.1) < 0.2
    # A single wall has it under both jaws.
    assert felt.max() == pytest.approx(0.4, abs=0.02)
    solid = np.concatenate([np.abs(v) for (c, _), v in anywhere.items() if c == "boss"])
    assert solid.max() == pytest.approx(0.2, abs=0.02)


@pytest.mark.parametrize("name", [*MIXES])
def test_populations_are_what_they_say(name):
    w = walk()
    weights = reference_of(w, w.linearise()[1], set(range(len(w.keys)))).weights
    prior = prior_sds(MACHINE)
    theta = draw_printers(MIXES[name], 3000, MACHINE, weights, np.random.default_rng(2))
    again = draw_printers(MIXES[name], 3000, MACHINE, weights, np.random.default_rng(2))
    assert (theta == again).all()
    # Caliper errors fill their limits evenly, in every mix.
    bias = theta[:, INDEX["outside_bias"]]
    assert np.abs(bias).max() <= MACHINE["caliper.error_limit_mm"]
    assert bias.std() == pytest.approx(prior[INDEX["outside_bias"]], rel=0.05)
    printer = theta[:, PRINTER]
    if name == "priors":
        # Errors that such a machine does not have are none.
        has = estimated_on("cartesian")
        wanted = np.where(has, prior, 0.0)[PRINTER]
        assert printer.std(axis=0) == pytest.approx(wanted, rel=0.06)
    if name == "sound":
        assert not printer.any()
    if name in ("one-term", "two-rivals"):
        assert (np.count_nonzero(printer, axis=1) == (1 if name == "one-term" else 2)).all()
    if name == "two-rivals":
        effect = np.sort(np.abs(printer) * np.sqrt(weights[PRINTER]), axis=1)
        assert (effect[:, -2] >= 0.5 * effect[:, -1] - 1e-12).all()
    if name == "over-compensated":
        assert (theta[:, [INDEX["backlash_x"], INDEX["backlash_y"]]] < 0).all()


def test_noise_rounds_repeats_and_slips_as_said():
    exact = np.full((4000, 5), 12.345)
    rng = np.random.default_rng(6)
    plain = read_sets(exact, NOISES["rounded"], MACHINE, rng)
    assert np.abs(plain.values * 100 - np.round(plain.values * 100)).max() < 1e-6
    assert np.std(plain.values) == pytest.approx(np.hypot(0.02, 0.01 / 12**0.5), rel=0.03)
    repeats = read_sets(exact, NOISES["repeats"], MACHINE, rng)
    assert np.std(repeats.values) == pytest.approx(0.02 * np.sqrt(0.25 + 0.75 / 3), rel=0.03)
    slips = read_sets(exact, NOISES["slips"], MACHINE, rng)
    assert slips.slipped.any(axis=1).mean() == pytest.approx(0.05, abs=0.012)
    assert (np.abs(slips.values - exact)[slips.slipped] > 0.4).all()
    for kind in SLIPS:
        for value in (0.45, 8.0, 113.0):
            assert abs(float(slip(np.array(value), rng, kind)) - value) > 0.35, kind
