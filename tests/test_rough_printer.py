"""Every effect of roughness against what it must do to a reading; the virtual caliper and its rough hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, stats

from fitassay.analysis.terms import INDEX, TERMS
from fitassay.analysis.validation import listed_effects, unlisted_effects
from fitassay.analysis.validation.draws import span
from fitassay.analysis.validation.effect import Recipe
from fitassay.analysis.validation.jaw_contacts import contacts_of, drive_states
from fitassay.analysis.validation.listed_effects import EFFECTS, RECIPES
from fitassay.analysis.validation.rough_printer import RoughPrinters, ordinary_columns
from fitassay.analysis.validation.unlisted_effects import UNLISTED
from fitassay.analysis.validation.virtual_caliper import NOISES, ROUGH_HAND, Hand, Noise, read_sets
from fitassay.coupons.machine import Machine
from tests.sets import walk

MACHINE = Machine()
EVERY = {**listed_effects.RECIPES, **unlisted_effects.RECIPES}


def terms(n: int, **values: float) -> np.ndarray:
    theta = np.zeros((n, len(TERMS)))
    for name, value in values.items():
        theta[:, INDEX[name]] = value
    return theta


def fixed(name: str, **sizes: float) -> Recipe:
    """An effect of the list with exact sizes."""
    effect = {**EFFECTS, **UNLISTED}[name]
    exact = {k: span(v, v) for k, v in sizes.items()}
    return Recipe(name=name, text="", effects=(replace(effect, sizes={**effect.sizes, **exact}),))


def change(recipe: Recipe, theta: np.ndarray, seed: int = 1) -> dict[tuple[str, str], np.ndarray]:
    """Readings less those of the ideal printer with the same true terms, by column."""
    w, rng = walk(), np.random.default_rng(seed)
    printers = RoughPrinters(w, theta, recipe, rng)
    off = printers.printed(rng) - w.readings(printers.truth)
    return dict(zip(w.keys, off.T, strict=True))


def mean_range(n: int) -> float:
    """d2(n): expected range of n standard normal values, by its integral (Tippett 1925, from memory)."""

    def below(x: float) -> float:
        return 1 - stats.norm.sf(x) ** n - stats.norm.cdf(x) ** n

    return float(integrate.quad(below, -np.inf, np.inf)[0])


@pytest.mark.parametrize(
    ("n", "tabled"),
    [(2, 1.128), (3, 1.693), (5, 2.326), (10, 3.078), (15, 3.472), (20, 3.735)],
)
def test_expected_ranges_are_the_control_chart_constants(n, tabled):
    """d2 of the standard control-chart tables (from memory) is the integral."""
    assert mean_range(n) == pytest.approx(tabled, abs=5e-4)


@pytest.mark.long
def test_jitter_adds_the_expected_range_of_the_layers_under_the_jaws():
    off = change(fixed("jitter", sd=0.02), terms(2000))
    # 3 mm of jaw over 0.2 mm layers are 15 whole ones and a part; sd of a range 0.75 sigma: standard error 0.0003.
    for key, sign in (
        (("boss", "step14-x"), 1),
        (("bore", "window10-y"), -1),
        (("wall", "wall-left"), 1),
        (("comb-x", "stem6"), 1),
    ):
        assert sign * off[key].mean() == pytest.approx(0.02 * mean_range(15), abs=0.0025), key
    assert np.abs(off["stair", "step8"]).max() == 0
    # The foot is read on one layer, which shifts as a whole.
    assert np.abs(off["stair", "foot"]).max() < 1e-12
    # Features of one height share their layers: their readings move together.
    assert np.corrcoef(off["comb-x", "stem6"], off["comb-x", "head14"])[0, 1] > 0.99


@pytest.mark.long
def test_rims_of_the_same_print_show_two_layers_only():
    w, rng = walk(), np.random.default_rng(6)
    printers = RoughPrinters(w, terms(2000), fixed("jitter", sd=0.02), rng)
    deep, rim = printers.printed_and_rims(rng)
    i, j = w.keys.index(("boss", "step14-x")), w.keys.index(("wall", "wall-left"))
    for column in (i, j):
        assert (deep[:, column] >= rim[:, column] - 1e-12).all()
        off = rim[:, column] - w.features[column].nominal_mm
        assert off.mean() == pytest.approx(0.02 * mean_range(2), abs=0.001)
    again = printers.printed_and_rims(np.random.default_rng(7))
    assert (again[0] == printers.printed_and_rims(np.random.default_rng(7))[0]).all()


@pytest.mark.long
def test_a_blob_is_felt_at_its_own_place_alone():
    off = change(fixed("seam blob", height=0.1), terms(3000))
    felt = np.concatenate(list(off.values()))
    assert felt.max() <= 0.2 + 1e-9
    assert felt.min() >= -0.1 - 1e-9
    assert 0.001 < np.mean(np.abs(felt) > 0.05) < 0.1
    assert not off["boss", "step22-x"].any()  # its corners are farther than the jaws reach


def test_corners_change_diagonals_and_leave_wide_flanks():
    off = change(fixed("corners", habit=0.06, own=0.0), terms(5))
    assert off["frame", "diagonal-45"] == pytest.approx(np.full(5, 2 * 0.06 / np.sqrt(2)), abs=1e-6)
    assert np.abs(off["boss", "step22-x"]).max() < 1e-3


def test_lost_motion_that_is_wound_up_shows_less_on_short_ways():
    w = walk()
    slow = change(fixed("elastic", friction_x=0.2, friction_y=0.2, take_up=3.0), terms(2))
    fast = change(fixed("elastic", friction_x=0.2, friction_y=0.2, take_up=0.05), terms(2))
    assert max(np.abs(v).max() for v in fast.values()) < 1e-3
    # A stem gains the lost motion, and the less the shorter the way into its undercut.
    assert (slow["comb-x", "stem6"] < -0.02).all()
    assert np.abs(slow["boss", "step22-x"]).max() < 0.002
    printers = RoughPrinters(w, terms(2), fixed("elastic", friction_x=0.2), np.random.default_rng(1))
    assert printers.truth[:, INDEX["backlash_x"]] == pytest.approx([0.2, 0.2])


def test_drives_settle_as_the_closed_form_has_it():
    """After a reversal and a way d the state is 1 - 2 exp(-d / l) of the way over (solution of Dahl's law)."""
    c = contacts_of(walk())
    take_up = np.array([0.5, 2.0])
    states = drive_states(c, take_up)
    i = next(i for i, k in enumerate(walk().keys) if k == ("bore", "window10-x"))
    # A window is walked clockwise and reaches each flank by its own whole width less two half beads.
    way = 10.0 + 0.45
    expected = 1 - 2 / (1 + np.exp(-way / take_up)) * np.exp(-way / take_up)
    for j in (0, 1):
        assert np.abs(states[:, i, j, 0]) == pytest.approx(expected, abs=2e-3)
    assert (np.sign(states[:, i, 0, 0]) == -np.sign(states[:, i, 1, 0])).all()


def test_flare_shrinkage_closing_and_push_out():
    flare = change(fixed("growing flare", flare=0.2, decay=1.0), terms(1))
    assert flare["bore", "window10-x"][0] == pytest.approx(-0.4 * np.exp(-1.0))
    assert flare["boss", "step8-x"][0] < 1e-3
    assert flare["stair", "foot"][0] == 0
    shrunk = change(fixed("shrinkage", fraction=0.004, apart=0.0, power=0.5, lift=0.0), terms(1))
    # The frame's section is 80 mm: twice the shrinkage of a 20 mm one.
    assert shrunk["frame", "side-x"][0] == pytest.approx(-80 * 0.004 * (2 - 1), abs=1e-6)
    assert abs(shrunk["boss", "step22-x"][0]) < 0.006
    closing = change(
        fixed("closing", bores=0.1, power=2.0, windows=0.05, window_power=1.0), terms(1, bore_closure=0.1)
    )
    d = 14.0
    assert closing["bore", "bore14-x"][0] == pytest.approx(-0.2 * ((3 / d) ** 2 - 3 / d), abs=1e-6)
    assert closing["bore", "window6-x"][0] == pytest.approx(-0.05)
    assert closing["comb-x", "slot8"][0] == 0
    push = change(fixed("push-out", push=0.05), terms(1))
    assert push["boss", "step8-y"][0] == pytest.approx(0.1)
    assert push["bore", "bore8-x"][0] == pytest.approx(-0.1)
    assert push["wall", "wall-left"][0] == 0


def test_second_plate_and_crosstalk():
    second = change(fixed("second plate", fraction=0.002, bead=0.03), terms(1))
    assert second["frame", "side-y"][0] == pytest.approx(-0.16 + 0.03)
    assert second["boss", "step22-x"][0] == 0
    cross = change(fixed("crosstalk", x_of_y=0.4, y_of_x=0.0), terms(1, backlash_y=0.2))
    # Both flanks of an outline stand nearer by half the share of the other axis' play.
    assert cross["boss", "step14-x"][0] == pytest.approx(-0.08)
    assert cross["boss", "step14-y"][0] == 0
    assert cross["comb-x", "stem6"] == pytest.approx(cross["comb-x", "head10"])


def test_unlisted_effects_do_what_they_say():
    bow = change(fixed("bow", rise=0.4), terms(1))
    assert bow["frame", "side-x"][0] == pytest.approx(8 * 0.4 / 80 * 1.5)
    assert bow["boss", "step22-x"][0] == 0
    ooze = change(fixed("ooze on one side", film=0.05, way=0.0), terms(1))
    assert ooze["boss", "step14-x"][0] == pytest.approx(0.05)
    assert ooze["boss", "step14-y"][0] == pytest.approx(0.0)
    wobble = change(fixed("screw wobble", swing=0.05, lead=2.0, way=0.0), terms(1))
    # Three millimetres hold a whole turn: twice the swing, but for the layers' coarseness.
    assert wobble["boss", "step14-x"][0] == pytest.approx(0.1, abs=0.006)
    assert wobble["boss", "step14-y"][0] == pytest.approx(0.0, abs=1e-9)
    ripple = change(fixed("belt ripple", tooth=0.03, turn=0.0), terms(400))
    assert np.abs(ripple["comb-x", "head10"]).max() <= 0.06
    steps = change(fixed("coarse steps", step=0.06), terms(400))
    assert np.abs(steps["frame", "side-x"]).max() <= 0.06 + 1e-9
    assert steps["frame", "side-x"].std() > 0.01
    # Six millimetres are a whole number of steps.
    assert np.abs(steps["comb-x", "stem6"]).max() < 1e-9
    warm = change(fixed("warming up", bead=0.04, fraction=0.0), terms(1))
    assert warm["stair", "foot"][0] - warm["boss", "step14-x"][0] == pytest.approx(0.04)


# Two that differ from printing to printing, two that do not, and all of them together.
OFTEN = ("ideal", "jitter", "corners", "bow", "mix")


@pytest.mark.parametrize(
    "name", [n if n in OFTEN else pytest.param(n, marks=pytest.mark.long) for n in EVERY]
)
def test_recipes_are_reproducible_and_print_differently_each_time_where_they_say(name):
    w = walk()
    sets = []
    for _ in range(2):
        rng = np.random.default_rng(5)
        printers = RoughPrinters(w, terms(30, backlash_x=0.1), EVERY[name], rng)
        sets.append((printers.truth, printers.printed(rng), printers.printed(rng)))
    assert (sets[0][0] == sets[1][0]).all() and (sets[0][1] == sets[1][1]).all()
    differs = np.abs(sets[0][1] - sets[0][2]).max() > 1e-9
    assert differs == any(e.varies for e in EVERY[name].effects)


def test_the_ideal_recipe_is_the_walk_and_the_mix_is_milder_than_its_parts():
    assert max(np.abs(v).max() for v in change(RECIPES["ideal"], terms(3)).values()) == 0
    rng = np.random.default_rng(4)
    full = EFFECTS["jitter"].draw(rng, 4000)["sd"]
    mixed = EFFECTS["jitter"].draw(rng, 4000, mixed=True)["sd"]
    assert (full.min(), full.max()) == pytest.approx((0.01, 0.04), abs=2e-4)
    assert (mixed.min(), mixed.max()) == pytest.approx((0.0, 0.02), abs=2e-4)


def test_ordinary_columns_are_the_pegs_and_holes_from_5_to_20_mm():
    w = walk()
    names = {
        k for k, is_ordinary in zip(w.keys, ordinary_columns(contacts_of(w)), strict=True) if is_ordinary
    }
    assert ("boss", "step14-x") in names and ("bore", "bore5-y") in names
    assert not {c for c, _ in names} - {"boss", "bore"}
    assert ("boss", "step22-x") not in names


def test_average_sizes_leave_the_caliper_out():
    w, rng = walk(), np.random.default_rng(2)
    printers = RoughPrinters(w, terms(2, outside_bias=0.03), RECIPES["ideal"], rng)
    assert printers.sizes_on_average(rng) == pytest.approx(w.readings(terms(2)))
    removed = terms(1, contour_offset=0.05)[0]
    i = w.keys.index(("boss", "step14-x"))
    assert (printers.sizes_on_average(rng, removed) - printers.sizes_on_average(rng))[:, i] == pytest.approx(
        [-0.1, -0.1], abs=1e-9
    )


def hand(**sizes) -> np.ndarray:
    """What a hand adds to readings of 10 mm, scatter and rounding aside (n, m)."""
    c = contacts_of(walk())
    exact = np.tile(c.size, (3000, 1))
    noise = Noise(name="", text="", scatter=0.0, step=0.0, hand=Hand(**sizes))
    return read_sets(exact, noise, MACHINE, np.random.default_rng(3), c).values - exact


def test_a_tilted_caliper_reads_outsides_large_and_insides_small():
    """L cos a + t sin a over parallel faces, with a of standard deviation 0.3 degrees: E|a| t = 0.0125 mm at 3 mm."""
    c, off = contacts_of(walk()), hand(tilt_deg=(0.3, 0.3))
    i = walk().keys.index(("boss", "step8-x"))
    j = walk().keys.index(("bore", "window10-x"))
    expected = np.deg2rad(0.3) * np.sqrt(2 / np.pi)
    assert off[:, i].mean() == pytest.approx(3.0 * expected, rel=0.05)
    assert off[:, j].mean() == pytest.approx(-0.5 * expected, rel=0.1)
    assert c.kind[i] == "outside"


def test_walls_give_zero_drifts_and_some_people_round():
    keys = walk().keys
    off = hand(squeeze_mm=(0.02, 0.02))
    assert off[:, keys.index(("wall", "wall-back"))] == pytest.approx(np.full(3000, -0.02))
    assert np.abs(off[:, keys.index(("boss", "step8-x"))]).max() == 0
    drift = hand(drift_mm=0.02)
    assert drift[:, -1].std() == pytest.approx(0.02, rel=0.05)
    assert drift[:, 0].std() < 0.006
    noise = Noise(name="", text="", hand=Hand(coarse=1.0))
    c = contacts_of(walk())
    shown = read_sets(np.tile(c.size, (50, 1)), noise, MACHINE, np.random.default_rng(3), c).values
    assert np.abs(shown / 0.05 - np.round(shown / 0.05)).max() < 1e-6


def test_repeats_share_variance_as_said():
    c = contacts_of(walk())
    exact = np.tile(c.size, (4000, 1))
    noise = replace(NOISES["rough hand, three times"], hand=replace(Hand(), correlation=(0.7, 0.7)), step=0.0)
    values = read_sets(exact, noise, MACHINE, np.random.default_rng(3), c).values - exact
    assert values.std() == pytest.approx(0.02 * np.sqrt(0.7 + 0.3 / 3), rel=0.02)
    assert ROUGH_HAND.correlation[1] == 0.7
