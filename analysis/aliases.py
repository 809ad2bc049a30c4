"""What the readings cannot separate, in words, with the sum that they do know."""

from __future__ import annotations

import numpy as np

from analysis.result import Alias
from analysis.terms import INDEX, PRINTER, TERMS

# Two terms are taken for each other when a posterior correlation this strong ties them ...
STRONG = 0.85
# ... and the weak one of the two directions still has this share of its prior width.
WEAK_SHARE = 0.3

FIXES = {
    frozenset({"bead_excess", "contour_offset"}): (
        "reduce the horizontal size compensation by half the sum: sizes come right whichever it is, "
        "though single walls stay off if it was the bead"
    ),
    frozenset(
        {"backlash_x", "scale_x"}
    ): "no one setting serves both; print a reversal comb along x to split them",
    frozenset(
        {"backlash_y", "scale_y"}
    ): "no one setting serves both; print a reversal comb along y to split them",
    frozenset({"scale_z", "layer_datum"}): "print a height stair to split them",
}


def find_aliases(mean: np.ndarray, covariance: np.ndarray, prior_sd: np.ndarray) -> tuple[Alias, ...]:
    """Pairs of printer terms that act alike in these readings.

    Looked for in units of the priors, so the answer does not depend on mm or fractions. Of a tied pair the
    well-known direction is returned as a sum with simple coefficients.

    Parameters
    ----------
    mean, covariance : ndarray (terms,), (terms, terms)
    prior_sd : ndarray (terms,)
    """
    scaled = covariance / np.outer(prior_sd, prior_sd)
    found: list[Alias] = []
    indices = np.flatnonzero(PRINTER)
    for n, i in enumerate(indices):
        for j in indices[n + 1 :]:
            rho = scaled[i, j] / np.sqrt(scaled[i, i] * scaled[j, j])
            values, vectors = np.linalg.eigh(scaled[np.ix_([i, j], [i, j])])
            if abs(rho) < STRONG or values[1] < WEAK_SHARE**2:
                continue
            known = vectors[:, 0] / prior_sd[[i, j]]
            found.append(_alias(int(i), int(j), known, mean, covariance))
    return tuple(found)


def _alias(i: int, j: int, known: np.ndarray, mean: np.ndarray, covariance: np.ndarray) -> Alias:
    a, b = TERMS[i], TERMS[j]
    coefficients = known / known[0]
    # A ratio within 5 % of a small whole number or its inverse is that number: e + 2p, not e + 1.98p.
    if abs(coefficients[1]) < 1:
        coefficients = coefficients / abs(coefficients[1])
    whole = np.round(coefficients)
    coefficients = np.where(np.abs(coefficients - whole) < 0.05 * np.abs(whole), whole, coefficients)
    pair = np.ix_([i, j], [i, j])
    value = float(coefficients @ mean[[i, j]])
    u = float(np.sqrt(coefficients @ covariance[pair] @ coefficients))
    unit = "mm" if "mm" in (a.unit, b.unit) else a.unit
    sum_text = " ".join(
        f"{'-' if c < 0 else '+' if n else ''} {'' if abs(abs(c) - 1) < 1e-9 else f'{abs(c):.3g} '}{t.label}"
        for n, (c, t) in enumerate(zip(coefficients, (a, b), strict=True))
    ).strip()
    return Alias(
        terms=(a.name, b.name),
        text=f"{a.label} and {b.label} act alike in these readings; what is known is their sum, {sum_text}",
        combination={a.name: float(coefficients[0]), b.name: float(coefficients[1])},
        value=value,
        std_uncertainty=u,
        unit=unit,
        fix=FIXES.get(frozenset({a.name, b.name}), "print the coupon named under what to print next"),
    )


def alias_terms(aliases: tuple[Alias, ...]) -> set[int]:
    """Indices of all terms named in aliases."""
    return {INDEX[name] for alias in aliases for name in alias.terms}
