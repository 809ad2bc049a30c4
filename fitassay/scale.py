"""What was weighed of a print: masses among its readings, with the file it was printed from and its filament."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from fitassay.analysis.readings.reading import WEIGHED

if TYPE_CHECKING:
    from collections.abc import Callable

    from fitassay.analysis.chain.sensitivities import SetWalk
    from fitassay.analysis.diagnosis.evidence import Offer
    from fitassay.analysis.estimation.feed import Feed, Filament
    from fitassay.analysis.estimation.known import Fact
    from fitassay.analysis.estimation.weighed import Commanded, Extruded
    from fitassay.analysis.readings.reading import Reading
    from fitassay.analysis.result import Diagnosis
    from fitassay.coupons.feature import Manifest
    from fitassay.coupons.machine import Machine


@dataclass(frozen=True, kw_only=True)
class Scale:
    """What the scale says of one print.

    Attributes
    ----------
    lacks : tuple of str
        Of what is weighed, what is still missing; empty where nothing was weighed.
    extruded : Extruded or None
        None where something is missing.
    feed : Feed or None
        By scale and feed test together.
    filament : Filament
        As measured, else as set.
    fact : Fact or None
        What it says of the error terms.
    """

    lacks: tuple[str, ...]
    extruded: Extruded | None
    feed: Feed | None
    filament: Filament | None
    fact: Fact | None

    @classmethod
    def of(
        cls,
        readings: tuple[Reading, ...],
        machine: Machine,
        manifest: Manifest,
        walk: Callable[[], SetWalk],
        asked: Callable[[], Commanded | None],
        filament: Filament | None,
        feed: Feed | None,
    ) -> Scale:
        """From what else is known of the print.

        Parameters
        ----------
        readings : tuple of Reading
            Those off the scale count.
        machine : Machine
        manifest : Manifest
        walk : callable () -> SetWalk
            Called only where it is needed.
        asked : callable () -> Commanded or None
            What the printed files ask for; called only where something was weighed.
        filament : Filament or None
            As measured.
        feed : Feed or None
            By feed tests.
        """
        if not any(r.coupon == WEIGHED for r in readings):
            return cls(lacks=(), extruded=None, feed=feed, filament=filament, fact=None)
        from fitassay.analysis.chain.extrusion import extrusion_row
        from fitassay.analysis.estimation.weighed import (
            extruded_of,
            feed_with_scale,
            filament_as_set,
            masses_of,
            weighed_fact,
            without,
        )

        masses = masses_of(readings, tuple(c.id for c in manifest.coupons))
        commanded = asked()
        lacks = without(masses, commanded)
        extruded = None if commanded is None else extruded_of(masses, commanded, machine)
        feed = feed_with_scale(extruded, feed, machine)
        filament = filament or filament_as_set(machine)
        fact = None
        if feed is not None and feed.weighed:
            fact = weighed_fact(filament, feed, extrusion_row(walk()), machine)
        return cls(lacks=lacks, extruded=extruded, feed=feed, filament=filament, fact=fact)

    def explained(self, diagnosis: Diagnosis) -> Diagnosis:
        """The diagnosis with what was weighed, in words and as figures."""
        from fitassay.analysis.notes import Note

        if self.lacks:
            note = Note("weighed-lacks", {"lacks": list(self.lacks)})
            return replace(diagnosis, notes=(*diagnosis.notes, note))
        if self.extruded is None:
            return diagnosis
        e = self.extruded
        if self.fact is None or self.feed is None or self.filament is None:
            note = Note("weighed-far", {"weighed": list(e.far)})
            return replace(diagnosis, notes=(*diagnosis.notes, note))
        figures = {
            "feed_percent": 100 * e.ratio,
            "u_feed_percent": 100 * e.u_ratio,
            "bead_mm": self.fact.value,
            "u_bead_mm": self.fact.u,
            "per_metre_g": e.per_metre_g,
            "weighed": list(e.ratios),
            "places": self.filament.places,
            "far": list(e.far),
        }
        return replace(
            diagnosis,
            notes=(*diagnosis.notes, Note("weighed", figures)),
            extra={**diagnosis.extra, "weighed": figures},
        )


def weighing_offers(
    readings: tuple[Reading, ...],
    machine: Machine,
    manifest: Manifest,
    walk: SetWalk,
    commanded: Commanded | None,
    filament: Filament | None,
    feed: Feed | None,
) -> tuple[Offer, ...]:
    """What there is still to weigh; nothing without the file of a single wall. Arguments as `Scale.of`."""
    if commanded is None or not commanded.walls:
        return ()
    from fitassay.analysis.chain.extrusion import extrusion_row
    from fitassay.analysis.diagnosis.evidence import weighing_offer
    from fitassay.analysis.estimation.weighed import filament_as_set, masses_of

    masses = masses_of(readings, tuple(c.id for c in manifest.coupons))
    offer = weighing_offer(
        masses,
        commanded,
        extrusion_row(walk),
        filament or filament_as_set(machine),
        feed,
        machine,
    )
    return () if offer is None else (offer,)
