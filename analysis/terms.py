"""The table of error terms: what its rows do to a print, in which order, and what follows from them.

The printed outline follows from the commanded path by, in this order:

    path      p(t) + n(t) * (contour + flare) + c(t) * closure      n outward from material, c into the bore
    scale     x * (1 + s_x),  y * (1 + s_y)
    play      per axis, total width b: the axis trails its command by b/2 after each reversal; where two crossed belts
              move both axes, the play is in the belts
    shear     x += g * y
    bead      swept along the path, width w + e; what rests on it feels w + e + surface, but in the lowest layers
    reading   caliper span + what the instrument or the layer datum adds

All signed; zero is a perfect printer. Lengths mm, angles rad. A term is added by a row of
`analysis.term_table` and nowhere else; what the columns mean stands in `analysis.term`.
"""

from __future__ import annotations

import numpy as np

from fitassay.analysis.controls import BORE_REFERENCE_MM as BORE_REFERENCE_MM
from fitassay.analysis.term import Errors, Quantity, Term, TermKind
from fitassay.analysis.term_table import OUTSIDE_KINDS, TERMS
from fitassay.coupons.machine import Kinematics

FLARE_BAND_MM = 0.5
"""Below this height a flank is taken to belong to the flared first layers [mm]."""


def acting_on(quantity: Quantity, table: tuple[Term, ...] | None = None) -> tuple[int, ...]:
    """Columns of the terms that add to that quantity of `Errors`."""
    return tuple(i for i, t in enumerate(table or TERMS) if t.quantity == quantity)


def estimated_on(kinematics: Kinematics) -> np.ndarray:
    """Terms that such a machine has, ndarray (terms,) of bool; the others are zero for certain."""
    return np.array([kinematics in t.kinematics for t in TERMS])


def told_on(kinematics: Kinematics) -> np.ndarray:
    """Of these, the terms that readings along x and y can tell of, ndarray (terms,) of bool."""
    told = estimated_on(kinematics)
    told[list(withheld_on(kinematics))] = False
    return told


def withheld_on(kinematics: Kinematics) -> tuple[int, ...]:
    """Columns of those that it has and that are not told."""
    return tuple(i for i, t in enumerate(TERMS) if kinematics in t.withheld)


def derived(table: tuple[Term, ...]) -> dict[str, object]:
    """Everything below that follows from a table of terms, by its name in this module."""
    return {
        "NAMES": tuple(t.name for t in table),
        "INDEX": {t.name: i for i, t in enumerate(table)},
        "PRINTER": np.array([t.kind == "printer" for t in table]),
        "SHAPING": np.array([t.kind in ("printer", "surface") for t in table]),
        "SURFACE": np.array([t.kind == "surface" for t in table]),
        "BEAD": acting_on("bead", table)[0],
        "PATH": acting_on("contour", table)[0],
        "PLAYS": tuple(acting_on(q, table)[0] for q in ("play x", "play y", "belt a", "belt b")),
    }


NAMES: tuple[str, ...]
INDEX: dict[str, int]
PRINTER: np.ndarray
"""Terms that can be accused of spoiling a part."""

SHAPING: np.ndarray
"""Terms that shape a part; the others belong to the caliper or to the model."""

SURFACE: np.ndarray
"""Of these, what is never blamed: how uneven layers and dense filling make a surface felt."""

BEAD: int
PATH: int
"""Columns of the bead's width and of the path's offset, which a feed test and a sliced file tell of by themselves."""

PLAYS: tuple[int, int, int, int]
"""Columns of the plays of x, y, belt a and belt b, the only terms whose effect has a kink at zero."""

globals().update(derived(TERMS))


def errors_of(theta: np.ndarray) -> Errors:
    """The batch of errors for term values `theta`, ndarray (n, len(TERMS)), columns as in `TERMS`."""
    theta = np.atleast_2d(np.asarray(theta, dtype=float))
    errors = Errors(len(theta))
    for j, term in enumerate(TERMS):
        errors.add(term, theta[:, j])
    return errors


__all__ = [
    "BEAD",
    "BORE_REFERENCE_MM",
    "FLARE_BAND_MM",
    "INDEX",
    "NAMES",
    "OUTSIDE_KINDS",
    "PATH",
    "PLAYS",
    "PRINTER",
    "SHAPING",
    "TERMS",
    "Errors",
    "Term",
    "TermKind",
    "acting_on",
    "errors_of",
    "estimated_on",
    "told_on",
    "withheld_on",
]
