"""What to print or measure next: the doubt between the contenders that each coupon would remove, per minute."""

from __future__ import annotations

import numpy as np

from analysis.result import NextPrint
from analysis.terms import INDEX, TERMS
from analysis.walk import SetWalk

# Time to find a feature, close the jaws and note the reading (common practice, no source).
READING_MINUTES = 0.5
SMALLEST_GAIN = 0.02


def doubt_removed(
    covariance: np.ndarray, gains: np.ndarray, u: float, weights: np.ndarray, contenders: list[int]
) -> float:
    """Share of the contenders' weighted variance that readings with rows `gains` would remove, 0..1.

    C' = C - C A' (A C A' + u^2 I)^-1 A C; the doubt is sum over contenders of weight * variance.

    Parameters
    ----------
    covariance : ndarray (terms, terms)
    gains : ndarray (m, terms)
    u : float [mm]
    weights : ndarray (terms,)
    contenders : list of int
    """
    ca = covariance @ gains.T
    inner = gains @ ca + u**2 * np.eye(len(gains))
    drop = np.einsum("ij,ji->i", ca, np.linalg.solve(inner, ca.T))
    before = float(np.sum((weights * np.diag(covariance))[contenders]))
    return float(np.sum((weights * drop)[contenders]) / before) if before > 0 else 0.0


def rank_next(
    covariance: np.ndarray,
    weights: np.ndarray,
    contenders: tuple[str, ...],
    walk: SetWalk,
    gains: np.ndarray,
    candidates: dict[str, list[int]],
    print_minutes: dict[str, float],
    u: float,
) -> tuple[NextPrint, ...]:
    """Coupons ranked by doubt removed per minute.

    Parameters
    ----------
    walk, gains : the candidates' walk and its sensitivities (features, terms)
    candidates : dict of coupon id to list of int
        Columns of `walk` not yet measured.
    print_minutes : dict of coupon id to float [min]
        Zero for coupons that are printed already.
    u : float [mm]
        Standard uncertainty of one reading.
    """
    indices = [INDEX[c] for c in contenders]
    found = []
    for coupon, columns in candidates.items():
        gain = doubt_removed(covariance, gains[columns], u, weights, indices)
        if gain < SMALLEST_GAIN:
            continue
        minutes = print_minutes.get(coupon, 0.0) + READING_MINUTES * len(columns)
        best = max(columns, key=lambda j: doubt_removed(covariance, gains[[j]], u, weights, indices))
        split = ", ".join(TERMS[i].label for i in indices)
        verb = "print" if print_minutes.get(coupon) else "measure"
        found.append(
            NextPrint(
                coupon=coupon,
                feature=walk.keys[best][1],
                gain=gain,
                minutes=minutes,
                text=f"{verb} {coupon} (about {minutes:.0f} min, {len(columns)} readings): "
                f"removes {gain:.0%} of the doubt about {split}",
            )
        )
    return tuple(sorted(found, key=lambda n: -n.gain / n.minutes))
