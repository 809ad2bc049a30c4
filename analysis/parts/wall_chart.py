"""What to draw on one printer for every ordinary fit: clearances by size, holes for bought parts, least gaps.

How much play a fit wants, and the size that a bought part wants, are common practice where no standard is named;
they are wishes for the printed clearance. What must be drawn for them is this printer's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from fitassay.analysis.parts.pairs import Pair, PairPrediction, predict_pairs
from fitassay.analysis.parts.sizes import State

SIZES_MM = (3.0, 5.0, 8.0, 14.0, 22.0)

FitName = Literal["press", "push", "slide", "turn", "loose"]
# Printed clearance of diameters [mm]; common practice, no source.
WANTED_MM: dict[FitName, float] = {"press": -0.05, "push": 0.05, "slide": 0.15, "turn": 0.25, "loose": 0.5}

Way = Literal["either way up", "as printed", "turned over", "square"]

# A gap printed in place must stay this wide with 97.5 % to come apart; common practice, no source [mm].
OPEN_MM = 0.1
# Rounds of adding what is missing; every one takes the rest down by the change of the effect, far below a hundredth.
ROUNDS = 3


@dataclass(frozen=True, kw_only=True)
class Bought:
    """A part that is bought, and the clearance that its hole wants.

    Attributes
    ----------
    name : str
    size_mm : float [mm]
        Its diameter, or for a screw the hole that the standard names.
    clearance_mm : float [mm]
        Wanted clearance of the printed hole over `size_mm`.
    use : str
        What the hole is for.
    """

    name: str
    size_mm: float
    clearance_mm: float
    use: str


# Clearance holes: ISO 273:1979, medium series. Tapping drills: nominal diameter less pitch, coarse series of ISO 261
# and ISO 262. Parallel pins: nominal diameters of ISO 2338. Bearing 608: outside diameter 22 of dimension series
# 08 of ISO 15. All from memory. Clearances of pins, bearing and magnets: common practice, no source.
SCREWS = (
    ("M2", 2.4, 1.6),
    ("M2.5", 2.9, 2.05),
    ("M3", 3.4, 2.5),
    ("M4", 4.5, 3.3),
    ("M5", 5.5, 4.2),
    ("M6", 6.6, 5.0),
)
BOUGHT: tuple[Bought, ...] = (
    *(Bought(name=f"screw {m}", size_mm=hole, clearance_mm=0.0, use="to pass") for m, hole, _ in SCREWS),
    *(Bought(name=f"screw {m}", size_mm=drill, clearance_mm=0.0, use="to tap") for m, _, drill in SCREWS[1:]),
    *(
        Bought(name=f"pin {d} mm", size_mm=float(d), clearance_mm=-0.03, use="to press in")
        for d in (2, 3, 4, 5, 6)
    ),
    *(Bought(name=f"pin {d} mm", size_mm=float(d), clearance_mm=0.15, use="to turn") for d in (3, 5)),
    Bought(name="bearing 608, 22 mm", size_mm=22.0, clearance_mm=0.03, use="to push in"),
    *(
        Bought(name=f"magnet {d} mm", size_mm=float(d), clearance_mm=0.1, use="to push in")
        for d in (5, 6, 8, 10)
    ),
)


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """What to draw, and how surely.

    Attributes
    ----------
    value_mm : float [mm]
        A clearance of diameters, a hole's diameter, or a gap.
    u_mm : float [mm]
        Standard uncertainty of the printed clearance.
    """

    value_mm: float
    u_mm: float


@dataclass(frozen=True, kw_only=True)
class WallChart:
    """The chart's numbers.

    Attributes
    ----------
    sizes_mm : tuple of float [mm]
        Of the pegs.
    ways : tuple of str
        How pegs are put in: both ways up apart where it is known which way round holes are walked.
    clearances : dict of (way, fit, place of the size) to Drawn
        By how much the hole is drawn wider than the peg. A fit that turns takes all ways up in turn.
    bought : tuple of (Bought, Drawn)
        Hole to draw.
    in_place : tuple of Drawn
        Least gap of diameters for a round joint that is printed in one piece and must turn; by size.
    layer_gaps_mm : tuple of float [mm]
        Level gaps in whole layers.
    """

    sizes_mm: tuple[float, ...]
    ways: tuple[Way, ...]
    clearances: dict[tuple[Way, FitName, int], Drawn]
    bought: tuple[tuple[Bought, Drawn], ...]
    in_place: tuple[Drawn, ...]
    layer_gaps_mm: tuple[float, ...]


def wall_chart(state: State, layer_height_mm: float, sizes_mm: Sequence[float] = SIZES_MM) -> WallChart:
    """The chart of one printer as its errors are known.

    Parameters
    ----------
    state : State
    layer_height_mm : float [mm]
    sizes_mm : sequence of float [mm]
        Drawn pegs.
    """
    known = state.habits.holes_alike is not None
    ways: tuple[Way, ...] = (*(("as printed", "turned over") if known else ("either way up",)), "square")
    keys: list[tuple[Way, FitName, int]] = [
        (way, fit, i)
        for way in ways
        for fit in WANTED_MM
        for i in range(len(sizes_mm))
        if fit != "turn" or way == ways[0]
    ]
    pairs = [_pair(sizes_mm[i], way, fit) for way, fit, i in keys]
    wanted = np.array([WANTED_MM[fit] for _, fit, _ in keys])
    cells = _drawn(pairs, lambda got, _: wanted - [p.counts.mean for p in got], state)
    pegs = [Pair(peg=b.size_mm, hole=b.size_mm, exact_peg=True, flipped=False, name=b.name) for b in BOUGHT]
    play = np.array([b.clearance_mm for b in BOUGHT])
    holes = _drawn(pegs, lambda got, _: play - [p.counts.mean for p in got], state)
    together = [Pair(peg=s, hole=s + 0.3, turns=True, flipped=False, name=f"{s:g}") for s in sizes_mm]
    gaps = _drawn(together, lambda got, _: OPEN_MM - np.array([p.counts.low for p in got]), state)
    return WallChart(
        sizes_mm=tuple(sizes_mm),
        ways=ways,
        clearances={
            key: Drawn(value_mm=pair.hole - pair.peg, u_mm=got.counts.u)
            for key, (pair, got) in zip(keys, cells, strict=True)
        },
        bought=tuple(
            (b, Drawn(value_mm=pair.hole, u_mm=got.counts.u))
            for b, (pair, got) in zip(BOUGHT, holes, strict=True)
        ),
        in_place=tuple(Drawn(value_mm=pair.hole - pair.peg, u_mm=got.counts.u) for pair, got in gaps),
        layer_gaps_mm=(layer_height_mm, 2 * layer_height_mm),
    )


def _pair(size: float, way: Way, fit: FitName) -> Pair:
    square = way == "square"
    return Pair(
        peg=size,
        hole=size + WANTED_MM[fit],
        shape="square" if square else "round",
        flipped=None if way == "either way up" else way == "turned over",
        turns=fit == "turn",
        name=f"{size:g} {fit} {way}",
    )


_Missing = Callable[[tuple[PairPrediction, ...], list[Pair]], np.ndarray]


def _drawn(pairs: list[Pair], missing: _Missing, state: State) -> list[tuple[Pair, PairPrediction]]:
    """The pairs with holes drawn so that nothing is missing, and what becomes of them."""
    for _ in range(ROUNDS):
        got = predict_pairs(tuple(pairs), state)
        more = missing(got, pairs)
        pairs = [replace(p, hole=max(p.hole + float(m), p.peg / 2)) for p, m in zip(pairs, more, strict=True)]
    return list(zip(pairs, predict_pairs(tuple(pairs), state), strict=True))
