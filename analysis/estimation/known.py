"""What is known of the error terms beside the readings: typed facts, and what an earlier print left known."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from fitassay.analysis.estimation.excess_variance import Disagreement
from fitassay.analysis.normal import Normal
from fitassay.analysis.notes import Note
from fitassay.analysis.terms import PATH, TERMS

FactKind = Literal["path place", "feed", "weighed", "trials", "by eye"]
"""Where the path stands by the sliced file; the bead by filament and feed test, or by the scale; what pegs tried in
bores, and rows read by eye, say."""

# A fact further than this from what the readings say of it, in standard uncertainties, is contradicted by them: by
# chance once in 2000.
CONTRADICTED = 3.5


@dataclass(frozen=True, kw_only=True)
class Fact:
    """Something known of the terms beside the readings: row @ terms = value, standard uncertainty u.

    Attributes
    ----------
    kind : FactKind
    row : ndarray (terms,)
    value, u : float [mm]
    origin : str
        What the fact was learned from. Facts of one kind and origin are one fact, whichever prints hold it; it is
        counted once.
    """

    kind: FactKind
    row: np.ndarray
    value: float
    u: float
    origin: str

    @property
    def identity(self) -> tuple[str, str]:
        """Kind and origin."""
        return self.kind, self.origin


# From so many degrees of freedom on a print tells of its scatter; one that disagrees more often than this chance has
# clearly scattered, whatever earlier ones did.
LEAST_DOF, CLEAR_P = 3.0, 0.01


@dataclass(frozen=True, kw_only=True)
class Scattered:
    """What prints scattered beyond the caliper, pooled.

    Four readings of a proof print that happen to disagree are no sign against forty that agreed before.

    Attributes
    ----------
    dof : float
        Degrees of freedom that tell of it.
    total_mm2 : float [mm2]
        Excess variance of each print times its own of these, in all.
    """

    dof: float = 0.0
    total_mm2: float = 0.0

    @property
    def sd_mm(self) -> float:
        """Standard deviation of one piece's size [mm]."""
        return math.sqrt(self.total_mm2 / self.dof) if self.dof else 0.0

    def after(self, dof: float, excess_mm2: float, p_value: float) -> Scattered:
        """With one more print, of these degrees of freedom, excess variance and chance of disagreeing so much."""
        if dof < LEAST_DOF:
            return self
        before = Scattered() if p_value < CLEAR_P else self
        return Scattered(dof=before.dof + dof, total_mm2=before.total_mm2 + dof * excess_mm2)


@dataclass(frozen=True, kw_only=True)
class TransferredPrior:
    """What an earlier print left known, in place of the table of priors.

    Attributes
    ----------
    name : str
        That print.
    terms : Normal
    jumps : float or None
        How likely a backlash compensation set too high jumps at the reversal rather than mirrors the play; None where
        no print told.
    as_read : tuple of Normal
        The same errors as each earlier print left them when it was read, under the present settings but without what
        may have drifted since; none from under other conditions.
    scattered : Scattered
        What the prints so far scattered, under the same conditions.
    """

    name: str
    terms: Normal
    jumps: float | None = None
    as_read: tuple[Normal, ...] = ()
    scattered: Scattered = Scattered()


def scattered_by(own: Disagreement, transferred: TransferredPrior | None) -> Scattered:
    """What a print and, where they were used, earlier ones scattered beyond the caliper."""
    before = Scattered() if transferred is None else transferred.scattered
    return before.after(float(own.dof), float(own.excess), float(own.p_value))


@dataclass(frozen=True, kw_only=True)
class Known:
    """What is known beside the readings: from a sliced file, from the filament, from an earlier print.

    Attributes
    ----------
    facts : tuple of Fact
    widen : mapping of (coupon, feature) to float [mm]
        Further standard uncertainty of readings that the sliced file spoils.
    notes : tuple of Note
        Sentences for the user.
    transferred : TransferredPrior or None
    """

    facts: tuple[Fact, ...] = ()
    widen: Mapping[tuple[str, str], float] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()
    transferred: TransferredPrior | None = None


def fact_of_term(kind: FactKind, term: int, value: float, u: float, origin: str) -> Fact:
    """That one term, by its column, has this value."""
    row = np.zeros(len(TERMS))
    row[term] = 1.0
    return Fact(kind=kind, row=row, value=value, u=u, origin=origin)


def path_place(value: float, u: float) -> Fact:
    """How far a sliced file's path stands outward of its place.

    What no file tells, how the machine follows it, is the same in all prints of a printer; so the origin is one.
    """
    return fact_of_term("path place", PATH, value, u, "sliced file")


def with_facts(terms: Normal, facts: Iterable[Fact]) -> Normal:
    """What is known once the facts are, too."""
    facts = tuple(facts)
    if not facts:
        return terms
    return terms.condition(
        np.array([f.row for f in facts]), np.array([f.value for f in facts]), np.array([f.u for f in facts])
    )


def without_facts(terms: Normal, facts: Iterable[Fact]) -> Normal:
    """What was known before the facts that `terms` holds; the inverse of `with_facts`.

    Facts that are nearly all that is known of something leave it as good as unknown.
    """
    facts = tuple(facts)
    if not facts:
        return terms
    scale = terms.sd
    rows = np.array([f.row * scale / f.u for f in facts])
    targets = np.array([(f.value - f.row @ terms.mean) / f.u for f in facts])
    precision = np.linalg.inv(terms.cov / np.outer(scale, scale)) - rows.T @ rows
    values, vectors = np.linalg.eigh((precision + precision.T) / 2)
    cov = (vectors / np.maximum(values, 1e-8)) @ vectors.T
    return Normal(mean=terms.mean - scale * (cov @ (rows.T @ targets)), cov=cov * np.outer(scale, scale))


def contradicted(terms: Normal, facts: Iterable[Fact]) -> tuple[Fact, ...]:
    """Facts that do not agree with what the readings say, `terms`."""
    found = []
    for fact in facts:
        value, sd = terms.linear(fact.row)
        if abs(fact.value - value) > CONTRADICTED * np.hypot(sd, fact.u):
            found.append(fact)
    return tuple(found)
