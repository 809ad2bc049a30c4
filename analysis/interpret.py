"""From readings to a diagnosis: gather, set slips aside, estimate, judge, advise."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from analysis.readings import Reading
from scipy.special import chdtrc

from analysis.advice import advise
from analysis.aliases import find_aliases
from analysis.estimate import Posterior, posterior, prior_sds
from analysis.evidence import Evidence, gather, relinearise
from analysis.next_print import rank_next
from analysis.result import Alias, Diagnosis, NextPrint, ReadingFit, TermEstimate, Verdict
from analysis.slips import deleted_residuals, find_slips, name_slips
from analysis.terms import INDEX, TERMS
from analysis.verdict import Reference, judge, reference_of
from analysis.walk import SetWalk
from coupons.feature import Manifest
from coupons.machine import Machine

RELINEARISE = 2
# A term informed less than this is "not measured by these readings".
NOT_MEASURED = 0.2


def diagnose(
    manifest: Manifest,
    folder: Path,
    readings: tuple[Reading, ...],
    machine: Machine,
) -> Diagnosis:
    """Diagnose one print.

    Parameters
    ----------
    manifest : Manifest
        What was printed.
    folder : Path
        Where its meshes are.
    readings : tuple of Reading
    machine : Machine
        Settings in force, caliper, priors.

    Returns
    -------
    Diagnosis

    Raises
    ------
    InputError
        No readings, or meshes and manifest do not belong together.
    """
    return interpret(SetWalk.open(manifest, folder), readings, machine)


def fit(evidence: Evidence, walk: SetWalk, prior_sd: np.ndarray) -> tuple[Evidence, Posterior, np.ndarray]:
    """Estimate with slips set aside and rows linearised about the estimate.

    Returns
    -------
    evidence : Evidence
        Linearised about the estimate.
    post : Posterior
    slips : ndarray (m,) of bool
    """
    slips = find_slips(evidence, prior_sd)
    post = _solve(evidence, slips, prior_sd)
    for _ in range(RELINEARISE):
        evidence = relinearise(evidence, walk, post.mean)
        slips = find_slips(evidence, prior_sd)
        post = _solve(evidence, slips, prior_sd)
    return evidence, post, slips


def interpret(walk: SetWalk, readings: tuple[Reading, ...], machine: Machine) -> Diagnosis:
    """`diagnose` for a walk at hand."""
    prior_sd = prior_sds(machine)
    evidence, post, slips = fit(gather(readings, walk, machine), walk, prior_sd)
    mean, covariance = post.mean, post.covariance
    residual, sd = deleted_residuals(evidence, prior_sd, ~slips)
    chi2, dof, p_value = _fit_quality(evidence, ~slips, prior_sd)
    reference = _reference(walk, evidence, mean)
    single = float(np.hypot(evidence.repeatability_mm, machine["caliper.resolution_mm"] / np.sqrt(12)))
    visible = float(np.hypot(single, machine["caliper.error_limit_mm"] / np.sqrt(3)))
    z = residual / sd
    worst = [i for i in np.argsort(-np.abs(z)) if not slips[i]][:3]
    misfits = tuple(f"{evidence.keys[i][1]} on {evidence.keys[i][0]}" for i in worst)
    verdict, shares, chances = judge(mean, covariance, reference, visible, p_value, misfits)
    aliases = find_aliases(mean, covariance, prior_sd)
    advice, before, after = advise(mean, covariance, reference, machine, visible)
    if verdict.status == "unexplained":
        advice, after = (), before
    a = reference.gains
    return Diagnosis(
        terms=tuple(
            TermEstimate(
                name=t.name,
                label=t.label,
                unit=t.unit,
                estimate=float(mean[i]),
                std_uncertainty=float(post.sd[i]),
                informed=float(np.clip(1 - post.sd[i] / prior_sd[i], 0.0, 1.0)),
                prior_sd=float(prior_sd[i]),
                kind=t.kind,
            )
            for i, t in enumerate(TERMS)
        ),
        covariance=covariance,
        verdict=verdict,
        shares=_by_name(shares),
        probabilities=_by_name(chances),
        reference_features=reference.labels,
        contributions_mm=a * mean,
        contributions_u_mm=np.abs(a) * post.sd,
        fits=_reading_fits(evidence, walk, mean, z, slips),
        aliases=aliases,
        suspects=name_slips(evidence, prior_sd, slips),
        advice=advice,
        next=_next(walk, evidence, post, reference, verdict, aliases, machine, single),
        chi2=chi2,
        dof=dof,
        p_value=p_value,
        expected_misfit_before_mm=before,
        expected_misfit_after_mm=after,
        notes=_notes(post.sd / prior_sd),
    )


def _solve(evidence: Evidence, slips: np.ndarray, prior_sd: np.ndarray) -> Posterior:
    keep = ~slips
    return posterior(evidence.gains[keep], (evidence.y - evidence.base)[keep], evidence.u[keep], prior_sd)


def _fit_quality(evidence: Evidence, keep: np.ndarray, prior_sd: np.ndarray) -> tuple[float, int, float]:
    """Chi-square of the kept readings under model and prior, its degrees of freedom, and its p-value.

    r' V^-1 r with V = A S A' + U: prior predictive, so that a set with fewer readings than terms has a fit too.
    """
    a = evidence.gains[keep]
    r = (evidence.y - evidence.base)[keep]
    cov = (a * prior_sd**2) @ a.T + np.diag(evidence.u[keep] ** 2)
    chi2 = float(r @ np.linalg.solve(cov, r))
    return chi2, int(keep.sum()), float(chdtrc(keep.sum(), chi2))


def _reference(walk: SetWalk, evidence: Evidence, mean: np.ndarray) -> Reference:
    _, gains = walk.linearise(mean)
    return reference_of(walk, gains, {int(c) for c in evidence.column if c >= 0})


def _by_name(values: np.ndarray) -> dict[str, float]:
    return {t.name: float(values[i]) for i, t in enumerate(TERMS) if t.kind == "printer"}


def _reading_fits(
    evidence: Evidence, walk: SetWalk, mean: np.ndarray, z: np.ndarray, slips: np.ndarray
) -> tuple[ReadingFit, ...]:
    ideal = walk.readings(np.zeros((1, len(TERMS))))[0]
    fits = []
    for i, (coupon, feature) in enumerate(evidence.keys):
        column = int(evidence.column[i])
        f = walk.features[column] if column >= 0 else None
        fits.append(
            ReadingFit(
                coupon=coupon,
                feature=feature,
                kind=f.kind if f else feature.partition(":")[0],
                direction_deg=f.direction_deg if f else 0.0,
                reading_mm=float(evidence.y[i]),
                std_uncertainty_mm=float(evidence.u[i]),
                nominal_mm=f.nominal_mm if f else float(evidence.base[i]),
                ideal_mm=float(ideal[column]) if f else float(evidence.base[i]),
                predicted_mm=float(evidence.base[i] + evidence.gains[i] @ mean),
                repeats=int(evidence.count[i]),
                z_score=float(z[i]),
                suspect=bool(slips[i]),
            )
        )
    return tuple(fits)


def _next(
    walk: SetWalk,
    evidence: Evidence,
    post: Posterior,
    reference: Reference,
    verdict: Verdict,
    aliases: tuple[Alias, ...],
    machine: Machine,
    u: float,
) -> tuple[NextPrint, ...]:
    """Coupons that would split the contenders: unmeasured ones of this print, then those not yet made."""
    if verdict.status in ("dominant", "within-noise") and not aliases:
        return ()
    contenders = verdict.contenders or tuple(n for a in aliases for n in a.terms)
    if not contenders:
        return ()
    _, gains = walk.linearise(post.mean)
    measured = {int(c) for c in evidence.column}
    candidates: dict[str, list[int]] = {}
    for i, (coupon, _) in enumerate(walk.keys):
        if i not in measured:
            candidates.setdefault(coupon, []).append(i)
    weights = reference.weights
    found = rank_next(post.covariance, weights, contenders, walk, gains, candidates, {}, u)
    if found and found[0].gain > 0.5:
        return found
    return found + _library_next(walk, post, weights, contenders, machine, u)


def _library_next(
    walk: SetWalk,
    post: Posterior,
    weights: np.ndarray,
    contenders: tuple[str, ...],
    machine: Machine,
    u: float,
) -> tuple[NextPrint, ...]:
    from coupons.make import build_set

    from analysis.toolpath import Mesh, Slicer
    from coupons.errors import JobError

    try:
        library = build_set(machine)
    except JobError:  # the machine is too small for the library; what is at hand must do
        return ()
    have = {c.family for c in walk.manifest.coupons}
    slicers = {
        c.id: Slicer(Mesh(vertices=library.solids[c.id].vertices, faces=library.solids[c.id].faces), c.id)
        for c in library.manifest.coupons
    }
    shelf = SetWalk(library.manifest, slicers)
    _, gains = shelf.linearise(post.mean)
    candidates: dict[str, list[int]] = {}
    for i, (coupon, _) in enumerate(shelf.keys):
        family = next(c.family for c in library.manifest.coupons if c.id == coupon)
        if family not in have:
            candidates.setdefault(coupon, []).append(i)
    minutes = {name: cost.minutes for name, cost in library.costs.items()}
    return rank_next(post.covariance, weights, contenders, shelf, gains, candidates, minutes, u)


def _notes(ratio: np.ndarray) -> tuple[str, ...]:
    missing = [t.label for i, t in enumerate(TERMS) if t.kind == "printer" and 1 - ratio[i] < NOT_MEASURED]
    if not missing:
        return ()
    return (f"Not measured by these readings (which does not mean fine): {', '.join(missing)}.",)


__all__ = ["INDEX", "diagnose", "fit", "interpret"]
