"""The fit-ladder: what it looks like, what its answers tell, and that hand and caliper are compared."""

import re

import numpy as np
import pytest
import trimesh
from scipy.special import ndtr

from fitassay.analysis.chain.simulate import simulate
from fitassay.analysis.chain.sizes import Size, size_gains
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.estimation.priors import prior, prior_sds
from fitassay.analysis.estimation.readout import read_out
from fitassay.analysis.estimation.trials import (
    FEEL_MM,
    Rung,
    chances,
    entering_gains,
    lost_to_turning,
    rungs,
    trial_facts,
)
from fitassay.analysis.readings.reading import Reading, parse_reading
from fitassay.analysis.terms import INDEX, NAMES
from fitassay.coupons.errors import JobError
from fitassay.coupons.families.fit_ladder import BALL_MM, PEG_MM, clearances
from fitassay.coupons.job import Job
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import build_set, draw_set
from fitassay.coupons.rules import Rules
from tests.fit_case import run, run_json
from tests.printed_pairs import PrintedPair
from tests.printers import printer
from tests.sets import coupon_set, walk

FAMILY = ("fit-ladder",)
MACHINE = Machine()
W = MACHINE.line_width_mm
PRIOR = prior_sds(MACHINE)


def all_rungs():
    """Every rung of the default ladder, no answer yet."""
    return [
        Rung(
            coupon=c.id,
            feature=f.id,
            peg=PEG_MM if c.id == "ladder" else BALL_MM,
            hole=f.nominal_mm,
            answer="",
        )
        for c in coupon_set(FAMILY).manifest.coupons
        for f in c.features
        if f.id.startswith("rung")
    ]


def entering(peg, hole, theta):
    """Clearance with which a peg goes in, by hand: the mean of x and y of R = L + s (L -+ w) +- (e + 2p) - b."""
    told = dict(zip(NAMES, theta, strict=True))
    scale = (told["scale_x"] + told["scale_y"]) / 2
    beads = 2 * told["bead_excess"] + 4 * told["contour_offset"]
    return hole - peg + scale * (hole - peg + 2 * W) - beads - told["bore_closure"] * 3 / hole


def answers(theta, rng=None):
    """What a hand finds on the pieces of printer `theta`."""
    out = []
    for rung in all_rungs():
        feel = FEEL_MM * rng.standard_normal(2) if rng is not None else np.zeros(2)
        enters = entering(rung.peg, rung.hole, theta) + feel[0]
        turns = PrintedPair(rung.peg, rung.hole, theta).turns() + feel[1]
        word = "does not go" if enters < 0 else "goes" if turns > 0 else "sticks"
        out.append(Reading(coupon=rung.coupon, feature=rung.feature, reading_mm=None, fit=word))
    return tuple(out)


# --- the pieces ---------------------------------------------------------------------------------------------


def test_pieces_are_closed_and_of_their_size():
    made = coupon_set(FAMILY)
    assert [c.id for c in made.manifest.coupons] == ["ladder", "cups", "peg", "ball"]
    for coupon in made.manifest.coupons:
        solid = made.solids[coupon.id]
        mesh = trimesh.Trimesh(solid.vertices, solid.faces, process=False)
        assert mesh.is_watertight and mesh.is_winding_consistent and mesh.body_count == 1
        assert mesh.extents == pytest.approx(coupon.size_mm, abs=1e-5)
        assert min(coupon.size_mm) > 0 and not coupon.single_wall


def test_rungs_rise_by_the_step_about_the_middle():
    job = Job(machine=MACHINE, rules=Rules(ladder_middle=0.3, ladder_step=0.05))
    assert clearances(job) == pytest.approx(np.arange(0.1, 0.501, 0.05))
    holes = [r.hole for r in all_rungs() if r.coupon == "ladder"]
    assert np.array(holes) - PEG_MM == pytest.approx(np.arange(0.1, 0.91, 0.1))
    cups = [r.hole for r in all_rungs() if r.coupon == "cups"]
    assert np.array(cups) - BALL_MM == pytest.approx([0.3, 0.5, 0.7])


def test_perfect_print_has_the_drawn_sizes():
    # Walked like every coupon: bores, cups at their rim, peg and ball at their thickest place.
    coupons = walk(FAMILY)
    got = coupons.readings(np.zeros((1, len(NAMES))))[0]
    for feature, value in zip(coupons.features, got, strict=True):
        # Polygons of 3.5 µm chord error; blades with a flat read short in a bore.
        flat = (
            feature.nominal_mm - np.sqrt(feature.nominal_mm**2 - feature.jaw_mm**2)
            if feature.kind == "inside"
            else 0
        )
        assert value == pytest.approx(feature.nominal_mm - flat, abs=0.008)


def test_gains_are_those_of_round_parts():
    coupons = walk(FAMILY)
    _, gains = coupons.linearise(printer(backlash_x=0.1, backlash_y=0.1))
    for feature, row in zip(coupons.features, gains, strict=True):
        axis = "x" if feature.direction_deg == 0 else "y"
        size = Size(side=feature.kind, axis=axis, nominal=feature.nominal_mm, shape="round")
        expected = size_gains(size, W)
        for name in ("bead_excess", "contour_offset", "bore_closure", f"scale_{axis}"):
            assert row[INDEX[name]] == pytest.approx(expected[INDEX[name]], rel=0.02, abs=0.02), (
                feature.id,
                name,
            )


@pytest.mark.parametrize("side", [60, 100, 300])
def test_fits_beds(side):
    made = draw_set(Machine(values={f"volume.{a}_mm": side for a in "xyz"}), families=FAMILY)
    for coupon in made.manifest.coupons:
        for i in (0, 1):
            assert coupon.origin_on_plate_mm[i] + coupon.size_mm[i] <= side - 3 + 1e-6


@pytest.mark.parametrize("line, layer", [(0.9, 0.4), pytest.param(0.22, 0.1, marks=pytest.mark.long)])
def test_other_nozzles(line, layer):
    machine = Machine(values={"process.line_width_mm": line, "process.layer_height_mm": layer})
    made = build_set(machine, families=FAMILY)
    for coupon in made.manifest.coupons:
        solid = made.solids[coupon.id]
        assert trimesh.Trimesh(solid.vertices, solid.faces, process=False).is_watertight
        assert coupon.size_mm[2] / layer == pytest.approx(round(coupon.size_mm[2] / layer), abs=1e-6)


def test_small_beds_get_fewer_rungs_over_the_same_range():
    made = draw_set(Machine(values={f"volume.{a}_mm": 45 for a in "xyz"}), families=FAMILY)
    holes = [f.nominal_mm - PEG_MM for f in made.manifest.coupons[0].features]
    assert len(holes) == 6 and min(holes) == pytest.approx(0.1) and max(holes) == pytest.approx(0.9)
    assert any("6 rungs instead of 9" in note for note in made.notes)


def test_low_volumes_and_impossible_rungs_are_refused():
    low = Machine(values={"volume.z_mm": 12})
    with pytest.raises(JobError, match=r"volume\.z_mm: the fit-ladder's ball"):
        build_set(low, families=FAMILY)
    for rules, words in (
        (Rules(ladder_step=0.7), "step must lie between"),
        (Rules(ladder_middle=9), "first rung"),
        (Rules(ladder_middle=0.0, ladder_step=0.2), "first rung"),
    ):
        with pytest.raises(JobError, match=words):
            build_set(MACHINE, families=FAMILY, rules=rules)


# --- what the answers tell ----------------------------------------------------------------------------------


def test_rungs_are_read_with_their_partners_and_the_last_answer_counts():
    readings = (
        Reading(coupon="ladder", feature="rung30", reading_mm=None, fit="goes"),
        Reading(coupon="ladder", feature="rung30", reading_mm=None, fit="sticks"),
        Reading(coupon="cups", feature="rung50", reading_mm=None, fit="does not go"),
        Reading(coupon="peg", feature="peg-x", reading_mm=8.02),
    )
    got = rungs(coupon_set(FAMILY).manifest, readings)
    assert [(r.peg, r.hole, r.answer) for r in got] == [
        (8.0, pytest.approx(8.3), "sticks"),
        (10.0, pytest.approx(10.5), "does not go"),
    ]


def known_by_hand(readings):
    """Mean and covariance of the terms from trials alone."""
    done = read_out(walk(FAMILY), readings, MACHINE).fit
    return done.posterior.mean, done.posterior.cov


PLAY = [INDEX["backlash_x"], INDEX["backlash_y"]]


def test_posterior_of_the_trials_against_quadrature():
    # The trials depend on C and both plays; a grid over (C, b_x, b_y) with priors of C's own spread is exact, once
    # the lesser influences of unequal scales and lean are taken away from both.
    readings = tuple(r for r in answers(printer(contour_offset=0.06, backlash_x=0.1)) if r.coupon == "ladder")
    trials = rungs(coupon_set(FAMILY).manifest, readings)
    row = entering_gains(trials[4], W)
    spread = float(np.sqrt(row @ np.diag(PRIOR**2) @ row))
    b = np.linspace(-0.6, 0.6, 41)
    grid = np.array([printer(backlash_x=x, backlash_y=y) for x in b for y in b])
    lost = lost_to_turning(PEG_MM, W, grid)
    c = np.linspace(-1.2, 0.8, 400)
    log = -0.5 * (c / spread)[:, None] ** 2 - 0.5 * np.sum((grid[:, PLAY] / 0.3) ** 2, axis=1)
    for t in trials:
        enters = (t.hole - t.peg) + c
        p_in = ndtr(enters / FEEL_MM)[:, None]
        p_turn = np.minimum(ndtr((enters[:, None] - lost) / FEEL_MM), p_in)
        p = {"goes": p_turn, "sticks": p_in - p_turn, "does not go": 1 - p_in}[t.answer]
        log = log + np.log(np.maximum(p, 1e-300))
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean_c = float(weight.sum(axis=1) @ c)
    sd_c = float(np.sqrt(weight.sum(axis=1) @ (c - mean_c) ** 2))
    sd_b = float(np.sqrt(weight.sum(axis=0) @ grid[:, PLAY[0]] ** 2))
    mean, covariance = known_by_hand(readings)
    assert row @ mean == pytest.approx(mean_c, abs=0.015)
    assert np.sqrt(row @ covariance @ row) == pytest.approx(sd_c, rel=0.25)
    i = INDEX["backlash_x"]
    assert np.sqrt(covariance[i, i] + mean[i] ** 2) == pytest.approx(sd_b, rel=0.25)


@pytest.mark.parametrize("clearance", [-0.02, 0.0, 0.02, 0.12, 0.3])
def test_chances_of_the_answers_by_hand(clearance):
    """P(enters) = Phi(C / 0.03), P(turns) = Phi(T / 0.03): C by the closed form, T of the printed outlines."""
    theta = printer(backlash_x=0.06, backlash_y=0.06, bead_excess=0.03, contour_offset=0.02, scale_x=0.004)
    hole = next(h for h in (8.0 + c for c in np.arange(0, 1, 1e-3)) if entering(8.0, h, theta) >= clearance)
    enters = ndtr(entering(8.0, hole, theta) / 0.03)
    turns = min(ndtr(PrintedPair(8.0, hole, theta).turns() / 0.03), enters) if clearance > 0.1 else 0.0
    rungs_ = tuple(
        Rung(coupon="ladder", feature="rung", peg=8.0, hole=hole, answer=a)
        for a in ("goes", "sticks", "does not go")
    )
    got = chances(rungs_, W, theta[None])[0]
    assert got.sum() == pytest.approx(1.0)
    assert got[2] == pytest.approx(1 - enters, abs=0.015)
    # The loss to turning is taken from a pair of about that size, good to 0.004 mm.
    assert got[0] == pytest.approx(turns, abs=0.06)
    assert got[1] == pytest.approx(enters - turns, abs=0.06)


def test_what_trials_say_is_passed_on_as_rows_of_the_hands_own_uncertainty():
    """Rows of 0.03 mm, the hand's; none about which the trials say less than 0.15 of what was known: noise."""
    readings = answers(printer(contour_offset=0.08, backlash_x=0.05))
    before = prior(MACHINE)
    facts, notes = trial_facts(walk(FAMILY), readings, W, before)
    assert {n.code for n in notes} == {"ladder"} and 1 <= len(facts) <= 3
    assert all(f.u == 0.03 and f.kind == "trials" for f in facts)
    information = [float(f.row @ before.cov @ f.row) / 0.03**2 for f in facts]
    assert min(information) >= 0.15 and information == sorted(information, reverse=True)
    # Most is said about the clearance with which a peg goes in: to a rung of 0.1 mm, of some 0.6 known before.
    row = entering_gains(Rung(coupon="", feature="", peg=8.0, hole=8.4, answer=""), W)
    u = before.condition(facts[0].row[None], np.array([facts[0].value]), facts[0].u).linear(row)[1]
    assert u < 0.1 * before.linear(row)[1]
    value = before.condition(facts[0].row[None], np.array([facts[0].value]), facts[0].u).linear(row)[0]
    assert 0.4 + value == pytest.approx(entering(8.0, 8.4, printer(contour_offset=0.08)), abs=2.5 * u)


def test_user_without_a_caliper_gets_an_answer():
    # Bead and path act alike on every fit: their sum is what the ladder finds, and says so.
    theta = printer(contour_offset=0.08, bead_excess=0.02)
    got = interpret(walk(FAMILY), answers(theta), MACHINE)
    row = printer(bead_excess=1.0, contour_offset=2.0)
    mean = got.posterior.mean
    u = float(np.sqrt(row @ got.posterior.cov @ row))
    assert abs(row @ mean - 0.18) < 2 * u and u < 0.06
    assert (got.verdict.status, got.verdict.term) == ("undetermined", "")
    assert any({"bead_excess", "contour_offset"} <= set(a.terms) for a in got.confounded)
    assert got.p_value > 0.01


@pytest.mark.long
def test_clearances_are_covered():
    # Of 12 true 95 % intervals fewer than 9 hit once in 5,000.
    rng = np.random.default_rng(31)
    row = entering_gains(Rung(coupon="", feature="", peg=8.0, hole=8.5, answer=""), W)
    before = float(np.sqrt(row @ np.diag(PRIOR**2) @ row))
    hits, bracketed = 0, []
    for _ in range(12):
        theta = 0.25 * PRIOR * rng.standard_normal(len(NAMES)) + printer(contour_offset=0.08)
        told = answers(theta, rng)
        mean, covariance = known_by_hand(told)
        u = float(np.sqrt(row @ covariance @ row))
        if len({r.fit for r in told} & {"goes", "does not go"}) == 2:
            bracketed.append(u)
        hits += abs(0.5 + row @ mean - entering(8.0, 8.5, theta)) < 1.96 * u
    assert hits >= 9
    # Once one rung goes and one does not, what was open by 0.6 mm is known to a rung.
    assert len(bracketed) >= 6 and np.median(bracketed) < 0.12 * before


def both(theta, seed):
    """Caliper readings of the default set together with a ladder, as one print, and its walk."""
    coupons = walk(("stepped-boss", "stepped-bore", "reversal-comb", "fit-ladder"))
    sizes = tuple(
        r for r in simulate(coupons, theta, seed=seed) if r.coupon not in ("ladder", "cups", "peg", "ball")
    )
    return coupons, sizes


@pytest.mark.long
def test_hand_and_caliper_that_agree_are_not_told_apart():
    theta = printer(contour_offset=0.06, backlash_y=0.1)
    coupons, sizes = both(theta, 3)
    got = interpret(coupons, sizes + answers(theta), MACHINE)
    assert not any("tried by hand" in n.text for n in got.notes)
    alone = interpret(coupons, sizes, MACHINE)
    i = INDEX["contour_offset"]
    assert got.term(NAMES[i]).std_uncertainty <= alone.term(NAMES[i]).std_uncertainty * 1.001
    assert got.term(NAMES[i]).estimate == pytest.approx(0.06, abs=4 * got.term(NAMES[i]).std_uncertainty)


def test_hand_that_contradicts_the_caliper_is_told():
    theta = printer(contour_offset=0.06)
    coupons, sizes = both(theta, 4)
    wrong = Reading(coupon="ladder", feature="rung90", reading_mm=None, fit="does not go")
    got = interpret(coupons, (*sizes, wrong), MACHINE)
    assert any("rung90 on ladder (does not go)" in n.text for n in got.notes)


def test_nothing_tried_changes_nothing():
    assert trial_facts(walk(FAMILY), (), W, prior(MACHINE)) == ((), ())


# --- as a user meets it -------------------------------------------------------------------------------------


@pytest.mark.long
def test_case_without_a_caliper(tmp_path):
    place = tmp_path / "orrery"
    assert run("init", place, "--yes")[0] == 0
    code, out, err = run(
        "make", place, "--family", "fit-ladder", "--clearance", "0.5", "--clearance-step", "0.1"
    )
    assert code == 0, err
    path = place / "prints" / "01" / "readings.csv"
    theta = printer(contour_offset=0.08, backlash_x=0.05, backlash_y=0.05)
    words = {r.feature: r.fit for r in answers(theta) if r.coupon == "ladder"}
    text = path.read_text(encoding="utf-8")
    for feature, word in words.items():
        text = re.sub(rf"(?m)^ladder,{feature},,", f"ladder,{feature},{word},", text)
    path.write_text(text, encoding="utf-8")
    got = run_json("diagnose", place)
    assert got["terms"]["contour_offset"]["estimate"] == pytest.approx(0.08, abs=0.06)
    pair = run_json("predict", place, "--pair", "8,8.5", "--turns")["pairs"][0]
    turns = PrintedPair(8.0, 8.5, theta).turns()
    assert pair["turning_mm"]["low"] < turns < pair["turning_mm"]["high"]
    assert abs(pair["by_caliper_x_mm"]["mean"] - (0.5 - 4 * 0.08)) < 0.1


@pytest.mark.parametrize("args", [("--clearance", "9"), ("--clearance-step", "0"), ("--clearance", "eng")])
def test_bad_ladders(tmp_path, args):
    place = tmp_path / "orrery"
    assert run("init", place, "--yes")[0] == 0
    code, _, err = run("make", place, "--family", "fit-ladder", *args)
    assert code == 2 and "Traceback" not in err


def said(answers):
    """What the notes say of a ladder whose rungs, from the tightest on, got these answers."""
    manifest = coupon_set(FAMILY).manifest
    (ladder,) = [c for c in manifest.coupons if c.id == "ladder"]
    openings = sorted((f for f in ladder.features if f.kind == "inside"), key=lambda f: f.nominal_mm)
    readings = tuple(
        Reading(coupon="ladder", feature=f.id, reading_mm=None, fit=answer)
        for f, answer in zip(openings, answers, strict=False)
    )
    _, notes = trial_facts(walk(FAMILY), readings, W, prior(MACHINE))
    return " ".join(n.text for n in notes)


def test_a_ladder_is_told_in_one_sentence():
    """Rungs of 0.1 to 0.9 mm: the second goes in, the sixth turns."""
    answers = ["does not go", *["sticks"] * 4, *["goes"] * 4]
    assert said(answers) == "ladder: 8 mm pegs go in from 0.20 mm of drawn clearance, turn from 0.60 mm."


def test_ends_of_a_ladder_ask_for_another():
    assert "--clearance 0.10 --clearance-step 0.02" in said(["goes"] * 9)
    assert "--clearance 1.30" in said(["does not go"] * 9)
    assert "turn in none up to 0.90" in said(["sticks"] * 9)


def test_an_order_that_no_printer_makes_is_asked_about():
    text = said(["does not go", "goes", "sticks", "goes"])
    assert "rung20 goes but the wider rung30 sticks" in text
    assert "Try both again" in text


@pytest.mark.parametrize(
    ("typed", "answer"),
    [
        ("OK", "goes"),
        ("yes", "goes"),
        ("tight", "sticks"),
        ("No", "does not go"),
        ("won\u2019t go", "does not go"),
    ],
)
def test_words_that_people_type(typed, answer):
    assert parse_reading(typed) == (None, answer)
