"""The verdict: probabilities against quadrature, statuses at their limits, words, and what it must not depend on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.chances import largest, posterior_draws
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.diagnosis.judging import expected_shares, judge_many, with_rivals_common
from fitassay.analysis.diagnosis.verdict import STATUSES, Reference, reference_of
from fitassay.analysis.estimation.priors import prior_sds
from fitassay.analysis.normal import Normal, standard_draws
from fitassay.analysis.terms import INDEX, PRINTER, SHAPING, TERMS
from fitassay.coupons.machine import Machine
from tests.posteriors import posterior
from tests.sets import walk

MACHINE = Machine()
K = len(TERMS)
BEAD, OFFSET, BX, BY = (INDEX[n] for n in ("bead_excess", "contour_offset", "backlash_x", "backlash_y"))


def diagnose(
    truth: dict[str, float], seed: int = 4, noise: float = 0.02, machine: Machine = MACHINE, sets=None, **k
):
    w = walk(sets, **k)
    return interpret(w, simulate(w, theta_of(truth), noise_mm=noise, seed=seed), machine)


@pytest.mark.parametrize(("a", "b", "rho"), [(0.3, 0.25, 0.0), (0.3, -0.28, 0.6), (0.1, 0.02, -0.9)])
def test_probability_of_the_larger_of_two_against_quadrature(a, b, rho):
    """P(|x| > |y|) of two normal values = P((x - y)(x + y) > 0), a quadrant of the bivariate normal."""
    multivariate_normal = pytest.importorskip("scipy.stats").multivariate_normal
    s, t = 0.05, 0.08
    covariance = np.array([[s * s, rho * s * t], [rho * s * t, t * t]])
    turn = np.array([[1.0, -1.0], [1.0, 1.0]])
    mean, cov = turn @ [a, b], turn @ covariance @ turn.T
    both = multivariate_normal(mean, cov)
    one = multivariate_normal(-mean, cov)
    expected = one.cdf([0, 0]) + both.cdf([0, 0])  # both positive, or both negative
    draws = posterior_draws(np.array([[a, b]]), covariance[None])
    found = largest(draws, np.arange(2), np.full(2, -1), np.ones(2))[0][0]
    # 1,024 antithetic draws with exact covariance: one sigma is at most 0.012.
    assert found[0] == pytest.approx(expected, abs=0.035)
    assert found.sum() == pytest.approx(1.0, abs=1e-9)


def test_draws_have_the_exact_mean_and_covariance():
    z = standard_draws(11, 1024)
    assert z.mean(axis=0) == pytest.approx(np.zeros(11), abs=1e-12)
    assert z.T @ z / len(z) == pytest.approx(np.eye(11), abs=1e-10)
    assert standard_draws(11, 1024) is z
    # Fewer pairs than quantities cannot have the covariance, and are draws all the same.
    assert standard_draws(14, 4).shape == (4, 14)
    assert standard_draws(14, 4).mean(axis=0) == pytest.approx(np.zeros(14), abs=1e-12)


def on_one_size(**gains: float) -> np.ndarray:
    """Gains (1, terms) of these errors, the others nil."""
    row = np.zeros((1, K))
    for name, gain in gains.items():
        row[0, INDEX[name]] = gain
    return row


def test_shares_are_expected_squares():
    """Errors of which nothing is known together; zero errors of the caliper spoil no part."""
    gains = on_one_size(bead_excess=2**0.5, contour_offset=-1, backlash_x=2, outside_bias=5)
    mean, sd = np.zeros((1, K)), np.full(K, 0.01)
    mean[0, [BEAD, OFFSET]] = 0.1, -0.2
    sd[BX] = 0.05
    square = {BEAD: 2 * (0.1**2 + 0.01**2), OFFSET: 0.2**2 + 0.01**2, BX: 4 * 0.05**2}
    got = expected_shares(mean, np.diag(sd**2)[None], gains)[0]
    assert [got[i] for i in square] == pytest.approx([s / sum(square.values()) for s in square.values()])
    assert got.sum() == pytest.approx(1)
    assert not expected_shares(np.zeros((1, K)), np.zeros((1, K, K)), gains).any()


def test_what_readings_tell_only_together_leaves_its_sum_open_and_no_more():
    """Bead and path open by 0.1 and 0.05, their sum e + 2p by 0.0141, half of its square each; backlash by 0.02."""
    gains = on_one_size(bead_excess=1, contour_offset=2, backlash_x=-1)
    cov = np.zeros((1, K, K))
    e, p, r = 0.1, 0.05, -0.99
    cov[0, BEAD, BEAD], cov[0, OFFSET, OFFSET], cov[0, BX, BX] = e**2, p**2, 0.02**2
    cov[0, BEAD, OFFSET] = cov[0, OFFSET, BEAD] = r * e * p
    open_sum = e**2 + 4 * p**2 + 4 * r * e * p
    got = expected_shares(np.zeros((1, K)), cov, gains)[0, [BEAD, OFFSET, BX]]
    expected = np.array([open_sum / 2, open_sum / 2, 0.02**2])
    assert got == pytest.approx(expected / expected.sum())
    # The doubt about one half as large as about the other: more than all of it is in the sum's other half.
    cov[0, BEAD, BEAD], cov[0, BEAD, OFFSET] = 0.04**2, -0.9 * 0.04 * p
    cov[0, OFFSET, BEAD] = cov[0, BEAD, OFFSET]
    got = expected_shares(np.zeros((1, K)), cov, gains)[0]
    assert got[BEAD] == 0 and got[OFFSET] > 0 and got.sum() == pytest.approx(1)


def test_rivals_taken_for_common_is_the_posterior_under_wider_priors():
    rng = np.random.default_rng(5)
    gains, y, u = rng.normal(size=(9, K)), rng.normal(size=9), np.full(9, 0.3)
    prior = prior_sds(MACHINE)
    base = posterior(gains, y, u, prior)
    wide = np.where(PRINTER & (np.arange(K) != BEAD), 2 * prior, prior)
    expected = posterior(gains, y, u, wide)
    mean, covariance = with_rivals_common(base.mean[None], base.cov[None], prior, np.array([BEAD]))
    assert mean[0] == pytest.approx(expected.mean, rel=1e-6)
    assert covariance[0] == pytest.approx(expected.cov, rel=1e-6, abs=1e-14)


def judge(values: dict[str, tuple[float, float]], p_value: float = 0.5, scatter: float = 0.0):
    """Status, term and numbers for independent posteriors {name: (mean, sd)}; the rest nil and well known."""
    mean, sd = np.zeros((1, K)), np.full(K, 1e-4)
    for name, (m, s) in values.items():
        mean[0, INDEX[name]], sd[INDEX[name]] = m, s
    gains = np.zeros((4, K))
    gains[:2, BEAD], gains[2:, BEAD] = 1, -1
    gains[:2, OFFSET], gains[2:, OFFSET] = 2, -2
    gains[[0, 2], BX] = gains[[1, 3], BY] = -1
    ref = Reference(labels=("a", "b", "c", "d"), gains=gains, inside=np.array([False, False, True, True]))
    limits = np.array([0.05, 0.05, 0.06, 0.06])
    got = judge_many(
        Normal(mean=mean, cov=np.diag(sd**2)[None]),
        ref,
        limits,
        prior_sds(MACHINE),
        np.array([p_value]),
        np.array([scatter]),
    )
    return STATUSES[got.status[0]], TERMS[got.term[0]].name, got


@pytest.mark.parametrize(
    ("values", "status", "term"),
    [
        ({"backlash_y": (0.3, 0.02), "backlash_x": (0.05, 0.02)}, "dominant", "backlash_y"),
        # 0.06 apart with sd 0.03 of the difference: probability 0.977 and, 0.04 apart, 0.91.
        ({"backlash_y": (0.26, 0.0212), "backlash_x": (0.20, 0.0212)}, "dominant", "backlash_y"),
        ({"backlash_y": (0.24, 0.0212), "backlash_x": (0.20, 0.0212)}, "leading", "backlash_y"),
        ({"backlash_y": (0.21, 0.0212), "backlash_x": (0.20, 0.0212)}, "undetermined", "backlash_y"),
        ({"backlash_y": (0.02, 0.01), "bead_excess": (0.01, 0.01)}, "within-noise", "backlash_y"),
        # Two faults that hide each other are no sound printer.
        ({"bead_excess": (0.2, 0.01), "contour_offset": (-0.1, 0.005)}, "undetermined", "bead_excess"),
    ],
)  # fmt: skip
def test_statuses(values, status, term):
    got, who, _ = judge(values)
    assert got == status
    if status in ("dominant", "leading"):
        assert who == term


def test_misfits_withhold_an_accusation_unless_it_is_clear_of_them():
    values = {"backlash_y": (0.2, 0.02)}
    assert judge(values)[0] == "dominant"
    assert judge(values, p_value=1e-6, scatter=0.08)[0] == "unexplained"
    assert judge(values, p_value=1e-6, scatter=0.02)[0] == "dominant"
    assert judge({}, p_value=1e-6, scatter=0.08)[0] == "unexplained"
    # Too small to be seen: the printer is sound all the same.
    assert judge({}, p_value=1e-6, scatter=0.01)[0] == "within-noise"


def test_the_reference_is_the_middle_of_each_ordinary_sort():
    w = walk()
    _, gains = w.linearise()
    ref = reference_of(w, gains, set(range(len(w.keys))))
    sorts = [label.rpartition(",")[0] for label in ref.labels]
    assert sorts == [
        "outside x", "outside y", "inside x", "inside y", "round bore x", "round bore y", "squareness", "height",
        "foot",
    ]  # fmt: skip
    # The middle of an even number is the larger of the two.
    sizes = [label.rpartition(", ")[2] for label in ref.labels]
    assert sizes == [f"{size} mm" for size in ("14", "14", "10", "10", "8", "8", "14", "12", "14")]
    # x and y count alike, the caliper's errors not at all.
    assert ref.weights[BX] == pytest.approx(ref.weights[BY], rel=0.01)
    assert not ref.gains[:, ~SHAPING].any()
    # Uneven layers are felt as a wide bead is, but accused of nothing.
    sizes = [s not in ("foot", "squareness") for s in sorts]
    layers = INDEX["uneven_layers"]
    assert ref.gains[sizes, layers] == pytest.approx(ref.gains[sizes, BEAD]) and ref.weights[layers] == 0
    square = ref.gains[sorts.index("squareness")]
    assert np.flatnonzero(square).tolist() == [INDEX["skew_xy"]]
    assert square[INDEX["skew_xy"]] == 14.0
    assert ref.inside.tolist() == [False, False, True, True, True, True, False, False, False]


TRUTHS = {
    "backlash_x": 0.25, "backlash_y": -0.25, "bead_excess": 0.35, "contour_offset": 0.225, "scale_x": 0.025,
    "scale_y": -0.025, "scale_z": 0.025, "skew_xy": 0.03, "bore_closure": 0.7, "layer_datum": 0.35,
    "first_layer_flare": 0.25,
}  # fmt: skip


@pytest.mark.parametrize("name", [*TRUTHS])
def test_every_error_can_be_accused(name):
    found = diagnose({name: TRUTHS[name]})
    assert (found.verdict.status, found.verdict.term) == ("dominant", name)
    assert TERMS[INDEX[name]].sentence in found.verdict.text
    assert sum(found.shares.values()) == pytest.approx(1.0)


def test_equal_errors_are_said_to_be_equal():
    found = diagnose({"backlash_x": 0.3, "backlash_y": 0.3})
    assert found.verdict.status == "undetermined"
    assert "spoil the fit about alike" in found.verdict.text
    assert "backlash in x" in found.verdict.text.lower()
    assert "backlash in y" in found.verdict.text.lower()


def test_errors_that_hide_each_other_are_told():
    found = diagnose({"bead_excess": 0.3, "contour_offset": -0.14})
    # At the top, where the headline would have one of them changed alone.
    assert "Bead width and path offset work against each other" in found.verdict.text
    assert "Change both or none" in found.verdict.text
    assert "work against" not in diagnose({"bead_excess": 0.3, "contour_offset": 0.14}).verdict.text


@pytest.mark.parametrize("sets", [None, ("plain-block",)], ids=["full", "block"])
def test_a_sound_printer_is_acquitted(sets):
    """Where readings leave it likelier than not that no size misses visibly, by 0.53; other scatter leaves 0.49."""
    found = diagnose({}, sets=sets, noise=0.005, seed=6)
    assert found.verdict.status == "within-noise"
    assert found.verdict.term == ""
    assert found.advice == ()
    # What a block does not show is named, and what would show it.
    unread = found.verdict.not_looked_at
    assert ("scale_z" in unread, "Not looked at" in found.verdict.text, bool(found.next)) == (bool(sets),) * 3
    assert ("needs attention" in found.verdict.text) == (not sets)


def test_a_bead_that_only_the_priors_speak_against_is_not_accused():
    """The block cannot tell bead from path; a large sum makes path likelier by the priors alone."""
    found = diagnose({"contour_offset": 0.225}, sets=("plain-block",))
    assert found.verdict.status == "undetermined"
    assert found.probabilities["contour_offset"] > 0.8
    assert "printers usually err that way" in found.verdict.text


def test_priors_that_matter_are_said():
    # A single height that is off by 0.3: gap or scale, the priors have to say.
    w = walk(("height-stair",))
    readings = simulate(w, theta_of({"layer_datum": 0.3}), seed=4)[:1]
    note = next(n.text for n in interpret(w, readings, MACHINE).notes if "priors" in n.text)
    assert "twice as wide" in note
    assert not any("priors" in n.text for n in diagnose({"backlash_y": 0.3}).notes)


def test_priors_from_the_machine_file_are_used():
    narrow = Machine(priors={"bead_excess": 0.001})
    free, pinned = (
        diagnose({"contour_offset": 0.225}, sets=("plain-block",), machine=m) for m in (MACHINE, narrow)
    )
    assert free.verdict.status == "undetermined"
    assert (pinned.verdict.status, pinned.verdict.term) == ("dominant", "contour_offset")
    assert pinned.term("bead_excess").std_uncertainty <= 0.001


def test_walls_alone_accuse_the_bead_alone():
    found = diagnose({"bead_excess": 0.25}, sets=("single-wall",))
    assert (found.verdict.status, found.verdict.term) == ("dominant", "bead_excess")
    assert found.verdict.contenders == ("bead_excess",)
    assert diagnose({"contour_offset": 0.15}, sets=("single-wall",)).verdict.term == ""


def test_a_gauge_block_alone_accuses_nobody():
    w = walk(("single-wall",))
    only_reference = simulate(w, theta_of({}), seed=1, references={"outside:10.000": 10.0})[:1]
    verdict = interpret(w, only_reference, MACHINE).verdict
    assert (verdict.status, verdict.contenders) == ("undetermined", ())
    assert "No size of a part was measured" in verdict.text


def test_the_verdict_does_not_hang_on_the_order_of_the_rows():
    w = walk(quick=True)
    readings = simulate(w, theta_of({"backlash_x": 0.12, "backlash_y": 0.1}), seed=8)
    first = interpret(w, readings, MACHINE)
    rng = np.random.default_rng(1)
    for _ in range(3):
        shuffled = tuple(replace(readings[i], line=n) for n, i in enumerate(rng.permutation(len(readings))))
        again = interpret(w, shuffled, MACHINE)
        assert again.verdict == first.verdict
        assert again.probabilities == pytest.approx(first.probabilities, abs=1e-12)


def test_a_print_more_uneven_than_the_caliper_widens_every_interval():
    even, uneven = diagnose({"backlash_y": 0.5}), diagnose({"backlash_y": 0.5}, noise=0.06)
    assert uneven.extra["scatter_mm"] == pytest.approx(0.057, rel=0.3)
    # The budget for rough printers is in both.
    assert uneven.term("backlash_x").std_uncertainty > 1.3 * even.term("backlash_x").std_uncertainty
    assert any("more than the caliper explains" in n.text for n in uneven.notes)
    assert uneven.verdict.term == "backlash_y"


def test_the_guide_lists_every_prior_as_it_is_used():
    guide = Path(__file__).parents[1] / "gallery" / "guide" / "calibration.md"
    rows = {
        cells[2].strip("` "): cells
        for cells in (line.split("|") for line in guide.read_text(encoding="utf-8").splitlines())
        if len(cells) == 6
    }
    face = {"%": 0.01, "degrees": np.pi / 180, "mm": 1.0}
    for i, term in enumerate(TERMS):
        sd = prior_sds(replace(MACHINE, kinematics=term.kinematics[0]))[i]
        cells = rows[term.name]
        assert cells[4].strip() == term.prior_reason
        if term.prior_limit:
            assert "caliper" in cells[3]
        else:
            number, unit = cells[3].split()
            assert float(number) * face[unit] == pytest.approx(sd, rel=0.02)
