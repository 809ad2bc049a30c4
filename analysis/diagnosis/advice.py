"""Which setting to change, from what to what, in which order."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from fitassay.analysis import rounding
from fitassay.analysis.controls import Control
from fitassay.analysis.diagnosis.surface import least_sure
from fitassay.analysis.diagnosis.verdict import Reference
from fitassay.analysis.estimation.manner import over_compensated
from fitassay.analysis.estimation.priors import prior_sds
from fitassay.analysis.normal import Normal
from fitassay.analysis.result import Advice
from fitassay.analysis.terms import BEAD, INDEX, PATH, PLAYS, TERMS, Term, told_on
from fitassay.coupons.machine import Machine, figure

SIGNIFICANT_SDS = 2.0
# A flow set wrong harms the part, and sizes are put right without it.
FLOW_SDS = 2.5
# The last figure of a misfit that is shown [mm].
SHOWN_MM = 0.001
# What a compensation leaves of lost motion that short ways take up in part (common practice, no source).
WOUND_UP_LEFT = 0.5
CLOSING = INDEX["bore_closure"]
# What each term adds to an outside size that no setting of its own need mend: bead, path, layers, push-out.
OUTWARD = np.array([{"bead": 1.0, "surface": 1.0, "contour": 2.0}.get(t.quantity, 0.0) for t in TERMS])


@dataclass(frozen=True, kw_only=True)
class Advised:
    """What to change, and what that is worth.

    Attributes
    ----------
    steps : tuple of Advice
        In the order in which they are best made.
    unsettled : tuple of Advice
        Changes worth making that are known too badly for a number: which way they lean is known, not by how much.
    before_mm, after_mm : float [mm]
        Misfit of the reference features, root mean square, now and expected once the steps are made.
    """

    steps: tuple[Advice, ...]
    unsettled: tuple[Advice, ...]
    before_mm: float
    after_mm: float


@dataclass(frozen=True, kw_only=True)
class _Worth:
    """Changes worth making by column of their term, those known too badly, and errors after (terms,)."""

    changes: dict[int, list[Advice]]
    unsettled: dict[int, list[Advice]]
    mended: np.ndarray


def change_order() -> list[int]:
    """Columns of the terms that a setting or a hand removes, in the order in which changes are best made."""
    return sorted((i for i, t in enumerate(TERMS) if t.setting), key=lambda i: (TERMS[i].change_rank, i))


def advise(
    mean: np.ndarray,
    covariance: np.ndarray,
    reference: Reference,
    machine: Machine,
    visible_mm: float,
    wound_up: frozenset[int] = frozenset(),
    accused: bool = True,
) -> Advised:
    """Settings to change.

    A term is worth a change when it is significant (over twice its standard uncertainty; the flow 2.5 times), larger
    than its own `least_change`, and its effect on some reference feature is larger than the standard uncertainty of
    one caliper reading. What then lowers the expected misfit, all others made, by less than shows or
    than the next print could verify (`pays`), is left out again, the least first. A change that is known too badly
    for a number is told apart (`rounding.is_known_well`; `accused`: whether an error is). No setting leaves the range
    that machine.toml allows.
    A compensation of lost motion that is `wound_up`, columns of the terms, is taken to mend half of it.
    """
    mean = np.asarray(mean, dtype=float)
    known = Normal(mean=mean[None], cov=covariance[None])
    sds = np.where(np.arange(len(TERMS)) == BEAD, FLOW_SDS, SIGNIFICANT_SDS)
    sure = least_sure(known, prior_sds(machine), sds)[0]
    worth = partial(_worth, mean, covariance, sure, reference, machine, visible_mm, wound_up, accused)
    left_out: frozenset[int] = frozenset()
    while True:
        got = worth(left_out)
        after = _misfit(got.mended, covariance, reference)
        without = {i: _misfit(worth(left_out | {i}).mended, covariance, reference) for i in got.changes}
        least = min(without, key=lambda i: without[i], default=None)
        if least is None or pays(without[least], after, visible_mm, reference):
            if CLOSING not in got.changes:
                got.mended[CLOSING] = mean[CLOSING]
            return Advised(
                steps=tuple(change for made in got.changes.values() for change in made),
                unsettled=tuple(change for made in got.unsettled.values() for change in made),
                before_mm=_misfit(mean, covariance, reference),
                after_mm=_misfit(got.mended, covariance, reference),
            )
        left_out |= {least}


def pays(before: float, after: float, visible_mm: float, reference: Reference) -> bool:
    """Whether a change that takes the misfit from `before` to `after` [mm, rms] is worth its while.

    It must show in the figure, and in the reference features read once more: a change that moves f sizes by m, root
    mean square, stands out by m sqrt(f) / u of what they tell, u of one reading, and that must be `COVERAGE`, k = 2.
    """
    shift = before**2 - after**2
    seen = (rounding.COVERAGE * visible_mm) ** 2 / max(len(reference.gains), 1)
    return before - after >= SHOWN_MM and shift >= seen


def _worth(
    mean: np.ndarray,
    covariance: np.ndarray,
    sure: np.ndarray,
    reference: Reference,
    machine: Machine,
    visible_mm: float,
    wound_up: frozenset[int],
    accused: bool,
    left_out: frozenset[int],
) -> _Worth:
    """What is worth a change; `sure` (terms,) is what each error is at least, above 0 where it is significant."""
    told = told_on(machine.kinematics)
    sds = np.sqrt(np.diag(covariance))
    largest = np.abs(reference.gains).max(axis=0, initial=0.0)
    changes: dict[int, list[Advice]] = {}
    unsettled: dict[int, list[Advice]] = {}
    mended = mean.copy()
    for i in (i for i in change_order() if told[i] and i not in left_out):
        error, sd = float(mean[i]), float(sds[i])
        why = ""
        if i == PATH:
            # To sizes all that stands outward is one; what the flow does not mend the offset does.
            row = OUTWARD / 2
            error, sd = float(row @ mended), float(np.sqrt(row @ covariance @ row))
            if abs(error - mended[PATH]) > abs(mended[PATH]) or sure[PATH] <= 0:
                why = _all_outward(error, sd)
        significant = abs(error) >= SIGNIFICANT_SDS * sd if i == PATH else sure[i] > 0
        if not significant or abs(error) < TERMS[i].least_change or largest[i] * abs(error) < visible_mm:
            continue
        if TERMS[i].control is None and error < 0:
            continue  # no belt is too taut to lose motion
        if i == CLOSING and over_compensated(mean, sds).any():
            # Bores are judged once it is taken back; that it opens them, too, is no reason to leave it.
            mended[i] = 0.0
            continue
        made, left = _changes(TERMS[i], error, sd, machine)
        if i in wound_up and TERMS[i].control is not None:
            why = f"{TERMS[i].label}, less of it on short ways: this mends about half; mend the belt or motor first"
            left += WOUND_UP_LEFT * (error - left)
        if not rounding.is_known_well(error, sd, accused):
            unsettled[i] = made
            continue
        mended[i] += left - error
        if i == PATH and why:
            unsettled.pop(BEAD, None)  # the offset mends what the bead adds to sizes, whatever it is
        changes[i] = [replace(change, why=why) if why else change for change in made]
    return _Worth(changes=changes, unsettled=unsettled, mended=mended)


def _all_outward(error: float, sd: float) -> str:
    """Why the offset is changed where not the path alone, or not surely, is the cause."""
    sizes = "outsides large and openings small" if error > 0 else "outsides small and openings large"
    total = rounding.plus_minus(2 * error, 2 * sd, "mm")
    return (
        f"whatever makes {sizes} (bead, uneven layers, path, push-out): together {total}, half of it per side"
    )


def _changes(term: Term, error: float, sd: float, machine: Machine) -> tuple[list[Advice], float]:
    """The change, or those to be made together, and what they leave of the error."""
    if term.control is None:
        return [_by_hand(term, error, sd)], 0.0
    made = [_change(term, control, error, sd, machine) for control in term.control.chosen(machine)]
    return [change for change, _ in made], max((left for _, left in made), key=abs)


def _by_hand(term: Term, error: float, sd: float) -> Advice:
    """What a hand does about an error that no setting removes."""
    amount = rounding.plus_minus(error, sd, term.unit)
    meanwhile = f". Until then {term.meanwhile}" if term.meanwhile else ""
    return Advice(
        setting=term.work,
        from_value=None,
        to_value=None,
        std_uncertainty=sd,
        unit=term.unit,
        why=f"{term.label}, {amount}: {term.remedy}{meanwhile}",
        term=term.name,
    )


def _change(term: Term, control: Control, error: float, sd: float, machine: Machine) -> tuple[Advice, float]:
    """One change, and what it leaves of the error where the setting's range ends before it."""
    row = figure(control.key)
    low, high = (control.removing(error + k * sd, machine) for k in (-1, 1))
    wanted = control.removing(error, machine)
    new = min(max(wanted, row.low), row.high)
    why = f"{term.label}: {term.cause}"
    if INDEX[term.name] in PLAYS and error < 0:
        why = f"{term.label} is compensated too much; round holes are judged once it is right"
    left = 0.0
    if new != wanted:
        left = float(
            control.error_after(
                np.asarray(error), machine, replace(machine, values={**machine.values, control.key: new})
            )
        )
        why += f"; the setting ends at {rounding.with_unit(rounding.exact(new), row.unit)}, which mends it in part"
    advice = Advice(
        setting=control.key,
        from_value=machine[control.key],
        to_value=new,
        std_uncertainty=abs(high - low) / 2,
        unit=row.unit,
        why=why,
        term=term.name,
        for_hole_mm=machine["process.usual_hole_mm"]
        if term.name == "bore_closure" and machine.hole_setting != "growing"
        else None,
    )
    return advice, left


def _misfit(mean: np.ndarray, covariance: np.ndarray, reference: Reference) -> float:
    a = reference.gains
    if not len(a):
        return 0.0
    square = (a @ mean) ** 2 + np.einsum("ij,jk,ik->i", a, covariance, a)
    return float(np.sqrt(square.mean()))
