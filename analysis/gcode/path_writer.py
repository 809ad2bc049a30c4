"""Strokes of plastic as RS-274 text: what is fed, how fast, how the nozzle travels between them.

Millimetres, absolute axes, relative E, plain G0 and G1, no arcs. Filament per mm of bead: its cross-section (a
rectangle with half-round ends) over the filament's, times the flow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from fitassay.analysis.gcode.duration import seconds_of
from fitassay.coupons.cost import bead_area
from fitassay.coupons.toolpath.stroke import Line, PathLayer, Stroke

SHARE: dict[Line, float] = {
    "outer wall": 0.8,
    "single wall": 0.8,
    "inner wall": 1.0,
    "filling": 1.0,
    "solid": 1.0,
    "rail": 1.0,
    "tick": 1.0,
    "slow tick": 1.0,
}
"""Of the usual print speed."""

TICKS: tuple[Line, ...] = ("tick", "slow tick")

SLOW_WAY_SHARE = 0.3
"""Of the usual print speed, for the way to a slow tick; how fast its bead is then drawn across it does not matter."""

FIRST_LAYER_SHARE = 0.5
SLOWEST_MM_S = 3.0
LAST_MM = 1.0
"""The way to a slow tick ends slowly over so much."""

CLEAR_MM = 2.0
"""Above what is printed when the nozzle comes to the first layer and when it leaves the last one."""

HOP_MM = 1.5
"""Longer ways without plastic are travelled with the filament drawn back."""

EXACT_E = 1e-5

LIFT_MM_S = 10.0
"""Up and down, where the user's own file is not slower; a screw's ordinary speed (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Drive:
    """How the path is driven.

    Attributes
    ----------
    width : float [mm]
        Of the bead.
    filament_mm : float [mm]
        Diameter of the filament, as set.
    flow : float
        1 at 100 %.
    print_mm_s, travel_mm_s, lift_mm_s : float [mm/s]
        The last one up and down.
    feed_limit_mm3_s : float [mm3/s]
        Most plastic in a second; beads that would take more are drawn slower.
    retract_mm, retract_mm_s : float [mm], [mm/s]
    fan : str
        The fan's word behind the first layer; empty without.
    acceleration : str
        A word set before the path; empty without.
    ceiling_mm : float [mm]
        The nozzle rises no higher.
    origin : tuple of 2 float [mm]
        Where the bed's front left corner lies.
    """

    width: float
    filament_mm: float
    flow: float
    print_mm_s: float
    travel_mm_s: float
    feed_limit_mm3_s: float
    ceiling_mm: float
    lift_mm_s: float = LIFT_MM_S
    retract_mm: float = 0.0
    retract_mm_s: float = 20.0
    fan: str = ""
    acceleration: str = ""
    origin: tuple[float, float] = (0.0, 0.0)

    def per_mm(self, height: float) -> float:
        """Filament per mm of bead."""
        return self.flow * bead_area(self.width, height) / (np.pi / 4 * self.filament_mm**2)

    def speed(self, line: Line, height: float, first: bool) -> float:
        """Of a stroke [mm/s]."""
        share = SHARE[line] * (FIRST_LAYER_SHARE if first and "tick" not in line else 1.0)
        most = self.feed_limit_mm3_s / (self.flow * bead_area(self.width, height))
        return min(max(share * self.print_mm_s, min(SLOWEST_MM_S, self.print_mm_s)), most)


@dataclass
class PathText:
    """Text being written, with what it does.

    Attributes
    ----------
    lines : list of str
    points : list of (x, y, z) [mm]
        Every position, from the first on.
    feeds : list of float [mm/s]
        Of the way to each further position.
    by_piece : dict of str to float [mm]
        Filament fed into beads, by coupon.
    pauses : float [s]
        Spent drawing filament back and forth.
    """

    lines: list[str] = field(default_factory=list)
    points: list[tuple[float, float, float]] = field(default_factory=list)
    feeds: list[float] = field(default_factory=list)
    by_piece: dict[str, float] = field(default_factory=dict)
    pauses: float = 0.0

    @property
    def filament(self) -> float:
        """Fed into beads [mm]."""
        return sum(self.by_piece.values())

    @property
    def seconds(self) -> float:
        """Time that the moves take."""
        return self.pauses + seconds_of(np.array(self.points), np.array(self.feeds))

    @property
    def box(self) -> tuple[np.ndarray, np.ndarray]:
        """Lowest and highest position, ndarrays (3,) [mm]."""
        points = np.array(self.points)
        return points.min(axis=0), points.max(axis=0)


def path_text(layers: Sequence[PathLayer], drive: Drive, height_now: float, retracted_mm: float) -> PathText:
    """The path of these layers as text, modes and way to the first bead included.

    Parameters
    ----------
    height_now : float [mm]
        Where the start leaves the nozzle; it rises before it goes anywhere.
    retracted_mm : float [mm]
        Filament that the start leaves drawn back.
    """
    pen = _Pen(drive, retracted_mm)
    pen.begin(max(height_now, min(max(height_now, layers[0].z) + CLEAR_MM, drive.ceiling_mm)))
    for k, layer in enumerate(layers):
        if k == 1 and drive.fan:
            pen.out.lines.append(drive.fan)
        pen.layer(layer, first=k == 0)
    pen.finish(min(layers[-1].z + CLEAR_MM, drive.ceiling_mm))
    return pen.out


class _Pen:
    def __init__(self, drive: Drive, retracted_mm: float) -> None:
        self.drive = drive
        self.out = PathText()
        self.back = retracted_mm
        self.at = np.full(3, np.nan)
        self.feed = float("nan")
        self.owed = 0.0

    def begin(self, z: float) -> None:
        """Modes, then up."""
        self.out.lines += ["G21", "G17", "G90", "M83", "G92 E0"]
        if self.drive.acceleration:
            self.out.lines.append(self.drive.acceleration)
        self.out.lines.append(f"G0 Z{z:.3f}{self._speed_word(self.drive.lift_mm_s)}")
        self.at[2] = z

    def finish(self, z: float) -> None:
        # The user's end draws the filament back itself, from where the last bead leaves it.
        self._go(np.array([*self.at[:2], z]), self.drive.lift_mm_s)

    def layer(self, layer: PathLayer, first: bool) -> None:
        """All strokes of a layer; the nozzle comes down over the first one."""
        per_mm = self.drive.per_mm(layer.height)
        for stroke in layer.strokes:
            speed = self.drive.speed(stroke.line, layer.height, first)
            slow = max(SLOW_WAY_SHARE * self.drive.print_mm_s, min(SLOWEST_MM_S, self.drive.print_mm_s))
            self._come(stroke, layer.z, slow if stroke.line == "slow tick" else speed)
            self._draw(stroke, per_mm, speed)

    def _come(self, stroke: Stroke, z: float, speed: float) -> None:
        way = stroke.lead + self.drive.origin
        begin = stroke.points[0] + self.drive.origin
        first = way[0] if len(way) else begin
        far = np.isnan(self.at[0]) or float(np.hypot(*(first - self.at[:2]))) > HOP_MM
        if far or len(way):
            self._draw_back()
        self._go(np.array([*first, max(z, self.at[2])]), self.drive.travel_mm_s)
        if self.at[2] != z:
            self._go(np.array([*first, z]), self.drive.lift_mm_s)
        # The way along a loop's own end, and to a tick the last of it, is gone at the stroke's own speed: it settles
        # the play.
        for point in [*way[1:], *([begin] if len(way) else [])]:
            if stroke.line in TICKS and point is not begin:
                self._go(np.array([*point, z]), self.drive.travel_mm_s)
            elif stroke.line == "slow tick":
                self._slowly_to(np.array([*begin, z]), speed)
            else:
                self._go(np.array([*point, z]), speed)
        self._draw_forth()

    def _slowly_to(self, point: np.ndarray, speed: float) -> None:
        """There, the last millimetre at half the speed."""
        way = point - self.at
        length = float(np.linalg.norm(way))
        if length > LAST_MM:
            self._go(point - way * (LAST_MM / length), speed)
        self._go(point, 0.5 * speed)

    def _draw(self, stroke: Stroke, per_mm: float, speed: float) -> None:
        for point in (stroke.points + self.drive.origin)[1:]:
            target = self._rounded(np.array([*point, self.at[2]]))
            length = float(np.hypot(*(target - self.at)[:2]))
            self.owed += per_mm * length
            feed = round(self.owed / EXACT_E) * EXACT_E
            self.owed -= feed
            self.out.by_piece[stroke.piece] = self.out.by_piece.get(stroke.piece, 0.0) + feed
            self._line("G1", target, speed, f" E{feed:.5f}")

    def _go(self, point: np.ndarray, speed: float) -> None:
        target = self._rounded(point)
        if np.array_equal(target, self.at):
            return
        self._line("G0", target, speed, "")

    def _rounded(self, point: np.ndarray) -> np.ndarray:
        return np.round(point, 4) + 0.0

    def _line(self, word: str, target: np.ndarray, speed: float, fed: str) -> None:
        words = [
            f"{letter}{value:.4f}"
            for letter, value, now in zip("XYZ", target.tolist(), self.at.tolist(), strict=True)
            if value != now
        ]
        if words or fed:
            self.out.lines.append(" ".join([word, *words]) + fed + self._speed_word(speed))
            self.out.points.append((float(target[0]), float(target[1]), float(target[2])))
            if len(self.out.points) > 1:
                self.out.feeds.append(speed)
        self.at = target

    def _speed_word(self, speed: float) -> str:
        feed = max(int(60 * speed + 1e-6), 1)
        if feed == self.feed:
            return ""
        self.feed = feed
        return f" F{feed}"

    def _draw_back(self) -> None:
        if self.back or not self.drive.retract_mm or np.isnan(self.at[0]):
            return
        self.back = self.drive.retract_mm
        self._filament(-self.back)

    def _draw_forth(self) -> None:
        if self.back:
            self._filament(self.back)
            self.back = 0.0

    def _filament(self, length: float) -> None:
        speed = self.drive.retract_mm_s
        self.out.lines.append(f"G1 E{length:.5f}{self._speed_word(speed)}")
        self.out.pauses += abs(length) / speed
