"""What to print or measure next: the doubt that each feature and each coupon would remove, per minute."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.evidence import READING_MINUTES, Offer, reading_minutes, worth_reading
from fitassay.analysis.diagnosis.information_gain import (
    doubt_of,
    removed_by_all,
    removed_by_each,
    share_removed,
)
from fitassay.analysis.diagnosis.library import library_of
from fitassay.analysis.estimation.observations import hold_sd, reference_row
from fitassay.analysis.normal import Normal
from fitassay.analysis.readings.reading import REFERENCE
from fitassay.analysis.result import NextPrint
from fitassay.analysis.terms import TERMS
from fitassay.coupons.feature import Feature
from fitassay.coupons.machine import Machine
from fitassay.coupons.wording import listed

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
    set_aside : frozenset of (coupon, feature)
        Those of the measured whose reading was left out as an outlier.
    """

    posterior: Normal
    doubt: np.ndarray
    measured: frozenset[tuple[str, str]]
    u: float
    set_aside: frozenset[tuple[str, str]] = frozenset()


def open_doubt(
    chances: np.ndarray,
    accusable: np.ndarray,
    told: np.ndarray,
    verdict_open: bool,
    confounded: set[int] | frozenset[int],
) -> np.ndarray:
    """What there is to be in doubt about, ndarray (terms,); all zero where nothing is.

    While the verdict is open, which error is the largest; after that, errors that act alike.

    Parameters
    ----------
    chances : ndarray (terms,)
    accusable : ndarray (terms,) of bool
        That the sizes at hand can accuse.
    told : ndarray (terms,) of bool
        That can be accused on such a machine at all, in doubt alike where no size is at hand.
    verdict_open : bool
    confounded : set of int
        Indices of the terms that the readings cannot separate.
    """
    if verdict_open and not accusable.any():
        return np.where(told, 1.0, 0.0)
    if verdict_open:
        return doubt_of(chances, accusable)
    doubt = np.zeros(len(TERMS))
    doubt[sorted(confounded)] = 1.0
    return doubt


def rank_readings(
    walk: SetWalk, standing: Standing, *, again: bool = False, offers: tuple[Offer, ...] = ()
) -> tuple[NextPrint, ...]:
    """Single readings of pieces at hand, by doubt removed per minute.

    Parameters
    ----------
    walk : SetWalk
        Of the coupons that are printed.
    standing : Standing
    again : bool
        Features measured already, to be read once more, too.
    offers : tuple of Offer
        Other evidence that could be taken.
    """
    could = [
        *open_offers(walk, standing, again),
        *(
            Offer(
                coupon=REFERENCE,
                feature=piece,
                row=reference_row(piece)[1],
                u=standing.u,
                minutes=READING_MINUTES,
                text=_piece_words(piece.partition(":")[0]),
            )
            for piece in PIECES
            if not any(c == REFERENCE and f.startswith(piece.partition(":")[0]) for c, f in standing.measured)
        ),
        *_not_taken(offers, standing),
    ]
    return _ranked(_each(could, standing))


def _each(could: Sequence[Offer], standing: Standing) -> list[NextPrint]:
    """What each of these would tell by itself."""
    if not could:
        return []
    rows, u = np.array([o.row for o in could]), np.array([o.u for o in could])
    gains = share_removed(standing.doubt, removed_by_each(standing.posterior.cov, rows, u))
    about = doubted(standing.doubt)
    return [
        NextPrint(
            coupon=o.coupon,
            feature=o.feature,
            gain=float(gain),
            minutes=o.minutes,
            text=f"{o.text}: {_removes(gain, about)}",
        )
        for o, gain in zip(could, gains, strict=True)
    ]


def rank_coupons(
    walk: SetWalk, standing: Standing, minutes: Mapping[str, float] | None = None
) -> tuple[NextPrint, ...]:
    """Whole coupons, with all their features that are not measured, by doubt removed per minute.

    Of a coupon at hand its rims, single layers and cross-checks stand apart, as they are read in another manner.

    Parameters
    ----------
    walk : SetWalk
    standing : Standing
    minutes : mapping of str to float [min], optional
        Printing time by coupon, for coupons that are not printed; default: all are there and need measuring only.
    """
    could = open_offers(walk, standing)
    about = doubted(standing.doubt)
    found = []
    manner = {
        key: _manner(f) if minutes is None else "" for key, f in zip(walk.keys, walk.features, strict=True)
    }
    for coupon, how in dict.fromkeys((o.coupon, manner[o.coupon, o.feature]) for o in could):
        mine = [o for o in could if (o.coupon, manner[o.coupon, o.feature]) == (coupon, how)]
        a, u = np.array([o.row for o in mine]), np.array([o.u for o in mine])
        gain = float(share_removed(standing.doubt, removed_by_all(standing.posterior.cov, a, u)))
        best = int(np.argmax(share_removed(standing.doubt, removed_by_each(standing.posterior.cov, a, u))))
        cost = sum(o.minutes for o in mine)
        if minutes is not None:
            cost += minutes[coupon]
        what = (how or ("measure {}" if minutes is None else "print {}")).format(coupon)
        many = "1 reading" if len(mine) == 1 else f"{len(mine)} readings"
        found.append(
            NextPrint(
                coupon=coupon,
                feature=mine[best].feature,
                gain=gain,
                minutes=cost,
                text=f"{what} (about {cost:.0f} min, {many}): {_removes(gain, about)}",
            )
        )
    return _ranked(found)


def _not_taken(offers: tuple[Offer, ...], standing: Standing) -> list[Offer]:
    return [offer for offer in offers if (offer.coupon, offer.feature) not in standing.measured]


def what_next(
    walk: SetWalk,
    standing: Standing,
    machine: Machine,
    *,
    offers: tuple[Offer, ...] = (),
    enough: float = 0.5,
) -> tuple[NextPrint, ...]:
    """What is at hand, then what could be printed, unless what is at hand removes `enough` of the doubt.

    At hand are coupons, other evidence, and features whose reading was left out, to be read once more.
    """
    if not standing.doubt.any():
        return ()
    once_more = [
        o for o in open_offers(walk, standing, again=True) if (o.coupon, o.feature) in standing.set_aside
    ]
    single = _each([*once_more, *_not_taken(offers, standing)], standing)
    at_hand = _ranked([*rank_coupons(walk, standing), *single])
    if at_hand and at_hand[0].gain > enough:
        return at_hand
    return at_hand + rank_unprinted(walk, standing, machine)


def rank_unprinted(walk: SetWalk, standing: Standing, machine: Machine) -> tuple[NextPrint, ...]:
    """Coupons of families that were not printed, drawn for this machine, by doubt removed per minute."""
    have = {c.family for c in walk.manifest.coupons}
    library = library_of(machine)
    if library is None:
        return ()
    made = library.drawn
    wanted = tuple(c for c in made.manifest.coupons if c.family not in have)
    if not wanted:
        return ()
    shelf = SetWalk(replace(made.manifest, coupons=wanted), made.drafts)
    # What was measured on a printed coupon of the same name says nothing about one not printed yet.
    fresh = replace(standing, measured=frozenset())
    return rank_coupons(shelf, fresh, library.minutes)


def doubted(doubt: np.ndarray) -> str:
    """The errors that carry most of the doubt, three at most, in words; says so where others carry some, too."""
    order = [i for i in np.argsort(-doubt, kind="stable") if doubt[i] >= 0.1 * doubt.max() and doubt[i] > 0]
    names = [TERMS[i].label for i in order[:3]]
    return listed([*names, "others"] if len(order) > len(names) else names)


def open_offers(walk: SetWalk, standing: Standing, again: bool = False) -> list[Offer]:
    """Features that can be read and are worth it; `again`: those that were, too."""
    _, gains = walk.linearise(standing.posterior.mean)
    return [
        Offer(
            coupon=walk.keys[i][0],
            feature=walk.keys[i][1],
            row=gains[i],
            u=float(np.hypot(standing.u, hold_sd(walk.features[i]))),
            minutes=reading_minutes(walk.features[i]),
            text=_reading_words(walk.keys[i], standing),
        )
        for i in worth_reading(walk, gains)
        if again or walk.keys[i] not in standing.measured
    ]


def _reading_words(key: tuple[str, str], standing: Standing) -> str:
    again = " again" if key in standing.measured else ""
    return f"read {key[1]} on {key[0]}{again}"


def _manner(feature: Feature) -> str:
    """How such a feature is read, if not as usual: what to measure of a coupon."""
    if feature.edge:
        return "measure one layer of {}, cut off last of all with scissors, away from yourself"
    if feature.cross_check:
        return "measure {} from edge to edge"
    return "measure the rims of {}, the jaws over the top 0.4 mm only" if feature.kind == "rim" else ""


def _piece_words(side: str) -> str:
    piece = "a gauge block or a ground dowel" if side == "outside" else "a ring"
    return f"read a piece of known size with the {side} jaws, {piece}"


def _removes(gain: float, about: str) -> str:
    return f"removes {100 * gain:.0f} % of the doubt about {about}"


def _ranked(found: list[NextPrint]) -> tuple[NextPrint, ...]:
    worth = [n for n in found if n.gain >= SMALLEST_GAIN]
    return tuple(sorted(worth, key=lambda n: -n.gain / n.minutes))
