"""Advice as a plan: one setting after the other, the smallest print that shows it took, and when to stop."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.controls import ConstantHoles
from fitassay.analysis.diagnosis.advice import OUTWARD
from fitassay.analysis.diagnosis.verdict_words import not_looked_at
from fitassay.analysis.estimation.priors import prior_sds
from fitassay.analysis.parts.fits import HeldGrade, held_grades
from fitassay.analysis.parts.iso286 import Fit, tolerance
from fitassay.analysis.parts.pairs import Pair
from fitassay.analysis.parts.sizes import State
from fitassay.analysis.prints.joint_risk import Effect, making
from fitassay.analysis.prints.mixed_model import drift_sds
from fitassay.analysis.result import Advice, Diagnosis
from fitassay.analysis.terms import INDEX, PATH, TERMS
from fitassay.coupons.cost import Cost
from fitassay.coupons.machine import Machine


@dataclass(frozen=True, kw_only=True)
class Check:
    """A print that verifies a step.

    Attributes
    ----------
    coupons, families : tuple of str
    minutes, grams : float
    tells : float
        How many of its own standard uncertainties lie between the old error and none, the least over the errors.
    enough : bool
        False where even the whole set does not tell the new from the old.
    """

    coupons: tuple[str, ...]
    families: tuple[str, ...]
    minutes: float
    grams: float
    tells: float
    enough: bool


@dataclass(frozen=True, kw_only=True)
class Step:
    """One setting to change, the error it removes, and the print that verifies it.

    `with_next`: to be made together with the step after it, since alone it might make joints worse or cost sizes
    their grade; the print then verifies all steps made together up to this one. `held`: not to be made yet, since by
    what is known the joints might get worse with all others made, too.
    """

    advice: Advice
    error: float
    unit: str
    check: Check
    with_next: bool = False
    held: bool = False


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What to do, in order, and when to stop.

    Attributes
    ----------
    steps : tuple of Step
    together : Check or None
        The smallest print that verifies all steps at once; None without steps.
    done : bool
        Nothing is left that is worth a change.
    why : str
        Why done, or why not yet.
    misfit_now_mm, misfit_after_mm : float [mm]
        Root mean square misfit of the reference features.
    now, after : tuple of HeldGrade
        ISO 286 grades held now, and expected after all steps.
    """

    steps: tuple[Step, ...]
    together: Check | None
    done: bool
    why: str
    misfit_now_mm: float
    misfit_after_mm: float
    now: tuple[HeldGrade, ...]
    after: tuple[HeldGrade, ...]


# A print shows that an error went if it can tell it from what it was by so many standard uncertainties.
TELLS = 4.0
# Joints that stand for those of a case that names none.
ORDINARY_PAIRS = (
    Pair(peg=6.0, hole=6.3, flipped=False),
    Pair(peg=12.0, hole=12.3, flipped=False),
    Pair(peg=12.0, hole=12.3, shape="square", flipped=False),
)
# At most so many coupons are tried together; beyond that the whole set is meant.
MOST_COUPONS = 3


def make_plan(
    diagnosis: Diagnosis,
    state: State,
    machine: Machine,
    shelf: SetWalk,
    costs: Mapping[str, Cost],
    u: float,
    wanted: tuple[Fit, float] | None = None,
    pairs: tuple[Pair, ...] = (),
) -> Plan:
    """Turn a diagnosis into a plan.

    Parameters
    ----------
    diagnosis : Diagnosis
    state : State
        Its posterior.
    machine : Machine
        Settings in force.
    shelf : SetWalk
        Coupons that could be printed.
    costs : mapping of str to Cost
        By coupon id.
    u : float [mm]
        Standard uncertainty of one reading.
    wanted : (Fit, float [mm]), optional
        The fit that is enough, and its nominal size.
    pairs : tuple of Pair
        Joints that no step may make worse; ordinary ones where there are none.
    """
    _, gains = shelf.linearise(state.posterior.mean)
    # The check is another print: all that is known will have drifted until then.
    drifted = state.posterior.cov + np.diag(drift_sds(machine.kinematics) ** 2)
    offers = _Offers(shelf, gains, costs, drifted, prior_sds(machine), u)
    steps = tuple(
        Step(
            advice=a,
            error=float(state.posterior.mean[INDEX[a.term]]),
            unit=TERMS[INDEX[a.term]].unit,
            check=offers.smallest({a.term: _removed(a, state) / TELLS}),
        )
        for a in diagnosis.advice
        if a.term in INDEX
    )
    steps = _made_together(steps, state, machine, pairs or ORDINARY_PAIRS, offers)
    made = tuple(s for s in steps if not s.held)
    goals = {s.advice.term: _removed(s.advice, state) / TELLS for s in made}
    now = held_grades(state)
    done, why = _whether_done(diagnosis, now, wanted)
    if steps and not made and not done:
        why = "Too much is open yet for what is left to be changed: the joints might get worse by it."
    return Plan(
        steps=() if done else steps,
        together=offers.smallest(goals) if made and not done else None,
        done=done,
        why=why,
        misfit_now_mm=diagnosis.expected_misfit_before_mm,
        misfit_after_mm=diagnosis.expected_misfit_after_mm,
        now=now,
        after=held_grades(_after(state, made, machine)),
    )


def _made_together(
    steps: tuple[Step, ...], state: State, machine: Machine, pairs: tuple[Pair, ...], offers: _Offers
) -> tuple[Step, ...]:
    """The steps, marked which of them are made together and which are not made yet, for the joints' sake."""
    effects = [_effect(state, step, machine) for step in steps]

    def coarser(before: State, after: State) -> bool:
        return bool((_grades(after) > _grades(before)).any())

    group: dict[str, float] = {}
    out = []
    for step, how in zip(steps, making(effects, state, pairs, coarser), strict=True):
        if how == "held":
            out.append(replace(step, held=True))
            continue
        group[step.advice.term] = _removed(step.advice, state) / TELLS
        check = step.check if len(group) == 1 or how == "with-next" else offers.smallest(group)
        out.append(replace(step, check=check, with_next=how == "with-next"))
        if how == "alone":
            group = {}
    return tuple(out)


def _grades(state: State) -> np.ndarray:
    """The grades held, (ranges,), infinite beyond IT18."""
    return np.array([np.inf if g.grade is None else g.grade for g in held_grades(state)])


def _removed(advice: Advice, state: State) -> float:
    """How much of an error a change takes away, of all that stands outward where it mends that."""
    i = INDEX[advice.term]
    if i == PATH and advice.to_value is not None and advice.from_value is not None:
        return abs(advice.to_value - advice.from_value)
    return abs(float(state.posterior.mean[i]))


def _mended_by(i: int) -> np.ndarray:
    """What a change of the setting of term i mends, ndarray (terms,): the path's all that stands outward."""
    return OUTWARD / 2 if i == PATH else np.eye(len(TERMS))[i]


class _Offers:
    """Prints that could verify a change, cheapest first."""

    def __init__(
        self,
        shelf: SetWalk,
        gains: np.ndarray,
        costs: Mapping[str, Cost],
        covariance: np.ndarray,
        prior_sd: np.ndarray,
        u: float,
    ) -> None:
        self.rows: dict[str, np.ndarray] = {}
        for (coupon, _), row in zip(shelf.keys, gains, strict=True):
            self.rows[coupon] = np.vstack([self.rows.get(coupon, np.empty((0, len(row)))), row / u])
        self.costs = costs
        self.family = {c.id: c.family for c in shelf.manifest.coupons}
        self.covariance, self.prior_sd = covariance, prior_sd
        sets = [c for n in range(1, MOST_COUPONS + 1) for c in combinations(self.rows, n)]
        self.sets = sorted(sets, key=lambda c: (self._minutes(c), len(c)))
        self.sets.append(tuple(self.rows))

    def _minutes(self, coupons: tuple[str, ...]) -> float:
        return sum(self.costs[c].minutes for c in coupons)

    def smallest(self, goals: Mapping[str, float]) -> Check:
        """The quickest print that knows what mends each term of `goals` to its standard uncertainty."""
        at = [INDEX[name] for name in goals]
        before, mended = self._before(at), np.array([_mended_by(i) for i in at])
        for coupons in self.sets:
            tells = float(min(np.array(list(goals.values())) * TELLS / self._sd(coupons, before, mended)))
            if tells >= TELLS or coupons is self.sets[-1]:
                return Check(
                    coupons=coupons,
                    families=tuple(dict.fromkeys(self.family[c] for c in coupons)),
                    minutes=self._minutes(coupons),
                    grams=sum(self.costs[c].grams for c in coupons),
                    tells=tells,
                    enough=tells >= TELLS,
                )
        raise AssertionError("the whole set is always an offer")

    def _before(self, at: list[int]) -> np.ndarray:
        """Information before the check: as known now, but the changed terms as open as at the very beginning."""
        covariance = self.covariance.copy()
        covariance[at] = 0.0
        covariance[:, at] = 0.0
        covariance[at, at] = self.prior_sd[at] ** 2
        scale = np.sqrt(np.diag(covariance))
        return np.linalg.inv(covariance / np.outer(scale, scale)) / np.outer(scale, scale)

    def _sd(self, coupons: tuple[str, ...], before: np.ndarray, mended: np.ndarray) -> np.ndarray:
        rows = np.concatenate([self.rows[c] for c in coupons])
        information = before + rows.T @ rows
        scale = 1 / np.sqrt(np.diag(information))
        covariance = np.linalg.inv(information * np.outer(scale, scale)) * np.outer(scale, scale)
        return np.sqrt(np.einsum("gi,ij,gj->g", mended, covariance, mended))


def _after(state: State, steps: tuple[Step, ...], machine: Machine) -> State:
    """What is expected once all steps are done: those errors gone, the doubt about them left."""
    for step in steps:
        state = _effect(state, step, machine).on(state)
    return state


def _effect(state: State, step: Step, machine: Machine) -> Effect:
    """What a step does to what is expected."""
    i, to = INDEX[step.advice.term], step.advice.to_value
    error, shift = float(state.posterior.mean[i]), np.zeros_like(state.posterior.mean)
    control = TERMS[i].control
    if control is None or to is None:  # mended by hand
        shift[i] = -error
        return Effect(shift=shift)
    control = next((c for c in control.chosen(machine) if c.key == step.advice.setting), control)
    # A setting rounded by the advice leaves that share of its error.
    whole = control.removing(error, machine) - machine[step.advice.setting]
    share = to - machine[step.advice.setting]
    shift[i] = -error * (share / whole if whole else 1.0)
    changed = replace(machine, values={**machine.values, step.advice.setting: to})
    return Effect(shift=shift, holes=ConstantHoles.of(changed))


def _whether_done(
    diagnosis: Diagnosis, now: tuple[HeldGrade, ...], wanted: tuple[Fit, float] | None
) -> tuple[bool, str]:
    """Whether to stop, and the reason in a sentence."""
    if diagnosis.verdict.status == "unexplained":
        return False, "The readings do not fit together; measure again before you change anything."
    lacking = ""
    if wanted is not None:
        fit, nominal = wanted
        held = next((g for g in now if g.over < nominal <= g.to), None)
        zone = min(tolerance(nominal, fit.hole.grade), tolerance(nominal, fit.shaft.grade))
        if held is not None and held.width_mm <= zone:
            return (
                True,
                f"The printer holds {nominal:g} {fit} as it is: {held.width_mm:.3f} of {zone:.3f} mm.",
            )
        needs = "" if held is None else f", which needs {held.width_mm:.3f} mm where {zone:.3f} are allowed"
        lacking = f"The printer does not hold {nominal:g} {fit}{needs}. "
    if diagnosis.verdict.status == "within-noise":
        if diagnosis.verdict.not_looked_at:
            return (
                False,
                f"{lacking}Nothing that was looked at is worth a change. "
                f"{not_looked_at(diagnosis.verdict.not_looked_at)}",
            )
        return True, f"{lacking}What is left is less than one caliper reading can see."
    if not diagnosis.advice and diagnosis.unsettled:
        return False, f"{lacking}No error is known well enough yet for a number."
    if not diagnosis.advice:
        return True, f"{lacking}No error is sure enough to be worth a change of settings."
    if wanted is not None:
        return False, f"The printer does not hold {wanted[1]:g} {wanted[0]} yet."
    return False, "What is left is more than a caliper reading can see."
