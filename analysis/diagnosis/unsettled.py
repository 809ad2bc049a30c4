"""Changes that lean one way but are known too badly for a number: which way, and what would settle them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.advice import OUTWARD
from fitassay.analysis.diagnosis.ranking import Standing, open_offers
from fitassay.analysis.estimation.model_error import model_error
from fitassay.analysis.normal import Normal
from fitassay.analysis.result import Advice, Unsettled
from fitassay.analysis.rounding import COVERAGE, MEANWHILE_SHARE
from fitassay.analysis.terms import INDEX, PATH, TERMS
from fitassay.coupons.errors import JobError
from fitassay.coupons.machine import Machine, figure
from fitassay.coupons.make import draw_set
from fitassay.coupons.wording import count

LEAST_SHRINKAGE = 0.05
"""Readings that take less off the uncertainty than this share of it settle nothing."""


@dataclass(frozen=True, kw_only=True)
class _Reading:
    """All of a coupon that could still be read: what to do, its minutes, and the standard uncertainty left then."""

    words: str
    minutes: float
    u: float


def unsettled_of(
    steps: tuple[Advice, ...], walk: SetWalk, standing: Standing, machine: Machine
) -> tuple[Unsettled, ...]:
    """Each change in words.

    Parameters
    ----------
    steps : tuple of Advice
        Those whose uncertainty is over half of them.
    walk : SetWalk
        Of what was printed.
    standing : Standing
        What is known and what was read; its doubt is not looked at.
    machine : Machine
    """
    if not steps:
        return ()
    try:
        made = draw_set(machine)
    except JobError:  # the machine is too small for the library; what is at hand must do
        shelf, minutes = None, {}
    else:
        shelf, minutes = (
            SetWalk(made.manifest, made.drafts),
            {c: cost.minutes for c, cost in made.costs.items()},
        )
    return tuple(
        Unsettled(
            setting=step.setting,
            term=step.term,
            text=_leans(step),
            settle=_settles(step, walk, shelf, minutes, standing, machine),
        )
        for step in steps
    )


def _leans(step: Advice) -> str:
    label = TERMS[INDEX[step.term]].label
    if step.from_value is None or step.to_value is None:
        return f"{step.setting} probably needs a hand ({label}), but how much is known to no better than half of it"
    way = "larger" if step.to_value > step.from_value else "smaller"
    return (
        f"{figure(step.setting).label} should probably be {way} ({label}), but by how much is known to no better "
        "than half of it"
    )


def _settles(
    step: Advice,
    walk: SetWalk,
    shelf: SetWalk | None,
    minutes: dict[str, float],
    standing: Standing,
    machine: Machine,
) -> str:
    """The quickest reading that makes the number good; else the one that does most per minute."""
    term = INDEX[step.term]
    row = OUTWARD / 2 if term == PATH else np.eye(len(TERMS))[term]
    known = standing.posterior
    size = (
        abs(float(known.mean[term]))
        if step.to_value is None
        else abs(step.to_value - (step.from_value or 0.0))
    )
    needed = MEANWHILE_SHARE * size / (COVERAGE * step.std_uncertainty)
    at_hand = {c.id for c in walk.manifest.coupons}
    could = _readings(walk, row, standing, {}, at_hand, machine)
    if shelf is not None:
        # Errors will have drifted until then, and readings of a coupon say nothing about one printed afresh.
        drifted = replace(known, cov=known.cov + np.diag([t.drift_sd**2 for t in TERMS]))
        fresh = replace(standing, posterior=drifted, measured=frozenset())
        could += _readings(shelf, row, fresh, minutes, at_hand, machine)
    before = float(np.sqrt(row @ known.cov @ row))
    telling = [c for c in could if c.u <= (1 - LEAST_SHRINKAGE) * before]
    if not telling:
        return ""
    enough = [c for c in telling if c.u <= needed * before]
    if enough:
        return f"to settle it, {min(enough, key=lambda c: c.minutes).words}"
    best = max(telling, key=lambda c: (before - c.u) / c.minutes)
    return f"to know it better, {best.words}"


def _readings(
    walk: SetWalk,
    row: np.ndarray,
    standing: Standing,
    minutes: dict[str, float],
    at_hand: set[str],
    machine: Machine,
) -> list[_Reading]:
    """Coupon by coupon; with `minutes` they are yet to be printed, those `at_hand` once more."""
    offers = open_offers(walk, standing)
    columns = {key: i for i, key in enumerate(walk.keys)}
    rough = model_error(walk, machine).cov
    found = []
    for coupon in dict.fromkeys(o.coupon for o in offers):
        own = [o for o in offers if o.coupon == coupon]
        at = [columns[o.coupon, o.feature] for o in own]
        noise = rough[np.ix_(at, at)] + np.diag([o.u**2 for o in own])
        cost = sum(o.minutes for o in own)
        what = f"measure {coupon}"
        if minutes:
            cost += minutes[coupon]
            what = f"print and measure {coupon}{' once more' if coupon in at_hand else ''}"
        found.append(
            _Reading(
                words=f"{what} (about {cost:.0f} min, {count(len(own), 'reading')})",
                minutes=cost,
                u=_left(standing.posterior, row, np.array([o.row for o in own]), noise),
            )
        )
    return found


def _left(known: Normal, row: np.ndarray, gains: np.ndarray, noise: np.ndarray) -> float:
    """Standard uncertainty of row @ terms that readings with that covariance leave."""
    cross = gains @ known.cov
    inner = cross @ gains.T + noise
    drop = float(row @ cross.T @ np.linalg.solve(inner, cross @ row))
    return float(np.sqrt(max(float(row @ known.cov @ row) - drop, 0.0)))
