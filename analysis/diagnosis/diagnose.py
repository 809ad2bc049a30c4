"""From readings to a diagnosis: gather, set slips aside, estimate, judge, advise."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.advice import advise
from fitassay.analysis.diagnosis.aliases import alias_terms, find_aliases
from fitassay.analysis.diagnosis.ranking import Standing, open_doubt, what_next
from fitassay.analysis.diagnosis.verdict import (
    STATUSES,
    Judged,
    Reference,
    judge_many,
    reference_of,
    visible_limits,
    visible_sd,
)
from fitassay.analysis.diagnosis.verdict_words import cancelling_note, verdict_of
from fitassay.analysis.estimation.batch import settle
from fitassay.analysis.estimation.fit import Fit, fit
from fitassay.analysis.estimation.observations import (
    REFERENCE,
    SOFT_FACTOR,
    Evidence,
    Known,
    TransferredPrior,
    gather,
)
from fitassay.analysis.estimation.outlier_causes import deleted_residuals, name_slips, sole_witness, unchecked
from fitassay.analysis.estimation.outliers import HAND_MM, SLIPS_AT_ONCE, slip_limit
from fitassay.analysis.estimation.priors import prior
from fitassay.analysis.estimation.repeatability import (
    dof_note,
    effective_dof,
    repeat_note,
    repeatability_share,
)
from fitassay.analysis.estimation.repeats import settle_torn, sort_repeats
from fitassay.analysis.estimation.trials import tried_columns, with_trials
from fitassay.analysis.normal import Normal
from fitassay.analysis.readings.file import Reading
from fitassay.analysis.result import Alias, Diagnosis, NextPrint, ReadingFit, Suspect, TermEstimate, Verdict
from fitassay.analysis.terms import INDEX, NAMES, PRINTER, TERMS
from fitassay.coupons.feature import Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.wording import listed

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


def interpret(
    walk: SetWalk, readings: tuple[Reading, ...], machine: Machine, known: Known | None = None
) -> Diagnosis:
    """`diagnose` for a walk at hand, with what a sliced file tells if there is one."""
    table = prior(machine)
    prior_sd = table.sd
    readings, repeat_suspects = _agreeing(walk, readings, machine, table, known)
    known = with_trials(walk, readings, machine, known)
    evidence = gather(readings, walk, machine, known)
    stated = repeatability_share(evidence)
    single = float(np.hypot(evidence.repeatability_mm, machine["caliper.resolution_mm"] / np.sqrt(12)))
    transferred = known.transferred if known is not None else None
    done = fit(evidence, walk, table, transferred)
    unit = np.ones(len(TERMS))
    evidence, slips = done.evidence, done.slips
    mean, covariance = done.posterior.mean, done.posterior.cov
    judged_by = {int(c) for c in evidence.column if c >= 0} | tried_columns(walk, readings)
    reference = reference_of(walk, walk.linearise()[1], judged_by)
    visible = visible_limits(reference, machine, single)
    judged = _judged(done, reference, visible, prior_sd)
    residual, sd = deleted_residuals(done.inner, unit, ~slips)
    z = residual / sd
    worst = [i for i in np.argsort(-np.abs(z)) if not slips[i]][:3]
    misfits = tuple(f"{evidence.keys[i][1]} on {evidence.keys[i][0]}" for i in worst)
    verdict = verdict_of(judged, mean, done.posterior.sd, visible, misfits)
    # Where no size was read, what was tried by hand stands for the sizes that a setting is to bring right.
    sizes = evidence.column >= 0
    sizes = sizes if sizes.any() else np.ones_like(sizes)
    aliases = find_aliases(mean, covariance, prior_sd, evidence.gains[sizes], machine)
    advice, before, after = advise(mean, covariance, reference, machine, visible_sd(machine, single))
    if verdict.status == "unexplained":
        advice, after = (), before
    a = reference.gains
    dof = effective_dof(evidence, covariance, slips, stated * (done.stated_u / evidence.u) ** 2)
    return Diagnosis(
        terms=_estimates(done, prior_sd),
        posterior=done.posterior,
        verdict=verdict,
        shares=_by_name(judged.shares[0]),
        probabilities=_by_name(judged.chances[0]),
        reference_features=reference.labels,
        contributions_mm=a * mean,
        contributions_u_mm=np.abs(a) * done.posterior.sd,
        fits=_reading_fits(evidence, walk, mean, z, slips),
        aliases=aliases,
        suspects=repeat_suspects + name_slips(done.inner, unit, slips),
        advice=advice,
        next=_next(walk, done, judged, reference, verdict, aliases, machine, single),
        chi2=float(done.settled.chi2[0]),
        dof=round(float(done.settled.dof[0])),
        p_value=float(done.settled.p_value[0]),
        expected_misfit_before_mm=before,
        expected_misfit_after_mm=after,
        notes=_told(
            *_notes(done, walk, reference, visible, prior_sd, verdict),
            repeat_note(evidence, machine),
            dof_note(TERMS[INDEX[verdict.term]].label, float(dof[INDEX[verdict.term]]))
            if verdict.term
            else "",
            _transfer_note(transferred, done),
            *(known.notes if known is not None else ()),
        ),
        extra=_extra(done, transferred, dof),
    )


def _agreeing(
    walk: SetWalk,
    readings: tuple[Reading, ...],
    machine: Machine,
    table: Normal,
    known: Known | None,
) -> tuple[tuple[Reading, ...], tuple[Suspect, ...]]:
    """Readings without the repeats that others of their feature contradict."""
    stated = machine["caliper.repeatability_mm"] * (SOFT_FACTOR if machine.soft else 1.0)
    single = float(np.hypot(stated, machine["caliper.resolution_mm"] / np.sqrt(12)))
    repeats = sort_repeats(readings, single)
    if not repeats.torn:
        return repeats.kept, repeats.suspects
    rest = tuple(r for r in repeats.kept if (r.coupon, r.feature) not in repeats.torn)
    expect = {}
    if any(r.reading_mm is not None for r in rest):
        done = fit(
            gather(rest, walk, machine, known),
            walk,
            table,
            known.transferred if known is not None else None,
        )
        at = walk.readings(done.posterior.mean[None])[0]
        gains = walk.linearise()[1]
        for i, key in enumerate(walk.keys):
            expect[key] = (float(at[i]), float(np.sqrt(gains[i] @ done.posterior.cov @ gains[i] + single**2)))
    limit = float(slip_limit(np.array([len(readings)]))[0])
    kept, suspects = settle_torn(repeats.kept, repeats.torn, expect.get, limit)
    return kept, repeats.suspects + suspects


def _judged(done: Fit, reference: Reference, visible_mm: np.ndarray, prior_sd: np.ndarray) -> Judged:
    s = done.settled
    return judge_many(s.posterior, reference, visible_mm, prior_sd, s.doubt_p, s.doubt_mm)


def _estimates(done: Fit, prior_sd: np.ndarray) -> tuple[TermEstimate, ...]:
    return tuple(
        TermEstimate(
            name=t.name,
            label=t.label,
            unit=t.unit,
            estimate=float(done.posterior.mean[i]),
            std_uncertainty=float(done.posterior.sd[i]),
            informed=float(np.clip(1 - done.posterior.sd[i] / prior_sd[i], 0.0, 1.0)),
            prior_sd=float(prior_sd[i]),
            kind=t.kind,
        )
        for i, t in enumerate(TERMS)
    )


def _by_name(values: np.ndarray) -> dict[str, float]:
    return {t.name: float(values[i]) for i, t in enumerate(TERMS) if t.kind == "printer"}


def _reading_fits(
    evidence: Evidence, walk: SetWalk, mean: np.ndarray, z: np.ndarray, slips: np.ndarray
) -> tuple[ReadingFit, ...]:
    ideal = walk.readings(np.zeros((1, len(TERMS))))[0]
    fits = []
    for i, (coupon, feature) in enumerate(evidence.keys):
        if evidence.column[i] < 0 and coupon != REFERENCE:
            continue
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
    done: Fit,
    judged: Judged,
    reference: Reference,
    verdict: Verdict,
    aliases: tuple[Alias, ...],
    machine: Machine,
    u: float,
) -> tuple[NextPrint, ...]:
    """Coupons that would split the contenders: unmeasured ones of this print, then those not yet made."""
    is_open = verdict.status in ("leading", "undetermined")
    if verdict.status == "within-noise" or not (is_open or aliases):
        return ()
    accusable = PRINTER & (reference.weights > 0)
    standing = Standing(
        posterior=done.posterior,
        doubt=open_doubt(judged.chances[0], accusable, is_open, alias_terms(aliases)),
        measured=frozenset(done.evidence.keys),
        u=u,
    )
    return what_next(walk, standing, machine)


def _notes(
    done: Fit,
    walk: SetWalk,
    reference: Reference,
    visible_mm: np.ndarray,
    prior_sd: np.ndarray,
    verdict: Verdict,
) -> tuple[str, ...]:
    """Sentences on what was not measured, how far to trust it, and what it depends on."""
    ratio = done.posterior.sd / prior_sd
    missing = [t.label for i, t in enumerate(TERMS) if t.kind == "printer" and 1 - ratio[i] < NOT_MEASURED]
    notes = []
    if missing:
        notes.append(f"Not measured by these readings (which does not mean fine): {', '.join(missing)}.")
    scatter = float(done.settled.scatter[0])
    if scatter > 0:
        notes.append(
            f"The readings disagree by {scatter:.3f} mm more than the caliper explains: the print is that uneven. "
            "All uncertainties are widened for it."
        )
    off, _ = deleted_residuals(done.inner, np.ones(len(TERMS)), ~done.slips)
    count = int(np.sum(done.slips & (np.abs(off) < HAND_MM)))
    if count > SLIPS_AT_ONCE:
        notes.append(
            f"{count} readings do not fit the others, more than slips of the hand explain: look for a seam on the "
            "measured faces, for blobs and for lifted corners."
        )
    notes.append(cancelling_note(done.posterior.mean, done.posterior.sd, reference, visible_mm))
    notes.append(_sensitivity(done, walk, reference, visible_mm, prior_sd, verdict))
    if verdict.term:
        witness = sole_witness(done.evidence, done.posterior.cov, prior_sd, done.slips, INDEX[verdict.term])
        if witness:
            notes.append(f"The verdict rests on one reading, {witness}: take it again before you act on it.")
    hidden = unchecked(done.inner, np.ones(len(TERMS)), done.slips)
    if hidden:
        names = listed((f"{feature} on {coupon}" for coupon, feature in hidden), "or")
        notes.append(
            f"No other reading checks {names}: a slip of 1 mm there would be taken for the printer's. "
            "Read them twice."
        )
    return _told(*notes)


def _told(*notes: str) -> tuple[str, ...]:
    """Those that say something."""
    return tuple(n for n in notes if n)


def _transfer_note(transferred: TransferredPrior | None, done: Fit) -> str:
    """Whether what an earlier print left known was used."""
    if transferred is None:
        return ""
    if done.transferred is None:
        return (
            f"These readings contradict what print {transferred.name} left known, even with its usual drift, so it "
            "was not used: the printer has changed since."
        )
    return (
        f"What print {transferred.name} left known, with its usual drift, was taken as known before these "
        "readings."
    )


def _extra(done: Fit, transferred: TransferredPrior | None, dof: np.ndarray) -> dict[str, Any]:
    """What diagnosis.json and the faces need besides."""
    extra: dict[str, Any] = {"scatter_mm": float(done.settled.scatter[0])}
    if transferred is not None:
        extra["carried"] = {
            "print": transferred.name,
            "used": done.transferred is not None,
            "agreement_p": done.agreement_p,
        }
    if np.isfinite(dof).any():
        extra["effective_dof"] = {name: float(v) for name, v in zip(NAMES, dof, strict=True)}
    return extra


def _sensitivity(
    done: Fit,
    walk: SetWalk,
    reference: Reference,
    visible_mm: np.ndarray,
    prior_sd: np.ndarray,
    verdict: Verdict,
) -> str:
    """A sentence where half or twice as wide priors on printer errors would change the verdict, else empty."""
    if done.transferred is not None:
        return ""
    changed = []
    for factor, words in ((0.5, "half as wide"), (2.0, "twice as wide")):
        other_sd = np.where(PRINTER, prior_sd * factor, prior_sd)
        other = settle(
            done.evidence.gains,
            done.settled.base[0],
            done.evidence.y[None],
            done.stated_u[None],
            other_sd,
        )
        j = judge_many(other.posterior, reference, visible_mm, other_sd, other.doubt_p, other.doubt_mm)
        status = STATUSES[int(j.status[0])]
        term = NAMES[int(j.term[0])] if status in ("dominant", "leading") else ""
        if (status, term) != (verdict.status, verdict.term):
            accused = f", {TERMS[INDEX[term]].label}" if term else ""
            changed.append(f"with priors {words} it would be: {status}{accused}")
    if not changed:
        return ""
    return f"The verdict leans on the priors: {'; '.join(changed)}."


__all__ = ["Fit", "diagnose", "fit", "interpret"]
