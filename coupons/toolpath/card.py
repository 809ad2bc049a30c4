"""The reversal card: rows of facing beads that are read by eye, and what of them lies where.

A row of ticks hangs from each of two rails. Upper ticks stand at i P, all reached in the measured direction, lower
ones at i (P - c), reached against it, so that lost motion b shifts one row against the other by b, and pair b / c
lines up. In every other row the ways and the pitches are exchanged: the mean of two such rows is free of squareness.
The ticks of one rail are drawn in two passes or more, every second or third tick in each, so that the nozzle never
turns back within a pass: a springy drive, once wound up, stays so.

::

      -5        0         5             numbers, on the top rail
    --+---------+---------+--------
      | | | | | | | | | | | | | |       upper ticks, reached from the left
                                        facing ends
      | | | | | | | | | | | | | |       lower ticks, reached from the right
    -------------------------------     rail; the next row hangs from it

Where crossed belts move both axes, the whole card is turned by 45 degrees, so that the rows for x run along the
rising diagonal and those for y along the falling one: each sees one belt alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from fitassay.coupons.errors import JobError
from fitassay.coupons.machine import Machine
from fitassay.coupons.rules import Rules

LARGEST_MM = 60.0
STEP_MM = 0.05
LEAD_MM = 3.0
"""Farther than any play."""

RUN_UP_MM = 10.0
"""To the first tick of a pass, where the bed has room: farther than the way over which a springy drive gives in."""

CLEAR_MM = 1.5
"""Between the nozzle's way and the edge of the bed."""

WIDEST_PITCH_MM = 2.0
MARGIN_MM = 1.2
"""From the frame to the first tick, beside half a bead."""

APART_MM = 2.0
"""Between the two blocks of rows."""

FACING_MM = 0.1
"""Between the ends of facing beads."""

PAIRS = 20
BELOW_ZERO = 0.3
"""Share of the pairs with numbers below zero."""

FEWEST = 8
"""Fewer pairs read no ordinary backlash."""

GAPS = (-2, 6)
"""Numbers of the closing gaps, -0.10 to +0.30 mm."""

GAP_LENGTH_MM = 4.0
FOOT_MM = 0.3
"""Closing gaps stand on beads that much farther apart, so that a squeezed first layer does not close them."""


@dataclass(frozen=True, kw_only=True)
class RowWay:
    """One row.

    Attributes
    ----------
    upper : int
        The way of its upper ticks, 1 along the row or -1 against it.
    slow : bool
        Whether ticks are come to slowly.
    share : float
        Of a step, by which the row counts too high: rows that all stood alike would all round alike.
    """

    upper: int
    slow: bool
    share: float

    @property
    def shift(self) -> float:
        """How far its upper ticks stand along the row for that [mm]."""
        return -self.upper * self.share * STEP_MM


FOUR = (
    RowWay(upper=1, slow=False, share=0.0),
    RowWay(upper=-1, slow=False, share=0.5),
    RowWay(upper=1, slow=True, share=0.25),
    RowWay(upper=-1, slow=True, share=-0.25),
)


@dataclass(frozen=True, kw_only=True)
class Layout:
    """Sizes of a card [mm].

    Attributes
    ----------
    width, height : float
        Of the bead.
    rows : tuple of RowWay
        From the numbers on; the same for x and for y.
    first, last : int
        Numbers of the pairs.
    pitch, tick : float
        From pair to pair; a tick from its rail to its end.
    digit : float
        Height of the numbers.
    run_up : float
        The way to the first tick of a pass.
    turned : bool
        The card lies on the bed turned by 45 degrees.
    """

    width: float
    height: float
    rows: tuple[RowWay, ...]
    first: int
    last: int
    pitch: float
    tick: float
    digit: float
    run_up: float = LEAD_MM
    turned: bool = False

    @property
    def names(self) -> tuple[str, str]:
        """Of the axes that the two blocks' rows run along."""
        return ("a", "b") if self.turned else ("x", "y")

    @property
    def turn_deg(self) -> float:
        """By which the card is turned counter-clockwise."""
        return 45.0 if self.turned else 0.0

    @property
    def turn(self) -> np.ndarray:
        """The same as a matrix (2, 2)."""
        c, s = math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))
        return np.array([[c, -s], [s, c]])

    @property
    def row(self) -> float:
        """From rail to rail."""
        return 2 * self.tick + self.width + FACING_MM

    @property
    def zero(self) -> float:
        """Where pair 0 stands along a row."""
        return self.margin - self.first * self.pitch

    @property
    def margin(self) -> float:
        """From the frame to the first tick."""
        return MARGIN_MM + self.width / 2

    @property
    def length(self) -> float:
        """Of a block's frame along its rows."""
        return 2 * self.margin + (self.last - self.first) * self.pitch

    @property
    def depth(self) -> float:
        """Of a block's frame across its rows."""
        return len(self.rows) * self.row

    @property
    def block(self) -> float:
        """Of a block with its numbers."""
        return self.depth + self.digit + self.width

    @property
    def second(self) -> float:
        """Where the block for y begins."""
        return self.length + APART_MM

    @property
    def gaps_at(self) -> float:
        """Where the closing gaps begin, above the block for x."""
        return self.block + 1.0

    @property
    def gap_pitch(self) -> float:
        """From pair to pair of the closing gaps."""
        return 2 * self.width + 0.3 + max(2.5 * self.width, 1.0)

    @property
    def gaps_length(self) -> float:
        """Of their frame."""
        return 2 * (MARGIN_MM + self.width + 0.3) + (GAPS[1] - GAPS[0]) * self.gap_pitch

    @property
    def size(self) -> tuple[float, float]:
        """Of the card's middle lines in x and y."""
        tall = self.gaps_at + GAP_LENGTH_MM + self.digit + self.width
        return max(self.second + self.block, self.gaps_length), max(self.length, tall)

    def to_x(self, points: np.ndarray) -> np.ndarray:
        """From a block's own coordinates, along and across its rows, to the block for x."""
        return points

    def to_y(self, points: np.ndarray) -> np.ndarray:
        """To the block for y: a quarter turn to the left."""
        return np.column_stack([self.second + self.block - points[:, 1], points[:, 0]])

    def to_gaps(self, points: np.ndarray) -> np.ndarray:
        """To the closing gaps."""
        return points + (0.0, self.gaps_at)


def layout_of(machine: Machine, rules: Rules | None = None) -> Layout:
    """The largest card that the machine and `LARGEST_MM` allow, with four rows an axis where there is room.

    Raises
    ------
    JobError
        The bed is too small.
    """
    rules = rules or Rules()
    room = [min(LARGEST_MM, side - 2 * rules.edge) for side in machine.volume_mm[:2]]
    w = machine.line_width_mm
    turned = machine.kinematics == "crossed-belts"
    if turned:
        # A square on its corner is sqrt 2 times as wide.
        free = min(side - 2 * rules.edge for side in machine.volume_mm[:2])
        room = [min(LARGEST_MM, free * math.sqrt(0.5))] * 2
    for rows, fewest in ((FOUR, 16), (FOUR[:2], FEWEST)):
        tried = Layout(
            width=w,
            height=machine.layer_height_mm,
            rows=rows,
            first=0,
            last=0,
            pitch=1.0,
            tick=max(2.0, 3.5 * w),
            digit=max(2.0, 4.5 * w),
            turned=turned,
        )
        free = min(room[0] - w - APART_MM - tried.block, room[1] - w) - 2 * tried.margin
        least = max(3 * w, 1.0)
        count = min(PAIRS, math.floor(free / least))
        if count >= fewest:
            first = -round(BELOW_ZERO * count)
            made = Layout(
                **{
                    **vars(tried),
                    "first": first,
                    "last": first + count,
                    "pitch": math.floor(100 * min(max(WIDEST_PITCH_MM, least), free / count)) / 100,
                }
            )
            if all(a + w <= b + 1e-6 for a, b in zip(made.size, room, strict=True)):
                return replace(made, run_up=_run_up(made, machine.volume_mm[:2]))
    raise JobError(
        f"the reversal card does not fit on a bed of {machine['volume.x_mm']:g} x {machine['volume.y_mm']:g} mm with "
        f"beads of {w:g} mm; use a narrower bead, or the comb and a caliper"
    )


def _run_up(layout: Layout, bed: tuple[float, float]) -> float:
    """The longest way to a row's first tick [mm], in halves, with the card in the middle of the bed."""
    a, b = layout.size
    reach = [(a + b) * math.sqrt(0.5) / 2] * 2 if layout.turned else [a / 2, b / 2]
    free = min(side / 2 - half for side, half in zip(bed, reach, strict=True)) - CLEAR_MM
    # Turned, a way along a row goes aside and ahead alike.
    room = (free * math.sqrt(2.0) if layout.turned else free) + layout.margin
    return min(max(math.floor(2 * room) / 2, LEAD_MM), RUN_UP_MM)
