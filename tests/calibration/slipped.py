"""Gross slips in sets of readings: how many are named, and does the verdict stand?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.validation.interpret_many import Interpreted, interpret_many
from fitassay.analysis.validation.population import MIXES, draw_printers
from fitassay.analysis.validation.virtual_caliper import NOISES, SLIPS, read_sets, slip
from tests.calibration.study import MACHINE, reference, set_walk

# A row of readings and the columns that a slip may happen in; the spoilt row and which were spoilt.
Spoil = Callable[[np.ndarray, np.ndarray, np.random.Generator], tuple[np.ndarray, list[int]]]


@dataclass(frozen=True, kw_only=True)
class SlipStudy:
    """One kind of slip.

    Attributes
    ----------
    kind : str
    named : float
        Share of sets in which every wrong reading is named.
    alone : float
        ... and no other.
    same : float
        Share of sets with the verdict, status and term, that the clean readings give.
    against : float
        Share of sets that accuse another error than the clean readings do.
    """

    kind: str
    named: float
    alone: float
    same: float
    against: float


def verdicts(found: Interpreted) -> np.ndarray:
    """Status and, where there is one, accused term as one number (n,)."""
    status = found.judged.status
    return status * 100 + np.where(status < 2, found.judged.term, 99)


def _single(kind: str) -> Spoil:
    def spoil(row: np.ndarray, among: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, list[int]]:
        i = int(among[rng.integers(len(among))])
        row[i] = slip(row[i], rng, kind)
        return row, [i]

    return spoil


def _two(row: np.ndarray, among: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, list[int]]:
    at = [int(i) for i in rng.permutation(among)[:2]]
    for i in at:
        row[i] = slip(row[i], rng)
    return row, at


def _swapped(row: np.ndarray, among: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, list[int]]:
    while True:
        i, j = (int(k) for k in rng.permutation(among)[:2])
        # Two sizes that read alike to half a millimetre: no gross slip.
        if abs(row[i] - row[j]) > 0.5:
            row[[i, j]] = row[[j, i]]
            return row, [i, j]


KINDS: dict[str, Spoil] = {
    **{k: _single(k) for k in SLIPS},
    "two at once": _two,
    "two rows swapped": _swapped,
}


def run_slips(
    set_name: str, mix: str, n: int, seed: int = 60, kinds: tuple[str, ...] = ()
) -> tuple[float, list[SlipStudy]]:
    """False alarms of n clean sets, and what becomes of them with each kind of slip.

    `kinds` are kinds of features: slips happen in these alone; by default in any. Rows are swapped only where
    more than two could be.
    """
    w = set_walk(set_name)
    among = np.array([i for i, f in enumerate(w.features) if not kinds or f.kind in kinds])
    rng = np.random.default_rng([seed, sorted(MIXES).index(mix)])
    theta = draw_printers(MIXES[mix], n, MACHINE, reference(set_name).weights, rng)
    sets = read_sets(w.readings(theta), NOISES["rounded"], MACHINE, rng)
    clean = interpret_many(w, sets.values, MACHINE, u=sets.u)
    studies = []
    for kind, spoil in KINDS.items():
        if spoil is _swapped and len(among) < 3:
            continue
        values, wrong = sets.values.copy(), np.zeros(sets.values.shape, dtype=bool)
        for i in range(n):
            values[i], at = spoil(values[i], among, rng)
            wrong[i, at] = True
        found = interpret_many(w, values, MACHINE, u=sets.u)
        named = (found.settled.outliers | ~wrong).all(axis=1)
        a, b = verdicts(clean), verdicts(found)
        both = (clean.judged.status < 2) & (found.judged.status < 2)
        studies.append(
            SlipStudy(
                kind=kind,
                named=float(named.mean()),
                alone=float((found.settled.outliers == wrong).all(axis=1).mean()),
                same=float(np.mean(a == b)),
                against=float(np.mean(both & (clean.judged.term != found.judged.term))),
            )
        )
    return float(clean.settled.outliers.any(axis=1).mean()), studies


SLIP_HEADER = (
    f"{'set':<7}{'mix':<11}{'slip':<19}{'named':>7}{'alone':>7}{'same verdict':>14}{'other accused':>15}"
)


def slip_line(set_name: str, mix: str, s: SlipStudy) -> str:
    """One row of the table."""
    return f"{set_name:<7}{mix:<11}{s.kind:<19}{s.named:7.3f}{s.alone:7.3f}{s.same:14.3f}{s.against:15.3f}"
