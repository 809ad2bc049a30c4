"""The modal state of RS-274: what holds from one line to the next, and where the axes stand.

Per axis, with program coordinate q, origin offset o and machine coordinate p = q + o (all mm):

    G90  word v:   q := v                       G91  word v:   q := q + v
    G92  word v:   o := o + q - v,  q := v      (nothing moves)

which is a running sum with restarts, so that a whole chunk of lines is worked out at once. The rare lines that
home or put offsets back (G28, G30, G53, G92.1 to G92.3) part a chunk into runs.

Modes are kept as published (NISTIR 6556, tables 4 and 8). The filament's word E, absolute after M82, relative
after M83, else as G90 and G91 say, is common practice and in neither standard. Homed axes stand at machine 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fitassay.analysis.gcode.modal import FACTORS, Table

INCH_MM = 25.4


@dataclass
class State:
    """What holds from one line to the next.

    Attributes
    ----------
    motion : int
        0 to 3, or -1 under a motion that is not read.
    unit : float [mm]
        Millimetres per unit of length.
    relative : bool
    filament_relative : bool or None
        None until M82 or M83 says.
    plane : int
        17, 18 or 19.
    q, o : ndarray (4,) [mm]
        Program coordinates of x, y, z and filament, and origin offsets.
    kept : ndarray (4,) [mm]
        Offsets that G92.3 puts back.
    feed : float [mm/s]
    factors : dict of str to float
        See `modal.FACTORS`.
    resets : int
        Counted against the limits.
    """

    motion: int = 1
    unit: float = 1.0
    relative: bool = False
    filament_relative: bool | None = None
    plane: int = 17
    q: np.ndarray = field(default_factory=lambda: np.zeros(4))
    o: np.ndarray = field(default_factory=lambda: np.zeros(4))
    kept: np.ndarray = field(default_factory=lambda: np.zeros(4))
    feed: float = float("nan")
    factors: dict[str, float] = field(
        default_factory=lambda: {"speed": 1.0, "flow": 1.0, "volume diameter": 0.0}
    )
    resets: int = 0

    @property
    def position(self) -> np.ndarray:
        """Machine position, ndarray (3,) [mm]."""
        return (self.q + self.o)[:3]


def _carried(values: np.ndarray, given: np.ndarray, before) -> np.ndarray:
    """`values` where given, else the last one given, else `before`."""
    if not given.any():
        return np.full(len(values), before)
    at = np.maximum.accumulate(np.where(given, np.arange(len(values)), -1))
    return np.where(at >= 0, values[at], before)


@dataclass(frozen=True, kw_only=True)
class Modes:
    """What holds on each of n lines, all ndarrays (n,).

    `unit`, `feed`, `flow` (of E, a fraction) and `filament_unit` (mm of filament per unit of E) are floats, the
    others as in `State`.
    """

    unit: np.ndarray
    relative: np.ndarray
    filament_relative: np.ndarray
    motion: np.ndarray
    plane: np.ndarray
    feed: np.ndarray
    speed: np.ndarray
    flow: np.ndarray
    volume_diameter: np.ndarray

    @property
    def filament_unit(self) -> np.ndarray:
        """Filament [mm] per mm, or per mm3, of E."""
        by_volume = self.volume_diameter > 0
        return self.flow / np.where(by_volume, np.pi / 4 * self.volume_diameter**2, 1.0)


def modes_of(table: Table, part: slice, state: State) -> Modes:
    """Modes of the lines `part`, each in force on its own line already."""
    units, distance, filament = table.units[part], table.distance[part], table.filament_mode[part]
    unit = _carried(np.where(units == 20, INCH_MM, 1.0), units >= 0, state.unit)
    relative = _carried(distance == 91, distance >= 0, state.relative)
    undeclared = relative if state.filament_relative is None else state.filament_relative
    word = table.value["F"][part]
    factors = {
        name: _carried(table.factors[name][part], ~np.isnan(table.factors[name][part]), state.factors[name])
        for name in FACTORS
    }
    return Modes(
        unit=unit,
        relative=relative,
        filament_relative=_carried(filament == 83, filament >= 0, undeclared),
        motion=_carried(table.motion[part], table.motion[part] > -2, state.motion),
        plane=_carried(table.plane[part], table.plane[part] >= 0, state.plane),
        feed=_carried(word * unit / 60, ~np.isnan(word), state.feed),
        speed=factors["speed"],
        flow=factors["flow"],
        volume_diameter=factors["volume diameter"],
    )


def keep_modes(modes: Modes, state: State, declared: bool) -> None:
    """What holds after the last of these lines holds on."""
    state.unit, state.relative = float(modes.unit[-1]), bool(modes.relative[-1])
    state.motion, state.plane, state.feed = int(modes.motion[-1]), int(modes.plane[-1]), float(modes.feed[-1])
    state.factors = {
        "speed": float(modes.speed[-1]),
        "flow": float(modes.flow[-1]),
        "volume diameter": float(modes.volume_diameter[-1]),
    }
    if declared:
        state.filament_relative = bool(modes.filament_relative[-1])


@dataclass(frozen=True, kw_only=True)
class Axes:
    """Coordinates of x, y, z and E after n lines, and E's steps [mm], as the modal equations above have them.

    `q` and `o` are ndarrays (n, 4), `filament` (n,) is the step of E in its own unit.
    """

    q: np.ndarray
    o: np.ndarray
    filament: np.ndarray


def axes_of(
    value: dict[str, np.ndarray], modes: Modes, moving: np.ndarray, offset: np.ndarray, state: State
) -> Axes:
    """Run the modal equations along the lines; `moving` lines move, `offset` lines hold G92."""
    has = {letter: ~np.isnan(value[letter]) for letter in "XYZE"}
    # G92 alone puts every axis at zero.
    all_axes = offset & ~(has["X"] | has["Y"] | has["Z"] | has["E"])
    n = len(moving)
    q, o, before = np.empty((n, 4)), np.empty((n, 4)), np.empty((n, 4))
    for k, letter in enumerate("XYZE"):
        given = has[letter] | all_axes
        number = np.where(all_axes, 0.0, value[letter] * modes.unit)
        relative = modes.filament_relative if letter == "E" else modes.relative
        q[:, k] = _coordinate(number, given & (moving | offset), relative & ~offset, state.q[k])
        before[1:, k] = q[:-1, k]
        before[0, k] = state.q[k]
        jumps = np.where(offset & given, before[:, k] - number, 0.0)
        o[:, k] = state.o[k] + np.cumsum(jumps)
    return Axes(q=q, o=o, filament=q[:, 3] - before[:, 3])


def _coordinate(number: np.ndarray, given: np.ndarray, relative: np.ndarray, before: float) -> np.ndarray:
    """Program coordinate of one axis after each line [mm]."""
    added = np.cumsum(np.where(given & relative, number, 0.0))
    restart = given & ~relative
    at = np.maximum.accumulate(np.where(restart, np.arange(len(number)), -1))
    return np.where(at >= 0, number[at] + added - added[at], before + added)
