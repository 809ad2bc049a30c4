"""The coupons that a machine could print, drawn once for all that one verdict asks of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.coupons.errors import JobError
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import DrawnSet, draw_set


@dataclass(frozen=True)
class Library:
    """The full set drawn for a machine.

    Attributes
    ----------
    drawn : DrawnSet
    """

    drawn: DrawnSet

    @cached_property
    def walk(self) -> SetWalk:
        """Its ideal walk."""
        return SetWalk(self.drawn.manifest, self.drawn.drafts)

    @cached_property
    def minutes(self) -> dict[str, float]:
        """Printing time by coupon id."""
        return {name: cost.minutes for name, cost in self.drawn.costs.items()}


_last: tuple[Machine, Library | None] | None = None


def library_of(machine: Machine) -> Library | None:
    """The machine's library; None where the machine is too small for it."""
    global _last
    last = _last
    if last is None or last[0] != machine:
        try:
            last = machine, Library(draw_set(machine))
        except JobError:
            last = machine, None
        _last = last
    return last[1]
