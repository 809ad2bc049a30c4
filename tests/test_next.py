"""What to read or print next: gains in closed form, the ranking, and how few readings would have done."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.diagnosis.information_gain import (
    doubt_of,
    removed_by_all,
    removed_by_each,
    share_removed,
)
from fitassay.analysis.diagnosis.lookahead import few_enough, look_ahead
from fitassay.analysis.diagnosis.ranking import (
    Standing,
    rank_coupons,
    rank_readings,
    rank_unprinted,
    what_next,
)
from fitassay.analysis.estimation.known import Known, path_place
from fitassay.analysis.estimation.observations import single_reading_sd
from fitassay.analysis.estimation.priors import prior_sds
from fitassay.analysis.normal import Normal
from fitassay.analysis.readings.file import Reading
from fitassay.analysis.terms import INDEX, PRINTER, TERMS
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine
from tests.fit_case import quick_case, run, run_json
from tests.posteriors import posterior
from tests.sets import walk

MACHINE = Machine()
U = single_reading_sd(MACHINE)


EVEN = Machine(priors={"uneven_layers": 0.0, "push_out": 0.0})


def standing(
    measured: tuple[tuple[str, str], ...] = (), doubt: np.ndarray | None = None, machine: Machine = MACHINE
) -> Standing:
    """After reading these features, with doubt about bead and path unless given."""
    w = walk()
    columns = [w.keys.index(k) for k in measured]
    _, gains = w.linearise()
    post = posterior(gains[columns], np.zeros(len(columns)), np.full(len(columns), U), prior_sds(machine))
    if doubt is None:
        doubt = np.zeros(len(TERMS))
        doubt[[INDEX["bead_excess"], INDEX["contour_offset"]]] = 0.5
    return Standing(
        posterior=Normal(mean=np.zeros(len(TERMS)), cov=post.cov),
        doubt=doubt,
        measured=frozenset(measured),
        u=U,
    )


def test_what_readings_remove_is_what_the_posterior_then_loses():
    rng = np.random.default_rng(5)
    gains, prior = rng.normal(size=(6, 4)), np.array([0.2, 0.5, 1.0, 0.1])
    u = rng.uniform(0.05, 0.3, 6)
    before = posterior(gains[:2], np.zeros(2), u[:2], prior)
    after = posterior(gains, np.zeros(6), u, prior)
    assert removed_by_all(before.cov, gains[2:], u[2:]) == pytest.approx(1 - after.sd / before.sd, abs=1e-12)
    each = removed_by_each(before.cov, gains[2:], u[2:])
    for j in range(4):
        one = posterior(gains[[0, 1, 2 + j]], np.zeros(3), u[[0, 1, 2 + j]], prior)
        assert each[:, j] == pytest.approx(1 - one.sd / before.sd, abs=1e-12)
        alone = removed_by_all(before.cov, gains[[2 + j]], u[[2 + j]])
        assert each[:, j] == pytest.approx(alone, abs=1e-12)


def test_doubt_is_the_chance_of_a_wrong_verdict_shared_out():
    chances = np.array([0.7, 0.2, 0.1, 0.0])
    doubt = doubt_of(chances, np.array([True, True, True, False]))
    # The leader's share is that of not leading; rivals have their own chance; what cannot be accused has none.
    assert doubt == pytest.approx([0.3, 0.201, 0.101, 0.0])
    assert share_removed(doubt, np.ones(4)) == pytest.approx(1.0)
    assert share_removed(np.zeros(4), np.ones((4, 3))) == pytest.approx(np.zeros(3))


def test_the_single_wall_is_what_splits_bead_from_path():
    """A block cannot; the wall sees the bead alone and costs four readings."""
    block = walk(("plain-block",))
    readings = simulate(block, theta_of({"contour_offset": 0.12}), seed=3)
    verdict = interpret(block, readings, MACHINE)
    assert verdict.verdict.status == "undetermined"
    first = verdict.next[0]
    assert first.coupon == "wall" and "print wall" in first.text
    assert first.gain > 0.5
    # And it does: with the wall read too only dense filling that pushes out passes for it, by 0.05 a side.
    both = walk(("plain-block", "single-wall"))
    together = interpret(both, simulate(both, theta_of({"contour_offset": 0.12}), seed=3), MACHINE)
    assert together.verdict.status == "sum-known"
    assert together.verdict.contenders == ("contour_offset", "push_out")
    # A larger one is accused.
    larger = interpret(both, simulate(both, theta_of({"contour_offset": 0.2}), seed=3), MACHINE)
    assert larger.verdict.term == "contour_offset"
    assert larger.verdict.status in ("leading", "dominant")


def test_order_is_by_doubt_removed_per_minute():
    s = standing((("boss", "step14-x"),))
    for found in (
        rank_readings(walk(), s),
        rank_coupons(walk(), s),
        rank_coupons(walk(), s, dict.fromkeys([c.id for c in walk().manifest.coupons], 10.0)),
    ):
        rates = [n.gain / n.minutes for n in found]
        assert rates == sorted(rates, reverse=True) and len(rates) > 3
        assert all(0 < n.gain <= 1 for n in found)
    printed = {n.coupon: n for n in rank_coupons(walk(), s)}
    dear = {n.coupon: n for n in rank_coupons(walk(), s, dict.fromkeys(printed, 10.0))}
    assert dear["wall"].minutes == pytest.approx(printed["wall"].minutes + 10.0)
    assert dear["wall"].gain == pytest.approx(printed["wall"].gain)


def test_a_coupon_tells_no_less_than_its_best_reading():
    s = standing()
    singles = rank_readings(walk(), s)
    for whole in rank_coupons(walk(), s):
        mine = [n for n in singles if n.coupon == whole.coupon]
        best = max(mine, key=lambda n: n.gain)
        assert whole.gain >= best.gain - 1e-12
        assert whole.feature == best.feature


@pytest.mark.parametrize(("share", "printing"), [(0.55, False), (0.45, True)])
def test_more_is_printed_only_where_what_is_at_hand_leaves_half_of_the_doubt(share, printing):
    """Four readings of the wall against a doubt about the bead alone: sd'/sd = 1 / sqrt(1 + 4 sd^2 / u^2)."""
    w, u = walk(("single-wall",)), 0.02
    assert len(w.keys) == 4
    sd = np.full(len(TERMS), 1e-9)
    sd[INDEX["bead_excess"]] = u * np.sqrt((1 / (1 - share) ** 2 - 1) / 4)
    doubt = np.zeros(len(TERMS))
    doubt[INDEX["bead_excess"]] = 1.0
    standing = Standing(posterior=Normal.independent(sd), doubt=doubt, measured=frozenset(), u=u)
    found = what_next(w, standing, MACHINE)
    assert found[0].coupon == "wall" and found[0].gain == pytest.approx(share, abs=1e-6)
    assert (len(found) > 1) == printing


def test_what_is_read_already_is_asked_again_only_on_demand():
    key = next(k for k in walk().keys if k[0] == "wall")
    s = standing((key,))
    assert key not in [(n.coupon, n.feature) for n in rank_readings(walk(), s)]
    again = [n for n in rank_readings(walk(), s, again=True) if (n.coupon, n.feature) == key]
    assert again and re.match(r"read \S+ on wall again: removes", again[0].text)


@pytest.mark.parametrize("status", ["open", "settled"])
def test_a_reading_that_was_left_out_is_to_be_taken_again_before_anything_is_printed(tmp_path, status):
    """Half a minute with the caliper, where the other ways to the same knowledge take a quarter of an hour."""
    place = quick_case(tmp_path)
    run("simulate", place, "--backlash-y", "0.3", "--seed", "3")
    coupon, feature = ("comb-x", "diagonal-neck") if status == "open" else ("comb-y", "tooth8")
    path = place / "prints" / "01" / "readings.csv"
    rows = [row.split(",") for row in path.read_text().splitlines()]
    for row in rows:
        if row[:2] == [coupon, feature]:
            row[2] = f"{float(row[2]) + 1:.2f}"
    path.write_text("".join(",".join(row) + "\n" for row in rows))
    told = run_json("diagnose", place)
    assert [(s["coupon"], s["feature"]) for s in told["suspect_readings"]] == [(coupon, feature)]
    again = [n for n in told["next"] if n["text"].startswith(f"read {feature} on {coupon} again: removes")]
    if status == "settled":
        # Nothing is in doubt without it, so there is nothing to do next.
        assert not told["next"]
        return
    assert told["next"][:1] == again
    assert again[0]["minutes"] < 1 < told["next"][1]["minutes"]


def test_a_piece_of_known_size_is_offered_for_its_worth():
    """Once sizes are well read the caliper's own zero is what keeps bead width uncertain, if layers lie true."""
    keys = tuple(k for k in walk().keys if k[0] in ("wall", "boss", "bore"))
    s = standing(keys, machine=EVEN)
    found = {(n.coupon, n.feature): n.gain for n in rank_readings(walk(), s)}
    piece = ("reference", "inside:8.000")
    # Its reading holds the jaws' own error alone; by the rule for one more reading, sd after / sd before of bead
    # and path, whose doubt is alike: C' = C - c c' / (c_bias + u^2), c the column of the jaws' error.
    c = s.posterior.cov[:, INDEX["inside_bias"]]
    before = np.sqrt(np.diag(s.posterior.cov))
    after = np.sqrt(np.diag(s.posterior.cov) - c**2 / (c[INDEX["inside_bias"]] + U**2))
    fall = 1 - (after / before)[[INDEX["bead_excess"], INDEX["contour_offset"]]]
    assert found[piece] == pytest.approx(fall.mean(), rel=1e-9)
    # Read already: not offered again.
    told = replace(s, measured=s.measured | {("reference", "inside:10.000")})
    assert piece not in {(n.coupon, n.feature) for n in rank_readings(walk(), told)}


def test_only_families_that_were_not_printed_are_offered_for_printing():
    w = walk(("plain-block", "single-wall"))
    doubt = np.where(PRINTER, 1.0, 0.0)
    s = Standing(
        posterior=Normal.independent(prior_sds(MACHINE)),
        doubt=doubt,
        measured=frozenset(),
        u=U,
    )
    offered = {n.coupon for n in rank_unprinted(w, s, MACHINE)}
    assert "wall" not in offered and {"comb-x", "comb-y", "frame"} <= offered
    assert rank_unprinted(walk(), s, MACHINE) == ()


def test_the_outlook_before_the_first_reading_and_after_the_last():
    before = look_ahead(walk(), MACHINE, None)
    assert before.readings and before.coupons
    assert sum(share for _, share in before.about) > 0.9
    readings = simulate(walk(), theta_of({"backlash_y": 0.24}), seed=1)
    after = look_ahead(walk(), MACHINE, interpret(walk(), readings, MACHINE), readings)
    assert after.about == () and after.readings == ()


def test_few_readings_would_have_done_and_do():
    readings = simulate(walk(), theta_of({"backlash_y": 0.24}), seed=1)
    few = few_enough(walk(), readings, MACHINE, 0.95)
    assert few.reached and few.term == "backlash_y" and few.status == "dominant"
    assert len(few.keys) <= 0.6 * few.available and few.available == len(walk().keys)
    kept = tuple(r for r in readings if (r.coupon, r.feature) in few.keys)
    again = interpret(walk(), kept, MACHINE).verdict
    assert (again.status, again.term) == (few.status, few.term)
    assert again.probability == pytest.approx(few.probability) and again.probability >= 0.95
    # A higher standard takes at least as many.
    assert len(few_enough(walk(), readings, MACHINE, 0.99).keys) >= len(few.keys)


def test_readings_that_cannot_settle_it_are_said_to_be_too_few():
    block = walk(("plain-block",))
    readings = simulate(block, theta_of({"contour_offset": 0.12}), seed=3)
    few = few_enough(block, readings, MACHINE, 0.95)
    assert not few.reached and len(few.keys) == few.available == 4
    with pytest.raises(InputError, match="nothing to replay"):
        few_enough(block, (), MACHINE, 0.95)


def test_a_slip_does_not_end_the_replay_early():
    readings = list(simulate(walk(), theta_of({"bead_excess": 0.25}), seed=2))
    first = few_enough(walk(), tuple(readings), MACHINE, 0.95).keys[0]
    at = next(i for i, r in enumerate(readings) if (r.coupon, r.feature) == first)
    readings[at] = replace(readings[at], reading_mm=readings[at].reading_mm + 1.0)
    few = few_enough(walk(), tuple(readings), MACHINE, 0.95)
    assert few.reached and few.term == "bead_excess"


def test_what_a_sliced_file_shows_needs_no_reading():
    """With the path's place known the wall is no longer what tells most."""
    block = walk(("plain-block",))
    readings = simulate(block, theta_of({"contour_offset": 0.12}), seed=3)
    known = Known(facts=(path_place(0.12, 0.01),))
    told = interpret(block, readings, MACHINE, known)
    assert told.verdict.term == "contour_offset"
    blind = look_ahead(walk(), MACHINE, None)
    seeing = look_ahead(walk(), MACHINE, None, (), known)
    assert dict(seeing.about).get("contour_offset", 0.0) < dict(blind.about)["contour_offset"]


def test_doubt_names_only_printer_errors():
    outlook = look_ahead(walk(), MACHINE, None)
    for name, share in outlook.about:
        assert TERMS[INDEX[name]].kind == "printer" and 0 < share <= 1
    assert len(outlook.about) > 1


def test_repeats_count_as_their_mean():
    readings = simulate(walk(), theta_of({"backlash_y": 0.24}), seed=1, repeats=2)
    few = few_enough(walk(), readings, MACHINE, 0.95)
    assert few.reached and few.available == len(walk().keys)
    pairs: dict[tuple[str, str], list[Reading]] = {}
    for r in readings:
        pairs.setdefault((r.coupon, r.feature), []).append(r)
    assert {len(both) for both in pairs.values()} == {2}
    means = tuple(
        replace(a, reading_mm=((a.reading_mm or 0.0) + (b.reading_mm or 0.0)) / 2) for a, b in pairs.values()
    )
    assert few_enough(walk(), means, MACHINE, 0.95).keys == few.keys


def test_pegs_tried_by_hand_are_enough_for_a_fix():
    """Without a caliper: every hole 0.45 mm tight or more refuses its peg; the sum is known and so is what to set."""
    ladder = walk(("fit-ladder",))
    answers = []
    for (coupon, name), feature in zip(ladder.keys, ladder.features, strict=True):
        if feature.kind == "inside":
            gap = feature.nominal_mm - (8.0 if coupon == "ladder" else 10.0)
            answers.append(
                Reading(
                    coupon=coupon, feature=name, reading_mm=None, fit="goes" if gap > 0.45 else "does not go"
                )
            )
    told = interpret(ladder, tuple(answers), MACHINE)
    alias = next(a for a in told.confounded if set(a.terms) == {"bead_excess", "contour_offset"})
    # Clearance drawn less 2 (e + 2p) turns at 0.45 mm: e + 2p = 0.225.
    assert alias.value == pytest.approx(0.225, abs=3 * alias.std_uncertainty) and alias.std_uncertainty < 0.05
    amount = float(alias.remedy.text.partition(" to ")[2].split()[0])
    assert amount == pytest.approx(-alias.value / 2, abs=0.01)
    # Its openings cannot be read again by caliper: the pegs can, and other coupons can be printed.
    outlook = look_ahead(ladder, MACHINE, told, tuple(answers))
    assert all(n.coupon in ("peg", "ball", "reference") for n in outlook.readings)
    assert outlook.unprinted[0].coupon == "wall"
