"""One study: a population of virtual printers, read, interpreted, and compared with the truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.verdict import STATUSES, Reference, reference_of, visible_limits
from fitassay.analysis.estimation.priors import prior_sds
from fitassay.analysis.terms import PRINTER, TERMS
from fitassay.analysis.validation.interpret_many import Interpreted, interpret_many
from fitassay.analysis.validation.population import MIXES, draw_printers
from fitassay.analysis.validation.virtual_caliper import NOISES, Sets, read_sets
from fitassay.coupons.machine import Machine
from tests.sets import walk

MACHINE = Machine()
SETS = ("full", "quick", "block")
# A term whose interval is checked is one that the readings speak of: posterior at most this share of the prior.
INFORMED_SHARE = 0.2
LEVELS = ((0.50, 0.67449), (0.90, 1.64485), (0.95, 1.95996))
# An error is worth a verdict when it moves some size by more than the caliper can see.
CLEAR_RATIO = 2.0


def set_walk(name: str) -> SetWalk:
    """The walk of the full set, that with rims, the quick set or the plain block alone."""
    if name == "rims":
        return walk(rims=True)
    return {"full": walk(), "quick": walk(quick=True), "block": walk(("plain-block",))}[name]


def reference(name: str) -> Reference:
    w = set_walk(name)
    return reference_of(w, w.linearise()[1], set(range(len(w.keys))))


@dataclass(frozen=True, kw_only=True)
class Study:
    """A population with its interpretation.

    Attributes
    ----------
    set_name, mix, noise : str
    theta : ndarray (n, terms)
        The truth.
    sets : Sets
    found : Interpreted
    """

    set_name: str
    mix: str
    noise: str
    theta: np.ndarray
    sets: Sets
    found: Interpreted

    @property
    def sd(self) -> np.ndarray:
        """Posterior standard deviations (n, terms)."""
        return self.found.settled.posterior.sd

    @property
    def informed(self) -> np.ndarray:
        """Printer terms that the readings speak of (terms,) of bool."""
        return PRINTER & (np.median(self.sd, axis=0) <= INFORMED_SHARE * prior_sds(MACHINE))

    def coverage(self, k: float) -> np.ndarray:
        """Share of the intervals of half width k standard uncertainties that hold the truth (terms,)."""
        return np.mean(np.abs(self.found.settled.posterior.mean - self.theta) <= k * self.sd, axis=0)

    @property
    def effects(self) -> np.ndarray:
        """True contribution of each term, root sum of squares over the reference features (n, terms) [mm]."""
        return np.abs(self.theta) * np.sqrt(reference(self.set_name).weights)

    @property
    def right(self) -> np.ndarray:
        """Whether the term thought worst is the one that truly is (n,) of bool."""
        return np.argmax(self.effects, axis=1) == self.found.judged.term

    @property
    def sound(self) -> np.ndarray:
        """Whether no reference size truly misses by more than the caliper can see (n,) of bool."""
        ref = reference(self.set_name)
        single = np.hypot(MACHINE["caliper.repeatability_mm"], MACHINE["caliper.resolution_mm"] / 12**0.5)
        limits = visible_limits(ref, MACHINE, float(single))
        return (np.abs(self.theta @ ref.gains.T) < limits).all(axis=1)

    def clear_leads(self, least_mm: float) -> np.ndarray:
        """Printers whose worst error has twice the share of the next, and at least this effect (n,) of bool."""
        ranked = np.sort(self.effects, axis=1)
        return (ranked[:, -1] ** 2 >= CLEAR_RATIO * ranked[:, -2] ** 2) & (ranked[:, -1] >= least_mm)

    def share(self, status: str) -> float:
        """How often that status was said."""
        return float(np.mean(self.found.judged.status == STATUSES.index(status)))

    def right_of(self, status: str) -> float:
        """How often it was right when said; nan if never. Acquittals are right when the printer is sound."""
        said = self.found.judged.status == STATUSES.index(status)
        good = self.sound if status == "within-noise" else self.right
        return float(np.mean(good[said])) if said.any() else float("nan")

    @property
    def false_alarms(self) -> float:
        """Share of the sets without a slip in which a reading is named as one."""
        clean = ~self.sets.slipped.any(axis=1)
        return float(np.mean(self.found.settled.outliers[clean].any(axis=1)))

    @property
    def bits_per_reading(self) -> float:
        """Information about the printer's terms, log2 of the shrinkage of their joint volume, per reading."""
        p = np.flatnonzero(PRINTER)
        scale = prior_sds(MACHINE)[p]
        c = self.found.settled.posterior.cov[:, p][:, :, p] / np.outer(scale, scale)
        return float(-0.5 * np.linalg.slogdet(c)[1].mean() / np.log(2) / self.sets.values.shape[1])


def run(set_name: str, mix: str, noise: str, n: int, seed: int = 20) -> Study:
    """Draw, read and interpret n printers of a mix, measured on a set with a noise model."""
    rng = np.random.default_rng([seed, sorted(MIXES).index(mix), sorted(NOISES).index(noise)])
    w = set_walk(set_name)
    theta = draw_printers(MIXES[mix], n, MACHINE, reference(set_name).weights, rng)
    sets = read_sets(w.readings(theta), NOISES[noise], MACHINE, rng)
    found = interpret_many(w, sets.values, MACHINE, u=sets.u)
    return Study(set_name=set_name, mix=mix, noise=noise, theta=theta, sets=sets, found=found)


def line(study: Study) -> str:
    """One row of the table."""
    informed = np.flatnonzero(study.informed)
    cells = []
    for _, k in LEVELS:
        c = study.coverage(k)[informed]
        cells.append(f"{c.min():.3f}..{c.max():.3f}" if len(c) else "      -     ")
    verdicts = [
        f"{study.share(s):.3f} ({study.right_of(s):.3f})" if study.share(s) else "  -          "
        for s in ("dominant", "leading", "within-noise")
    ]
    refused = study.share("undetermined") + study.share("unexplained")
    return (
        f"{study.set_name:<6}{study.mix:<17}{study.noise:<8}"
        f" {'  '.join(cells)}   {'  '.join(verdicts)}   {refused:.3f}   {study.false_alarms:.3f}"
        f"   {study.bits_per_reading:.2f}"
    )


HEADER = (
    f"{'set':<6}{'mix':<17}{'noise':<8} {'50 %':^12}  {'90 %':^12}  {'95 %':^12}   "
    f"{'dominant':<13}  {'leading':<13}  {'within noise':<13}   refused  alarms  bits/reading\n"
    f"{'':<31} coverage, worst to best term{'':<13}   said (right when said)"
)


def reliability(studies: list[Study], edges: np.ndarray) -> list[tuple[float, float, int]]:
    """Mean stated probability, observed frequency of being right, and number, of every bin of `edges`.

    What is stated is the chance of the term thought worst, whatever the status.
    """
    stated = np.concatenate([s.found.judged.chances.max(axis=1) for s in studies])
    right = np.concatenate([s.right for s in studies])
    rows = []
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        inside = (stated > low) & (stated <= high)
        if inside.sum() >= 30:
            rows.append((float(stated[inside].mean()), float(right[inside].mean()), int(inside.sum())))
    return rows


def symbols(mask: np.ndarray) -> str:
    return ", ".join(t.symbol for t, m in zip(TERMS, mask, strict=True) if m)
