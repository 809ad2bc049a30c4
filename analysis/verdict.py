"""Which error spoils the fit: shares, the probability that each is the largest, and the status in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.result import Verdict
from analysis.terms import INDEX, NAMES, PRINTER, TERMS
from analysis.walk import SetWalk

DOMINANT, LEADING = 0.95, 0.80
# A printer without fault is acquitted when all it does wrong stays, with this probability, under what one caliper
# reading can see (expanded, k = 2).
ACQUIT = 0.80
COVERAGE_FACTOR = 2.0
# Residuals as large as this happen to a true model once in a thousand sets.
UNEXPLAINED_P = 0.001
DRAWS = 8192


@dataclass(frozen=True, kw_only=True)
class Reference:
    """The features that the errors are judged by.

    Attributes
    ----------
    labels : tuple of str
    gains : ndarray (f, terms)
        Contributions of the terms to the true size; instrument and form terms are zero.
    """

    labels: tuple[str, ...]
    gains: np.ndarray

    @property
    def weights(self) -> np.ndarray:
        """Sum over features of squared gains, ndarray (terms,)."""
        return np.sum(self.gains**2, axis=0)


def reference_of(walk: SetWalk, gains: np.ndarray, measured: set[int]) -> Reference:
    """The middle size of each sort of ordinary feature among those measured.

    Ordinary features are what parts are made of: outlines and openings (gain -1 to backlash), round bores,
    diagonals and heights; a diagonal counts as that of a square of the middle outside size.

    Parameters
    ----------
    walk : SetWalk
    gains : ndarray (features, terms)
        Sensitivities, columns of the walk as rows.
    measured : set of int
        Columns with a reading.
    """
    groups: dict[str, list[int]] = {}
    for i in sorted(measured):
        label = _sort_of(walk, gains, i)
        if label:
            groups.setdefault(label, []).append(i)
    if not groups:
        groups = {"all": sorted(measured)}
    labels, rows = [], []
    outside = [walk.features[i].nominal_mm for k, g in groups.items() if k.startswith("outside") for i in g]
    middle = float(np.median(outside)) if outside else 20.0
    for label, members in groups.items():
        members.sort(key=lambda i: walk.features[i].nominal_mm)
        i = members[len(members) // 2]
        nominal = walk.features[i].nominal_mm
        row = np.where(PRINTER, gains[i], 0.0)
        if label.startswith("diagonal"):
            ratio = min(1.0, middle * np.sqrt(2) / nominal)
            for name in ("scale_x", "scale_y", "skew_xy"):
                row[INDEX[name]] *= ratio
            nominal *= ratio
        labels.append(f"{label}, {nominal:.4g} mm")
        rows.append(row)
    return Reference(labels=tuple(labels), gains=np.array(rows))


def _sort_of(walk: SetWalk, gains: np.ndarray, i: int) -> str:
    feature = walk.features[i]
    if feature.kind == "thickness":
        return ""
    if feature.kind == "height":
        return "height"
    if feature.kind == "diagonal":
        return f"diagonal at {feature.direction_deg:g}°"
    axis = "x" if abs(np.cos(np.deg2rad(feature.direction_deg))) > 0.7 else "y"
    if gains[i, INDEX[f"backlash_{axis}"]] > -0.5 or gains[i, INDEX["first_layer_flare"]] != 0:
        return ""
    return f"{'round bore' if walk.round[i] else feature.kind} {axis}"


def standard_draws(k: int, n: int = DRAWS) -> np.ndarray:
    """The same antithetic standard normal draws (n, k) on every run: the verdict must not flicker."""
    half = np.random.default_rng(20201).standard_normal((n // 2, k))
    return np.concatenate([half, -half])


def largest_probabilities(draws: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Probability that each term contributes most, from posterior draws.

    Parameters
    ----------
    draws : ndarray (n, terms)
    weights : ndarray (terms,)

    Returns
    -------
    ndarray (terms,)
    """
    winner = np.argmax(np.abs(draws) * np.sqrt(weights), axis=1)
    return np.bincount(winner, minlength=len(weights)) / len(draws)


def expected_shares(mean: np.ndarray, covariance: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Share of each term in the expected squared misfit, ndarray (terms,); sums to 1."""
    square = (mean**2 + np.diag(covariance)) * weights
    total = square.sum()
    return square / total if total > 0 else square


def judge(
    mean: np.ndarray,
    covariance: np.ndarray,
    reference: Reference,
    visible_mm: float,
    p_value: float,
    misfits: tuple[str, ...],
) -> tuple[Verdict, np.ndarray, np.ndarray]:
    """The verdict, with shares and probabilities (terms,).

    Parameters
    ----------
    mean, covariance : posterior
    reference : Reference
    visible_mm : float [mm]
        Standard uncertainty of one caliper reading with its zero error.
    p_value : float
        Of the residuals.
    misfits : tuple of str
        Names of the readings that fit worst, for the words.
    """
    weights = reference.weights
    shares = expected_shares(mean, covariance, weights)
    draws = mean + standard_draws(len(mean)) @ np.linalg.cholesky(covariance + 1e-18 * np.eye(len(mean))).T
    chances = largest_probabilities(draws, weights)
    order = np.argsort(-chances)
    best = int(order[0])
    chance = float(chances[best])
    contenders = tuple(NAMES[i] for i in order if chances[i] >= 0.05) or (NAMES[best],)
    worst_effect = np.abs(draws[:, None, :] * reference.gains).max(axis=(1, 2)) if len(draws) else np.zeros(1)
    quiet = float(np.mean(worst_effect < COVERAGE_FACTOR * visible_mm))
    if p_value < UNEXPLAINED_P:
        text = (
            "These readings do not fit any mix of the errors known here, so no error is accused. "
            f"They fit worst at {_listed(misfits)}: measure these again, and look there for a blob, a seam or a "
            "lifted corner."
        )
        return Verdict(status="unexplained", term="", probability=chance, text=text), shares, chances
    if quiet >= ACQUIT:
        text = (
            f"Nothing exceeds what the caliper can see ({COVERAGE_FACTOR * visible_mm:.2f} mm): "
            "no error of this printer needs attention."
        )
        return Verdict(status="within-noise", term="", probability=quiet, text=text), shares, chances
    term = TERMS[best]
    if chance >= LEADING:
        status = "dominant" if chance >= DOMINANT else "leading"
        lead = "spoils the fit most" if status == "dominant" else "probably spoils the fit most"
        text = f"{_capital(term.label)} {lead} ({chance:.0%} sure): {term.sentence}. Typical cause: {term.cause}."
        return (
            Verdict(status=status, term=term.name, probability=chance, text=text, contenders=contenders),
            shares,
            chances,
        )
    names = _listed(tuple(TERMS[INDEX[c]].label for c in contenders))
    text = f"These readings cannot tell which error spoils the fit most; it may be {names}."
    return (
        Verdict(status="undetermined", term="", probability=chance, text=text, contenders=contenders),
        shares,
        chances,
    )


def _listed(names: tuple[str, ...], last: str = "or") -> str:
    if len(names) <= 1:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
