"""What a diagnosis should say besides: what was not measured, how far to trust it, what it depends on."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from fitassay.analysis.diagnosis.judging import judge_many
from fitassay.analysis.diagnosis.verdict import STATUSES, Reference
from fitassay.analysis.estimation.fit import Fit, refit
from fitassay.analysis.estimation.known import TransferredPrior
from fitassay.analysis.estimation.manner import which
from fitassay.analysis.estimation.outlier_causes import sole_witness, unchecked
from fitassay.analysis.estimation.outliers import HAND_MM, SLIPS_AT_ONCE
from fitassay.analysis.estimation.priors import prior_means
from fitassay.analysis.normal import Normal
from fitassay.analysis.notes import Note
from fitassay.analysis.result import Verdict
from fitassay.analysis.terms import INDEX, NAMES, PRINTER, withheld_on
from fitassay.coupons.machine import Machine

# A term informed less than this is "not measured by these readings".
NOT_MEASURED = 0.2
# An error known this well (in standard uncertainties) is there for certain.
KNOWN_SDS = 4.0


def manner_notes(p: float | None) -> tuple[Note, ...]:
    """What a backlash compensation set too high does, by `Readout.jumps`."""
    return () if p is None else (Note("over-compensated", {"jumps": which(p), "chance": p}),)


def estimate_notes(
    done: Fit, transferred: TransferredPrior | None, told: np.ndarray, prior_sd: np.ndarray
) -> tuple[Note, ...]:
    """What the readings did not reach, how well they fit, and whether what else was known was used.

    Parameters
    ----------
    done : Fit
    transferred : TransferredPrior or None
        Whether used or not.
    told : ndarray (terms,) of bool
        Errors that such a machine is told of.
    prior_sd : ndarray (terms,)
        Before any print was read.
    """
    notes = []
    # Against what was known before these readings: what an earlier print measured they need not have.
    missing = [NAMES[i] for i in unread_terms(done.posterior, done.prior.sd, told)]
    if missing:
        unknown = {NAMES[i] for i in unread_terms(done.posterior, prior_sd, told)}
        notes.append(
            Note("not-measured", {"terms": missing, "kept": [t for t in missing if t not in unknown]})
        )
    scatter = float(np.sqrt(done.estimate.agreement.excess))
    if scatter > 0:
        notes.append(Note("excess-scatter", {"scatter_mm": scatter}))
    count = int(np.sum(done.outliers & (np.abs(done.residual) < HAND_MM)))
    if count > SLIPS_AT_ONCE:
        notes.append(Note("many-outliers", {"readings": count}))
    hidden = unchecked(done)
    if hidden:
        notes.append(Note("unchecked", {"readings": hidden}))
    if transferred is not None:
        code = "transfer-contradicted" if done.transferred is None else "transfer-used"
        notes.append(Note(code, {"print": transferred.name}))
    notes += [Note("fact-contradicted", {"fact": f.kind}) for f in done.contradicted]
    return tuple(notes)


def unread_terms(known: Normal, prior_sd: np.ndarray, told: np.ndarray) -> list[int]:
    """Columns of the printer's errors that nothing has told of since they were known to `prior_sd` (terms,)."""
    return [int(i) for i in np.flatnonzero(PRINTER & told & (1 - known.sd / prior_sd < NOT_MEASURED))]


def withheld_notes(machine: Machine) -> tuple[Note, ...]:
    """What such a machine's readings along x and y do not tell."""
    names = [NAMES[i] for i in withheld_on(machine.kinematics)]
    return (Note("withheld", {"kinematics": machine.kinematics, "terms": names}),) if names else ()


def verdict_notes(
    done: Fit, reference: Reference, visible_mm: np.ndarray, prior_sd: np.ndarray, verdict: Verdict
) -> tuple[Note, ...]:
    """What the verdict depends on."""
    notes: list[Note] = []
    if done.transferred is None:
        notes += _leaning(done, reference, visible_mm, prior_sd, verdict)
    if verdict.term:
        witness = sole_witness(done, prior_sd, INDEX[verdict.term])
        if witness:
            notes.append(Note("sole-witness", {"coupon": witness[0], "feature": witness[1]}))
    return tuple(notes)


def cancelling(posterior: Normal, reference: Reference, visible_mm: np.ndarray) -> tuple[Note, ...]:
    """The well known errors that hide most of each other on the sizes, all that hang together, if any do."""
    sure = PRINTER & (np.abs(posterior.mean) >= KNOWN_SDS * posterior.sd)
    effects = reference.gains * np.where(sure, posterior.mean, 0.0)
    hidden: dict[tuple[int, int], float] = {}
    for i, j in combinations(np.flatnonzero(sure).tolist(), 2):
        a, b = effects[:, i], effects[:, j]
        on = (np.abs(a) > visible_mm) & (np.abs(b) > visible_mm)
        # Opposite on every size that both act on; more than half of the smaller one is eaten up.
        if on.any() and (a[on] * b[on] < 0).all():
            hidden[i, j] = float(np.minimum(np.abs(a[on]), np.abs(b[on])).max())
    if not hidden:
        return ()
    group = set(max(hidden, key=lambda pair: hidden[pair]))
    while more := {k for pair in hidden if group & set(pair) for k in pair} - group:
        group |= more
    data = {"terms": [NAMES[i] for i in sorted(group)], "hidden_mm": max(hidden.values())}
    return (Note("cancelling", data),)


def _leaning(
    done: Fit, reference: Reference, visible_mm: np.ndarray, prior_sd: np.ndarray, verdict: Verdict
) -> list[Note]:
    """Whether half or twice as wide priors on printer errors would change the verdict."""
    changes = []
    for factor, words in ((0.5, "half as wide"), (2.0, "twice as wide")):
        other_sd = np.where(PRINTER, prior_sd * factor, prior_sd)
        other = refit(done, Normal.independent(other_sd, prior_means(other_sd)))
        j = judge_many(
            Normal(mean=other.posterior.mean[None], cov=other.posterior.cov[None]),
            reference,
            visible_mm,
            other_sd,
            np.array([other.doubt_p]),
            np.array([other.doubt_mm]),
        )
        status = STATUSES[int(j.status[0])]
        term = NAMES[int(j.term[0])] if status in ("dominant", "leading") else ""
        if (status, term) != (verdict.status, verdict.term):
            changes.append({"priors": words, "status": status, "term": term})
    return [Note("leans-on-priors", {"changes": changes})] if changes else []
