"""What a sliced file tells of the way its program walks any part."""

from __future__ import annotations

from fitassay.analysis.chain.mating import PathHabits
from fitassay.analysis.gcode.trace_data import Trace


def path_habits(trace: Trace | None) -> PathHabits:
    """The habits that a traced file shows; all open without one.

    The seams of the coupons lie where coupons want them: they tell nothing of other parts.
    """
    if trace is None:
        return PathHabits()
    loops = [o for p in trace.found.values() for o in p.outer if not p.coupon.single_wall]
    sides = {hollow: {o.left for o in loops if o.opening == hollow} for hollow in (False, True)}
    if any(len(found) != 1 for found in sides.values()):
        return PathHabits()
    # With the material on the same hand, holes are walked the other way round.
    return PathHabits(holes_alike=sides[False] != sides[True])
