"""Weighed prints: the extruder's true feed from masses, and with the filament's diameter the bead's width.

A piece of mass m is made of filament that weighs lambda a millimetre, so m / lambda of it went in where the sliced
file asks for E: the true feed ratio is F = m / (lambda E). Density never enters. With the filament's diameter d, set
as d_set, and the bead of the file, the bead as printed is off by

    e = (A / h) ((d / d_set)^2 F - 1),   A = (w - h) h + pi h^2 / 4.

A diameter that nobody measured is as set, within the limits filament is sold by.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from fitassay.analysis.estimation.feed import Feed, Filament, thickness
from fitassay.analysis.estimation.known import Fact
from fitassay.analysis.readings.reading import WEIGHED, Reading
from fitassay.analysis.readings.weighings import Weighing, weighing_of
from fitassay.analysis.terms import BEAD
from fitassay.coupons.machine import Machine

# Filament is sold within so much of its diameter (common practice, no source) [mm].
DIAMETER_LIMIT_MM = 0.05
# Cutting and measuring a length of filament, standard uncertainty (common practice, no source) [mm].
LENGTH_MM = 1.0
# Strings, starts and ends of a wall; filling, which is fed faster than walls are: standard deviations of the feed
# ratio against that of a measured wall (common practice, no source).
WALL_MODEL, SOLID_MODEL = 0.01, 0.03
# Masses that ask for a feed outside this are a slip: of the piece, the file or the unit.
LEAST_RATIO, MOST_RATIO = 0.5, 1.5


@dataclass(frozen=True, kw_only=True)
class Commanded:
    """What the sliced file asks for.

    Attributes
    ----------
    pieces : mapping of str to float [mm]
        Filament in each coupon as it comes off the bed.
    walls : frozenset of str
        Which of them are single walls.
    everything : float or None [mm]
        Filament in all that is printed; None where some plate's file is missing.
    flow : float
        Filament against what beads as wide as the readings are judged by would take, at the diameter set.
    """

    pieces: Mapping[str, float] = field(default_factory=dict)
    walls: frozenset[str] = frozenset()
    everything: float | None = None
    flow: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Extruded:
    """What the scale says.

    Attributes
    ----------
    per_metre_g, u_per_metre_g : float [g/m]
        Filament's mass per length, 1000 lambda.
    ratios, u_ratios : dict of str to float
        F by what was weighed, without what they share: the filament's mass per length.
    ratio, u_ratio : float
        F of all of them together; nan where none is left.
    far : tuple of str
        What was weighed but cannot be: left out.
    """

    per_metre_g: float
    u_per_metre_g: float
    ratios: dict[str, float]
    u_ratios: dict[str, float]
    ratio: float
    u_ratio: float
    far: tuple[str, ...]


def mass_sd(machine: Machine) -> float:
    """Standard uncertainty [g] of a mass on the scale at hand.

    Zero and reading are both rounded to the scale's step a, 2 a^2/12; its linearity is limits, b/sqrt(3) (GUM 4.3.7,
    F.2.2.1). Reading it again changes nothing of either.
    """
    step, linearity = machine["scale.step_g"], machine["scale.linearity_g"]
    return math.sqrt(step**2 / 6 + linearity**2 / 3)


def masses_of(readings: tuple[Reading, ...], coupons: tuple[str, ...]) -> dict[Weighing, np.ndarray]:
    """Masses [g] by what was weighed."""
    found: dict[Weighing, list[float]] = {}
    for r in readings:
        if r.coupon == WEIGHED and r.reading_mm is not None:
            found.setdefault(weighing_of(r.feature, coupons), []).append(r.reading_mm)
    return {what: np.array(masses) for what, masses in found.items()}


def filament_mass(masses: Mapping[Weighing, np.ndarray], machine: Machine) -> tuple[float, float] | None:
    """Mass per length of the filament and its standard uncertainty [g/mm]; None where none was weighed.

    Every row is a piece of its own. The scale's errors of all pieces are taken as one, which is the worst case.
    """
    rows = [(w.length_mm, m) for w, values in masses.items() if w.what == "filament" for m in values]
    if not rows:
        return None
    lengths, grams = (np.array(v) for v in zip(*rows, strict=True))
    per_mm = float(grams.sum() / lengths.sum())
    n = len(rows)
    by_scale = n * mass_sd(machine) / grams.sum()
    by_length = math.sqrt(n) * LENGTH_MM / lengths.sum()
    return per_mm, per_mm * float(np.hypot(by_scale, by_length))


def extruded_of(
    masses: Mapping[Weighing, np.ndarray], commanded: Commanded, machine: Machine
) -> Extruded | None:
    """True feed from all that was weighed; None where filament, piece or file is missing.

    Ratios that disagree more than their uncertainties count by their scatter (Birge's ratio).
    """
    filament = filament_mass(masses, machine)
    if filament is None:
        return None
    per_mm, u_per_mm = filament
    ratios, u_ratios, far = {}, {}, []
    for what, grams in masses.items():
        asked = _asked(what, commanded)
        if asked is None:
            continue
        mass = float(grams.mean())
        ratio = mass / (per_mm * asked) * commanded.flow
        if not LEAST_RATIO <= ratio <= MOST_RATIO:
            far.append(what.feature)
            continue
        seen = float(np.std(grams, ddof=1)) / math.sqrt(len(grams)) if len(grams) > 1 else 0.0
        own = math.hypot(mass_sd(machine), seen) / mass
        model = WALL_MODEL if what.coupon in commanded.walls else SOLID_MODEL
        ratios[what.feature], u_ratios[what.feature] = ratio, ratio * math.hypot(own, model)
    if not ratios and not far:
        return None
    mean = sd = math.nan
    if ratios:
        mean, sd = _weighed_mean(np.array(list(ratios.values())), np.array(list(u_ratios.values())))
    return Extruded(
        per_metre_g=1000 * per_mm,
        u_per_metre_g=1000 * u_per_mm,
        ratios=ratios,
        u_ratios=u_ratios,
        ratio=mean,
        u_ratio=math.hypot(sd, mean * u_per_mm / per_mm),
        far=tuple(far),
    )


def _asked(what: Weighing, commanded: Commanded) -> float | None:
    """Filament [mm] that the file spends on what was weighed; None for filament, and where the file lacks it."""
    if what.what == "plates":
        return commanded.everything
    return commanded.pieces.get(what.coupon) or None


def _weighed_mean(values: np.ndarray, u: np.ndarray) -> tuple[float, float]:
    weights = 1 / u**2
    mean = float(np.average(values, weights=weights))
    sd = float(weights.sum() ** -0.5)
    if len(values) > 1:
        sd *= math.sqrt(max(1.0, float(np.sum(weights * (values - mean) ** 2)) / (len(values) - 1)))
    return mean, sd


def feed_with_scale(extruded: Extruded | None, test: Feed | None, machine: Machine) -> Feed | None:
    """Feed by scale and feed test together, against the flow set; None where there is neither.

    A feed test's own difference from printing counts before both are weighed.
    """
    if extruded is None or not extruded.ratios:
        return test
    flow = machine["settings.flow_percent"] / 100
    ratio, u = extruded.ratio / flow, extruded.u_ratio / flow
    if test is not None:
        ratio, u = _weighed_mean(
            np.array([ratio, test.ratio]), np.array([u, math.hypot(test.u_ratio, test.ratio * test.model)])
        )
    return Feed(
        ratio=ratio,
        u_ratio=u,
        tests=0 if test is None else test.tests,
        model=0.0,
        weighed=tuple(extruded.ratios),
    )


def filament_as_set(machine: Machine) -> Filament:
    """Filament that nobody measured: as set, within the limits it is sold by."""
    return Filament(
        mean_mm=machine["settings.filament_diameter_mm"],
        u_mean_mm=DIAMETER_LIMIT_MM / math.sqrt(3),
        ovality_mm=0.0,
        spread_mm=math.nan,
        places=0,
    )


def weighed_fact(filament: Filament, feed: Feed, row: np.ndarray, machine: Machine) -> Fact:
    """What the scale says of the terms, in mm of the bead's width.

    Parameters
    ----------
    filament : Filament
    feed : Feed
        From `feed_with_scale`.
    row : ndarray (terms,)
        From `chain.extrusion.extrusion_row`.
    machine : Machine
    """
    ratio, u_ratio = thickness(filament, machine)
    product = ratio * machine["settings.flow_percent"] / 100 * feed.ratio
    relative = math.hypot(u_ratio / ratio, feed.u_ratio / feed.ratio)
    return Fact(
        kind="weighed",
        row=row / row[BEAD],
        value=float((product - 1) / row[BEAD]),
        u=float(product * relative / row[BEAD]),
        origin=f"filament {filament.mean_mm:.4f} mm at {filament.places} places, feed {feed.ratio:.5f} of "
        f"{feed.tests}, {' '.join(feed.weighed)}",
    )


def without(masses: Mapping[Weighing, np.ndarray], commanded: Commanded | None) -> tuple[str, ...]:
    """What is still missing before weighings tell anything: of "file", "filament", "piece"."""
    lacks = []
    if commanded is None:
        lacks.append("file")
    if not any(w.what == "filament" for w in masses):
        lacks.append("filament")
    if not any(w.what != "filament" for w in masses):
        lacks.append("piece")
    return tuple(lacks)
