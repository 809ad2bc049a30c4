"""Changes that lean one way but are known too badly for a number: which way, and what would settle them."""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.advice import OUTWARD
from fitassay.analysis.diagnosis.library import library_of
from fitassay.analysis.diagnosis.ranking import Standing, open_offers
from fitassay.analysis.estimation.model_error import model_error
from fitassay.analysis.normal import Normal
from fitassay.analysis.result import Advice, Unsettled
from fitassay.analysis.rounding import COVERAGE, MEANWHILE_SHARE
from fitassay.analysis.terms import INDEX, PATH, TERMS
from fitassay.coupons.machine import Machine, figure
from fitassay.coupons.wording import count

LEAST_SHRINKAGE = 0.05
"""Readings that take less off the uncertainty than this share of it settle nothing."""


@dataclass(frozen=True, kw_only=True)
class _Reading:
    """All of a coupon that could still be read: what to do, its minutes, and what is known then."""

    words: str
    minutes: float
    after: Normal


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
    could = _readings(walk, standing, machine)
    library = library_of(machine)
    if library is not None:
        # Errors will have drifted until then, and readings of a coupon say nothing about one printed afresh.
        known = standing.posterior
        drifted = replace(known, cov=known.cov + np.diag([t.drift_sd**2 for t in TERMS]))
        fresh = replace(standing, posterior=drifted, measured=frozenset())
        at_hand = {c.id for c in walk.manifest.coupons}
        could += _readings(library.walk, fresh, machine, library.minutes, at_hand)
    return tuple(
        Unsettled(
            setting=step.setting,
            term=step.term,
            text=_leans(step),
            settle=_settles(step, standing.posterior, could),
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


def _settles(step: Advice, known: Normal, could: list[_Reading]) -> str:
    """The quickest reading that makes the number good; else the one that does most per minute."""
    term = INDEX[step.term]
    row = OUTWARD / 2 if term == PATH else np.eye(len(TERMS))[term]
    size = (
        abs(float(known.mean[term]))
        if step.to_value is None
        else abs(step.to_value - (step.from_value or 0.0))
    )
    needed = MEANWHILE_SHARE * size / (COVERAGE * step.std_uncertainty)
    before = _sd(known, row)
    left = [(_sd(c.after, row), c) for c in could]
    telling = [(u, c) for u, c in left if u <= (1 - LEAST_SHRINKAGE) * before]
    if not telling:
        return ""
    enough = [c for u, c in telling if u <= needed * before]
    if enough:
        return f"to settle it, {min(enough, key=lambda c: c.minutes).words}"
    _, best = max(telling, key=lambda each: (before - each[0]) / each[1].minutes)
    return f"to know it better, {best.words}"


def _sd(known: Normal, row: np.ndarray) -> float:
    """Standard uncertainty of row @ terms."""
    return float(np.sqrt(row @ known.cov @ row))


def _readings(
    walk: SetWalk,
    standing: Standing,
    machine: Machine,
    minutes: Mapping[str, float] | None = None,
    at_hand: Set[str] = frozenset(),
) -> list[_Reading]:
    """Coupon by coupon; with `minutes` they are yet to be printed, those `at_hand` once more."""
    offers = open_offers(walk, standing)
    columns = {key: i for i, key in enumerate(walk.keys)}
    rough = model_error(walk, machine).cov
    known = standing.posterior
    found = []
    for coupon in dict.fromkeys(o.coupon for o in offers):
        own = [o for o in offers if o.coupon == coupon]
        at = [columns[o.coupon, o.feature] for o in own]
        gains = np.array([o.row for o in own])
        noise = rough[np.ix_(at, at)] + np.diag([o.u**2 for o in own])
        cost = sum(o.minutes for o in own)
        what = f"measure {coupon}"
        if minutes is not None:
            cost += minutes[coupon]
            what = f"print and measure {coupon}{' once more' if coupon in at_hand else ''}"
        found.append(
            _Reading(
                words=f"{what} (about {cost:.0f} min, {count(len(own), 'reading')})",
                minutes=cost,
                # What will be read does not matter to how well it will then be known.
                after=known.condition(gains, gains @ known.mean, cov=noise),
            )
        )
    return found
