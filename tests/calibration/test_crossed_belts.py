"""Virtual machines with crossed belts, printed by the tests' own simulation: is the verdict right, and honest?"""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.diagnosis.verdict import STATUSES, Reference, reference_of
from fitassay.analysis.estimation.model_error import model_error
from fitassay.analysis.terms import INDEX, PRINTER, told_on
from fitassay.analysis.validation.interpret_many import Interpreted, interpret_many
from fitassay.analysis.validation.population import MIXES, draw_printers
from tests.belt_printer import readings
from tests.test_crossed_belts import MACHINE, NOISE_MM, belts, printers

pytestmark = pytest.mark.calibration
MACHINES, AT_ONCE = 500, 100
TOLD = PRINTER & told_on("crossed-belts")
PLAYS = [INDEX["backlash_a"], INDEX["backlash_b"]]


def reference() -> Reference:
    w = belts()[1]
    return reference_of(w, w.linearise()[1], set(range(len(w.keys))), "crossed-belts")


def population(mix: str, seed: int) -> tuple[np.ndarray, np.random.Generator]:
    rng = np.random.default_rng(seed)
    theta = draw_printers(MIXES[mix], MACHINES, MACHINE, reference().weights, rng)
    theta[:, PLAYS] = np.abs(theta[:, PLAYS])
    return theta, rng


def read_by_hand(theta: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Readings (n, features) [mm] of the simulated prints, the caliper's own errors and noise with them."""
    made, w = belts()
    parts = [
        readings(made.manifest, made.solids, printers(theta[i : i + AT_ONCE]))
        for i in range(0, len(theta), AT_ONCE)
    ]
    exact = np.concatenate(parts)
    for i, feature in enumerate(w.features):
        exact[:, i] += theta[:, INDEX["inside_bias" if feature.kind == "inside" else "outside_bias"]]
        if feature.kind == "diagonal":
            exact[:, i] += theta[:, INDEX["corner_form"]]
    return np.round(exact + NOISE_MM * rng.standard_normal(exact.shape), 2)


def held(found: Interpreted, theta: np.ndarray) -> np.ndarray:
    """Whether each 95 % interval holds the truth, (n, terms told)."""
    known = found.settled.posterior
    return (np.abs(known.mean - theta) <= 1.959964 * known.sd)[:, TOLD]


def dominant_right(found: Interpreted, theta: np.ndarray) -> float:
    """Share of the accusations called dominant that name the error that truly spoils most."""
    said = found.judged.status == STATUSES.index("dominant")
    worst = np.argmax(np.abs(theta) * np.sqrt(reference().weights), axis=1)
    return float((found.judged.term == worst)[said].mean())


def test_intervals_and_accusations_of_crossed_belts():
    theta, rng = population("priors", 161)
    values = read_by_hand(theta, rng)
    ideal = interpret_many(belts()[1], values, MACHINE)
    rough = interpret_many(belts()[1], values, MACHINE, budget=model_error(belts()[1]))
    u, u_rough = (np.median(f.settled.posterior.sd[:, PLAYS]) for f in (ideal, rough))
    print(
        f"covered {held(ideal, theta).mean():.3f}, with the model's error {held(rough, theta).mean():.3f}; u of a "
        f"belt's play {u:.4f} and {u_rough:.4f}; dominant right {dominant_right(ideal, theta):.3f} and "
        f"{dominant_right(rough, theta):.3f}"
    )
    # 5,000 intervals, ten to a machine: binomial 0.95 +- 0.003 if independent, +- 0.01 if all ten went together.
    assert 0.935 <= held(ideal, theta).mean() <= 0.965
    assert held(rough, theta).mean() >= 0.935
    assert u <= 0.012
    assert dominant_right(ideal, theta) >= 0.98
    assert dominant_right(rough, theta) >= 0.98


def test_equal_plays_are_found_though_x_and_y_do_not_show_them():
    theta, rng = population("all-small", 162)
    theta[:, PLAYS] = rng.uniform(0.15, 0.5, MACHINES)[:, None]
    values = read_by_hand(theta, rng)
    found = interpret_many(belts()[1], values, MACHINE)
    known = found.settled.posterior
    seen = (known.mean[:, PLAYS] > 4 * known.sd[:, PLAYS]).all(axis=1)
    named = np.isin(found.judged.term, PLAYS)
    print(f"both plays found on {seen.mean():.3f}, one of them called the largest on {named.mean():.3f}")
    assert seen.mean() >= 0.99
    assert named.mean() >= 0.98
    # The combs along the diagonals tell: without them the plays stay unknown, their difference apart.
    w = belts()[1]
    blind = np.where([c in ("comb-a", "comb-b") for c, _ in w.keys], np.nan, values)
    corners = np.array([f.kind == "diagonal" or r for f, r in zip(w.features, w.round, strict=True)])
    blind[:, corners] = np.nan
    less = interpret_many(w, blind, MACHINE).settled.posterior
    assert (less.sd[:, PLAYS] > 0.1).all()
    difference = np.array([1.0, -1.0])
    block = less.cov[:, PLAYS][:, :, PLAYS]
    assert (np.sqrt(np.einsum("i,nij,j->n", difference, block, difference)) < 0.03).all()
