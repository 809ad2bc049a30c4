"""What the readings cannot separate, with the sum that they do know and what works whichever it is."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from fitassay.analysis import rounding
from fitassay.analysis.diagnosis.surface import together
from fitassay.analysis.normal import SMALLEST_SD
from fitassay.analysis.notes import Note
from fitassay.analysis.result import Confounded
from fitassay.analysis.terms import BEAD, INDEX, PRINTER, TERMS, told_on
from fitassay.coupons.machine import Machine

# An error belongs to a group when the others of the group explain this much of its posterior variance ...
TIED = 0.85**2
# ... while it keeps this share of its prior width, and one of the group the larger one.
WEAK_SHARE, WEAKEST_SHARE = 0.2, 0.3
LARGEST_GROUP = 4
# One setting serves whichever it is when it leaves no more than this share of the misfit.
SERVES = 0.35
# A sum is worth acting on beyond this many standard uncertainties.
SIGNIFICANT_SDS = 2.0


def belts_alike(mean: np.ndarray, covariance: np.ndarray, machine: Machine) -> tuple[Confounded, ...]:
    """What no reading at all tells apart on a machine with crossed belts, where there is any of it.

    A frame that leans by g and belts whose scales differ by as much, each stretching its own diagonal, make squares
    the same diamonds, turned a little: `skew_xy` is the sum of both.
    """
    i = INDEX["skew_xy"]
    value, u = float(mean[i]), float(np.sqrt(covariance[i, i]))
    if machine.kinematics != "crossed-belts" or abs(value) < SIGNIFICANT_SDS * u:
        return ()
    return (
        Confounded(
            terms=(TERMS[i].name,),
            alike=Note("confounded-belts"),
            combination={TERMS[i].name: 1.0},
            value=value,
            std_uncertainty=u,
            unit=TERMS[i].unit,
            remedy=Note("confounded-belts-remedy"),
        ),
    )


def confounded_groups(
    covariance: np.ndarray, prior_sd: np.ndarray, told: np.ndarray | None = None
) -> tuple[tuple[int, ...], ...]:
    """Smallest groups of printer errors that act alike in the readings.

    With C the posterior covariance of a group in units of the priors, the group explains of member i's variance
    R_i^2 = 1 - 1 / (C_ii (C^-1)_ii). Ratios, so that neither the units nor a common factor in the priors matter.

    Parameters
    ----------
    covariance : ndarray (terms, terms)
    prior_sd : ndarray (terms,)
    told : ndarray (terms,) of bool, optional
        Errors that may be named; by default all that such a machine has.
    """
    told = prior_sd > SMALLEST_SD if told is None else told
    scaled = covariance / np.outer(prior_sd, prior_sd)
    share = np.sqrt(np.diag(scaled))
    weak = [int(i) for i in np.flatnonzero(PRINTER & told & (share >= WEAK_SHARE))]
    found: list[tuple[int, ...]] = []
    for size in range(2, LARGEST_GROUP + 1):
        for group in combinations(weak, size):
            if any(set(known) <= set(group) for known in found) or share[list(group)].max() < WEAKEST_SHARE:
                continue
            c = scaled[np.ix_(group, group)]
            tied = 1 - 1 / (np.diag(c) * np.diag(np.linalg.inv(c)))
            if tied.min() >= TIED:
                found.append(group)
    return tuple(found)


def find_confounded(
    mean: np.ndarray,
    covariance: np.ndarray,
    prior_sd: np.ndarray,
    gains: np.ndarray,
    machine: Machine,
    accused: bool = True,
) -> tuple[Confounded, ...]:
    """The groups with the known sum and a remedy.

    Parameters
    ----------
    mean, covariance, prior_sd : ndarray (terms,), (terms, terms), (terms,)
    gains : ndarray (features, terms)
        Of the features measured.
    machine : Machine
        Settings in force.
    accused : bool
        Whether an error is; else a setting is told as a number only where that is known as well as any advice.
    """
    # What serves whichever it is serves uneven layers and push-out as well.
    mean, covariance = together(mean, covariance)
    groups = confounded_groups(covariance, prior_sd, told_on(machine.kinematics))
    found = []
    for group in groups:
        coefficients = known_sum(group, covariance, prior_sd)
        rows = list(group)
        value = float(coefficients @ mean[rows])
        u = float(np.sqrt(coefficients @ covariance[np.ix_(rows, rows)] @ coefficients))
        if abs(value) < SIGNIFICANT_SDS * u:
            remedy = Note("confounded-sum-nil")
        else:
            # Groups that share an error are set right together.
            joined = set(group).union(*(g for g in groups if set(g) & set(group)))
            remedy = _remedy(sorted(joined), mean, covariance, gains, machine, accused)
        terms = [TERMS[i] for i in group]
        names = tuple(t.name for t in terms)
        found.append(
            Confounded(
                terms=names,
                alike=Note("confounded", {"terms": names}),
                combination={t.name: float(c) for t, c in zip(terms, coefficients, strict=True)},
                value=value,
                std_uncertainty=u,
                unit="mm" if any(t.unit == "mm" for t in terms) else terms[0].unit,
                remedy=remedy,
            )
        )
    return tuple(found)


def known_sum(group: tuple[int, ...], covariance: np.ndarray, prior_sd: np.ndarray) -> np.ndarray:
    """Coefficients (group,) of the best known combination: the weakest eigenvector, the first length having 1."""
    take = np.ix_(group, group)
    scaled = covariance[take] / np.outer(prior_sd, prior_sd)[take]
    known = np.linalg.eigh(scaled)[1][:, 0] / prior_sd[list(group)]
    lengths = [n for n, i in enumerate(group) if TERMS[i].unit == "mm"] or list(range(len(group)))
    # Bead before offset, so that it reads e + 2p; whichever is least, so that no coefficient of a length is under 1.
    known = known / known[min(lengths, key=lambda n: (round(abs(known[n] / known[lengths[0]]), 1), n))]
    # Said with more plus than minus signs.
    known = known * (1 if np.sum(np.sign(known)) >= 0 else -1)
    whole = np.round(known)
    # A ratio within 5 % of a small whole number is that number: e + 2p, not e + 1.98p.
    small = (np.abs(known - whole) < 0.05 * np.abs(whole)) & (np.abs(whole) <= 4)
    lengths_only = np.array([TERMS[i].unit == "mm" for i in group])
    return np.where(small & lengths_only, whole, known)


def _remedy(
    group: list[int],
    mean: np.ndarray,
    covariance: np.ndarray,
    gains: np.ndarray,
    machine: Machine,
    accused: bool,
) -> Note:
    """The one setting that brings the measured sizes right whichever of the group it is."""
    # What the group does to the features measured is known, whichever of it does it.
    misfit = gains[:, group] @ mean[group]
    size = float(misfit @ misfit)
    best = None
    for i in sorted((g for g in group if TERMS[g].control), key=lambda i: (TERMS[i].remedy_rank, i)):
        own = gains[:, i]
        # Least squares: misfit = own * amount + rest.
        pick = own / max(float(own @ own), 1e-12)
        rest = misfit - own * float(pick @ misfit)
        if float(rest @ rest) <= SERVES**2 * size:
            best = i, float(pick @ misfit), pick @ gains[:, group]
            break
    if best is None:
        return Note("confounded-no-setting")
    index, amount, row = best
    u = float(np.sqrt(row @ covariance[np.ix_(group, group)] @ row))
    control = TERMS[index].control
    assert control is not None
    control = control.chosen(machine)[0]
    new, wider = (control.removing(error, machine) for error in (amount, amount + u))
    if not rounding.is_known_well(new - machine[control.key], abs(wider - new), accused):
        return Note("confounded-known-badly", {"setting": control.key})
    return Note(
        "confounded-one-setting",
        {
            "setting": control.key,
            "now": machine[control.key],
            "new": new,
            "u_new": abs(wider - new),
            "wall_open": BEAD in group and index != BEAD,
            "length_open": any(TERMS[i].unit != "mm" for i in group),
        },
    )


def confounded_terms(confounded: tuple[Confounded, ...]) -> set[int]:
    """Indices of the terms that further readings might tell apart."""
    return {INDEX[name] for group in confounded if len(group.terms) > 1 for name in group.terms}
