"""Where words and advice change over: each limit from both sides, on posteriors made by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fitassay.analysis.diagnosis.advice import advise
from fitassay.analysis.diagnosis.confounding import confounded_groups, find_confounded
from fitassay.analysis.diagnosis.diagnosis_notes import cancelling
from fitassay.analysis.diagnosis.judging import judge_many
from fitassay.analysis.diagnosis.ranking import (
    Standing,
    doubted,
    open_doubt,
    rank_coupons,
    rank_readings,
    rank_unprinted,
    what_next,
)
from fitassay.analysis.diagnosis.sequential import Guide
from fitassay.analysis.diagnosis.verdict import STATUSES, Judged, Reference, reference_of, with_ordinary
from fitassay.analysis.diagnosis.verdict_words import verdict_of
from fitassay.analysis.normal import Normal
from fitassay.analysis.terms import INDEX, PRINTER, SHAPING, TERMS
from fitassay.coupons.machine import Machine
from tests.sets import walk

K = len(TERMS)
MACHINE = Machine()
BEAD, PATH, BX, BY, SX = (
    INDEX[n] for n in ("bead_excess", "contour_offset", "backlash_x", "backlash_y", "scale_x")
)
PRIOR = np.array([t.prior_sd or 0.01 for t in TERMS])
UNDETERMINED = 2


def values(**terms: float) -> np.ndarray:
    out = np.zeros(K)
    for name, value in terms.items():
        out[INDEX[name]] = value
    return out


def open_verdict(
    chances: dict[str, float], mean: np.ndarray, sd: np.ndarray, sturdy=0.5, visible=True, loud=1.0
):
    """The sentence of an undetermined verdict in which the errors have these chances of being the largest."""
    row = values(**chances)
    best = int(np.argmax(row))
    judged = Judged(
        status=np.array([UNDETERMINED]), term=np.array([best]), probability=np.array([row[best]]),
        chances=row[None], shares=row[None], sturdy=np.array([sturdy]), quiet=np.zeros(1), loud=np.full(1, loud),
        visible=np.array([visible]),
    )  # fmt: skip
    return verdict_of(judged, Normal(mean=mean, cov=np.diag(sd**2)), np.array([0.05]), ())


def test_where_no_error_surely_exceeds_what_the_caliper_sees_that_comes_first():
    chances = {"backlash_x": 0.5, "backlash_y": 0.4}
    for loud, begins in ((0.79, "No error is surely larger"), (0.81, "These readings cannot tell")):
        verdict = open_verdict(chances, values(), np.full(K, 0.1), loud=loud)
        assert verdict.text.startswith(begins), loud


@pytest.mark.parametrize(("sds", "alike"), [(4.05, True), (3.95, False)])
def test_two_errors_known_by_four_standard_uncertainties_are_simply_alike(sds, alike):
    mean, sd = values(backlash_x=0.2, backlash_y=-0.2), np.full(K, 0.2 / sds)
    text = open_verdict({"backlash_x": 0.5, "backlash_y": 0.5}, mean, sd).text
    assert ("spoil the fit about alike" in text) == alike
    # One of them known well is not enough.
    sd[BX] = 0.001
    text = open_verdict({"backlash_x": 0.5, "backlash_y": 0.5}, mean, sd).text
    assert ("spoil the fit about alike" in text) == alike


def test_contenders_have_a_chance_of_one_in_twenty():
    chances = {"backlash_x": 0.5, "backlash_y": 0.4, "bead_excess": 0.051, "contour_offset": 0.049}
    verdict = open_verdict(chances, values(), np.full(K, 0.1))
    assert verdict.contenders == ("backlash_x", "backlash_y", "bead_excess")
    assert verdict.text.endswith("it may be backlash in x, backlash in y or bead width.")


@pytest.mark.parametrize(
    ("chance", "sturdy", "words"),
    [
        (0.80, 0.79, "printers usually err that way"),
        (0.79, 0.70, "it may be backlash in x or backlash in y"),
        (0.80, 0.80, "may be less than the caliper can see (0.05 mm)"),
    ],
)
def test_why_a_likely_error_is_not_accused(chance, sturdy, words):
    chances = {"backlash_x": chance, "backlash_y": 0.2}
    verdict = open_verdict(
        chances, values(backlash_x=0.05), np.full(K, 0.05), sturdy=sturdy, visible=sturdy < 0.8
    )
    assert words in verdict.text and verdict.term == ""


def reference(*rows: dict[str, float]) -> Reference:
    return Reference(
        labels=tuple(map(str, range(len(rows)))),
        gains=np.array([values(**row) for row in rows]),
        inside=np.zeros(len(rows), dtype=bool),
    )


@pytest.mark.parametrize(("error", "changed"), [(0.0026, True), (-0.0026, True), (0.0024, False)])
def test_a_change_is_advised_for_what_some_size_shows(error, changed):
    """At 20 mm a scale of 0.26 % is 0.052 mm, of 0.24 % 0.048; one reading sees 0.05."""
    # Four of each, so that the next print shows the change, too (`advice.pays`).
    sizes = reference(*[{"scale_x": 5.0}, {"scale_x": -20.0}] * 4)
    got = advise(values(scale_x=error), np.diag(np.full(K, 1e-12)), sizes, MACHINE, 0.05)
    before, after = got.before_mm, got.after_mm
    assert [a.setting for a in got.steps] == (["settings.steps_per_mm_x"] if changed else [])
    # Root mean square over both sizes, by hand.
    assert before == pytest.approx(abs(error) * math.sqrt((25 + 400) / 2), rel=1e-4)
    assert after == (pytest.approx(0.0, abs=1e-4) if changed else before)


@pytest.mark.parametrize(
    ("sds", "accused", "changed", "leans"),
    [
        (2.05, True, True, False),
        (1.95, True, False, False),
        (4.1, False, True, False),
        (3.9, False, False, True),
        (2.05, False, False, True),
        (1.95, False, False, False),
    ],
)
def test_a_change_is_advised_for_what_is_known_to_half_of_it(sds, accused, changed, leans):
    """By the standard uncertainty where an error is accused, else by the expanded one; which way it leans is told."""
    sd = 0.002
    cov = np.diag(np.where(np.arange(K) == SX, sd**2, 1e-12))
    sizes = reference({"scale_x": 20.0}, {"scale_x": 20.0})
    got = advise(values(scale_x=sds * sd), cov, sizes, MACHINE, 0.05, accused=accused)
    assert (bool(got.steps), bool(got.unsettled)) == (changed, leans)
    assert got.after_mm == (pytest.approx(20 * sd, rel=1e-3) if changed else got.before_mm)


def confounded_at(angle_deg: float):
    """Bead and path tied to each other; what they do to two sizes lies `angle_deg` from what either alone does."""
    half = math.radians(angle_deg)
    gains = np.zeros((2, K))
    gains[:, PATH] = 2 * math.cos(half), 2 * math.sin(half)
    gains[:, BEAD] = math.cos(half), -math.sin(half)
    mean = values(bead_excess=0.1, contour_offset=0.05)
    prior = PRIOR.copy()
    cov = np.diag((0.01 * prior) ** 2)
    sd_e, sd_p = 0.9 * prior[BEAD], 0.45 * prior[BEAD]
    prior[PATH] = sd_p / 0.9
    cov[BEAD, BEAD], cov[PATH, PATH] = sd_e**2, sd_p**2
    cov[BEAD, PATH] = cov[PATH, BEAD] = -0.9995 * sd_e * sd_p
    (found,) = find_confounded(mean, cov, prior, gains, MACHINE)
    assert found.combination == {"bead_excess": 1.0, "contour_offset": 2.0}
    assert found.value == pytest.approx(0.2)
    return found


def test_one_setting_serves_where_it_leaves_little():
    """It leaves the sine of the angle of the misfit: 0.31 at 18 degrees, 0.41 at 24; 0.35 is allowed."""
    fix = confounded_at(18.0).remedy.text
    assert fix.startswith("set the horizontal size compensation") and "whichever it is" in fix
    # Both sum up to 0.2 cos 18; its projection on the path's two is 0.2 cos^2 18 / 2 = 0.0905.
    assert "from 0 to -0.090 mm" in fix
    assert confounded_at(24.0).remedy.text.startswith("no one setting serves whichever it is")


@pytest.mark.parametrize(
    ("bead", "path", "correlation", "tied"),
    [
        # 1 - (1 - r^2) must be at least 0.85^2: r from 0.85 on.
        (0.5, 0.5, -0.86, True),
        (0.5, 0.5, -0.84, False),
        # Errors that keep less than a fifth of their prior width are no part of a group, ...
        (0.5, 0.19, -0.99, False),
        (0.5, 0.21, -0.99, True),
        # ... and one of the group must keep 0.3 of it.
        (0.29, 0.29, -0.99, False),
        (0.31, 0.21, -0.99, True),
    ],
)
def test_what_counts_as_acting_alike(bead, path, correlation, tied):
    cov = np.diag((0.01 * PRIOR) ** 2)
    e, p = bead * PRIOR[BEAD], path * PRIOR[PATH]
    cov[BEAD, BEAD], cov[PATH, PATH] = e**2, p**2
    cov[BEAD, PATH] = cov[PATH, BEAD] = correlation * e * p
    assert confounded_groups(cov, PRIOR) == (((BEAD, PATH),) if tied else ())


def known_sum_of(sds):
    """Mean, covariance, prior and gains where bead + 2 path alone is known: `sds` times its uncertainty; and that."""
    gains = np.zeros((1, K))
    gains[0, BEAD], gains[0, PATH] = 1.0, 2.0
    prior = PRIOR.copy()
    prior[PATH] = prior[BEAD] / 2
    cov = np.diag((0.01 * prior) ** 2)
    e, p, r = 0.9 * prior[BEAD], 0.9 * prior[PATH], -0.99
    cov[BEAD, BEAD], cov[PATH, PATH] = e**2, p**2
    cov[BEAD, PATH] = cov[PATH, BEAD] = r * e * p
    # The sum is told with the uneven layers and the push-out in it.
    rest = 0.01 * prior[[INDEX["uneven_layers"], INDEX["push_out"]]]
    u = math.sqrt(e**2 + 4 * p**2 + 4 * r * e * p + rest[0] ** 2 + 4 * rest[1] ** 2)
    return (values(bead_excess=sds * u), cov, prior, gains), u


@pytest.mark.parametrize(("sds", "needed"), [(2.05, True), (1.95, False)])
def test_a_known_sum_is_acted_on_from_twice_its_uncertainty_on(sds, needed):
    known, u = known_sum_of(sds)
    (found,) = find_confounded(*known, MACHINE)
    assert found.std_uncertainty == pytest.approx(u)
    assert ("nothing needs changing" not in found.remedy.text) == needed


@pytest.mark.parametrize(("sds", "told"), [(4.2, True), (3.8, False)])
def test_while_nothing_is_accused_a_sum_known_badly_asks_for_no_number(sds, told):
    """As any advice does then: the expanded uncertainty is no more than half of the change."""
    known, _ = known_sum_of(sds)
    (found,) = find_confounded(*known, MACHINE, accused=False)
    assert ("set the " in found.remedy.text) == told
    assert ("not known well enough for a number" in found.remedy.text) != told


@pytest.mark.parametrize(("sds", "told"), [(4.05, True), (3.95, False)])
def test_errors_that_hide_each_other_are_told_when_both_are_certain(sds, told):
    """Bead 0.2 on, path 0.08 in on both sides: 0.16 of it is hidden on the one size, 0.12 on the other."""
    mean = values(bead_excess=0.2, contour_offset=-0.08)
    cov = np.diag(np.where(np.arange(K) == PATH, 0.08 / sds, 0.001) ** 2)
    sizes = reference({"bead_excess": 1, "contour_offset": 2}, {"bead_excess": -1, "contour_offset": -1.5})
    notes = cancelling(Normal(mean=mean, cov=cov), sizes, np.full(2, 0.05))
    assert bool(notes) == told
    if told:
        (note,) = notes
        assert note.data["terms"] == ["bead_excess", "contour_offset"]
        assert "Change both or none" in note.text
        assert note.data["hidden_mm"] == pytest.approx(0.16)
    # Not where one size of the two has them add up, nor where one is too small to see.
    mixed = reference({"bead_excess": 1, "contour_offset": 2}, {"bead_excess": 1, "contour_offset": -2})
    assert cancelling(Normal(mean=mean, cov=cov), mixed, np.full(2, 0.05)) == ()
    assert cancelling(Normal(mean=mean, cov=cov), sizes, np.full(2, 0.17)) == ()


def test_all_of_a_group_that_cancels_are_named():
    """Play hides the path's offset, and that hides the bead: three that are to be changed together."""
    mean = values(bead_excess=0.2, contour_offset=-0.15, backlash_y=-0.1)
    sizes = reference(
        {"bead_excess": 1, "contour_offset": 2}, {"contour_offset": 2, "backlash_y": -1}, {"bead_excess": 1}
    )
    (note,) = cancelling(Normal(mean=mean, cov=np.diag(np.full(K, 1e-6))), sizes, np.full(3, 0.05))
    assert set(note.data["terms"]) == {"bead_excess", "contour_offset", "backlash_y"}
    assert "Change all of these or none" in note.text


def test_what_there_is_to_be_in_doubt_about():
    accusable = np.zeros(K, dtype=bool)
    accusable[[BX, BY]] = True
    chances = values(backlash_x=0.7, backlash_y=0.3)
    told = PRINTER & (np.arange(K) != BY)
    nothing = open_doubt(chances, np.zeros(K, dtype=bool), told, True, set())
    assert nothing.tolist() == told.astype(float).tolist()
    assert open_doubt(chances, accusable, told, True, {BEAD}) == pytest.approx(
        values(backlash_x=0.3, backlash_y=0.301)
    )
    assert open_doubt(chances, accusable, told, False, {BEAD, PATH}).tolist() == (
        values(bead_excess=1, contour_offset=1).tolist()
    )
    assert not open_doubt(chances, accusable, told, False, set()).any()


def test_the_three_greatest_doubts_are_named():
    doubt = values(backlash_x=0.3, backlash_y=0.2, bead_excess=0.1, contour_offset=0.05)
    assert doubted(doubt) == "backlash in x, backlash in y, bead width and others"
    three = values(backlash_x=0.3, backlash_y=0.2, bead_excess=0.1, contour_offset=0.029)
    assert doubted(three) == "backlash in x, backlash in y and bead width"
    assert doubted(values(backlash_x=0.3, backlash_y=0.029)) == "backlash in x"


def test_what_was_not_measured_is_judged_by_ordinary_sizes():
    """Outlines and openings of 20 mm, round bores of 8, along x and y; gains by the closed forms, derived here."""
    have = reference({"scale_x": 30.0})
    have = replace(have, labels=("outside x, 30.45 mm",))
    got = with_ordinary(have, 0.45)
    assert got.labels == (
        "outside x, 30.45 mm", "outside y, 20 mm", "inside x, 20 mm", "inside y, 20 mm", "round bore x, 8 mm",
        "round bore y, 8 mm",
    )  # fmt: skip
    assert got.inside.tolist() == [False, False, True, True, True, True]
    assert got.gains[0, SX] == 30.0
    assert got.gains[1:, INDEX["scale_y"]] == pytest.approx([19.55, 0, 20.45, 0, 8.45], abs=1e-3)
    assert got.gains[1:, INDEX["bore_closure"]] == pytest.approx([0, 0, 0, -0.375, -0.375], abs=1e-3)
    assert got.gains[1:, PATH] == pytest.approx([2, -2, -2, -2, -2], abs=1e-3)
    # What the caliper gets wrong is no part's fault.
    assert not got.gains[:, ~SHAPING].any()


@pytest.mark.parametrize(("scatter", "status"), [(0.049, "dominant"), (0.051, "unexplained")])
def test_readings_that_misfit_leave_what_is_four_times_as_large_as_their_scatter(scatter, status):
    """An error of 0.2 mm that one size of three shows: 0.2 is its root mean square over the sizes that it acts on."""
    sizes = reference({"backlash_x": -1.0}, {"backlash_y": -1.0}, {"scale_z": 20.0})
    posterior = Normal(mean=values(backlash_x=0.2)[None], cov=np.diag(np.full(K, 1e-10))[None])
    got = judge_many(posterior, sizes, np.full(3, 0.05), PRIOR, np.array([1e-6]), np.array([scatter]))
    assert STATUSES[int(got.status[0])] == status


def test_squareness_alone_is_judged_by_a_square_of_20_mm():
    """Without an outside size; with them by the middle one of these."""
    w = walk(("corner-plate",))
    gains = w.linearise()[1]
    diagonals = {i for i, f in enumerate(w.features) if f.kind == "diagonal"}
    (label,) = reference_of(w, gains, diagonals).labels
    assert label == "squareness, 20 mm"
    assert reference_of(w, gains, diagonals).gains[0, INDEX["skew_xy"]] == 20.0


def test_nothing_is_left_to_read_where_all_is_read():
    w = walk(("single-wall",))
    read = frozenset({*w.keys, ("reference", "outside:10.000"), ("reference", "inside:8.000")})
    doubt = values(bead_excess=1.0)
    standing = Standing(posterior=Normal.independent(PRIOR), doubt=doubt, measured=read, u=0.02)
    assert rank_readings(w, standing) == () and rank_coupons(w, standing) == ()
    assert {n.feature for n in rank_readings(w, standing, again=True)} == {f for _, f in w.keys}
    # Pieces of known size are offered for each pair of jaws that has read none.
    fresh = replace(standing, measured=frozenset(w.keys), doubt=values(outside_bias=1.0, inside_bias=1.0))
    assert {n.feature for n in rank_readings(w, fresh)} == {"outside:10.000", "inside:8.000"}
    half = replace(fresh, measured=frozenset({*w.keys, ("reference", "outside:5.000")}))
    assert {n.feature for n in rank_readings(w, half)} == {"inside:8.000"}


def test_guided_entry_doubts_only_what_some_size_feels():
    felt = Guide(walk(("single-wall",)), MACHINE).printer
    assert [t.name for i, t in enumerate(TERMS) if felt[i]] == ["bead_excess"]


def test_plain_teeth_and_undercut_ones_are_no_ordinary_sizes():
    """Gains of 0 and +1 to backlash; nobody's fit hangs on them. Of 14 and 22 mm the larger is the middle."""
    w = walk()
    gains = w.linearise()[1]
    read = [("comb-x", "tooth8"), ("comb-x", "stem10"), ("boss", "step14-x"), ("boss", "step22-x")]
    assert reference_of(w, gains, {w.keys.index(key) for key in read}).labels == ("outside x, 22 mm",)


def test_what_cannot_be_printed_is_not_offered():
    """A machine too small for the coupons; a set that lacks no family; and nothing in doubt."""
    w = walk(("single-wall",))
    doubt = values(contour_offset=1.0)
    standing = Standing(posterior=Normal.independent(PRIOR), doubt=doubt, measured=frozenset(w.keys), u=0.02)
    assert what_next(w, standing, MACHINE)
    assert what_next(w, standing, Machine(values={"volume.x_mm": 30.0})) == ()
    assert rank_unprinted(walk(), standing, MACHINE) == ()
    assert what_next(w, replace(standing, doubt=np.zeros(K)), MACHINE) == ()


@pytest.mark.parametrize(("bead", "changed"), [(0.03, True), (0.0045, False)])
def test_a_change_must_pay(bead, changed):
    """A bead that some size shows, among many that it does not reach: by how much the misfit falls, worked by hand.

    One size of 16 takes the bead; each is doubtful by 0.02 mm, so that the misfit is sqrt(0.02^2 + bead^2 / 16): it
    falls by 0.00136 mm for 0.03 mm, and by 0.00003 mm for 0.0045 mm.
    """
    rows = [{"bead_excess": 1.0, "scale_z": 1.0}, *[{"scale_z": 1.0}] * 15]
    sd = np.full(K, 1e-6)
    sd[INDEX["scale_z"]] = 0.02
    got = advise(values(bead_excess=bead), np.diag(sd**2), reference(*rows), MACHINE, 0.001)
    advice, before, after = got.steps, got.before_mm, got.after_mm
    assert before == pytest.approx(math.sqrt(0.02**2 + bead**2 / 16), rel=1e-4)
    if changed:
        assert [a.term for a in advice] == ["bead_excess"] and after == pytest.approx(0.02, rel=1e-4)
    else:
        assert advice == () and after == before
