"""The plan: steps in order, the smallest print that verifies each, when to stop."""

import re
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from fitassay.analysis.chain.simulate import simulate
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.estimation.observations import single_reading_sd
from fitassay.analysis.estimation.priors import prior_sds
from fitassay.analysis.parts.iso286 import parse_fit
from fitassay.analysis.parts.sizes import State
from fitassay.analysis.prints.mixed_model import drift_sds
from fitassay.analysis.prints.plan import TELLS, make_plan
from fitassay.analysis.terms import INDEX
from fitassay.coupons.machine import Machine
from tests.fit_case import case, run, run_json
from tests.posteriors import posterior
from tests.printers import printer
from tests.sets import coupon_set, walk

MACHINE = Machine()
PRIOR = prior_sds(MACHINE)
U = single_reading_sd(MACHINE)
DRIFT = drift_sds(MACHINE.kinematics)


def planned(theta, seed=1, wanted=None):
    diagnosis = interpret(walk(), simulate(walk(), theta, seed=seed), MACHINE)
    state = State(posterior=diagnosis.posterior, width=0.45)
    return diagnosis, state, make_plan(diagnosis, state, MACHINE, walk(), coupon_set().costs, U, wanted)


def known_after(coupons, state, term, changed=()):
    """Standard uncertainty of a term after a print of `coupons`, by the estimator: all but what changed as known."""
    gains = walk().linearise(state.posterior.mean)[1]
    rows = np.array([g for (c, _), g in zip(walk().keys, gains, strict=True) if c in coupons])
    i = INDEX[term]
    # Another print: what was known has drifted until then.
    covariance = state.posterior.cov + np.diag(DRIFT**2)
    for j in {i, *(INDEX[name] for name in changed)}:
        covariance[j] = covariance[:, j] = 0.0
        covariance[j, j] = PRIOR[j] ** 2
    scale = np.sqrt(np.diag(covariance))
    root = scale[:, None] * np.linalg.cholesky(covariance / np.outer(scale, scale))
    post = posterior(rows @ root, np.zeros(len(rows)), np.full(len(rows), U), np.ones(len(PRIOR)))
    mended = mended_by(term) @ root
    return float(np.sqrt(mended @ post.cov @ mended))


def mended_by(term):
    """Size compensation mends all that stands outward per side, by hand; any other setting its own error."""
    if term != "contour_offset":
        return printer(**{term: 1.0})
    return printer(contour_offset=1.0, push_out=1.0, bead_excess=0.5, uneven_layers=0.5)


def goal(step):
    """To what the check is to know what a step mends."""
    a = step.advice
    return (abs(a.to_value - a.from_value) if a.term == "contour_offset" else abs(step.error)) / TELLS


def test_steps_follow_the_advice():
    diagnosis, _, plan = planned(printer(backlash_x=0.2, contour_offset=0.08, scale_y=0.006))
    assert not plan.done
    assert [s.advice.term for s in plan.steps] == [a.term for a in diagnosis.advice]
    terms = [s.advice.term for s in plan.steps]
    assert terms.index("backlash_x") < terms.index("contour_offset") < terms.index("scale_y")
    assert plan.misfit_after_mm < 0.3 * plan.misfit_now_mm
    for now, after in zip(plan.now, plan.after, strict=True):
        assert after.width_mm < now.width_mm


@pytest.mark.parametrize("term, error", [("backlash_y", 0.15), ("contour_offset", 0.1), ("skew_xy", 0.01)])
def test_check_is_the_quickest_print_that_tells(term, error):
    _, state, plan = planned(printer(**{term: error}))
    step = next(s for s in plan.steps if s.advice.term == term)
    assert step.check.enough and step.check.tells >= TELLS
    assert known_after(step.check.coupons, state, term) <= goal(step) * 1.001
    costs = coupon_set().costs
    names = [c.id for c in coupon_set().manifest.coupons]
    for count in (1, 2):
        for other in combinations(names, count):
            if sum(costs[c].minutes for c in other) < step.check.minutes - 1e-9:
                assert known_after(other, state, term) > goal(step), other
    assert step.check.grams == pytest.approx(sum(costs[c].grams for c in step.check.coupons))


def test_backlash_is_verified_by_one_small_piece():
    # Its comb tells it alone; another piece may take its place where it is quicker and what else it tells is known.
    _, _, plan = planned(printer(backlash_x=0.2, backlash_y=0.2))
    by_term = {s.advice.term: s.check for s in plan.steps}
    for axis in "xy":
        check = by_term[f"backlash_{axis}"]
        assert check.enough and len(check.coupons) == 1
        assert check.minutes <= coupon_set().costs[f"comb-{axis}"].minutes
    # Both at once: no dearer than the two combs, and never short of what it promises.
    both = sum(coupon_set().costs[c].minutes for c in ("comb-x", "comb-y"))
    assert plan.together.enough and plan.together.minutes <= both
    assert plan.together.families == tuple(
        c.family for c in coupon_set().manifest.coupons if c.id in plan.together.coupons
    )


def test_one_print_for_all_steps_tells_every_one_of_them():
    _, state, plan = planned(printer(backlash_x=0.3, backlash_y=0.3, skew_xy=0.01))
    terms = [s.advice.term for s in plan.steps]
    assert {"backlash_x", "backlash_y", "skew_xy"} <= set(terms) and plan.together.enough
    for step in plan.steps:
        assert known_after(plan.together.coupons, state, step.advice.term, terms) <= goal(step) * 1.001, step


def test_sound_printer_is_done():
    _, _, plan = planned(printer())
    assert plan.done and plan.steps == () and plan.together is None
    assert plan.why == "What is left is less than one caliper reading can see."


def test_wanted_fit_ends_the_plan_early():
    theta = printer(contour_offset=0.06)
    _, _, plan = planned(theta, wanted=(parse_fit("H16/h16"), 20.0))
    assert plan.done and "holds 20 H16/h16" in plan.why
    _, _, plan = planned(theta, wanted=(parse_fit("H11/h11"), 20.0))
    assert not plan.done and "does not hold 20 H11/h11" in plan.why
    # The tighter of hole and shaft decides.
    for fit in ("H16/h11", "H11/h16"):
        _, _, plan = planned(theta, wanted=(parse_fit(fit), 20.0))
        assert not plan.done and f"does not hold 20 {fit}" in plan.why


def test_readings_that_do_not_fit_give_no_plan():
    diagnosis, state, _ = planned(printer(backlash_x=0.2))
    odd = replace(diagnosis, verdict=replace(diagnosis.verdict, status="unexplained"), advice=())
    plan = make_plan(odd, state, MACHINE, walk(), coupon_set().costs, U)
    assert not plan.done and plan.steps == () and "measure again" in plan.why


def test_command(tmp_path):
    place = case(tmp_path)
    got = run_json("plan", place)
    assert not got["done"]
    terms = [s["term"] for s in got["steps"]]
    assert terms[0] == "backlash_x" and "contour_offset" in terms
    for step in got["steps"]:
        assert step["check"]["minutes"] > 0 and step["check"]["grams"] > 0
    for grade in got["grades"]:
        assert grade["after"] is not None and (grade["now"] is None or grade["after"] < grade["now"])
    code, out, _ = run("plan", place)
    assert (
        code == 0
        and f"to see that it took: print {got['steps'][0]['check']['coupons'][0]}" in out
        and f"fitassay apply {place} 1" in " ".join(out.split())
    )
    assert all(step["why"] in " ".join(out.split()) for step in got["steps"])
    code, out, _ = run("plan", place, "--fit", "H18/h18", "--size", "20")
    assert code == 0 and out.startswith("Done. The printer holds 20 H18/h18")


def test_sizes_that_a_constant_for_all_holes_makes_coarser_are_named(tmp_path):
    """A hole of 5 mm closes by 0.18 mm; as much on holes of 120 mm, which close by less than 0.01, is too much."""
    place = tmp_path / "shop"
    assert run("init", place, "--yes")[0] == 0
    toml = place / "machine.toml"
    text = toml.read_text("utf-8").replace('hole_setting = ""', 'hole_setting = "constant"')
    toml.write_text(re.sub(r"usual_hole_mm = .*", "usual_hole_mm = 5.0", text), "utf-8")
    joint = "name,shape,peg_mm,hole_mm,bought,way_up,motion,now\npin,round,4.7,5,,same,turn,\n"
    (place / "joints.csv").write_text(joint, "utf-8")
    assert run("make", place)[0] == 0
    assert run("simulate", place, "--closing-round-bores", "0.3")[0] == 0
    got = run_json("plan", place)
    assert [s["setting"] for s in got["steps"]] == ["settings.hole_constant_mm"]
    lost = [g["to_mm"] for g in got["grades"] if g["now"] and g["after"] > g["now"]]
    assert 120.0 in lost and 10.0 not in lost
    said = " ".join(run("plan", place)[1].split())
    assert (
        "80 to 120 mm: one constant for all holes, chosen for those of your joints, opens larger ones" in said
    )


def test_where_the_cause_is_open_the_plan_says_what_would_tell_it(tmp_path):
    """Bead or uneven layers: the step serves whichever it is; rims, with their minutes, would tell."""
    place = tmp_path / "case"
    for args in (
        ("init", place),
        ("make", place),
        ("simulate", place, "--bead-excess", "0.1", "--seed", "3"),
    ):
        assert run(*args)[0] == 0
    got = run_json("plan", place)
    assert [s["setting"] for s in got["steps"]] == ["settings.contour_mm"]
    first = got["tells_more"][0]
    assert "rim" in first["feature"] and first["minutes"] == 3.0 and 0 < first["gain"] < 1
    text = " ".join(run("plan", place)[1].split())
    assert f"What tells more of the cause: {first['text']}." in text


@pytest.mark.parametrize(
    "args, words",
    [
        (("--fit", "H7/h6"), "go together"),
        (("--size", "8"), "go together"),
        (("--fit", "H7", "--size", "8"), "H11/c11"),
        (("--fit", "H7/h6", "--size", "900"), "up to 500"),
    ],
)
def test_bad_requests(tmp_path, args, words):
    code, out, err = run("plan", case(tmp_path), *args)
    assert code == 2 and words in err and out == "" and "Traceback" not in err
