"""Pegs tried in bores: what goes, sticks and does not go says of the error terms, and whether it fits the caliper.

A peg is tried upside down, so that its outline is mirrored and lies like the hole's own: with the right turn it
goes in as far as sizes alone allow, C = hole - peg. It turns freely if its widest place passes the hole's narrowest,
T = C - D, where D is what play, unequal scales and lean take away (`chain.mating.turning_clearance`). With a feel of
the hand of standard deviation u = `FEEL_MM`:

    P(enters) = Phi(C / u)      P(turns) = min(Phi(T / u), P(enters))
    goes: turns                 sticks: enters and does not turn        does not go: does not enter

D grows with play of either sign, so no tangent will do: the posterior's mean and covariance are taken from weighted
draws (importance sampling with a fixed seed) in the few directions that the trials depend on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.chain.mating import turning_clearance
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.chain.sizes import Size, size_gains
from fitassay.analysis.estimation.known import Fact
from fitassay.analysis.normal import Normal
from fitassay.analysis.notes import Note
from fitassay.analysis.readings.reading import Reading
from fitassay.analysis.terms import NAMES, PLAYS
from fitassay.coupons.family_names import LADDER
from fitassay.coupons.feature import Manifest


@dataclass(frozen=True, kw_only=True)
class Rung:
    """One trial: sizes as drawn [mm] and the answer, one of ``goes``, ``sticks``, ``does not go``."""

    coupon: str
    feature: str
    peg: float
    hole: float
    answer: str


# Roughness and the hand blur where a peg begins to go or to turn (common practice, no source) [mm].
FEEL_MM = 0.03
# Draws a stage, how many of them must count, and the most stages.
DRAWS, ENOUGH, STAGES = 900, 200.0, 8
# How much wider than the last stage's draws the next ones are taken, as a variance.
WIDEN = 1.6
SEED = 23
# A direction of the terms about which the trials say less than this, against what was known, is left out: it is
# the draws' own noise.
LEAST_INFORMATION = 0.15
# An answer less probable than this, by all else that is known, is told to the user.
SURPRISING = 0.02
# D hardly depends on the sizes of a pair; it is taken from one of this clearance [mm].
CLEARANCE_MM = 0.4


def rungs(manifest: Manifest, readings: tuple[Reading, ...]) -> tuple[Rung, ...]:
    """The trials among the readings; the last answer counts where one was tried again."""
    tried = [r for r in readings if r.fit]
    if not tried:
        return ()
    # The families draw, which most prints' diagnosis need not load.
    from fitassay.coupons.families.fit_ladder import PARTNER

    found: dict[tuple[str, str], Rung] = {}
    for r in tried:
        coupon, feature = manifest.feature(r.coupon, r.feature)
        if coupon.family != LADDER or coupon.id not in PARTNER:
            continue
        piece = PARTNER[coupon.id]
        _, peg = manifest.feature(piece, f"{piece}-x")
        found[r.coupon, r.feature] = Rung(
            coupon=r.coupon, feature=r.feature, peg=peg.nominal_mm, hole=feature.nominal_mm, answer=r.fit
        )
    return tuple(found.values())


def ladder_notes(trials: tuple[Rung, ...]) -> tuple[Note, ...]:
    """What each ladder says by itself: from which drawn clearance its peg goes in and turns.

    An order that no printer makes (a peg that goes in a tight bore and not in a wider one) is asked about; a ladder
    that all or none of the pegs pass asks for one of other clearances.
    """
    notes = []
    for coupon in dict.fromkeys(t.coupon for t in trials):
        climbed = sorted((t for t in trials if t.coupon == coupon), key=lambda t: t.hole)
        rank = [RANKS[t.answer] for t in climbed]
        against = [
            (climbed[i].feature, climbed[i].answer, climbed[j].feature, climbed[j].answer)
            for i in range(len(rank))
            for j in range(i + 1, len(rank))
            if rank[i] > rank[j]
        ]
        facts = {
            "coupon": coupon,
            "peg_mm": climbed[0].peg,
            "tried_mm": (_gap(climbed[0]), _gap(climbed[-1])),
            "enters_mm": next((_gap(t) for t, r in zip(climbed, rank, strict=True) if r > 0), None),
            "turns_mm": next((_gap(t) for t, r in zip(climbed, rank, strict=True) if r > 1), None),
        }
        notes.append(
            Note("ladder-order", {"pairs": against, "coupon": coupon}) if against else Note("ladder", facts)
        )
    return tuple(notes)


RANKS = {"does not go": 0, "sticks": 1, "goes": 2}


def _gap(rung: Rung) -> float:
    """Drawn clearance of a trial [mm]."""
    return round(rung.hole - rung.peg, 3)


def tried_columns(walk: SetWalk, readings: tuple[Reading, ...]) -> set[int]:
    """Columns of the walk whose openings something was tried in."""
    tried = {(r.coupon, r.feature) for r in readings if r.fit}
    return {i for i, key in enumerate(walk.keys) if key in tried}


def entering_gains(rung: Rung, width: float) -> np.ndarray:
    """dC / d term, ndarray (terms,): the mean of x and y of hole less peg."""
    row = np.zeros(len(NAMES))
    for axis in ("x", "y"):
        row += size_gains(Size(side="inside", axis=axis, nominal=rung.hole, shape="round"), width) / 2
        row -= size_gains(Size(side="outside", axis=axis, nominal=rung.peg, shape="round"), width) / 2
    return row


def entering(rung: Rung, width: float, theta: np.ndarray) -> np.ndarray:
    """C, the clearance with which the peg goes in, ndarray (n,) [mm]."""
    return rung.hole - rung.peg + np.atleast_2d(theta) @ entering_gains(rung, width)


def turning(rung: Rung, width: float, theta: np.ndarray) -> np.ndarray:
    """T, the clearance with which it turns, ndarray (n,) [mm], walked for this very pair."""
    return turning_clearance(rung.peg, rung.hole, width, theta)


def lost_to_turning(peg: float, width: float, theta: np.ndarray) -> np.ndarray:
    """D, what turning asks for beyond going in, ndarray (n,) [mm], for pegs of about this size."""
    pair = Rung(coupon="", feature="", peg=peg, hole=peg + CLEARANCE_MM, answer="")
    turns = turning_clearance(pair.peg, pair.hole, width, theta)
    return np.maximum(entering(pair, width, theta) - turns, 0.0)


def chances(trials: tuple[Rung, ...], width: float, theta: np.ndarray) -> np.ndarray:
    """Probability of each trial's answer on printers `theta` (n, terms), ndarray (n, trials)."""
    from scipy.special import ndtr

    lost = {peg: lost_to_turning(peg, width, theta) for peg in {t.peg for t in trials}}
    out = []
    for rung in trials:
        enters = entering(rung, width, theta)
        p_enters = ndtr(enters / FEEL_MM)
        p_turns = np.minimum(ndtr((enters - lost[rung.peg]) / FEEL_MM), p_enters)
        out.append({"goes": p_turns, "sticks": p_enters - p_turns, "does not go": 1 - p_enters}[rung.answer])
    return np.stack(out, axis=1)


def trial_facts(
    walk: SetWalk, readings: tuple[Reading, ...], width: float, before: Normal
) -> tuple[tuple[Fact, ...], tuple[Note, ...]]:
    """What the trials' answers add to what is known: normal rows that leave the same mean and covariance.

    Parameters
    ----------
    width : float [mm]
        Commanded bead width.
    before : Normal
        What is known without the trials.

    Returns
    -------
    facts : tuple of Fact
    notes : tuple of Note
        Sentences where a caliper was used and hand and caliper do not tell the same.
    """
    trials = rungs(walk.manifest, readings)
    if not trials:
        return (), ()
    mean, root = before.mean, before.root
    subspace = _subspace(trials, width, root)
    z, covariance = _moments(trials, width, mean, root, subspace)
    notes: tuple[Note, ...] = ()
    if any(r.reading_mm is not None for r in readings):
        theta = mean + np.random.default_rng(SEED).standard_normal((DRAWS, len(mean))) @ root.T
        notes = _story(trials, chances(trials, width, theta).mean(axis=0))
    notes = (*ladder_notes(trials), *notes)
    return _facts(z, covariance, mean, root, subspace), notes


def _subspace(trials: tuple[Rung, ...], width: float, root: np.ndarray) -> np.ndarray:
    """Orthonormal directions of z (terms = mean + root z) that the trials depend on, ndarray (terms, s).

    One for going in, and both plays; unequal scales and lean matter little and are averaged over.
    """
    rows = [entering_gains(trials[0], width)]
    rows += list(np.eye(len(NAMES))[list(PLAYS)])
    directions, _ = np.linalg.qr(root.T @ np.array(rows).T)
    return directions


def _moments(
    trials: tuple[Rung, ...], width: float, mean: np.ndarray, root: np.ndarray, subspace: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of subspace' z given the answers, z ~ N(0, I) before.

    Stage by stage the draws are taken from a normal fitted to the last stage's weighted ones, made wider so that
    nothing is missed, until enough of them count.
    """
    rng = np.random.default_rng(SEED)
    s = subspace.shape[1]
    middle, spread = np.zeros(s), np.eye(s)
    new, covariance = middle, spread
    for _ in range(STAGES):
        root_spread = np.linalg.cholesky(spread)
        step = rng.standard_normal((DRAWS, s))
        inner = middle + step @ root_spread.T
        rest = rng.standard_normal((DRAWS, len(mean)))
        z = rest + (inner - rest @ subspace) @ subspace.T
        log = np.log(np.maximum(chances(trials, width, mean + z @ root.T), 1e-12)).sum(axis=1)
        # Against the normal that the draws came from.
        log += 0.5 * (np.sum(step**2, axis=1) - np.sum(inner**2, axis=1))
        weight, whole = _tempered(log)
        new = weight @ inner
        centred = inner - new
        covariance = (centred * weight[:, None]).T @ centred
        if whole and 1 / np.sum(weight**2) >= ENOUGH:
            break
        middle, spread = new, WIDEN * covariance + 1e-6 * np.eye(s)
    return new, covariance


def _weights(log: np.ndarray) -> np.ndarray:
    weight = np.exp(log - log.max())
    return weight / weight.sum()


def _tempered(log: np.ndarray) -> tuple[np.ndarray, bool]:
    """Weights of exp(power log), the power such that a tenth of the draws count, and whether it is 1.

    Early on a distant peak is so reached in steps.
    """
    power = 1.0
    while power > 1e-3 and 1 / np.sum(_weights(power * log) ** 2) < 0.1 * len(log):
        power /= 1.3
    return _weights(power * log), power == 1.0


def _facts(
    inner: np.ndarray, covariance: np.ndarray, mean: np.ndarray, root: np.ndarray, subspace: np.ndarray
) -> tuple[Fact, ...]:
    """The information that N(inner, covariance) has over N(0, I) in the subspace, as rows of the terms."""
    inverse = np.linalg.inv(covariance)
    values, vectors = np.linalg.eigh((inverse + inverse.T) / 2 - np.eye(len(inner)))
    pull = inverse @ inner
    facts = []
    for value, vector in zip(values[::-1], vectors.T[::-1], strict=True):
        if value < LEAST_INFORMATION:
            break
        # In mm, so that it weighs as one trial of the hand.
        scale = FEEL_MM * np.sqrt(value)
        row = np.linalg.solve(root.T, subspace @ vector) * scale
        target = float(vector @ pull) / value * scale + float(row @ mean)
        facts.append(
            Fact(kind="trials", row=row, value=target, u=FEEL_MM, origin=f"direction {len(facts) + 1}")
        )
    return tuple(facts)


def _story(trials: tuple[Rung, ...], probable: np.ndarray) -> tuple[Note, ...]:
    """Where hand and caliper do not tell the same."""
    odd = [(t.coupon, t.feature, t.answer) for t, p in zip(trials, probable, strict=True) if p < SURPRISING]
    return (Note("trials-contradict", {"trials": odd}),) if odd else ()
