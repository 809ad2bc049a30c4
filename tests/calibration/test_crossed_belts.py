"""Virtual machines with crossed belts, printed by the tests' own simulation: is the verdict right, and honest?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitassay.analysis.diagnosis.verdict import STATUSES, Reference, reference_of
from fitassay.analysis.estimation.model_error import model_error
from fitassay.analysis.terms import INDEX, PRINTER, told_on
from fitassay.analysis.validation.effect import Recipe
from fitassay.analysis.validation.interpret_many import Interpreted, interpret_many
from fitassay.analysis.validation.listed_effects import EFFECTS
from fitassay.analysis.validation.population import MIXES, draw_printers
from fitassay.analysis.validation.rough_printer import RoughPrinters
from tests.belt_printer import readings
from tests.test_crossed_belts import MACHINE, NOISE_MM, belts, printers

pytestmark = pytest.mark.calibration
MACHINES, AT_ONCE = 500, 100
TOLD = PRINTER & told_on("crossed-belts")
EVEN = replace(MACHINE, priors={"uneven_layers": 0.0, "push_out": 0.0})
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


def roughness(theta: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """What uneven layers, seams, corners and dense filling, each at up to half of its range, add to the readings."""
    recipe = Recipe(
        name="surface",
        text="layers, seams, corners and filling",
        effects=tuple(EFFECTS[name] for name in ("jitter", "seam blob", "corners", "push-out")),
        mixed=True,
    )
    rough = RoughPrinters(belts()[1], theta, recipe, rng)
    return rough.printed(rng) - belts()[1].readings(rough.truth)


def told_of(found: Interpreted, theta: np.ndarray) -> str:
    u = np.median(found.settled.posterior.sd[:, PLAYS])
    said = (found.judged.status == STATUSES.index("dominant")).sum()
    return (
        f"covered {held(found, theta).mean():.3f}, u of a belt's play {u:.4f}, dominant right "
        f"{dominant_right(found, theta):.3f} of {said}"
    )


def test_intervals_and_accusations_of_crossed_belts():
    theta, rng = population("priors", 161)
    values = read_by_hand(theta, rng)
    w = belts()[1]
    # Judged as what they are, printers with these errors and no others, by what the caliper leaves open.
    ideal = interpret_many(w, values, EVEN, budget=model_error(w, rows=()))
    # Judged as printers are, whose surfaces are rough: these have none of it, and then some of it.
    smooth = interpret_many(w, values, MACHINE)
    rough = interpret_many(w, np.round(values + roughness(theta, rng), 2), MACHINE)
    for name, found in (("ideal", ideal), ("smooth", smooth), ("rough", rough)):
        print(f"{name}: {told_of(found, theta)}")
        assert dominant_right(found, theta) >= 0.98
    # 5,000 intervals, ten to a machine: binomial 0.95 +- 0.003 if independent, +- 0.01 if all ten went together.
    assert 0.935 <= held(ideal, theta).mean() <= 0.965
    assert min(held(smooth, theta).mean(), held(rough, theta).mean()) >= 0.935
    assert np.median(ideal.settled.posterior.sd[:, PLAYS]) <= 0.012


def test_equal_plays_are_found_though_x_and_y_do_not_show_them():
    theta, rng = population("all-small", 162)
    theta[:, PLAYS] = rng.uniform(0.15, 0.5, MACHINES)[:, None]
    values = read_by_hand(theta, rng)
    w = belts()[1]
    nothing = model_error(w, rows=())
    ideal = interpret_many(w, values, EVEN, budget=nothing)
    usual = interpret_many(w, values, MACHINE)
    for name, found, least in (("ideal", ideal, 0.99), ("usual", usual, 0.95)):
        known = found.settled.posterior
        seen = (known.mean[:, PLAYS] > 3 * known.sd[:, PLAYS]).all(axis=1)
        named = np.isin(found.judged.term, PLAYS)
        print(f"{name}: both plays found on {seen.mean():.3f}, one called the largest on {named.mean():.3f}")
        assert seen.mean() >= least
        assert named.mean() >= 0.98
    # The combs along the diagonals tell: without them the plays stay unknown, their difference apart.
    blind = np.where([c in ("comb-a", "comb-b") for c, _ in w.keys], np.nan, values)
    corners = np.array([f.kind == "diagonal" or r for f, r in zip(w.features, w.round, strict=True)])
    blind[:, corners] = np.nan
    less = interpret_many(w, blind, EVEN, budget=nothing).settled.posterior
    assert (less.sd[:, PLAYS] > 0.1).all()
    difference = np.array([1.0, -1.0])
    block = less.cov[:, PLAYS][:, :, PLAYS]
    assert (np.sqrt(np.einsum("i,nij,j->n", difference, block, difference)) < 0.03).all()
