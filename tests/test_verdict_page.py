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
from fitassay.analysis.estimation.model_error import BUDGET
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
GIVEN = {"A", "r", "s", "A4", "mu", "s4"}


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
    check_the_budget(page)
    assert checked | GIVEN == set(page)


def check_the_budget(page: dict[str, np.ndarray]) -> None:
    """The four errors with a full covariance of the readings, and where the path's uncertainty comes from."""
    a4, r, mu, s4 = page["A4"], page["r"], page["mu"], page["s4"]
    assert a4[:, :3] == pytest.approx(page["A"]) and s4[:3] == pytest.approx(page["s"])
    u2, own = 0.02**2 + 0.01**2 / 12, 0.012**2
    from_u, from_reading = u2 * np.eye(3), own * np.eye(3)
    from_coupon = own * np.array([[1, -1, 0], [-1, 1, 0], [0, 0, 1]])
    v = from_u + from_coupon + from_reading
    check("V", 1e6 * v)
    c = np.linalg.inv(a4.T @ np.linalg.inv(v) @ a4 + np.diag(s4**-2.0))
    m = c @ (a4.T @ np.linalg.inv(v) @ r + mu / s4**2)
    check("m4", m)
    check("d4", np.sqrt(np.diag(c)))
    for name, row in (("sum4", (1.0, 0.0, 0.0, 1.0)), ("out4", (1.0, 2.0, 0.0, 1.0))):
        row = np.array(row)
        check(name, row @ m)
        check(f"d{name}", math.sqrt(row @ c @ row))
    k = (c @ a4.T @ np.linalg.inv(v))[1]
    parts = {"from_u": from_u, "from_coupon": from_coupon, "from_reading": from_reading}
    for name, part in parts.items():
        check(name, math.sqrt(k @ part @ k))
    check("from_layers", abs(c[1, 3]) / s4[3])
    check("from_priors", math.sqrt(np.sum((c[1, :3] / s4[:3]) ** 2)))
    check("total", math.sqrt(np.sum((c[1] / s4) ** 2) + k @ v @ k))
    words = " ".join(text().split())
    assert f"-0.011 ± {2 * page['d4'][0]:.3f}" in words and f"{2 * page['d'][0]:.3f} mm before" in words
    assert f"+{page['m4'][1]:.3f} ± {2 * page['d4'][1]:.3f} mm" in words
    # Half of what stands outward, per side.
    assert page["out4"] / 2 == pytest.approx(0.1195, abs=1e-4) and "-0.120 ± 0.020 mm per side" in words


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


def test_the_budget_is_that_of_the_program():
    """Mean and covariance by the program's own update, and widths as the tables have them."""
    page = shown()
    known = Normal(mean=page["mu"], cov=np.diag(page["s4"] ** 2)).condition(
        page["A4"], page["r"], cov=1e-6 * page["V"]
    )
    check("m4", known.mean)
    check("d4", known.sd)
    widths = {row.name: row.sd for row in BUDGET}
    assert widths["coupon"] == widths["reading"] == 0.012
    layers = TERMS[INDEX["uneven_layers"]]
    assert (layers.prior_mean, layers.prior_sd) == (0.035, 0.035)
    block, wall = walk(("plain-block",)), walk(("single-wall",))
    for w, kind, gain in ((block, "outside", 1.0), (block, "inside", -1.0), (wall, "thickness", 1.0)):
        i = next(i for i, f in enumerate(w.features) if f.kind == kind and f.direction_deg == 0)
        assert w.linearise()[1][i, INDEX["uneven_layers"]] == pytest.approx(gain, abs=0.02)


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
