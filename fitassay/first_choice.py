"""Which coupons a case prints first where time is short: those that tell most of its joints."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from fitassay.case import Case
from fitassay.coupons.errors import JobError
from fitassay.coupons.machine import Machine

if TYPE_CHECKING:
    from fitassay.analysis.prints.first_set import FirstSet

ORDINARY_JOINTS_MM = (6.0, 12.0)
"""Where no joint is named: round pegs of these sizes, either way up, and a square one."""


def chosen_coupons(place: Case, machine: Machine, minutes: float) -> FirstSet:
    """The coupons that tell most of the case's joints within so many minutes of printing.

    Raises
    ------
    InputError
        Something is wrong with joints.csv.
    JobError
        Not even the quickest coupon is printed in that time.
    """
    from fitassay.analysis.chain.sensitivities import SetWalk
    from fitassay.analysis.estimation.model_error import model_error
    from fitassay.analysis.estimation.observations import single_reading_sd
    from fitassay.analysis.estimation.priors import prior
    from fitassay.analysis.parts.joints import joints_in
    from fitassay.analysis.parts.pairs import Pair
    from fitassay.analysis.prints.first_set import first_set
    from fitassay.coupons.make import draw_set
    from fitassay.joint_words import sizes_of_joints

    pairs = tuple(j.pair for j in joints_in(place.path)) or (
        *(Pair(peg=s, hole=s + 0.3) for s in ORDINARY_JOINTS_MM),
        Pair(peg=10.0, hole=10.3, shape="square"),
    )
    made = draw_set(machine)
    shelf = SetWalk(made.manifest, made.drafts)
    with sizes_of_joints(place):
        got = first_set(
            shelf,
            made.costs,
            prior(machine),
            single_reading_sd(machine),
            pairs,
            minutes,
            machine.line_width_mm,
            model_error(shelf, machine).cov,
        )
    if not got.coupons:
        quickest = min(made.costs.values(), key=lambda c: c.minutes).minutes
        raise JobError(
            f"--minutes: no coupon is printed in {minutes:g} min; the quickest takes {math.ceil(quickest)}: give more"
        )
    return got
