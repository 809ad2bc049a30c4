"""The filament: diameter readings, and how much of the bead error they explain; the rest is feed.

A bead of cross-section A = (w - h) h + pi h^2 / 4 is fed from a filament of diameter d, set as d_set. If the real
diameter is d, the bead's area is wrong by (d / d_set)^2 - 1 and its width by that times A / h.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coupons.cost import bead_area
from coupons.errors import InputError
from coupons.machine import Machine


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
    first, second = diameters[:, 0], diameters[:, -1]
    second = np.where(np.isfinite(second), second, first)
    # An oval filament has the area of a round one of diameter sqrt(d1 d2).
    effective = np.sqrt(first * second)
    places = len(effective)
    single = np.hypot(machine["caliper.repeatability_mm"], machine["caliper.resolution_mm"] / np.sqrt(12))
    spread = float(np.std(effective, ddof=1)) if places > 1 else float("nan")
    scatter = max(single / np.sqrt(2), spread if places > 1 else 0.0)
    bias = machine["caliper.error_limit_mm"] / np.sqrt(3)
    return Filament(
        mean_mm=float(effective.mean()),
        u_mean_mm=float(np.hypot(scatter / np.sqrt(places), bias)),
        ovality_mm=float(np.abs(first - second).mean()),
        spread_mm=spread,
        places=places,
    )


@dataclass(frozen=True, kw_only=True)
class FlowSplit:
    """The bead error shared out.

    Attributes
    ----------
    filament_mm, u_filament_mm : float [mm]
        Bead excess that the filament's diameter makes.
    feed_mm, u_feed_mm : float [mm]
        What is left for the feed.
    feed_percent : float [%]
        The same as a feed error.
    """

    filament_mm: float
    u_filament_mm: float
    feed_mm: float
    u_feed_mm: float
    feed_percent: float


def split_flow(bead_excess: float, u_bead: float, filament: Filament, machine: Machine) -> FlowSplit:
    """Share a bead excess between filament and feed.

    Parameters
    ----------
    bead_excess, u_bead : float [mm]
        Estimate and its standard uncertainty. The caliper's zero is in both figures; it is taken as independent,
        which overstates the uncertainty of the rest a little.
    """
    w, h = machine.line_width_mm, machine.layer_height_mm
    per_area = bead_area(w, h) / h
    ratio = filament.mean_mm / machine["settings.filament_diameter_mm"]
    by_filament = per_area * (ratio**2 - 1)
    u_filament = per_area * 2 * ratio * filament.u_mean_mm / machine["settings.filament_diameter_mm"]
    feed = bead_excess - by_filament
    return FlowSplit(
        filament_mm=by_filament,
        u_filament_mm=u_filament,
        feed_mm=feed,
        u_feed_mm=float(np.hypot(u_bead, u_filament)),
        feed_percent=100 * feed / per_area / ratio**2,
    )
