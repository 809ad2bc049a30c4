"""The first print chosen for one's own joints: its doubt against a posterior stacked by hand, its minutes kept."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.estimation.priors import prior, prior_sds
from fitassay.analysis.parts.pairs import Pair
from fitassay.analysis.prints.first_set import first_set
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import draw_set
from tests.fit_case import run, run_json

MACHINE = Machine()
MADE = draw_set(MACHINE)
SHELF = SetWalk(MADE.manifest, MADE.drafts)
U = 0.021
# A square tongue in an opening of its own prints, derived here: 2 e + 4 p + what both lose of the play.
SQUARE = Pair(peg=10.0, hole=10.4, shape="square")


def chosen(minutes: float, *pairs: Pair):
    return first_set(SHELF, MADE.costs, prior(MACHINE), U, pairs, minutes, MACHINE.line_width_mm)


def doubt_by_hand(coupons: tuple[str, ...]) -> float:
    """Of a square pair: the clearance is narrower by 2 (e + j) + 4 (p + d); scales act on both alike."""
    _, gains = SHELF.linearise()
    rows = np.array([g for (c, _), g in zip(SHELF.keys, gains, strict=True) if c in coupons])
    sd = prior_sds(MACHINE)
    real = sd > 0
    matrix = rows[:, real].T @ rows[:, real] / U**2 + np.diag(sd[real] ** -2.0)
    covariance = np.zeros((len(TERMS),) * 2)
    covariance[np.ix_(real, real)] = np.linalg.inv(matrix)
    row = np.zeros(len(TERMS))
    row[[INDEX["bead_excess"], INDEX["uneven_layers"]]] = -2.0
    row[[INDEX["contour_offset"], INDEX["push_out"]]] = -4.0
    return float(np.sqrt(row @ covariance @ row))


@pytest.mark.parametrize("minutes", [20.0, 45.0, 1000.0])
def test_the_doubt_that_is_left_is_that_of_the_readings_stacked_by_hand(minutes: float) -> None:
    got = chosen(minutes, SQUARE)
    assert got.minutes <= minutes
    assert got.u_mm == pytest.approx(doubt_by_hand(got.coupons), rel=0.1)


def test_no_other_choice_within_the_time_leaves_clearly_less() -> None:
    got = chosen(35.0, SQUARE)
    names = [c.id for c in MADE.manifest.coupons]
    for n in (1, 2, 3):
        for other in combinations(names, n):
            if sum(MADE.costs[c].minutes for c in other) <= 35.0:
                assert doubt_by_hand(other) > 0.9 * got.u_mm, other


def test_more_time_never_leaves_more_doubt_and_an_hour_serves_ordinary_joints() -> None:
    joints = (Pair(peg=6.0, hole=6.2, turns=True, flipped=False),)
    left = [chosen(minutes, *joints).u_mm for minutes in (15.0, 30.0, 60.0, 90.0, 200.0)]
    assert all(b <= a * 1.04 for a, b in zip(left, left[1:], strict=False))
    assert left[2] <= 0.04


def test_the_command_prints_within_the_time(tmp_path) -> None:
    place = tmp_path / "orrery"
    assert run("init", place, "--yes")[0] == 0
    (place / "joints.csv").write_text("peg_mm,hole_mm,motion\n6,6.2,turn\n", encoding="utf-8")
    made = run_json("make", place, "--minutes", "60")
    assert 0 < sum(c["minutes"] for c in made["coupons"]) <= 60
    code, _, err = run("make", place, "--minutes", "1", "--new-print")
    assert code == 1
    assert "the quickest takes" in err
    assert run("make", place, "--minutes", "60", "--quick")[0] == 2


def test_what_is_cheap_goes_along(tmp_path) -> None:
    """The single wall takes two minutes, and weighing needs it."""
    for pair in (SQUARE, Pair(peg=6.0, hole=6.2, turns=True, flipped=False)):
        assert "wall" in chosen(60.0, pair).coupons
        assert chosen(60.0, pair).minutes <= 60.0
    assert "wall" not in chosen(13.0, SQUARE).coupons
