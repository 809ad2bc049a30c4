"""From readings to a diagnosis: gather, set slips aside, estimate, judge, advise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.advice import advise
from fitassay.analysis.diagnosis.confounding import belts_alike, confounded_terms, find_confounded
from fitassay.analysis.diagnosis.diagnosis_notes import (
    cancelling,
    estimate_notes,
    manner_notes,
    unread_terms,
    verdict_notes,
    withheld_notes,
)
from fitassay.analysis.diagnosis.drives import QUESTION, looks_crossed
from fitassay.analysis.diagnosis.evidence import Offer
from fitassay.analysis.diagnosis.exchanged import exchanged_coupons
from fitassay.analysis.diagnosis.judging import judge_many
from fitassay.analysis.diagnosis.ranking import Standing, open_doubt, what_next
from fitassay.analysis.diagnosis.roughness import roughness_notes, wound_up_plays
from fitassay.analysis.diagnosis.surface import sums_as_data
from fitassay.analysis.diagnosis.unsettled import unsettled_of
from fitassay.analysis.diagnosis.verdict import (
    STATUSES,
    Judged,
    Reference,
    reference_of,
    visible_limits,
    visible_sd,
    with_ordinary,
)
from fitassay.analysis.diagnosis.verdict_words import WINDS_UP, verdict_of
from fitassay.analysis.estimation.fit import Estimate, Fit
from fitassay.analysis.estimation.known import Known, TransferredPrior, scattered_by
from fitassay.analysis.estimation.model_error import ModelError, model_error
from fitassay.analysis.estimation.outlier_causes import sole_witness
from fitassay.analysis.estimation.priors import prior_sds
from fitassay.analysis.estimation.readout import read_out
from fitassay.analysis.estimation.repeatability import dof_notes, effective_dof, repeat_notes
from fitassay.analysis.estimation.trials import tried_columns
from fitassay.analysis.estimation.uncertainty_budget import as_data, budget_of
from fitassay.analysis.normal import Normal
from fitassay.analysis.notes import Note
from fitassay.analysis.readings.file import Reading
from fitassay.analysis.result import (
    Advice,
    Confounded,
    Diagnosis,
    ReadingFit,
    TermEstimate,
    Verdict,
)
from fitassay.analysis.terms import BEAD, INDEX, NAMES, PATH, PRINTER, TERMS, told_on
from fitassay.coupons.feature import Manifest
from fitassay.coupons.machine import Machine


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
    return interpret(SetWalk.open(manifest, folder, machine=machine), readings, machine)


def interpret(
    walk: SetWalk,
    readings: tuple[Reading, ...],
    machine: Machine,
    known: Known | None = None,
    budget: ModelError | None = None,
    offers: tuple[Offer, ...] = (),
) -> Diagnosis:
    """`diagnose` for a walk at hand, with what a sliced file tells if there is one.

    Parameters
    ----------
    offers : tuple of Offer
        Evidence beside the coupons' features that could still be taken.
    budget : ModelError, optional
        Of the model's own error; by default that of the set on this machine (`estimation.model_error`).
    """
    budget = model_error(walk, machine) if budget is None else budget
    readout = read_out(walk, readings, machine, known, budget)
    done, o = readout.fit, readout.fit.observations
    prior_sd, told = prior_sds(machine), told_on(machine.kinematics)
    single = float(np.hypot(o.repeatability_mm, machine["caliper.resolution_mm"] / np.sqrt(12)))
    mean, cov = done.posterior.mean, done.posterior.cov
    gains = walk.linearise()[1]
    judged_by = {int(c) for c in o.column if c >= 0} | tried_columns(walk, readout.readings)
    reference = reference_of(walk, gains, judged_by, machine.kinematics)
    if done.transferred is not None or any(fact.kind == "by eye" for fact in done.facts):
        reference = with_ordinary(reference, walk.manifest.line_width_mm, machine.kinematics)
    visible = visible_limits(reference, machine, single)
    judged = _judged(done.posterior, done.estimate, reference, visible, prior_sd)
    z = done.residual / done.residual_sd
    worst = [i for i in np.argsort(-np.abs(z)) if not done.outliers[i]][:3]
    misfits = tuple(f"{o.keys[i][1]} on {o.keys[i][0]}" for i in worst)
    signs = roughness_notes(done, budget, prior_sd)
    accused = STATUSES[int(judged.status[0])] in ("dominant", "leading")
    advised = advise(
        mean, cov, reference, machine, visible_sd(machine, single), wound_up_plays(signs), accused
    )
    advice, after = tuple(_witnessed(a, done, prior_sd) for a in advised.steps), advised.after_mm
    verdict = verdict_of(
        judged,
        done.posterior,
        visible,
        misfits,
        machine.kinematics,
        advice,
        _parted(done, walk),
        tuple(NAMES[i] for i in unread_terms(done.posterior, prior_sd, told)),
    )
    if verdict.term and INDEX[verdict.term] in wound_up_plays(signs) and machine.kinematics == "cartesian":
        verdict = replace(verdict, text=f"{verdict.text} {WINDS_UP}")
    if machine.kinematics == "cartesian" and looks_crossed(done, walk, budget):
        verdict = replace(verdict, text=f"{verdict.text} {QUESTION}")
    if verdict.status != "unexplained":
        # At the top: to change one of a group that cancels makes matters worse.
        for note in cancelling(done.posterior, reference, visible):
            verdict = replace(verdict, text=f"{verdict.text} {note.text}")
    exchanged = exchanged_coupons(walk, readings, machine, known, budget, readout)
    swap = () if exchanged is None else (Note("exchanged", {"first": exchanged[0], "second": exchanged[1]}),)
    if swap and verdict.status == "unexplained":
        verdict = replace(verdict, text=swap[0].text)
    # Where no size was read, what is known otherwise stands for the sizes that a setting is to bring right.
    sizes = o.gains[o.column >= 0]
    facts = np.array([f.row for f in done.facts]).reshape(-1, len(TERMS))
    confounded = find_confounded(mean, cov, prior_sd, sizes if len(sizes) else facts, machine, accused)
    confounded += belts_alike(mean, cov, machine)
    doubtful = advised.unsettled
    if verdict.status == "unexplained":
        advice, doubtful, after = (), (), advised.before_mm
    standing = _standing(done, judged, reference, verdict, confounded, machine, single)
    a = reference.gains
    dof = effective_dof(done)
    agreement = done.estimate.agreement
    transferred = known.transferred if known is not None else None
    before_jumps = transferred.jumps if transferred is not None else None
    return Diagnosis(
        terms=_estimates(done, prior_sd, told),
        posterior=done.posterior,
        verdict=verdict,
        shares=_by_name(judged.shares[0], told),
        probabilities=_by_name(judged.chances[0], told),
        reference_features=reference.labels,
        contributions_mm=a * mean,
        contributions_u_mm=np.abs(a) * done.posterior.sd,
        fits=_reading_fits(done, walk, z),
        confounded=confounded,
        suspects=readout.suspects,
        advice=advice,
        next=what_next(walk, standing, machine, offers=offers),
        chi2=float(agreement.chi2),
        dof=round(float(agreement.dof)),
        p_value=float(agreement.p_value),
        expected_misfit_before_mm=advised.before_mm,
        expected_misfit_after_mm=after,
        unsettled=unsettled_of(doubtful, walk, standing, machine),
        notes=(
            *(swap if verdict.status != "unexplained" else ()),
            *signs,
            *estimate_notes(done, transferred, told, prior_sd),
            *withheld_notes(machine),
            *verdict_notes(done, reference, visible, prior_sd, verdict),
            *repeat_notes(o, machine),
            *(dof_notes(verdict.term, float(dof[INDEX[verdict.term]])) if verdict.term else ()),
            *(known.notes if known is not None else ()),
            *readout.trial_notes,
            *manner_notes(readout.jumps),
        ),
        extra={
            **_extra(done, transferred, dof, told),
            **({"exchanged": list(exchanged)} if exchanged else {}),
            "uncertainty_budget": as_data(budget_of(done, budget, machine), told),
            "together": sums_as_data(done.posterior),
            "jumps": before_jumps if readout.jumps is None else readout.jumps,
            **({} if readout.jumps is None else {"manner": {"jumps": readout.jumps}}),
        },
    )


def _witnessed(advice: Advice, done: Fit, prior_sd: np.ndarray) -> Advice:
    """The advice with the one reading that it rests on, where nothing else checks that."""
    if advice.term not in INDEX:
        return advice
    return replace(advice, rests_on=sole_witness(done, prior_sd, INDEX[advice.term]))


def _judged(
    posterior: Normal, estimate: Estimate, reference: Reference, visible_mm: np.ndarray, prior_sd: np.ndarray
) -> Judged:
    """The verdict as numbers, of one set."""
    return judge_many(
        Normal(mean=posterior.mean[None], cov=posterior.cov[None]),
        reference,
        visible_mm,
        prior_sd,
        np.array([estimate.doubt_p]),
        np.array([estimate.doubt_mm]),
    )


def _parted(done: Fit, walk: SetWalk) -> frozenset[int]:
    """Errors for which something was read that their surface effect does not do alike."""
    o = done.observations
    columns = [int(c) for c, out in zip(o.column, done.outliers, strict=True) if c >= 0 and not out]
    facts = {fact.kind for fact in done.facts}
    bead = (
        {BEAD} if facts & {"weighed", "feed"} or any(walk.features[c].of_surface for c in columns) else set()
    )
    return frozenset(bead | ({PATH} if "path place" in facts else set()))


def _estimates(done: Fit, prior_sd: np.ndarray, told: np.ndarray) -> tuple[TermEstimate, ...]:
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
        if told[i]
    )


def _by_name(values: np.ndarray, told: np.ndarray) -> dict[str, float]:
    return {t.name: float(values[i]) for i, t in enumerate(TERMS) if t.kind == "printer" and told[i]}


def _reading_fits(done: Fit, walk: SetWalk, z: np.ndarray) -> tuple[ReadingFit, ...]:
    ideal = walk.readings(np.zeros((1, len(TERMS))))[0]
    o, base = done.observations, done.estimate.base
    predicted = base + o.gains @ done.posterior.mean
    fits = []
    for i, (coupon, feature) in enumerate(o.keys):
        column = int(o.column[i])
        f = walk.features[column] if column >= 0 else None
        fits.append(
            ReadingFit(
                coupon=coupon,
                feature=feature,
                kind=f.kind if f else feature.partition(":")[0],
                direction_deg=f.direction_deg if f else 0.0,
                reading_mm=float(o.y[i]),
                std_uncertainty_mm=float(done.u[i]),
                nominal_mm=f.nominal_mm if f else float(base[i]),
                ideal_mm=float(ideal[column]) if f else float(base[i]),
                predicted_mm=float(predicted[i]),
                repeats=int(o.count[i]),
                z_score=float(z[i]),
                suspect=bool(done.outliers[i]),
            )
        )
    return tuple(fits)


def _standing(
    done: Fit,
    judged: Judged,
    reference: Reference,
    verdict: Verdict,
    confounded: tuple[Confounded, ...],
    machine: Machine,
    u: float,
) -> Standing:
    """What is known and read, and what there is to be in doubt about."""
    is_open = verdict.status in ("leading", "undetermined", "sum-known")
    doubt = np.zeros(len(TERMS))
    if verdict.status == "within-noise":
        # Then all the doubt there is lies in what was not looked at.
        doubt[[INDEX[name] for name in verdict.not_looked_at]] = 1.0
    elif is_open or confounded:
        doubt = open_doubt(
            judged.chances[0],
            PRINTER & (reference.weights > 0),
            PRINTER & told_on(machine.kinematics),
            is_open,
            confounded_terms(confounded),
        )
    keys = done.observations.keys
    kept = {key for key, out in zip(keys, done.outliers, strict=True) if not out}
    return Standing(
        posterior=done.posterior,
        doubt=doubt,
        measured=frozenset(keys),
        u=u,
        set_aside=frozenset(keys) - kept,
    )


def _extra(
    done: Fit, transferred: TransferredPrior | None, dof: np.ndarray, told: np.ndarray
) -> dict[str, Any]:
    """What diagnosis.json and the faces need besides."""
    extra: dict[str, Any] = {
        "scatter_mm": float(np.sqrt(done.estimate.agreement.excess)),
        "scattered": scattered_by(done.estimate.agreement, done.transferred),
    }
    extra["contradicted"] = tuple(f.kind for f in done.contradicted)
    if transferred is not None:
        extra["as_read"] = transferred.as_read if done.transferred is not None else ()
        extra["carried"] = {
            "print": transferred.name,
            "used": done.transferred is not None,
            "agreement_p": done.agreement_p,
        }
    if np.isfinite(dof).any():
        extra["effective_dof"] = {NAMES[i]: float(dof[i]) for i in np.flatnonzero(told)}
    return extra
