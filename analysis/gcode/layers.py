"""Moves sorted into layers.

A layer is what is extruded at one height without another height between; on pieces printed one after another a
height comes back. A path that climbs while it prints (one endless wall) is cut into bands. Only the layers asked
for are kept, all others leave one row of figures.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.rows import (
    CLIMBING,
    COLUMNS,
    FEED,
    FILAMENT,
    LINE,
    PRINTS,
    RAMP,
    SAME_HEIGHT_MM,
    X0,
    X1,
    Y0,
    Y1,
    Z0,
    Z,
    mark_strokes,
    open_stroke,
    rows_of,
)
from fitassay.analysis.gcode.straight_moves import Moves
from fitassay.analysis.gcode.strokes import Strokes
from fitassay.analysis.gcode.words import LIMITS, Limits
from fitassay.coupons.errors import InputError

CLIMB_BAND_MM = 0.5
"""Height of the bands of a climbing path."""

NO_ROWS = np.empty((0, COLUMNS))
AFTER_ROWS = 24
LEAD_MOVES = 64
"""So many moves before a layer are remembered, since they settle the play of its first loop."""

SHARED_GROUND = 0.1
"""A layer lies on another when their bounds share this much of its own."""


@dataclass(frozen=True, kw_only=True)
class LayerRow:
    """One layer's figures.

    Attributes
    ----------
    z : float [mm]
        Height of the nozzle; the middle of the band on a climbing path.
    below : float [mm]
        Highest height below this one at which something was printed on the same ground, 0 for the first; z - below is
        the layer's thickness.
    top : float [mm]
        Highest height of its moves.
    climbing : bool
    first_line, moves : int
    length, filament : float [mm]
        Path printed, and filament fed into it.
    low, high : ndarray (2,) [mm]
        Bounds of what is printed.
    """

    z: float
    below: float
    top: float
    climbing: bool
    first_line: int
    moves: int
    length: float
    filament: float
    low: np.ndarray
    high: np.ndarray

    @property
    def thickness(self) -> float:
        return self.z - self.below

    @property
    def span(self) -> tuple[float, float]:
        """Lowest and highest height that it fills [mm]."""
        if self.climbing:
            return self.z - CLIMB_BAND_MM / 2, self.z + CLIMB_BAND_MM / 2
        return self.below, self.z

    def covers(self, z: float) -> bool:
        low, high = self.span
        return low + SAME_HEIGHT_MM < z <= high + SAME_HEIGHT_MM


@dataclass(frozen=True, kw_only=True)
class Layer:
    """One layer's moves in the plane, in order.

    Attributes
    ----------
    row : LayerRow
    start, end : ndarray (n, 2) [mm]
    z : ndarray (n,) [mm]
        At the move's end.
    filament : ndarray (n,) [mm]
    feed : ndarray (n,) [mm/s]
    line : ndarray (n,) of int
    prints : ndarray (n,) of bool
    ramp : ndarray (n,) of bool
        Printing moves that climb into the layer.
    before : int
        So many moves at the beginning belong to the time before this layer.
    name : str
        The file, for messages.
    limits : Limits
    """

    row: LayerRow
    start: np.ndarray
    end: np.ndarray
    z: np.ndarray
    filament: np.ndarray
    feed: np.ndarray
    line: np.ndarray
    prints: np.ndarray
    ramp: np.ndarray
    before: int
    name: str = "file"
    limits: Limits = LIMITS

    def __len__(self) -> int:
        return len(self.end)


@dataclass
class _Open:
    """The layer being gathered."""

    key: int
    z: float
    below: float
    climbing: bool
    keep: bool
    before: list[np.ndarray]
    parts: list[np.ndarray]
    moves: int = 0
    length: float = 0.0
    filament: float = 0.0
    top: float = 0.0
    first_line: int = 0


def read_layers(
    moves: Iterable[Moves],
    wanted: Callable[[float, float], bool],
    name: str = "file",
    limits: Limits = LIMITS,
    strokes: Strokes | None = None,
) -> Iterator[Layer | LayerRow]:
    """Layers in the order of printing.

    Parameters
    ----------
    moves : iterable of Moves
        In order.
    wanted : callable (below, z) -> bool
        Whether to keep the moves of a layer that fills these heights [mm].
    name : str
        The file, for messages.
    limits : Limits
    strokes : Strokes, optional
        Takes down every stroke of the file.

    Yields
    ------
    Layer or LayerRow
        `Layer` where wanted.

    Raises
    ------
    InputError
        Too many layers, or too many moves in one that is wanted.
    """
    gatherer = _Gatherer(wanted, name, limits)
    pending = np.empty((0, COLUMNS))
    for chunk in moves:
        table = np.concatenate([pending, rows_of(chunk)])
        cut = open_stroke(table)
        table, pending = table[:cut], table[cut:]
        mark_strokes(table, strokes)
        yield from gatherer.add(table)
    mark_strokes(pending, strokes)
    yield from gatherer.add(pending)
    yield from gatherer.close()


class _Gatherer:
    def __init__(self, wanted: Callable[[float, float], bool], name: str, limits: Limits) -> None:
        self.wanted = wanted
        self.name = name
        self.limits = limits
        self.heights: list[float] = []
        self.grounds: dict[float, tuple[np.ndarray, np.ndarray]] = {}
        self.open: _Open | None = None
        self.tail = np.empty((0, COLUMNS))
        self.count = 0
        self.low = self.high = np.zeros(2)

    def add(self, table: np.ndarray) -> Iterator[Layer | LayerRow]:
        printing = np.flatnonzero(table[:, PRINTS] > 0)
        if not len(printing):
            self._remember(table)
            return
        z = table[printing, Z]
        climbing = table[printing, PRINTS] == CLIMBING
        key = np.where(climbing, -1 - np.floor(z / CLIMB_BAND_MM), np.round(z / SAME_HEIGHT_MM)).astype(
            np.int64
        )
        changes = np.flatnonzero(np.diff(key)) + 1
        firsts = np.concatenate([[0], changes])
        lasts = np.concatenate([changes, [len(printing)]]) - 1
        begin = 0
        for i, j in zip(firsts.tolist(), lasts.tolist(), strict=True):
            end = int(printing[j]) + 1
            if self.open is None or self.open.key != key[i]:
                yield from self.close(table[begin : int(printing[i])])
                self._begin(int(key[i]), float(z[i]), bool(climbing[i]), int(table[printing[i], LINE]))
            self._extend(table[begin:end])
            begin = end
        # Travel behind the last printing move waits for the layer that follows it.
        if begin < len(table):
            self._remember(table[begin:])

    def _begin(self, key: int, z: float, climbing: bool, line: int) -> None:
        self.count += 1
        if self.count > self.limits.layers:
            raise InputError(
                f"has more than {self.limits.layers} layers, so it is no sliced file of coupons; slice again",
                f"{self.name}, line {line}",
            )
        if climbing:
            z = (np.floor(z / CLIMB_BAND_MM) + 0.5) * CLIMB_BAND_MM
        below = self._below(z, 1)
        # The layer's true thickness shows only when all of it is seen; until then it is rather kept than not.
        low, high = (z - CLIMB_BAND_MM / 2, z + CLIMB_BAND_MM / 2) if climbing else (self._below(z, 2), z)
        self.open = _Open(
            key=key,
            z=z,
            below=below,
            climbing=climbing,
            keep=self.wanted(low, high),
            before=[self.tail],
            parts=[],
            first_line=line,
        )
        self.tail = np.empty((0, COLUMNS))
        self.low, self.high = np.full(2, np.inf), np.full(2, -np.inf)

    def _below(self, z: float, steps: int) -> float:
        """The `steps`-th height below z at which anything was printed; 0 beyond the first."""
        at = bisect_left(self.heights, z - SAME_HEIGHT_MM / 2) - steps
        return self.heights[at] if at >= 0 else 0.0

    def _standing_on(self, z: float) -> float:
        """The highest height below z whose ground meets that of the layer being gathered."""
        at = bisect_left(self.heights, z - SAME_HEIGHT_MM / 2)
        for height in reversed(self.heights[max(at - 50, 0) : at]):
            low, high = self.grounds[height]
            shared = np.maximum(np.minimum(high, self.high) - np.maximum(low, self.low) + 1.0, 0.0)
            # A purge line beside the pieces, or one under a skirt, is no ground to stand on.
            if np.prod(shared) > SHARED_GROUND * np.prod(self.high - self.low + 1.0):
                return height
        return 0.0

    def _settle(self, z: float) -> None:
        """Note that something was printed at height z."""
        at = bisect_left(self.heights, z - SAME_HEIGHT_MM / 2)
        if at < len(self.heights) and self.heights[at] <= z + SAME_HEIGHT_MM / 2:
            low, high = self.grounds[self.heights[at]]
            self.grounds[self.heights[at]] = (np.minimum(low, self.low), np.maximum(high, self.high))
            return
        insort(self.heights, z)
        self.grounds[z] = (self.low, self.high)

    def _extend(self, rows: np.ndarray) -> None:
        layer = self.open
        assert layer is not None
        if layer.parts or layer.moves:
            rows = np.concatenate([self.tail, rows]) if len(self.tail) else rows
            self.tail = np.empty((0, COLUMNS))
        printed = rows[rows[:, PRINTS] > 0]
        ends = np.concatenate([printed[:, [X0, Y0]], printed[:, [X1, Y1]]])
        self.low = np.minimum(self.low, ends.min(axis=0))
        self.high = np.maximum(self.high, ends.max(axis=0))
        layer.length += float(
            np.hypot(printed[:, X1] - printed[:, X0], printed[:, Y1] - printed[:, Y0]).sum()
        )
        layer.filament += float(printed[:, FILAMENT].sum())
        layer.moves += len(rows)
        layer.top = max(layer.top, float(printed[:, Z].max()))
        if not layer.keep:
            layer.parts = [rows[-LEAD_MOVES:]]
            return
        if layer.moves > self.limits.layer_moves:
            raise InputError(
                f"has more than {self.limits.layer_moves} moves in the layer at {layer.z:.2f} mm, "
                "so it is no file of coupons",
                f"{self.name}, line {int(rows[-1, LINE])}",
            )
        layer.parts.append(rows)

    def _remember(self, rows: np.ndarray) -> None:
        self.tail = np.concatenate([self.tail, rows])[-LEAD_MOVES:]

    def close(self, travel: np.ndarray = NO_ROWS) -> Iterator[Layer | LayerRow]:
        """Hand on the layer being gathered, if any; `travel` is what follows it in the table at hand."""
        layer = self.open
        if layer is None:
            return
        below = layer.below if layer.climbing else self._standing_on(layer.z)
        self._settle(layer.z)
        row = LayerRow(
            z=layer.z,
            below=below,
            top=layer.top,
            climbing=layer.climbing,
            first_line=layer.first_line,
            moves=layer.moves,
            length=layer.length,
            filament=layer.filament,
            low=self.low,
            high=self.high,
        )
        behind = self.tail
        # What was printed last leads into the next layer, together with the travel behind it.
        self.tail = np.concatenate([layer.parts[-1][-LEAD_MOVES:], self.tail])[-LEAD_MOVES:]
        self.open = None
        if not layer.keep:
            yield row
            return
        before = np.concatenate(layer.before)
        # A loop may end by moves without filament behind the last that prints.
        behind = np.concatenate([behind, travel])[:AFTER_ROWS]
        level = np.abs(behind[:, [Z0, Z]] - layer.top).max(axis=1, initial=0.0) < SAME_HEIGHT_MM
        level = np.logical_and.accumulate(level)
        table = np.concatenate([before, *layer.parts, behind[level]])
        yield Layer(
            row=row,
            start=table[:, X0 : Y0 + 1],
            end=table[:, X1 : Y1 + 1],
            z=table[:, Z],
            filament=table[:, FILAMENT],
            feed=table[:, FEED],
            line=table[:, LINE].astype(np.int64),
            prints=table[:, PRINTS] > 0,
            ramp=table[:, PRINTS] == RAMP,
            before=len(before),
            name=self.name,
            limits=self.limits,
        )
