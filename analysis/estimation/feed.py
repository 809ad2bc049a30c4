"""The filament: diameter readings and feed tests, and how much of the bead error they explain.

A bead of cross-section A = (w - h) h + pi h^2 / 4 is fed from a filament of diameter d, set as d_set, with the
flow set to phi, by an extruder that feeds f times what it is told. The real bead's area is A (d / d_set)^2 phi f,
and since its height is the layer's, its width is off by

    e = (A / h) ((d / d_set)^2 phi f - 1)
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.estimation.known import Fact, fact_of_term
from fitassay.analysis.notes import Note
from fitassay.analysis.result import Advice, Diagnosis
from fitassay.analysis.rounding import COVERAGE, is_known_well
from fitassay.analysis.terms import BEAD, NAMES, TERMS
from fitassay.coupons.cost import bead_area
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine

# Pen mark and rule, standard uncertainty of a length of filament (common practice, no source) [mm].
MARK_MM = 0.3
# Feeding into the open is not feeding while printing: slip and back pressure, standard deviation of the difference
# (common practice, no source).
FEED_MODEL = 0.04


@dataclass(frozen=True, kw_only=True)
class Filament:
    """Filament as measured.

    Attributes
    ----------
    mean_mm, u_mean_mm : float [mm]
        Effective diameter (root of the mean product of two perpendicular diameters) and its standard
        uncertainty, with the caliper's own zero error.
    ovality_mm : float [mm]
        Mean absolute difference of the two diameters.
    spread_mm : float [mm]
        Standard deviation from place to place; nan with one place.
    places : int
    """

    mean_mm: float
    u_mean_mm: float
    ovality_mm: float
    spread_mm: float
    places: int


@dataclass(frozen=True, kw_only=True)
class Feed:
    """Feed tests summed up, and what was weighed.

    Attributes
    ----------
    ratio, u_ratio : float
        Length fed over length commanded, with its standard uncertainty as a test.
    tests : int
    model : float
        By how much the feed while printing differs from that, relative standard deviation.
    weighed : tuple of str
        What was weighed for it.
    """

    ratio: float
    u_ratio: float
    tests: int
    model: float = FEED_MODEL
    weighed: tuple[str, ...] = ()


def measured_filament(diameters: np.ndarray, machine: Machine) -> Filament:
    """Sum up diameter readings.

    Parameters
    ----------
    diameters : ndarray (places, 2) [mm]
        Two perpendicular diameters at each place; the second may be nan.
    machine : Machine
        Its caliper.
    """
    diameters = np.atleast_2d(np.asarray(diameters, dtype=float))
    if diameters.size == 0 or not np.isfinite(diameters[:, 0]).all():
        raise InputError(
            "holds no diameters; measure at three places or more, twice across each", "filament.csv"
        )
    first = diameters[:, 0]
    crossed = np.isfinite(diameters[:, 1]) if diameters.shape[1] > 1 else np.zeros(len(first), dtype=bool)
    second = np.where(crossed, diameters[:, -1], first)
    # An oval filament has the area of a round one of diameter sqrt(d1 d2).
    effective = np.sqrt(first * second)
    places = len(effective)
    single = np.hypot(machine["caliper.repeatability_mm"], machine["caliper.resolution_mm"] / np.sqrt(12))
    spread = float(np.std(effective, ddof=1)) if places > 1 else float("nan")
    # A place read across once is known less than one read across twice.
    stated = single * float(np.sqrt(np.mean(np.where(crossed, 0.5, 1.0))))
    scatter = max(stated, spread if places > 1 else 0.0)
    bias = machine["caliper.error_limit_mm"] / np.sqrt(3)
    return Filament(
        mean_mm=float(effective.mean()),
        u_mean_mm=float(np.hypot(scatter / np.sqrt(places), bias)),
        ovality_mm=float(np.abs(first - second).mean()),
        spread_mm=spread,
        places=places,
    )


def measured_feed(tests: np.ndarray) -> Feed:
    """Sum up feed tests.

    Parameters
    ----------
    tests : ndarray (tests, 3) [mm]
        Length commanded, length from the mark to the inlet before, and what is left of it afterwards.
    """
    tests = np.atleast_2d(np.asarray(tests, dtype=float))
    if tests.size == 0:
        raise InputError("holds no feed test", "feed.csv")
    commanded, marked, left = tests.T
    ratio = (marked - left) / commanded
    # Both ends of the length are read.
    single = float(np.sqrt(2) * MARK_MM / np.mean(commanded))
    seen = float(np.std(ratio, ddof=1)) if len(ratio) > 1 else 0.0
    return Feed(
        ratio=float(ratio.mean()), u_ratio=max(single, seen) / float(np.sqrt(len(ratio))), tests=len(ratio)
    )


def bead_per_area(machine: Machine) -> float:
    """A / h [mm]: how much wider a bead gets by so much of its area too much."""
    return bead_area(machine.line_width_mm, machine.layer_height_mm) / machine.layer_height_mm


def feed_fact(filament: Filament, feed: Feed, machine: Machine) -> Fact:
    """What filament and feed test together say of the bead's width, as a row beside the readings."""
    ratio, u_ratio = thickness(filament, machine)
    flow = machine["settings.flow_percent"] / 100
    per_area = bead_per_area(machine)
    product = ratio * flow * feed.ratio
    relative = np.sqrt((u_ratio / ratio) ** 2 + (feed.u_ratio / feed.ratio) ** 2 + feed.model**2)
    return fact_of_term(
        "feed",
        BEAD,
        float(per_area * (product - 1)),
        float(per_area * product * relative),
        f"filament {filament.mean_mm:.4f} mm at {filament.places} places, feed {feed.ratio:.5f} of {feed.tests}",
    )


@dataclass(frozen=True, kw_only=True)
class FlowSplit:
    """The bead error shared out; the parts sum to it.

    Attributes
    ----------
    filament_mm, u_filament_mm : float [mm]
        Bead excess that the filament's diameter makes.
    flow_mm : float [mm]
        What the flow set now makes.
    feed_mm, u_feed_mm : float [mm]
        What is left for the feed.
    feed_percent, u_feed_percent : float [%]
        The same as a feed error.
    """

    filament_mm: float
    u_filament_mm: float
    flow_mm: float
    feed_mm: float
    u_feed_mm: float
    feed_percent: float
    u_feed_percent: float


def split_flow(
    bead_excess: float, u_bead: float, filament: Filament, machine: Machine, feed: Feed | None = None
) -> FlowSplit:
    """Share a bead excess between filament, flow set and feed.

    With a feed test both parts were known before the coupons were read, a +- u_a and b +- u_b, and the coupons moved
    their sum to m +- s: each takes its share of the surprise, kappa = u_a^2 / (u_a^2 + u_b^2),

        a' = a + kappa (m - a - b),    u_a'^2 = u_a^2 (1 - kappa) + kappa^2 s^2

    (conditional normal distribution). Without one, what the filament does not explain is the feed's.

    Parameters
    ----------
    bead_excess, u_bead : float [mm]
        Estimate and its standard uncertainty; with a feed test, that with `feed_fact` in it. The caliper's zero is in
        the filament's figure too; it is taken as independent, which overstates the uncertainty of the rest a little.
    """
    per_area = bead_per_area(machine)
    ratio, u_ratio = thickness(filament, machine)
    flow = machine["settings.flow_percent"] / 100
    by_filament, u_filament = per_area * (ratio - 1), per_area * u_ratio
    if feed is None:
        kappa = 0.0
        u_feed_before = 0.0
    else:
        fact = feed_fact(filament, feed, machine)
        u_feed_before = float(np.sqrt(max(fact.u**2 - (u_filament * flow * feed.ratio) ** 2, 0.0)))
        kappa = u_filament**2 / (u_filament**2 + u_feed_before**2)
        by_filament += kappa * (bead_excess - fact.value)
        u_filament = float(np.sqrt(u_filament**2 * (1 - kappa) + (kappa * u_bead) ** 2))
    own = by_filament / per_area + 1
    by_flow = per_area * own * (flow - 1)
    by_feed = bead_excess - by_filament - by_flow
    if feed is None:
        u_feed = float(np.hypot(u_bead, u_filament))
    else:
        u_feed = float(np.sqrt(u_feed_before**2 * kappa + ((1 - kappa) * u_bead) ** 2))
    percent = 100 / per_area / (own * flow)
    return FlowSplit(
        filament_mm=by_filament,
        u_filament_mm=u_filament,
        flow_mm=by_flow,
        feed_mm=by_feed,
        u_feed_mm=u_feed,
        feed_percent=percent * by_feed,
        u_feed_percent=percent * u_feed,
    )


def thickness(filament: Filament, machine: Machine) -> tuple[float, float]:
    """(d / d_set)^2 and its standard uncertainty."""
    set_mm = machine["settings.filament_diameter_mm"]
    ratio = filament.mean_mm / set_mm
    return ratio**2, 2 * ratio * filament.u_mean_mm / set_mm


def narrowed(diagnosis: Diagnosis, filament: Filament, machine: Machine) -> tuple[float, float]:
    """By how much the bead narrows once the measured diameter is set, and its standard uncertainty [mm]."""
    ratio, u_ratio = thickness(filament, machine)
    area = bead_per_area(machine) + diagnosis.term(NAMES[BEAD]).estimate
    return area * (1.0 - 1.0 / ratio), area * u_ratio / ratio**2


PATH_SETTING = next(t.control.key for t in TERMS if t.quantity == "contour" and t.control is not None)


def with_filament(
    diagnosis: Diagnosis, filament: Filament, feed: Feed | None, machine: Machine, visible_mm: float
) -> Diagnosis:
    """The diagnosis with what the filament explains: in words, as figures, and in the order of the changes.

    Parameters
    ----------
    visible_mm : float [mm]
        Smaller errors of the bead are not worth a change.
    """
    bead = diagnosis.term(NAMES[BEAD])
    split = split_flow(bead.estimate, bead.std_uncertainty, filament, machine, feed)
    share = split.filament_mm / bead.estimate if abs(bead.estimate) > 2 * bead.std_uncertainty else None
    figures = {
        "diameter_mm": filament.mean_mm,
        "std_uncertainty_mm": filament.u_mean_mm,
        "ovality_mm": filament.ovality_mm,
        "spread_mm": filament.spread_mm,
        "places": filament.places,
        "bead_by_filament_mm": split.filament_mm,
        "bead_by_filament_std_uncertainty_mm": split.u_filament_mm,
        "bead_by_flow_set_mm": split.flow_mm,
        "bead_by_feed_mm": split.feed_mm,
        "bead_by_feed_std_uncertainty_mm": split.u_feed_mm,
        "feed_error_percent": split.feed_percent,
        "feed_error_std_uncertainty_percent": split.u_feed_percent,
        "share_of_bead_error": share,
        "feed_tests": feed.tests if feed is not None else 0,
    }
    return replace(
        diagnosis,
        advice=_flow_advice(diagnosis, filament, machine, visible_mm),
        notes=(*diagnosis.notes, _note(filament, split, share, machine)),
        extra={**diagnosis.extra, "filament": figures},
    )


def _note(filament: Filament, split: FlowSplit, share: float | None, machine: Machine) -> Note:
    return Note(
        "filament",
        {
            "mean_mm": filament.mean_mm,
            "u_mean_mm": filament.u_mean_mm,
            "ovality_mm": filament.ovality_mm,
            "places": filament.places,
            "set_mm": machine["settings.filament_diameter_mm"],
            "filament_mm": split.filament_mm,
            "u_filament_mm": split.u_filament_mm,
            "flow_mm": split.flow_mm,
            "feed_mm": split.feed_mm,
            "u_feed_mm": split.u_feed_mm,
            "feed_percent": split.feed_percent,
            "u_feed_percent": split.u_feed_percent,
            "share": share,
        },
    )


def _flow_advice(
    diagnosis: Diagnosis, filament: Filament, machine: Machine, visible_mm: float
) -> tuple[Advice, ...]:
    """Filament diameter first, then flow or path for what is left.

    As it was where the diameter is as set, as far as is known, or where to set it right moves the bead further off,
    as far as that is known: a thin filament is no answer to a bead that is too wide.
    """
    set_mm = machine["settings.filament_diameter_mm"]
    bead, narrower = diagnosis.term(NAMES[BEAD]), narrowed(diagnosis, filament, machine)[0]
    known = is_known_well(filament.mean_mm - set_mm, filament.u_mean_mm, _is_identified(diagnosis))
    contrary = bead.estimate * narrower < 0 and abs(bead.estimate) > bead.std_uncertainty
    too_far = abs(bead.estimate - narrower) > abs(bead.estimate) + COVERAGE * bead.std_uncertainty
    if not known or contrary or too_far:
        return diagnosis.advice
    diameter = Advice(
        setting="settings.filament_diameter_mm",
        from_value=set_mm,
        to_value=filament.mean_mm,
        std_uncertainty=filament.u_mean_mm,
        unit="mm",
        why="bead width: the filament is not as thick as set",
        term=NAMES[BEAD],
    )
    if not any(a.term == NAMES[BEAD] for a in diagnosis.advice):
        return _diameter_and_path(diameter, diagnosis, filament, machine, visible_mm)
    out: list[Advice] = []
    for advice in diagnosis.advice:
        if advice.term != NAMES[BEAD]:
            out.append(advice)
            continue
        out.append(diameter)
        out += _rest_by_flow(advice, diagnosis, filament, machine, visible_mm)
    return tuple(out)


def _is_identified(diagnosis: Diagnosis) -> bool:
    """Whether an error is accused, or a sum of two that is known."""
    return bool(diagnosis.verdict.term) or diagnosis.verdict.status == "sum-known"


def _diameter_and_path(
    diameter: Advice, diagnosis: Diagnosis, filament: Filament, machine: Machine, visible_mm: float
) -> tuple[Advice, ...]:
    """The steps with the measured diameter before a change of the path, which then has less to make good.

    A bead narrower by d takes d off outsides, half of it a side; what the diameter mends must not be mended twice.
    """
    narrower, u_narrower = narrowed(diagnosis, filament, machine)
    steps = diagnosis.advice
    if abs(narrower) < visible_mm:
        return steps
    at = next((i for i, a in enumerate(steps) if a.setting == PATH_SETTING), None)
    if at is None:
        return (*steps, diameter)
    path = steps[at]
    if path.from_value is None or path.to_value is None:
        return (*steps[:at], diameter, *steps[at:])
    rest = path.to_value + narrower / 2
    u = float(np.hypot(path.std_uncertainty, u_narrower / 2))
    left = abs(rest - path.from_value)
    worth = is_known_well(left, u, _is_identified(diagnosis)) and 2 * left > visible_mm
    changed = (replace(path, to_value=rest, std_uncertainty=u),) if worth else ()
    return (*steps[:at], diameter, *changed, *steps[at + 1 :])


def _rest_by_flow(
    advice: Advice, diagnosis: Diagnosis, filament: Filament, machine: Machine, visible_mm: float
) -> list[Advice]:
    bead = diagnosis.term(NAMES[BEAD])
    per_area = bead_per_area(machine)
    ratio, u_ratio = thickness(filament, machine)
    # With the diameter set right the feed falls by (d_set / d)^2.
    area = (per_area + bead.estimate) / ratio
    rest = area - per_area
    u = float(np.hypot(bead.std_uncertainty / ratio, area * u_ratio / ratio))
    if not is_known_well(rest, u, _is_identified(diagnosis)) or abs(rest) < visible_mm:
        return []
    old = machine["settings.flow_percent"]
    new = old * per_area / area
    return [
        replace(
            advice,
            from_value=old,
            to_value=new,
            std_uncertainty=new * u / area,
            why="bead width: what the filament's diameter leaves, by feed",
        )
    ]
