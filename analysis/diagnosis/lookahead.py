"""Where a print stands between two readings: the verdict so far, what to read or print next, and when to stop."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.confounding import confounded_terms
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.diagnosis.evidence import Offer
from fitassay.analysis.diagnosis.ranking import (
    Standing,
    open_doubt,
    rank_coupons,
    rank_readings,
    rank_unprinted,
)
from fitassay.analysis.diagnosis.sequential import IN_A_ROW, Guide, retake, sure_enough
from fitassay.analysis.estimation.known import Known
from fitassay.analysis.estimation.observations import single_reading_sd
from fitassay.analysis.readings.file import Reading
from fitassay.analysis.result import Diagnosis, NextPrint, Status
from fitassay.analysis.terms import INDEX, PRINTER, TERMS, told_on
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine


@dataclass(frozen=True, kw_only=True)
class Outlook:
    """What would tell most.

    Attributes
    ----------
    readings, coupons, unprinted : tuple of NextPrint
        Single readings at hand; coupons at hand with all that is unread on them; coupons not printed. Each by doubt
        removed per minute; empty where nothing is in doubt.
    about : tuple of (term, share)
        What the doubt is about, largest first; shares sum to 1.
    """

    readings: tuple[NextPrint, ...]
    coupons: tuple[NextPrint, ...]
    unprinted: tuple[NextPrint, ...]
    about: tuple[tuple[str, float], ...]


def look_ahead(
    walk: SetWalk,
    machine: Machine,
    diagnosis: Diagnosis | None,
    readings: tuple[Reading, ...] = (),
    known: Known | None = None,
    offers: tuple[Offer, ...] = (),
) -> Outlook:
    """Rank everything that could be read or printed next.

    Parameters
    ----------
    walk : SetWalk
    machine : Machine
    diagnosis : Diagnosis or None
        Of `readings`; None before the first one.
    known : Known, optional
        What is known before the first reading.
    offers : tuple of Offer
        Other evidence that could be taken.
    """
    u = single_reading_sd(machine)
    told = PRINTER & told_on(machine.kinematics)
    if diagnosis is None:
        start = Guide(walk, machine, known=known).start()
        standing = Standing(
            posterior=start.posterior,
            doubt=open_doubt(start.chances(), start.guide.printer, told, True, set()),
            measured=frozenset(),
            u=u,
        )
    else:
        standing = _standing(diagnosis, readings, told, u)
    if not standing.doubt.any():
        return Outlook(readings=(), coupons=(), unprinted=(), about=())
    share = standing.doubt / standing.doubt.sum()
    order = [int(i) for i in np.argsort(-share, kind="stable") if share[i] >= 0.02]
    return Outlook(
        readings=rank_readings(walk, standing, again=True, offers=offers),
        coupons=rank_coupons(walk, standing),
        unprinted=rank_unprinted(walk, standing, machine),
        about=tuple((TERMS[i].name, float(share[i])) for i in order),
    )


def _standing(diagnosis: Diagnosis, readings: tuple[Reading, ...], told: np.ndarray, u: float) -> Standing:
    status = diagnosis.verdict.status
    chances = np.zeros(len(TERMS))
    felt = np.zeros(len(TERMS), dtype=bool)
    for name, chance in diagnosis.probabilities.items():
        chances[INDEX[name]] = chance
        # Only errors that some size of a part feels have a share in the misfit.
        felt[INDEX[name]] = diagnosis.shares.get(name, 0.0) > 0
    confounded = confounded_terms(diagnosis.confounded)
    unread = np.zeros(len(TERMS))
    unread[[INDEX[name] for name in diagnosis.verdict.not_looked_at]] = 1.0
    doubt = open_doubt(
        chances, PRINTER & felt, told, status in ("leading", "undetermined", "sum-known"), confounded
    )
    return Standing(
        posterior=diagnosis.posterior,
        doubt=unread if status == "within-noise" else doubt,
        measured=frozenset((r.coupon, r.feature) for r in readings),
        u=u,
    )


@dataclass(frozen=True, kw_only=True)
class Enough:
    """How few of the readings at hand would have done.

    Attributes
    ----------
    wanted : float
        Chance asked for.
    keys : tuple of (coupon, feature)
        In the order in which they tell most; all of them where they do not suffice.
    available : int
        Features read.
    reached : bool
    status, term, probability :
        The verdict from those readings alone.
    """

    wanted: float
    keys: tuple[tuple[str, str], ...]
    available: int
    reached: bool
    status: Status
    term: str
    probability: float


def few_enough(
    walk: SetWalk,
    readings: tuple[Reading, ...],
    machine: Machine,
    wanted: float,
    known: Known | None = None,
) -> Enough:
    """Replay the readings at hand, the most telling ones first, until the verdict is as sure as wanted.

    The order and a first stop come from the linear update; whether that was enough is judged by the whole
    interpretation, slips and all, which may ask for more.

    Parameters
    ----------
    wanted : float
        From 0.8 on, where an accusation begins.
    """
    groups: dict[tuple[str, str], list[Reading]] = {}
    for r in readings:
        groups.setdefault((r.coupon, r.feature), []).append(r)
    values = np.full(len(walk.keys), np.nan)
    for i, key in enumerate(walk.keys):
        sizes = [r.reading_mm for r in groups.get(key, ()) if r.reading_mm is not None]
        if sizes:
            values[i] = float(np.mean(sizes))
    available = int(np.isfinite(values).sum())
    # Pieces of known size tell of the caliper, whichever features are read.
    pieces = tuple(r for r in readings if (r.coupon, r.feature) not in walk.keys)
    guide = Guide(walk, machine, known=known)
    keys: list[tuple[str, str]] = []
    run, reached = 0, False
    verdict = None
    for column, step in retake(guide, values):
        keys.append(walk.keys[column])
        run = run + 1 if step.reaches(wanted) else 0
        if run >= IN_A_ROW or len(keys) == available:
            taken = tuple(r for k in keys for r in groups[k])
            verdict = interpret(walk, pieces + taken, machine, known).verdict
            reached = sure_enough(verdict.status, verdict.probability, wanted)
        if reached:
            break
    if verdict is None:
        raise InputError("no feature has been read yet, so there is nothing to replay", "next")
    return Enough(
        wanted=wanted,
        keys=tuple(keys),
        available=available,
        reached=reached,
        status=verdict.status,
        term=verdict.term,
        probability=verdict.probability,
    )
