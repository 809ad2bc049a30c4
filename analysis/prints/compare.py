"""Two prints of one printer, before and after a change: what differs, and whether the change did what it should."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from fitassay.analysis.chain.sizes import Size, size_gains
from fitassay.analysis.normal import Normal
from fitassay.analysis.prints.mixed_model import INFORMED, PrintResult, read_together
from fitassay.analysis.prints.setting_changes import changed_settings, errors_after
from fitassay.analysis.result import Advice
from fitassay.analysis.tails import normal_quantile
from fitassay.analysis.terms import INDEX, NAMES, PRINTER, SHAPING, SURFACE, TERMS, told_on
from fitassay.coupons.feature import Axis
from fitassay.coupons.machine import Kinematics

Outcome = Literal["improved", "worse", "no clear change", "not measured"]


@dataclass(frozen=True, kw_only=True)
class TermChange:
    """One error term before and after.

    Attributes
    ----------
    name, unit : str
    before, before_u, after, after_u : float [unit]
    difference, difference_u : float [unit]
        After less before; the caliper's own error, common to both, cancels.
    expected : float [unit]
        What the settings' change should have left.
    p_smaller : float
        Probability that the error is smaller than it was.
    outcome : Outcome
        By this term alone.
    holds : bool
        Whether it still is one with all terms taken together.
    as_expected : bool or None
        Whether the new value agrees with `expected`; None where it was not measured well enough.
    set_anew : bool
        True where a setting that acts on the term was changed.
    """

    name: str
    unit: str
    before: float
    before_u: float
    after: float
    after_u: float
    difference: float
    difference_u: float
    expected: float
    p_smaller: float
    outcome: Outcome
    holds: bool
    as_expected: bool | None
    set_anew: bool


@dataclass(frozen=True, kw_only=True)
class SettingChange:
    """One setting that was advised to be changed, or was changed.

    Attributes
    ----------
    setting : str
    before, after : float
    advised : float or None
        None: nothing was advised.
    verdict : str
        ``as advised``, ``not changed``, ``too little``, ``too much``, ``the wrong way``, ``not advised``.
    """

    setting: str
    before: float
    after: float
    advised: float | None
    verdict: str


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Two prints compared.

    Attributes
    ----------
    before, after : str
        Names of the prints.
    terms : tuple of TermChange
        Printer terms.
    settings : tuple of SettingChange
    misfit_before_mm, misfit_after_mm : float [mm]
        Root mean square misfit of usual features (20 mm outlines and openings, 8 mm bores, x and y,
        with crossed belts also across the diagonals).
    p_better : float
        Probability that it fell.
    differs : tuple of str
        What else differs between the prints (material, speed, bead, layer).
    slicer : str
        The print that a slicing program drew where a path of our own drew the other one; else empty.
    part : bool
        The second print measures a part only of what the first one did: what is not set anew stays known from the
        first, with its usual drift.
    """

    before: str
    after: str
    terms: tuple[TermChange, ...]
    settings: tuple[SettingChange, ...]
    misfit_before_mm: float
    misfit_after_mm: float
    p_better: float
    differs: tuple[str, ...] = field(default_factory=tuple)
    slicer: str = ""
    part: bool = False

    @property
    def added(self) -> dict[str, tuple[float, float]]:
        """What the slicing program adds to each measured error, and its standard uncertainty; empty without one."""
        sign = 1.0 if self.slicer == self.after else -1.0
        measured = (t for t in self.terms if self.slicer and t.outcome != "not measured")
        return {t.name: (sign * t.difference, t.difference_u) for t in measured}

    def of(self, outcome: Outcome) -> tuple[TermChange, ...]:
        """The terms with that outcome."""
        return tuple(t for t in self.terms if t.outcome == outcome)


# "Improved" is said from this probability on that the error is smaller than it was: by chance once in 40 terms, so
# that with eleven terms one comparison in four names something.
SURE = 0.975
# With all terms taken together, a change holds but by mistake in so many comparisons.
WRONG = 0.05
DRAWS, SEED = 8000, 41
# A setting counts as set to the advised value within twice its uncertainty or this share of the advised change.
AS_ADVISED = 0.1


def usual_gains(width: float, kinematics: Kinematics = "cartesian") -> np.ndarray:
    """Gains of the features that a comparison is judged by, ndarray (features, terms)."""
    rows = []
    axes: tuple[Axis, ...] = ("x", "y", "a", "b") if kinematics == "crossed-belts" else ("x", "y")
    for axis in axes:
        rows += [
            size_gains(Size(side="outside", axis=axis, nominal=20.0), width),
            size_gains(Size(side="inside", axis=axis, nominal=20.0), width),
            size_gains(Size(side="inside", axis=axis, nominal=8.0, shape="round"), width),
        ]
    return np.array(rows)


def compare(first: PrintResult, second: PrintResult, advice: tuple[Advice, ...] = ()) -> Comparison:
    """Compare two prints.

    Parameters
    ----------
    first, second : PrintResult
        Before and after.
    advice : tuple of Advice
        What the first print's diagnosis advised; what it advised to mend by hand may have been mended.
    """
    kinematics = second.machine.kinematics
    told = PRINTER & told_on(kinematics)
    moved = changed_settings(first.machine, second.machine)
    part = bool((told & (first.informed >= INFORMED) & (second.informed < INFORMED)).any())
    k = len(NAMES)
    by_hand = {a.term for a in advice if a.to_value is None}
    set_anew = np.array(
        [t.name in by_hand or bool(t.control and set(t.control.keys) & set(moved)) for t in TERMS]
    )
    # Of a print that measures a part only, the rest stays known from before; what was set anew is judged afresh.
    # Layers are as uneven as they were, but for the usual drift, unless something else differs.
    differs = _differs(first, second)
    own = np.where(SURFACE, bool(differs), set_anew | (not part))
    both = read_together((first, second), drift_scale=np.where(own, np.inf, 1.0))
    draws = both.errors.draws(DRAWS, SEED)
    p_smaller = np.mean(np.abs(draws[:, k:]) < np.abs(draws[:, :k]), axis=0)
    expected = errors_after(both.of(0).mean, first.machine, second.machine)
    felt = SHAPING & told_on(kinematics)
    gains = np.where(felt, usual_gains(first.machine.line_width_mm, kinematics), 0.0)
    misfit = [np.sqrt(np.mean((draws[:, i * k : (i + 1) * k] @ gains.T) ** 2, axis=1)) for i in (0, 1)]
    measured = told & (np.minimum(first.informed, second.informed) >= INFORMED)
    if part:
        now_informed = 1 - np.sqrt(np.diag(both.errors.cov)[k:]) / second.prior_sd
        measured |= told & set_anew & (np.minimum(first.informed, now_informed) >= INFORMED)
    clear = _clear(p_smaller, measured)
    surprising = -normal_quantile(WRONG / 2 / max(int(measured.sum()), 1))
    terms = tuple(
        _term(
            i,
            both.errors,
            expected,
            float(p_smaller[i]),
            moved,
            measured=bool(measured[i]),
            clear=bool(clear[i]),
            surprising=surprising,
        )
        for i in range(k)
        if told[i]
    )
    return Comparison(
        before=first.name,
        after=second.name,
        terms=terms,
        settings=_settings(first, second, advice),
        misfit_before_mm=float(np.sqrt(np.mean(misfit[0] ** 2))),
        misfit_after_mm=float(np.sqrt(np.mean(misfit[1] ** 2))),
        p_better=float(np.mean(misfit[1] < misfit[0])),
        differs=differs,
        part=part,
        slicer="" if first.own_path == second.own_path else second.name if first.own_path else first.name,
    )


def _clear(p_smaller: np.ndarray, measured: np.ndarray) -> np.ndarray:
    """Terms that clearly changed, (terms,) of bool: Holm's procedure over all that were measured.

    Each term by itself would call something changed in one of four comparisons of two equal prints.
    """
    p = np.where(measured, 2 * np.minimum(p_smaller, 1 - p_smaller), 1.0)
    clear = np.zeros(len(p), dtype=bool)
    for rank, i in enumerate(np.argsort(p)[: int(measured.sum())]):
        if p[i] > WRONG / (measured.sum() - rank):
            break
        clear[i] = True
    return clear


def _term(
    i: int,
    errors: Normal,
    expected: np.ndarray,
    p_smaller: float,
    moved: dict[str, tuple[float, float]],
    *,
    measured: bool,
    clear: bool,
    surprising: float,
) -> TermChange:
    k = len(NAMES)
    before, after = errors.mean[i], errors.mean[k + i]
    variance = errors.cov[i, i] + errors.cov[k + i, k + i] - 2 * errors.cov[i, k + i]
    u = float(np.sqrt(max(variance, 0.0)))
    outcome: Outcome = "no clear change"
    if not measured:
        outcome = "not measured"
    elif p_smaller >= SURE:
        outcome = "improved"
    elif p_smaller <= 1 - SURE:
        outcome = "worse"
    term = TERMS[i]
    keys = set(term.control.keys if term.control else ())
    return TermChange(
        name=term.name,
        unit=term.unit,
        before=float(before),
        before_u=float(errors.sd[i]),
        after=float(after),
        after_u=float(errors.sd[k + i]),
        difference=float(after - before),
        difference_u=u,
        expected=float(expected[i]),
        p_smaller=p_smaller,
        outcome=outcome,
        holds=clear,
        as_expected=bool(abs(after - expected[i]) <= surprising * u) if measured else None,
        set_anew=bool(keys & set(moved)),
    )


def _settings(
    first: PrintResult, second: PrintResult, advice: tuple[Advice, ...]
) -> tuple[SettingChange, ...]:
    moved = changed_settings(first.machine, second.machine)
    out = []
    for a in advice:
        if a.to_value is None or a.from_value is None:
            continue
        old, new = first.machine[a.setting], second.machine[a.setting]
        out.append(
            SettingChange(
                setting=a.setting,
                before=old,
                after=new,
                advised=a.to_value,
                verdict=_verdict(old, new, a.to_value, a.std_uncertainty),
            )
        )
    named = {a.setting for a in advice}
    for key, (old, new) in moved.items():
        if key not in named:
            out.append(SettingChange(setting=key, before=old, after=new, advised=None, verdict="not advised"))
    return tuple(out)


def _verdict(old: float, new: float, to: float, u: float) -> str:
    """How a setting was changed against the advice."""
    wanted = to - old
    if abs(new - to) <= max(2 * u, AS_ADVISED * abs(wanted)) and new != old:
        return "as advised"
    if new == old:
        return "not changed"
    if (new - old) * wanted < 0:
        return "the wrong way"
    return "too little" if abs(new - old) < abs(wanted) else "too much"


def _differs(first: PrintResult, second: PrintResult) -> tuple[str, ...]:
    out = []
    a, b = first.machine, second.machine
    if a.material != b.material:
        out.append(f"material: {a.material}, then {b.material}")
    for key, label, unit in (
        ("process.speed_mm_s", "speed", "mm/s"),
        ("process.line_width_mm", "bead width", "mm"),
        ("process.layer_height_mm", "layer height", "mm"),
        ("process.nozzle_mm", "nozzle", "mm"),
    ):
        if a[key] != b[key]:
            out.append(f"{label}: {a[key]:g}, then {b[key]:g} {unit}")
    return tuple(out)


def dominating(comparison: Comparison, width: float, kinematics: Kinematics = "cartesian") -> str:
    """Name of the term that now costs the usual features most; "" where none was measured."""
    weight = np.sqrt(np.sum(usual_gains(width, kinematics) ** 2, axis=0))
    known = [t for t in comparison.terms if t.outcome != "not measured"]
    if not known:
        return ""
    return max(known, key=lambda t: abs(t.after) * weight[INDEX[t.name]]).name
