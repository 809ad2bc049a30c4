"""Whether the reversal card is worth printing first, in one sentence."""

from __future__ import annotations

from contextlib import suppress

from fitassay.case import Case
from fitassay.coupons.errors import FitassayError
from fitassay.own_paths import CARD
from fitassay.terminal import typed


def card_hint(place: Case) -> str:
    """What the card would tell and how to print it; empty where the case has one, or anything has been read."""
    from fitassay.workflow import holds_readings

    for target in place.prints():
        with suppress(FitassayError):
            if any(c.family == CARD for c in target.manifest().coupons) or holds_readings(target):
                return ""
    return (
        "First of all the reversal card: it tells backlash of both axes and bounds the bead, in ten minutes, by "
        "eye, without a caliper; then only the coupons still needed. Write it with: fitassay path "
        f"{typed(str(place.path))} --card --like FILE; FILE is any that your slicing program wrote for this machine."
    )
