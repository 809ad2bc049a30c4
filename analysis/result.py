"""The result of a diagnosis as data; words, JSON, plots and pages are made from it elsewhere."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from fitassay.analysis.normal import Normal
from fitassay.analysis.notes import Note, sum_words

# What of `Diagnosis.extra` stands in diagnosis.json, where there is any.
EXTRA = (
    "sliced_file",
    "filament",
    "weighed",
    "carried",
    "effective_dof",
    "uncertainty_budget",
    "together",
    "manner",
    "joints_fit",
)

Status = Literal["dominant", "leading", "undetermined", "within-noise", "unexplained", "sum-known"]


@dataclass(frozen=True, kw_only=True)
class TermEstimate:
    """Posterior of one error term: estimate and standard uncertainty in `unit`; `informed` in 0..1."""

    name: str
    label: str
    unit: str
    estimate: float
    std_uncertainty: float
    informed: float
    prior_sd: float
    kind: str


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What spoils the fit: status, accused term ("" where none), its probability and the sentence.

    Attributes
    ----------
    contenders : tuple of str
        Terms that may be the largest.
    not_looked_at : tuple of str
        Errors of the printer that nothing read so far tells of: they may be of any size.
    """

    status: Status
    term: str
    probability: float
    text: str
    contenders: tuple[str, ...] = ()
    not_looked_at: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ReadingFit:
    """One measured feature: mean reading, what the terms predict, and how far off.

    Attributes
    ----------
    reading_mm, std_uncertainty_mm, nominal_mm, ideal_mm, predicted_mm : float [mm]
        Mean of the repeats, its standard uncertainty, drawn size, what a perfect print reads, what the
        estimated terms predict.
    repeats : int
    z_score : float
        Residual over its own standard uncertainty (leave-one-out).
    suspect : bool
        Named as a slip and left out of the estimate.
    """

    coupon: str
    feature: str
    kind: str
    direction_deg: float
    reading_mm: float
    std_uncertainty_mm: float
    nominal_mm: float
    ideal_mm: float
    predicted_mm: float
    repeats: int
    z_score: float
    suspect: bool = False


@dataclass(frozen=True, kw_only=True)
class Confounded:
    """Terms that act alike in the readings, and the one sum of them that is known.

    Attributes
    ----------
    terms : tuple of str
        The terms that act alike.
    alike : Note
        What it is that acts alike.
    combination : dict of str to float
        The sum that is known, coefficients by term.
    value, std_uncertainty : float
        Of that sum.
    unit : str
    remedy : Note
        What works whichever of them it is.
    """

    terms: tuple[str, ...]
    alike: Note
    combination: dict[str, float]
    value: float
    std_uncertainty: float
    unit: str
    remedy: Note

    @property
    def text(self) -> str:
        """What acts alike, and the sum that is known, in words."""
        return f"{self.alike.text}; what is known is {sum_words(self.combination, self.unit)}"


@dataclass(frozen=True, kw_only=True)
class Suspect:
    """A reading taken for a slip: where, what was read, what was likely meant, and why."""

    coupon: str
    feature: str
    reading_mm: float
    expected_mm: float
    likely_mm: float | None
    reason: str


@dataclass(frozen=True, kw_only=True)
class Advice:
    """One setting to change; values are absolute, in `unit`."""

    setting: str
    from_value: float | None
    to_value: float | None
    std_uncertainty: float
    unit: str
    why: str
    term: str = ""
    for_hole_mm: float | None = None
    """Diameter that a constant hole compensation is chosen for [mm]; None where the slicer's is told to grow."""
    rests_on: tuple[str, str] | None = None
    """Coupon and feature of the one reading that it rests on, where nothing else checks that."""

    def rests_on_data(self) -> dict[str, str] | None:
        """The reading that it rests on, as the JSON answers hold it."""
        if self.rests_on is None:
            return None
        return {"coupon": self.rests_on[0], "feature": self.rests_on[1]}


@dataclass(frozen=True, kw_only=True)
class Unsettled:
    """A change that is likely called for, but known too badly for a number.

    Attributes
    ----------
    setting, term : str
        What would be changed, and for which error.
    text : str
        Which way it leans.
    settle : str
        What to read or print to know it better; empty where nothing at hand tells.
    """

    setting: str
    term: str
    text: str
    settle: str

    def as_data(self) -> dict[str, str]:
        """As the JSON answers hold it."""
        return {"setting": self.setting, "term": self.term, "text": self.text, "settle": self.settle}


@dataclass(frozen=True, kw_only=True)
class NextPrint:
    """A coupon (or feature) worth printing or measuring next.

    `gain` is the share of the doubt between the contenders that it would remove, 0..1; `minutes` its cost.
    """

    coupon: str
    feature: str
    gain: float
    minutes: float
    text: str


@dataclass(frozen=True, kw_only=True)
class Diagnosis:
    """Everything that one set of readings says.

    Attributes
    ----------
    terms : tuple of TermEstimate
        In the order of `terms.TERMS`.
    posterior : Normal
        Of the terms.
    verdict : Verdict
    shares : dict of str to float
        Expected share of each printer term in the squared misfit of the reference features; sums to 1.
    probabilities : dict of str to float
        Probability that a term's share is the largest.
    reference_features : tuple of str
        Labels of the features that shares refer to.
    contributions_mm : ndarray (features, terms) [mm]
        Signed contribution of each term to each reference feature at the estimate.
    contributions_u_mm : ndarray (features, terms) [mm]
        Their standard uncertainties.
    fits : tuple of ReadingFit
    confounded, suspects, advice, next : tuples
    chi2, dof, p_value : float, int, float
        Fit quality of the readings kept.
    expected_misfit_before_mm, expected_misfit_after_mm : float [mm]
        Root mean square misfit of the reference features now, and expected after the advice.
    unsettled : tuple of Unsettled
        Changes that lean one way, but are known too badly for a number.
    notes : tuple of Note
        What the user should know that fits nowhere else (what was left out, what was assumed).
    extra : dict
        By source, of what is not always there: the print's own scatter, sliced file, filament, an earlier print.
    """

    terms: tuple[TermEstimate, ...]
    posterior: Normal
    verdict: Verdict
    shares: dict[str, float]
    probabilities: dict[str, float]
    reference_features: tuple[str, ...]
    contributions_mm: np.ndarray
    contributions_u_mm: np.ndarray
    fits: tuple[ReadingFit, ...]
    confounded: tuple[Confounded, ...]
    suspects: tuple[Suspect, ...]
    advice: tuple[Advice, ...]
    next: tuple[NextPrint, ...]
    chi2: float
    dof: int
    p_value: float
    expected_misfit_before_mm: float
    expected_misfit_after_mm: float
    unsettled: tuple[Unsettled, ...] = ()
    notes: tuple[Note, ...] = ()
    extra: dict[str, Any] = field(default_factory=dict)

    def term(self, name: str) -> TermEstimate:
        """The estimate of that term; KeyError if there is none."""
        for t in self.terms:
            if t.name == name:
                return t
        raise KeyError(name)

    def as_json(self) -> dict[str, Any]:
        """The content of diagnosis.json."""
        return {
            "schema": 1,
            "terms": {
                t.name: {
                    "estimate": t.estimate,
                    "std_uncertainty": t.std_uncertainty,
                    "unit": t.unit,
                    "informed": t.informed,
                }
                for t in self.terms
            },
            "verdict": {
                "status": self.verdict.status,
                "term": self.verdict.term or None,
                "probability": self.verdict.probability,
                "text": self.verdict.text,
                "contenders": list(self.verdict.contenders),
                "not_looked_at": list(self.verdict.not_looked_at),
            },
            "shares": self.shares,
            "aliases": [
                {
                    "terms": list(c.terms),
                    "text": c.text,
                    "combination": c.combination,
                    "value": c.value,
                    "std_uncertainty": c.std_uncertainty,
                    "unit": c.unit,
                    "fix": c.remedy.text,
                }
                for c in self.confounded
            ],
            "suspect_readings": [
                {
                    "coupon": s.coupon,
                    "feature": s.feature,
                    "reading_mm": s.reading_mm,
                    "expected_mm": s.expected_mm,
                    "likely_mm": s.likely_mm,
                    "reason": s.reason,
                }
                for s in self.suspects
            ],
            "fit_quality": {"chi2": self.chi2, "dof": self.dof, "p_value": self.p_value},
            "advice": [
                {
                    "setting": a.setting,
                    "from": a.from_value,
                    "to": a.to_value,
                    "std_uncertainty": a.std_uncertainty,
                    "unit": a.unit,
                    "why": a.why,
                    "rests_on": a.rests_on_data(),
                }
                for a in self.advice
            ],
            "unsettled": [s.as_data() for s in self.unsettled],
            "next": [
                {
                    "coupon": n.coupon,
                    "feature": n.feature,
                    "gain": n.gain,
                    "minutes": n.minutes,
                    "text": n.text,
                }
                for n in self.next
            ],
            "expected_misfit_mm": {
                "before": self.expected_misfit_before_mm,
                "after": self.expected_misfit_after_mm,
            },
            "notes": [n.text for n in self.notes],
            "note_codes": [n.code for n in self.notes],
            **{name: self.extra[name] for name in EXTRA if name in self.extra},
        }
