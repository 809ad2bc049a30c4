"""Which features of two parts go into each other, and how they will fit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fitassay.analysis.parts.flat_features import FlatFeature
from fitassay.analysis.parts.pairs import Pair, predict_pair
from fitassay.analysis.parts.part_listing import PartFeature, PartListing, size_spread
from fitassay.analysis.parts.round_features import RoundFeature
from fitassay.analysis.parts.sizes import Spread, State

# Axes closer than this belong together, and directions closer than this [mm], [rad].
NEAR_MM = 0.5
PARALLEL = np.radians(1.0)
# Without a common place, a peg goes with the tightest hole that is wider than it by no more than this, or narrower by
# no more than a press fit's share [mm].
LOOSEST_MM, TIGHTEST_MM = 1.0, 0.1


@dataclass(frozen=True, kw_only=True)
class Facing:
    """A feature of one part in a feature of the other.

    Attributes
    ----------
    hollow, filled : PartFeature
        What is put into, and what is put in.
    hollow_part, filled_part : str
        Their parts' names.
    by : {"place", "size"}
        How they were found: they lie on each other in the files' coordinates, or only their sizes go together.
    clearance : Spread
        The tightest of all directions, as put together [mm].
    """

    hollow: PartFeature
    filled: PartFeature
    hollow_part: str
    filled_part: str
    by: Literal["place", "size"]
    clearance: Spread


def facing(
    one: PartListing, two: PartListing, state: State, flipped: bool | None = None
) -> tuple[Facing, ...]:
    """The joints between two parts, each feature in one joint at most.

    Features that lie on each other in the files' coordinates go first; where no feature does, sizes decide. Round
    pegs put in upside down (`flipped`), as printed (False), or either way (None).
    """
    pairs = [
        (hollow, filled, a, b)
        for a, b in ((one, two), (two, one))
        for hollow in a.printed(state)
        for filled in b.printed(state)
        if hollow.hollow
        and not filled.hollow
        and hollow.printed
        and filled.printed
        and _alike(hollow, filled)
    ]
    placed = [(p, _apart(*p)) for p in pairs]
    found = _matched([(p, d) for p, d in placed if d < NEAR_MM], "place", state, flipped)
    return found or _matched([(p, _gap(*p[:2])) for p in pairs if _fits(*p[:2])], "size", state, flipped)


_Candidate = tuple[PartFeature, PartFeature, PartListing, PartListing]


def _matched(
    candidates: Iterable[tuple[_Candidate, float]],
    by: Literal["place", "size"],
    state: State,
    flipped: bool | None,
) -> tuple[Facing, ...]:
    """The closest first, of those the tightest; each feature once."""
    used: set[tuple[int, int]] = set()
    found = []
    for (hollow, filled, a, b), _ in sorted(candidates, key=lambda c: (round(c[1], 1), _gap(*c[0][:2]))):
        keys = {(id(a), hollow.number), (id(b), filled.number)}
        if keys & used:
            continue
        used |= keys
        found.append(
            Facing(
                hollow=hollow,
                filled=filled,
                hollow_part=a.part.name,
                filled_part=b.part.name,
                by=by,
                clearance=_clearance(hollow, filled, a, b, state, flipped),
            )
        )
    return tuple(found)


def _alike(hollow: PartFeature, filled: PartFeature) -> bool:
    """Round with round; flat with flat that is measured in the same directions."""
    one, two = hollow.shape, filled.shape
    if isinstance(one, RoundFeature) or isinstance(two, RoundFeature):
        return isinstance(one, RoundFeature) and isinstance(two, RoundFeature)
    return bool(_sizes_side_by_side(one, two))


def _sizes_side_by_side(one: FlatFeature, two: FlatFeature) -> list[tuple[int, int]]:
    """Places of sizes that are measured in the same direction."""
    return [
        (i, j)
        for i in range(len(one.sizes_mm))
        for j in range(len(two.sizes_mm))
        if abs(np.sin(one.direction_rad - two.direction_rad + (i - j) * np.pi / 2)) < np.sin(PARALLEL)
    ]


def _apart(hollow: PartFeature, filled: PartFeature, a: PartListing, b: PartListing) -> float:
    """Distance of the axes, or of the middles in the directions that are measured [mm]."""
    between = (a.place(hollow) - b.place(filled))[:2]
    if isinstance(hollow.shape, RoundFeature) or isinstance(filled.shape, RoundFeature):
        return float(np.linalg.norm(between))
    shared = _sizes_side_by_side(hollow.shape, filled.shape)
    angles = [hollow.shape.direction_rad + i * np.pi / 2 for i, _ in shared]
    off = max(abs(between @ [np.cos(t), np.sin(t)]) for t in angles)
    # Two walls far along their own direction are no joint.
    along = np.linalg.norm(between)
    return float(off if along < max(*hollow.shape.sizes_mm, *filled.shape.sizes_mm, 5.0) else np.inf)


def _gap(hollow: PartFeature, filled: PartFeature) -> float:
    """The least drawn clearance over the directions that both have [mm]."""
    if isinstance(hollow.shape, RoundFeature) or isinstance(filled.shape, RoundFeature):
        return hollow.sizes_mm[0] - filled.sizes_mm[0]
    shared = _sizes_side_by_side(hollow.shape, filled.shape)
    return min(hollow.sizes_mm[i] - filled.sizes_mm[j] for i, j in shared)


def _fits(hollow: PartFeature, filled: PartFeature) -> bool:
    return -TIGHTEST_MM <= _gap(hollow, filled) <= LOOSEST_MM


def _clearance(
    hollow: PartFeature,
    filled: PartFeature,
    a: PartListing,
    b: PartListing,
    state: State,
    flipped: bool | None,
) -> Spread:
    if isinstance(hollow.shape, RoundFeature) and isinstance(filled.shape, RoundFeature):
        pair = Pair(
            peg=filled.shape.diameter_mm,
            hole=hollow.shape.diameter_mm,
            flipped=flipped,
            name=str(filled.number),
        )
        return predict_pair(pair, state).counts
    assert isinstance(hollow.shape, FlatFeature) and isinstance(filled.shape, FlatFeature)
    doubled = State(posterior=state.posterior, width=state.width, scatter_mm=state.scatter_mm * np.sqrt(2))
    spreads = [
        size_spread(
            hollow.sizes_mm[i] - filled.sizes_mm[j],
            a.gains[hollow.number, i] - b.gains[filled.number, j],
            doubled,
        )
        for i, j in _sizes_side_by_side(hollow.shape, filled.shape)
    ]
    return min(spreads, key=lambda s: s.mean)
