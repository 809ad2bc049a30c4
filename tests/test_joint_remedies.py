"""Printers with one joint each: coupons chosen for it within an hour, the remedy followed, and does it then fit?

The remedy is what `diagnose` says of the joint: the changes, and the hole to draw with them. A joint fits when it is
no tighter than the next tighter fit of the wall chart and no looser than the next looser one (common practice, no
source); a press fit holds, by 0.15 mm at most.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitassay.analysis.chain.mating import PathHabits, clearances, ways_of
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.advice import advise
from fitassay.analysis.diagnosis.verdict import STATUSES, reference_of, visible_sd
from fitassay.analysis.estimation.model_error import model_error, piece_sd
from fitassay.analysis.estimation.observations import single_reading_sd
from fitassay.analysis.estimation.priors import prior, prior_means, prior_sds
from fitassay.analysis.normal import Normal
from fitassay.analysis.parts.pairs import Pair, hole_for_clearance, joints_of, predict_pair
from fitassay.analysis.parts.sizes import State
from fitassay.analysis.prints.first_set import first_set
from fitassay.analysis.prints.setting_changes import apply, change_of_errors, errors_after
from fitassay.analysis.terms import PRINTER, SHAPING, TERMS
from fitassay.analysis.validation.interpret_many import interpret_many
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import draw_set

MACHINE = Machine()
MADE = draw_set(MACHINE)
SHELF = SetWalk(MADE.manifest, MADE.drafts)
K = len(TERMS)
NOISE = 0.02
WANTED = {"press": -0.05, "slide": 0.15, "turn": 0.25}
FITS = {"press": (-0.15, 0.05), "slide": (0.05, 0.25), "turn": (0.15, 0.5)}


def random_joint(rng: np.random.Generator) -> tuple[str, Pair]:
    """Round or square, 5 to 16 mm, drawn with the play that it wants; how it is put in known or not."""
    shape = "round" if rng.random() < 0.7 else "square"
    motion = str(rng.choice(["turn", "slide", "press"][shape == "square" :]))
    peg, way = float(rng.uniform(5, 16)), (False, True, None)[rng.integers(3)]
    pair = Pair(peg=peg, hole=peg + WANTED[motion], shape=shape, flipped=way, turns=motion == "turn")
    return motion, pair


def true_clearance(pair: Pair, theta: np.ndarray, way: float, scatter: float) -> float:
    """Of one printed pair, walked one of the ways that it may be: the `way`-th part of their weights [mm]."""
    ways = ways_of(pair.shape, pair.flipped, PathHabits(), over=False, across=pair.across)
    upto = np.cumsum([w.weight for w in ways])
    one = ways[min(int(np.searchsorted(upto, way * upto[-1])), len(ways) - 1)]
    found = clearances(joints_of((pair,), turning=pair.turns), one, theta[None], MACHINE.line_width_mm)
    return float(found[0, 0]) + np.sqrt(2) * piece_sd(MACHINE) * scatter


def followed(n: int, seed: int, minutes: float | None) -> dict[str, np.ndarray]:
    """Whether each joint fits now, changed, and with the hole drawn as well; u of its clearance then [mm]."""
    rng = np.random.default_rng(seed)
    sd = prior_sds(MACHINE)
    theta = 0.8 * sd * rng.standard_normal((n, K)) * PRINTER
    theta += np.where(SHAPING & ~PRINTER, prior_means(sd) + sd * rng.standard_normal((n, K)), 0.0)
    caliper = np.where(SHAPING, 0.0, sd) * rng.standard_normal((n, K))
    joints = [random_joint(rng) for _ in range(n)]
    scatter, way = rng.standard_normal(n), rng.random(n)
    u, visible = single_reading_sd(MACHINE), visible_sd(MACHINE, single_reading_sd(MACHINE))
    budget = model_error(SHELF, MACHINE).cov
    sets: dict[tuple[str, ...], list[int]] = {}
    for i, (_, pair) in enumerate(joints):
        names = tuple(MADE.costs)
        if minutes is not None:
            known, width = prior(MACHINE), MACHINE.line_width_mm
            names = first_set(SHELF, MADE.costs, known, u, (pair,), minutes, width, budget).coupons
        sets.setdefault(names, []).append(i)
    out = {name: np.zeros(n) for name in ("now", "settings", "remedy", "u")}
    for names, at in sets.items():
        made = draw_set(MACHINE, families=names)
        walk = SetWalk(made.manifest, made.drafts)
        exact = walk.readings(theta[at] + caliper[at])
        read = np.round((exact + NOISE * rng.standard_normal(exact.shape)) / 0.01) * 0.01
        got = interpret_many(walk, read, MACHINE)
        reference = reference_of(walk, walk.linearise()[1], set(range(len(walk.keys))))
        for j, i in enumerate(at):
            mean, cov = got.settled.posterior.mean[j], got.settled.posterior.cov[j]
            accused = STATUSES[got.judged.status[j]] in ("dominant", "leading")
            changed = apply(MACHINE, advise(mean, cov, reference, MACHINE, visible, accused=accused).steps)
            slope, offset = change_of_errors(MACHINE, changed)
            state = State(
                posterior=Normal(mean=mean, cov=cov).affine(np.diag(slope), offset),
                width=MACHINE.line_width_mm,
                scatter_mm=piece_sd(MACHINE),
                habits=PathHabits(),
            )
            motion, pair = joints[i]
            drawn = replace(pair, hole=hole_for_clearance(pair, WANTED[motion], state))
            mended = errors_after(theta[i], MACHINE, changed)
            low, high = FITS[motion]
            for name, joint, errors in (
                ("now", pair, theta[i]),
                ("settings", pair, mended),
                ("remedy", drawn, mended),
            ):
                out[name][i] = low <= true_clearance(joint, errors, way[i], scatter[i]) <= high
            out["u"][i] = predict_pair(drawn, replace(state, scatter_mm=0.0)).counts.u
    return out


@pytest.mark.long
def test_the_remedy_of_an_hour_fits_nearly_always():
    """24 joints: at a true share of 0.95 fewer than 19 fit with a probability of 0.0003."""
    got = followed(24, 3, 60.0)
    assert got["now"].mean() < 0.4
    assert got["remedy"].sum() >= 19
    assert got["remedy"].mean() >= got["settings"].mean()


@pytest.mark.calibration
@pytest.mark.parametrize(("minutes", "fits"), [(60.0, 0.95), (None, 0.97)])
def test_the_remedy_fits_on_five_hundred_machines(minutes, fits):
    got = followed(500, 7, minutes)
    figures = ", ".join(f"{name} {got[name].mean():.3f}" for name in ("now", "settings", "remedy"))
    print(f"{minutes or 'all'} minutes: fits {figures}; u {np.median(got['u']):.3f} mm")
    assert got["remedy"].mean() >= fits
    # The wish of 0.04 mm is not reached: the model's own error and the caliper's zeros alone leave 0.03 to 0.04.
    assert np.median(got["u"]) <= 0.06
