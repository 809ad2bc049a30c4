"""The guide's worked example: every number recomputed from the page's text, by hand formulas and by the program."""

from __future__ import annotations

import math
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from fitassay.analysis.diagnosis.chances import largest, posterior_draws
from fitassay.analysis.diagnosis.information_gain import removed_by_all, removed_by_each, share_removed
from fitassay.analysis.diagnosis.judging import expected_shares
from fitassay.analysis.diagnosis.verdict import DOMINANT, LEADING, UNEXPLAINED_P
from fitassay.analysis.estimation.marginal import Model, deleted
from fitassay.analysis.normal import Normal
from fitassay.analysis.terms import INDEX, TERMS, told_on
from tests.posteriors import posterior
from tests.sets import walk

PAGE = Path(__file__).parents[1] / "gallery" / "guide" / "how-the-verdict-is-reached.md"
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")


@cache
def text() -> str:
    return PAGE.read_text(encoding="utf-8")


@cache
def shown() -> dict[str, np.ndarray]:
    """Every named number, row or matrix of the page's text blocks."""
    found: dict[str, list[list[float]]] = {}
    for block in re.findall(r"```text\n(.*?)```", text(), re.DOTALL):
        name = ""
        for line in block.splitlines():
            head, equals, rest = line.partition(" =")
            if equals:
                name = head.strip()
                assert name not in found, f"{name} is there twice"
                found[name] = []
                line = rest
            if numbers := NUMBER.findall(line):
                found[name].append([float(v) for v in numbers])
    return {name: np.squeeze(np.array(rows)) for name, rows in found.items()}


def largest_alone(known: Normal, weights: np.ndarray) -> np.ndarray:
    """Chance of each error to be the largest, surfaces taken for even."""
    draws = posterior_draws(known.mean[None], known.cov[None])
    return largest(draws, np.arange(3), np.full(3, -1), weights)[0][0]


def places(name: str) -> int:
    """Decimals with which a name's numbers are printed."""
    row = re.search(rf"^{name} = +(.*)$", text(), re.MULTILINE)
    assert row is not None
    return max(len(v.partition(".")[2]) for v in NUMBER.findall(row[1]))


def check(name: str, value: object) -> None:
    """What the page prints is `value`, rounded."""
    assert shown()[name] == pytest.approx(np.asarray(value), abs=0.5001 * 10.0 ** -places(name)), name
    checked.add(name)


checked: set[str] = set()
GIVEN = {"A", "r", "s"}


def phi(z: float) -> float:
    """The standard normal distribution function."""
    return 0.5 * (1 + math.erf(z / math.sqrt(2)))


def update(rows: list[int], s: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Precision, pull, covariance and mean as the page has them."""
    a, r = shown()["A"][rows], shown()["r"][rows]
    u = math.hypot(0.02, 0.01 / math.sqrt(12))
    precision = a.T @ a / u**2 + np.diag(s**-2.0)
    covariance = np.linalg.inv(precision)
    pull = a.T @ r / u**2
    return precision, pull, covariance, covariance @ pull


def test_every_number_of_the_example():
    page = shown()
    a, r, s = page["A"], page["r"], page["s"]
    u = math.hypot(0.02, 0.01 / math.sqrt(12))
    check("u", u)
    p2, q2, c2, m2 = update([0, 1], s)
    for name, value in (("P2", p2), ("q2", q2), ("C2", c2), ("m2", m2), ("d2", np.sqrt(np.diag(c2)))):
        check(name, value)
    both = np.array([1.0, 2.0, 0.0])
    total = float(both @ m2)
    check("sum2", total)
    check("dsum2", math.sqrt(both @ c2 @ both))
    w = np.sum(a[:2] ** 2, axis=0)
    check("w", w)
    z = (total / 2 - m2[0]) / math.sqrt(c2[0, 0])
    check("z", z)
    check("path2", phi(z))
    check("bead2", 1 - phi(z))
    _, _, wide, middle = update([0, 1], np.array([2 * s[0], s[1], 2 * s[2]]))
    check("sturdy2", phi((float(both @ middle) / 2 - middle[0]) / math.sqrt(wide[0, 0])))
    ca = c2 @ a[2]
    v = u**2 + a[2] @ ca
    check("Ca", ca)
    check("v", v)
    gone = 1 - np.sqrt(1 - ca**2 / v / np.diag(c2))
    check("gone", gone)
    check("removed", (gone[0] + gone[1]) / 2)
    check("expected", m2[0])
    check("off", r[2] - m2[0])
    check("sdoff", math.sqrt(v))
    p, q, c, m = update([0, 1, 2], s)
    for name, value in (("P", p), ("q", q), ("C", c), ("m", m), ("d", np.sqrt(np.diag(c)))):
        check(name, value)
    # Own variance, and half of twice each covariance; outside and inside have the same products of e and p.
    opened = np.array([2 * c[0, 0] + 4 * c[0, 1], 8 * c[1, 1] + 4 * c[0, 1], 2 * c[2, 2]])
    check("open", opened)
    square = w * m**2 + opened
    check("square", square)
    check("share", square / square.sum())
    check("lead", 2 * m[1] - m[0])
    check("dlead", math.sqrt(4 * c[1, 1] + c[0, 0] - 4 * c[0, 1]))
    assert (2 * m[1] - m[0]) / math.sqrt(4 * c[1, 1] + c[0, 0] - 4 * c[0, 1]) == pytest.approx(4.7, abs=0.05)
    assert checked | GIVEN == set(page)


def test_the_program_comes_to_the_same():
    page = shown()
    a, r, s, u = page["A"], page["r"], page["s"], np.full(3, math.hypot(0.02, 0.01 / math.sqrt(12)))
    two = posterior(a[:2], r[:2], u[:2], s)
    three = posterior(a, r, u, s)
    check("m2", two.mean)
    check("C2", two.cov)
    check("m", three.mean)
    check("C", three.cov)
    check("gone", removed_by_each(two.cov, a[2:], u[2:])[:, 0])
    doubt = np.array([page["bead2"], page["bead2"], 0.0])
    check("removed", share_removed(doubt, removed_by_all(two.cov, a[2:], u[2:])))
    terms = [INDEX[name] for name in ("bead_excess", "contour_offset", "backlash_x")]
    mean, cov, gains = np.zeros(len(TERMS)), np.zeros((len(TERMS), len(TERMS))), np.zeros((2, len(TERMS)))
    mean[terms], cov[np.ix_(terms, terms)], gains[:, terms] = three.mean, three.cov, a[:2]
    check("share", expected_shares(mean[None], cov[None], gains)[0][terms])
    # 1024 draws: a chance of 0.84 is good to 0.02 (two standard deviations, fixed draws).
    chances = largest_alone(two, page["w"])
    assert chances == pytest.approx([float(page["bead2"]), float(page["path2"]), 0.0], abs=0.02)
    assert largest_alone(three, page["w"])[1] > 0.99
    # Leave the wall out: what the others expect of it.
    model = Model(gains=a, prior=Normal.independent(s), noise=np.diag(u**2))
    off, sd = deleted(np.linalg.inv(model.cov), r)
    check("off", off[2])
    check("sdoff", sd[2])


def test_a_slip_in_the_example_would_stand_out_as_the_page_says():
    page = shown()
    assert "Had it read 1.47 mm, ten\nstandard deviations off" in text()
    assert (1.47 - 0.45 - page["expected"]) / page["sdoff"] == pytest.approx(10, abs=0.5)


def test_the_gains_are_those_of_the_walk():
    """The block and the wall of the coupons, by walking: columns of e, p and b_x."""
    names = ("bead_excess", "contour_offset", "backlash_x")
    columns = [INDEX[n] for n in names]
    block, wall = walk(("plain-block",)), walk(("single-wall",))
    got = {}
    for w in (block, wall):
        _, gains = w.linearise()
        for feature, row in zip(w.features, gains, strict=True):
            if feature.direction_deg == 0:
                got.setdefault(feature.kind, row[columns])
    expected = dict(zip(("outside", "inside", "thickness"), shown()["A"], strict=True))
    for kind, row in expected.items():
        assert got[kind] == pytest.approx(row, abs=1e-3), kind


def test_the_figures_in_the_sentences_are_those_in_force():
    priors = [
        next(t.prior_sd for t in TERMS if t.name == n)
        for n in ("bead_excess", "contour_offset", "backlash_x")
    ]
    assert priors == pytest.approx(shown()["s"])
    assert f"probability of at least {DOMINANT:.2f}" in text() and f"the same with {LEADING:.2f}" in text()
    assert UNEXPLAINED_P == 1 / 1000 and "less than once in 1000 sets" in text()
    assert f"all {['sixteen'][told_on('cartesian').sum() - 16]} terms" in text()
    # Verdict, report and advice as told.
    page = shown()
    assert f"+{page['m'][1]:.3f} ± {2 * page['d'][1]:.3f} mm" in " ".join(text().split())
    assert f"from 0 to -{page['m'][1]:.3f} mm" in " ".join(text().split())
    assert f"{100 * page['removed']:.0f} % of the doubt" in " ".join(text().split())
