"""Whether the reversal card is worth printing first, in one sentence."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from fitassay.case import Case
from fitassay.coupons.errors import FitassayError
from fitassay.own_paths import CARD
from fitassay.terminal import typed

if TYPE_CHECKING:
    from fitassay.coupons.machine import Machine


def card_tells(machine: Machine) -> str:
    """What the card tells of such a machine's lost motion; empty where that is not told at all."""
    return {"cartesian": "backlash of both axes", "crossed-belts": "the play of both belts"}.get(
        machine.kinematics, ""
    )


def card_hint(place: Case) -> str:
    """What the card would tell and how to print it; empty where the case has one, or anything has been read.

    On a machine whose lost motion is not told it would tell little, and is not spoken of.
    """
    from fitassay.workflow import holds_readings

    told = card_tells(place.machine())
    if not told:
        return ""
    for target in place.prints():
        with suppress(FitassayError):
            if any(c.family == CARD for c in target.manifest().coupons) or holds_readings(target):
                return ""
    return (
        f"First of all the reversal card: it tells {told} and bounds the bead, in ten minutes, by eye, without a "
        "caliper; then only the coupons still needed. Write it with: fitassay path "
        f"{typed(str(place.path))} --card --like FILE; FILE is any that your slicing program wrote for this machine."
    )
