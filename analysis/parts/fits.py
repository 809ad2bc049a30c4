"""ISO 286 fits on a printer: what to draw for one, how surely it is held, and the grades that any size holds."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.chain.shapes import Shape
from fitassay.analysis.chain.sizes import Side, Size
from fitassay.analysis.parts import iso286
from fitassay.analysis.parts.sizes import K95, State, gains_of, nominal_for_size


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
    """Probability that a print drawn `drawn` lies within `limits` [mm] along all of `State.axes`."""
    from scipy.special import ndtr

    theta = state.draws(4096)
    p = np.ones(len(theta))
    for axis in state.axes:
        size = Size(side=side, axis=axis, nominal=drawn, shape=shape)
        printed = state.opened(size) + theta @ gains_of(size, state, state.posterior.mean)
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
    both ends of the range. A grade once held is not taken back by what may have drifted since it was read, nor by the
    scatter of new readings: of a size, the smallest of what the prints left counts, under the present settings, as
    far as the newest does not contradict it.

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
    known = _mended(state) if mended else state
    for over, to in zip(ends[:-1], ends[1:], strict=True):
        if to < low or over >= high:
            continue
        worst, name = 0.0, ""
        for nominal in (max(over, low, 1.0), min(to, high)):
            for side, shape, label in _KINDS:
                for axis in state.axes:
                    size = Size(side=side, axis=axis, nominal=nominal, shape=shape)
                    reach = _held_reach(size, known)
                    if reach > worst:
                        worst, name = reach, f"{label} {AXIS_WORDS[axis]}"
        grade = iso286.grade_for(2 * worst, min(to, high))
        out.append(HeldGrade(over=over, to=to, width_mm=2 * worst, grade=grade, worst=name))
    return tuple(out)


def _mended(state: State) -> State:
    """The same doubt about no error at all."""
    posterior, *as_read = (replace(n, mean=np.zeros_like(n.mean)) for n in (state.posterior, *state.as_read))
    return replace(state, posterior=posterior, as_read=tuple(as_read))


def _held_reach(size: Size, state: State) -> float:
    """|deviation| + 1.96 u of a printed size, the least of what the prints left [mm]."""
    off = state.opened(size) - size.nominal
    now, u_now = state.posterior.linear(gains_of(size, state, state.posterior.mean))
    reach = []
    for earlier in (state.posterior, *state.as_read):
        mean, u = earlier.linear(gains_of(size, state, earlier.mean))
        if abs(mean - now) <= K95 * np.hypot(u, u_now):
            reach.append(abs(off + mean) + K95 * np.hypot(u, state.scatter_mm))
    return float(min(reach))


AXIS_WORDS = {"x": "in x", "y": "in y", "a": "at +45°", "b": "at -45°"}

_KINDS: tuple[tuple[Side, Shape, str], ...] = (
    ("outside", "square", "outlines"),
    ("inside", "square", "openings"),
    ("inside", "round", "round bores"),
)
