"""What to print or measure next: the doubt that each feature and each coupon would remove, per minute."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.information_gain import (
    doubt_of,
    removed_by_all,
    removed_by_each,
    share_removed,
)
from fitassay.analysis.estimation.observations import reference_row
from fitassay.analysis.normal import Normal
from fitassay.analysis.readings.reading import LADDER, REFERENCE
from fitassay.analysis.result import NextPrint
from fitassay.analysis.terms import PRINTER, TERMS
from fitassay.coupons.machine import Machine
from fitassay.coupons.wording import listed

# Time to find a feature, close the jaws and note the reading (common practice, no source).
READING_MINUTES = 0.5
SMALLEST_GAIN = 0.02
# Pieces of known size commonly at hand.
PIECES = ("outside:10.000", "inside:8.000")


@dataclass(frozen=True, kw_only=True)
class Standing:
    """What is known so far, and what is not.

    Attributes
    ----------
    posterior : Normal
    doubt : ndarray (terms,)
        From `diagnosis.information_gain.doubt_of`, or any other weights.
    measured : frozenset of (coupon, feature)
    u : float [mm]
        Standard uncertainty of one reading.
    """

    posterior: Normal
    doubt: np.ndarray
    measured: frozenset[tuple[str, str]]
    u: float


def open_doubt(
    chances: np.ndarray, accusable: np.ndarray, verdict_open: bool, confounded: set[int] | frozenset[int]
) -> np.ndarray:
    """What there is to be in doubt about, ndarray (terms,); all zero where nothing is.

    While the verdict is open, which error is the largest; after that, errors that act alike.

    Parameters
    ----------
    chances : ndarray (terms,)
    accusable : ndarray (terms,) of bool
    verdict_open : bool
    confounded : set of int
        Indices of the terms that the readings cannot separate.
    """
    if verdict_open and not accusable.any():
        return np.where(PRINTER, 1.0, 0.0)
    if verdict_open:
        return doubt_of(chances, accusable)
    doubt = np.zeros(len(TERMS))
    doubt[sorted(confounded)] = 1.0
    return doubt


def rank_readings(walk: SetWalk, standing: Standing, *, again: bool = False) -> tuple[NextPrint, ...]:
    """Single readings of pieces at hand, by doubt removed per minute.

    Parameters
    ----------
    walk : SetWalk
        Of the coupons that are printed.
    standing : Standing
    again : bool
        Features measured already, to be read once more, too.
    """
    rows, keys = _open_features(walk, standing, again)
    for piece in PIECES:
        side = piece.partition(":")[0]
        if not any(c == REFERENCE and f.startswith(side) for c, f in standing.measured):
            rows.append(reference_row(piece)[1])
            keys.append((REFERENCE, piece))
    if not rows:
        return ()
    gains = share_removed(standing.doubt, removed_by_each(standing.posterior.cov, np.array(rows), standing.u))
    about = doubted(standing.doubt)
    found = [
        NextPrint(
            coupon=coupon,
            feature=feature,
            gain=float(gain),
            minutes=READING_MINUTES,
            text=f"{_reading_words(coupon, feature, standing)}: {_removes(gain, about)}",
        )
        for (coupon, feature), gain in zip(keys, gains, strict=True)
    ]
    return _ranked(found)


def rank_coupons(
    walk: SetWalk, standing: Standing, minutes: Mapping[str, float] | None = None
) -> tuple[NextPrint, ...]:
    """Whole coupons, with all their features that are not measured, by doubt removed per minute.

    Parameters
    ----------
    walk : SetWalk
    standing : Standing
    minutes : mapping of str to float [min], optional
        Printing time by coupon, for coupons that are not printed; default: all are there and need measuring only.
    """
    rows, keys = _open_features(walk, standing, False)
    about = doubted(standing.doubt)
    found = []
    for coupon in dict.fromkeys(c for c, _ in keys):
        mine = [i for i, key in enumerate(keys) if key[0] == coupon]
        a = np.array([rows[i] for i in mine])
        gain = float(share_removed(standing.doubt, removed_by_all(standing.posterior.cov, a, standing.u)))
        best = int(
            np.argmax(share_removed(standing.doubt, removed_by_each(standing.posterior.cov, a, standing.u)))
        )
        cost = READING_MINUTES * len(mine)
        if minutes is not None:
            cost += minutes[coupon]
        verb = "measure" if minutes is None else "print"
        many = "1 reading" if len(mine) == 1 else f"{len(mine)} readings"
        found.append(
            NextPrint(
                coupon=coupon,
                feature=keys[mine[best]][1],
                gain=gain,
                minutes=cost,
                text=f"{verb} {coupon} (about {cost:.0f} min, {many}): {_removes(gain, about)}",
            )
        )
    return _ranked(found)


def what_next(
    walk: SetWalk, standing: Standing, machine: Machine, *, enough: float = 0.5
) -> tuple[NextPrint, ...]:
    """Coupons at hand, then, unless they remove more than `enough` of the doubt, those that could be printed."""
    if not standing.doubt.any():
        return ()
    at_hand = rank_coupons(walk, standing)
    if at_hand and at_hand[0].gain > enough:
        return at_hand
    return at_hand + rank_unprinted(walk, standing, machine)


def rank_unprinted(walk: SetWalk, standing: Standing, machine: Machine) -> tuple[NextPrint, ...]:
    """Coupons of families that were not printed, drawn for this machine, by doubt removed per minute."""
    from fitassay.coupons.errors import JobError
    from fitassay.coupons.make import draw_set

    have = {c.family for c in walk.manifest.coupons}
    try:
        library = draw_set(machine)
    except JobError:  # the machine is too small for the library; what is at hand must do
        return ()
    wanted = tuple(c for c in library.manifest.coupons if c.family not in have)
    if not wanted:
        return ()
    shelf = SetWalk(replace(library.manifest, coupons=wanted), library.drafts)
    # What was measured on a printed coupon of the same name says nothing about one not printed yet.
    fresh = replace(standing, measured=frozenset())
    return rank_coupons(shelf, fresh, {name: cost.minutes for name, cost in library.costs.items()})


def doubted(doubt: np.ndarray) -> str:
    """The errors that carry most of the doubt, in words."""
    order = [i for i in np.argsort(-doubt, kind="stable") if doubt[i] >= 0.1 * doubt.max() and doubt[i] > 0][
        :3
    ]
    return listed(TERMS[i].label for i in order)


def _open_features(
    walk: SetWalk, standing: Standing, again: bool
) -> tuple[list[np.ndarray], list[tuple[str, str]]]:
    """Sensitivities and names of features that can be read; where pegs are tried there is nothing to read."""
    _, gains = walk.linearise(standing.posterior.mean)
    ladder = {c.id for c in walk.manifest.coupons if c.family == LADDER}
    pick = [
        i
        for i, (key, f) in enumerate(zip(walk.keys, walk.features, strict=True))
        if not (key[0] in ladder and f.kind == "inside") and (again or key not in standing.measured)
    ]
    return [gains[i] for i in pick], [walk.keys[i] for i in pick]


def _reading_words(coupon: str, feature: str, standing: Standing) -> str:
    if coupon == REFERENCE:
        side = feature.partition(":")[0]
        piece = "a gauge block or a ground dowel" if side == "outside" else "a ring"
        return f"read a piece of known size with the {side} jaws, {piece}"
    verb = "read again" if (coupon, feature) in standing.measured else "read"
    return f"{verb} {feature} on {coupon}"


def _removes(gain: float, about: str) -> str:
    return f"removes {100 * gain:.0f} % of the doubt about {about}"


def _ranked(found: list[NextPrint]) -> tuple[NextPrint, ...]:
    worth = [n for n in found if n.gain >= SMALLEST_GAIN]
    return tuple(sorted(worth, key=lambda n: -n.gain / n.minutes))
