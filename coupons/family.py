"""What a coupon family is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from fitassay.coupons.draft import Draft
from fitassay.coupons.job import Job
from fitassay.coupons.machine import Kinematics


@dataclass(frozen=True)
class Family:
    """A kind of coupon.

    Attributes
    ----------
    name : str
        As in the manifest and after ``--family``.
    isolates : str
        What it tells apart, one phrase.
    build : callable (Job) -> list of Draft
        Draws its coupons for a machine; raises `JobError` naming the dimension where none fits.
    order : int
        Place in the measuring order.
    default : bool
        Whether it belongs to the full set.
    quick : bool
        Whether it belongs to the quick set.
    isolates_of_belts : str
        What it tells apart where crossed belts move both axes; empty: as elsewhere.
    """

    name: str
    isolates: str
    build: Callable[[Job], list[Draft]]
    order: int
    default: bool = True
    quick: bool = False
    isolates_of_belts: str = ""

    def isolates_on(self, kinematics: Kinematics) -> str:
        """What it tells apart on such a machine, one phrase."""
        of_belts = self.isolates_of_belts if kinematics == "crossed-belts" else ""
        return of_belts or self.isolates
