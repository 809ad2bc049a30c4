"""What a diagnosed printer will make of a drawing: sizes, clearances, held grades, and what to draw instead.

Sizes follow the closed forms (L nominal, w bead width commanded; x shown, y alike)

    outside   R = L + s (L - w) + e + 2 p - b
    inside    R = L + s (L + w) - e - 2 p - b - k 3 mm / L (round)
    height    R = L (1 + s_z) + z0

with the instrument's own terms left out: a part has no caliper error. Clearances of a peg in its hole are not a
difference of such sizes once the axes have play: see `chain.mating`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from fitassay.analysis.chain.mating import REAL, PairWalk, Shape
from fitassay.analysis.parts import iso286
from fitassay.analysis.terms import BORE_REFERENCE_MM, INDEX, NAMES
from fitassay.coupons.errors import InputError

Side = Literal["outside", "inside", "height"]
Axis = Literal["x", "y", "z"]

DRAWS = 384
SEED = 20
# Two-sided 95 % of a normal distribution.
K95 = 1.959964
# Contributions smaller than this are not worth a line [mm].
VISIBLE_MM = 0.0005


@dataclass(frozen=True, kw_only=True)
class State:
    """What is known of a printer: the posterior of its terms.

    Attributes
    ----------
    mean : ndarray (terms,)
    covariance : ndarray (terms, terms)
    width : float [mm]
        Commanded bead width w.
    scatter_mm : float [mm]
        Standard deviation by which one printed size differs from what the terms say.
    """

    mean: np.ndarray
    covariance: np.ndarray
    width: float
    scatter_mm: float = 0.0

    def __post_init__(self) -> None:
        k = len(NAMES)
        if self.mean.shape != (k,) or self.covariance.shape != (k, k):
            raise ValueError(f"a state has {k} terms (got {self.mean.shape}, {self.covariance.shape})")

    def draws(self, n: int = DRAWS) -> np.ndarray:
        """Equally likely printers, ndarray (n, terms), in pairs mirrored about the mean; fixed seed."""
        half = np.random.default_rng(SEED).standard_normal((n // 2, len(self.mean)))
        values, vectors = np.linalg.eigh(self.covariance)
        spread = half @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
        return self.mean + np.concatenate([spread, -spread])


@dataclass(frozen=True, kw_only=True)
class Spread:
    """A predicted length.

    Attributes
    ----------
    mean, u : float [mm]
        Expected value and standard uncertainty.
    low, high : float [mm]
        95 % interval.
    p_negative : float
        Probability of a value under zero (interference of a clearance).
    """

    mean: float
    u: float
    low: float
    high: float
    p_negative: float


@dataclass(frozen=True, kw_only=True)
class Size:
    """One drawn size; `axis` is where it is measured, "z" for heights."""

    side: Side
    axis: Axis
    nominal: float
    shape: Shape = "square"

    def __post_init__(self) -> None:
        if not 0 < self.nominal <= 10_000:
            raise InputError(f"a nominal size must be greater than 0 and in mm (got {self.nominal:g})")
        if (self.side == "height") != (self.axis == "z"):
            raise InputError("heights are along z, outside and inside sizes along x or y")


@dataclass(frozen=True, kw_only=True)
class Pair:
    """A peg and its hole.

    Attributes
    ----------
    peg, hole : float [mm]
        Drawn diameters or sides.
    shape : {"round", "square"}
    rotation : float [rad]
        By which the peg is turned against how it was printed when it is put in.
    turns : bool
        True where the peg must turn in the hole.
    exact_peg, exact_hole : bool
        That side is bought and exact, not printed.
    name : str
    """

    peg: float
    hole: float
    shape: Shape = "round"
    rotation: float = 0.0
    turns: bool = False
    exact_peg: bool = False
    exact_hole: bool = False
    name: str = ""

    def __post_init__(self) -> None:
        for size in (self.peg, self.hole):
            if not 0 < size <= 10_000:
                raise InputError(
                    f"sizes of a pair must be greater than 0 and in mm (got {size:g})", self.name
                )
        if self.turns and self.shape == "square":
            raise InputError("only a round peg turns in its hole; say round or leave out turning", self.name)
        if self.exact_peg and self.exact_hole:
            raise InputError("one side of a pair must be printed", self.name)


@dataclass(frozen=True, kw_only=True)
class PairPrediction:
    """What becomes of a pair.

    Attributes
    ----------
    pair : Pair
    by_caliper : tuple of 2 Spread
        Hole less peg as a caliper would find them in x and in y, each printed direction on its own.
    sits : Spread
        Diametral clearance as put together.
    turns : Spread or None
        Tightest diametral clearance over a whole turn; None unless it turns.
    contributions_mm : dict of str to float [mm]
        What each term takes from (negative) or adds to the clearance that counts, at the estimate.
    """

    pair: Pair
    by_caliper: tuple[Spread, Spread]
    sits: Spread
    turns: Spread | None
    contributions_mm: dict[str, float] = field(default_factory=dict)

    @property
    def counts(self) -> Spread:
        """The clearance that decides: turning where it turns, else as put together."""
        return self.turns or self.sits


def size_gains(size: Size, width: float) -> np.ndarray:
    """d printed size / d term, ndarray (terms,), by the closed forms above."""
    row = np.zeros(len(NAMES))
    if size.side == "height":
        row[INDEX["scale_z"]], row[INDEX["layer_datum"]] = size.nominal, 1.0
        return row
    sign = 1.0 if size.side == "outside" else -1.0
    row[INDEX[f"scale_{size.axis}"]] = size.nominal - sign * width
    row[INDEX[f"backlash_{size.axis}"]] = -1.0
    row[INDEX["bead_excess"]] = sign
    row[INDEX["contour_offset"]] = 2 * sign
    if size.side == "inside" and size.shape == "round":
        row[INDEX["bore_closure"]] = -BORE_REFERENCE_MM / size.nominal
    return row


def normal_spread(mean: float, u: float) -> Spread:
    """A normal prediction as `Spread`."""
    from scipy.special import ndtr

    p = float(ndtr(-mean / u)) if u > 0 else float(mean < 0)
    return Spread(mean=mean, u=u, low=mean - K95 * u, high=mean + K95 * u, p_negative=p)


def predict_size(size: Size, state: State) -> Spread:
    """The printed size [mm]."""
    row = size_gains(size, state.width)
    u = float(np.sqrt(row @ state.covariance @ row + state.scatter_mm**2))
    return normal_spread(size.nominal + float(row @ state.mean), u)


def size_contributions(size: Size, state: State) -> dict[str, float]:
    """What each term adds to the printed size at the estimate, largest first [mm]."""
    parts = size_gains(size, state.width) * state.mean
    return _largest_first({n: float(parts[i]) for n, i in INDEX.items() if REAL[i]})


def predict_pair(pair: Pair, state: State) -> PairPrediction:
    """Clearances of a pair, with the scatter of both printed sizes."""
    theta = np.concatenate([state.draws(), _leave_one_out(state.mean)])
    walk = _walk(pair, state.width, theta)
    sits = walk.sits(pair.rotation)
    turns = walk.turns() if pair.turns else None
    decisive = sits if turns is None else turns
    scatter = state.scatter_mm * np.sqrt(2 - pair.exact_peg - pair.exact_hole)
    full, without = decisive[DRAWS], decisive[DRAWS + 1 :]
    terms = [n for n in NAMES if REAL[INDEX[n]]]
    return PairPrediction(
        pair=pair,
        by_caliper=(_by_caliper(pair, state, "x", scatter), _by_caliper(pair, state, "y", scatter)),
        sits=_spread(sits[:DRAWS], scatter),
        turns=None if turns is None else _spread(turns[:DRAWS], scatter),
        contributions_mm=_largest_first({n: float(full - w) for n, w in zip(terms, without, strict=True)}),
    )


def _walk(pair: Pair, width: float, theta: np.ndarray) -> PairWalk:
    return PairWalk(
        pair.peg,
        pair.hole,
        width,
        theta,
        shape=pair.shape,
        exact_peg=pair.exact_peg,
        exact_hole=pair.exact_hole,
    )


def _leave_one_out(mean: np.ndarray) -> np.ndarray:
    """The estimate, then the estimate with each part-shaping term set to zero in turn."""
    rows = [mean]
    for i in np.flatnonzero(REAL):
        row = mean.copy()
        row[i] = 0.0
        rows.append(row)
    return np.array(rows)


def _largest_first(parts: dict[str, float]) -> dict[str, float]:
    kept = {n: v for n, v in parts.items() if abs(v) >= VISIBLE_MM}
    return dict(sorted(kept.items(), key=lambda item: -abs(item[1])))


def _spread(values: np.ndarray, scatter: float) -> Spread:
    """Mean, spread and quantiles of drawn clearances, blurred by the normal scatter of single parts."""
    from scipy.special import ndtr, ndtri

    if scatter > 0:
        # Each draw stands for a normal of its own; a fixed fan of its quantiles takes its place.
        fan = scatter * ndtri((np.arange(15) + 0.5) / 15)
        p = float(ndtr(-values / scatter).mean())
        blurred = (values[:, None] + fan).ravel()
    else:
        p, blurred = float((values < 0).mean()), values
    low, high = np.quantile(blurred, (0.025, 0.975), method="weibull")
    u = float(np.hypot(values.std(), scatter))
    return Spread(mean=float(values.mean()), u=u, low=float(low), high=float(high), p_negative=p)


def _by_caliper(pair: Pair, state: State, axis: Axis, scatter: float) -> Spread:
    row = np.zeros(len(NAMES))
    if not pair.exact_hole:
        row += size_gains(Size(side="inside", axis=axis, nominal=pair.hole, shape=pair.shape), state.width)
    if not pair.exact_peg:
        row -= size_gains(Size(side="outside", axis=axis, nominal=pair.peg, shape=pair.shape), state.width)
    u = float(np.sqrt(row @ state.covariance @ row + scatter**2))
    return normal_spread(pair.hole - pair.peg + float(row @ state.mean), u)


def nominal_for_size(side: Side, wanted: float, state: State, shape: Shape = "round") -> float:
    """What to draw so that the printed size, averaged over x and y, comes out at `wanted` [mm].

    Raises
    ------
    JobError
        No positive size would print like that.
    """
    drawn = wanted
    for _ in range(20):
        sizes = [Size(side=side, axis=a, nominal=drawn, shape=shape) for a in ("x", "y")]
        printed = np.mean([s.nominal + size_gains(s, state.width) @ state.mean for s in sizes])
        drawn = _next_drawn(drawn, wanted - float(printed), wanted)
    return drawn


def _next_drawn(drawn: float, missing: float, wanted: float) -> float:
    from fitassay.coupons.errors import JobError

    drawn += missing
    if not drawn > 0.05:
        raise JobError(f"no drawing prints as {wanted:g} mm on this printer; mend its errors first")
    return drawn


def peg_for_clearance(pair: Pair, wanted: float, state: State) -> float:
    """The peg to draw so that the clearance that counts is `wanted` on average, the hole as drawn [mm]."""
    drawn = pair.peg
    theta = state.draws(128)
    for _ in range(6):
        walk = _walk(replace(pair, peg=drawn), state.width, theta)
        now = walk.turns() if pair.turns else walk.sits(pair.rotation)
        missing = wanted - float(now.mean())
        drawn = _next_drawn(drawn, -missing, pair.peg)
        if abs(missing) < 1e-4:
            break
    return drawn


@dataclass(frozen=True, kw_only=True)
class FitAdvice:
    """What to draw for an ISO 286 fit.

    Attributes
    ----------
    nominal : float [mm]
    fit : iso286.Fit
    hole_limits, shaft_limits : tuple of float [mm]
        Sizes that the classes allow.
    draw_hole, draw_shaft : float [mm]
        Drawn sizes whose prints fall in the middle of their zones.
    p_hole, p_shaft : float
        Probability that both x and y of the print lie within the limits.
    """

    nominal: float
    fit: iso286.Fit
    hole_limits: tuple[float, float]
    shaft_limits: tuple[float, float]
    draw_hole: float
    draw_shaft: float
    p_hole: float
    p_shaft: float


def draw_for_fit(nominal: float, fit: iso286.Fit, state: State, shape: Shape = "round") -> FitAdvice:
    """Drawn sizes for a fit, and how surely the printer holds it."""
    hole, shaft = iso286.limits(nominal, fit.hole), iso286.limits(nominal, fit.shaft)
    drawn_hole = nominal_for_size("inside", sum(hole) / 2, state, shape)
    drawn_shaft = nominal_for_size("outside", sum(shaft) / 2, state, shape)
    return FitAdvice(
        nominal=nominal,
        fit=fit,
        hole_limits=hole,
        shaft_limits=shaft,
        draw_hole=drawn_hole,
        draw_shaft=drawn_shaft,
        p_hole=within("inside", drawn_hole, hole, state, shape),
        p_shaft=within("outside", drawn_shaft, shaft, state, shape),
    )


def within(
    side: Side, drawn: float, limits: tuple[float, float], state: State, shape: Shape = "round"
) -> float:
    """Probability that x and y of a print drawn `drawn` both lie within `limits` [mm]."""
    from scipy.special import ndtr

    theta = state.draws(4096)
    p = np.ones(len(theta))
    for axis in ("x", "y"):
        size = Size(side=side, axis=axis, nominal=drawn, shape=shape)
        printed = drawn + theta @ size_gains(size, state.width)
        if state.scatter_mm > 0:
            p *= ndtr((limits[1] - printed) / state.scatter_mm) - ndtr(
                (limits[0] - printed) / state.scatter_mm
            )
        else:
            p *= (printed >= limits[0]) & (printed <= limits[1])
    return float(p.mean())


@dataclass(frozen=True, kw_only=True)
class HeldGrade:
    """The grade that a printer holds over one range of nominal sizes.

    Attributes
    ----------
    over, to : float [mm]
        The standard's range.
    width_mm : float [mm]
        Width of the zone about the nominal that holds 95 % of each of its sizes.
    grade : int or None
        Finest grade at least that wide; None beyond IT18.
    worst : str
        The kind of size that sets it.
    """

    over: float
    to: float
    width_mm: float
    grade: int | None
    worst: str


def held_grades(
    state: State, low: float = 1.0, high: float = 120.0, *, mended: bool = False
) -> tuple[HeldGrade, ...]:
    """ISO 286-1 grades that outlines, openings and round bores hold, a range of sizes each.

    The zone lies about the nominal: w = 2 max(|deviation| + 1.96 u) over outline, opening and bore in x and y at
    both ends of the range.

    Parameters
    ----------
    state : State
    low, high : float [mm]
        Sizes of interest.
    mended : bool
        True: as if every estimated error were removed and only the doubt about it stayed.
    """
    out = []
    ends = (0.0, *iso286.RANGE_ENDS)
    mean = np.zeros_like(state.mean) if mended else state.mean
    known = replace(state, mean=mean)
    for over, to in zip(ends[:-1], ends[1:], strict=True):
        if to < low or over >= high:
            continue
        worst, name = 0.0, ""
        for nominal in (max(over, low, 1.0), min(to, high)):
            for side, shape, label in _KINDS:
                for axis in ("x", "y"):
                    size = Size(side=side, axis=axis, nominal=nominal, shape=shape)
                    got = predict_size(size, known)
                    reach = abs(got.mean - nominal) + K95 * got.u
                    if reach > worst:
                        worst, name = reach, f"{label} in {axis}"
        grade = iso286.grade_for(2 * worst, min(to, high))
        out.append(HeldGrade(over=over, to=to, width_mm=2 * worst, grade=grade, worst=name))
    return tuple(out)


_KINDS: tuple[tuple[Side, Shape, str], ...] = (
    ("outside", "square", "outlines"),
    ("inside", "square", "openings"),
    ("inside", "round", "round bores"),
)
