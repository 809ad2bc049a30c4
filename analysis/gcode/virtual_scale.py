"""The virtual scale: what a printer with known errors weighs, read with the scale's steps and linearity."""

from __future__ import annotations

import math

import numpy as np

from fitassay.analysis.chain.extrusion import extruded
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.estimation.weighed import Commanded
from fitassay.analysis.readings.reading import WEIGHED, Reading
from fitassay.analysis.readings.weighings import Weighing
from fitassay.coupons.machine import Machine

FILAMENT_MM = 1000.0


def weigh(
    walk: SetWalk, theta: np.ndarray, commanded: Commanded, machine: Machine, rng: np.random.Generator
) -> tuple[Reading, ...]:
    """A metre of filament as thick as set, and each single wall, ndarray of terms `theta` (terms,) printed.

    Parameters
    ----------
    walk : SetWalk
        Of the coupons in the file.
    theta : ndarray (terms,)
    commanded : Commanded
    machine : Machine
        Its scale; its plastic's density, which makes filament heavy and printed pieces alike.
    rng : Generator
    """
    diameter = machine["settings.filament_diameter_mm"]
    per_mm = 1e-3 * machine["process.density_g_cm3"] * math.pi / 4 * diameter**2
    width, height = walk.manifest.line_width_mm, walk.manifest.layer_height_mm
    exact = [(Weighing("filament", length_mm=FILAMENT_MM), FILAMENT_MM * per_mm)]
    for w in walk.walks:
        if w.coupon.id in commanded.walls:
            loops = tuple(loop for at in w.loops.values() for loop in at)
            both = extruded(loops, width, height, np.stack([np.zeros_like(theta), theta]))
            fed = commanded.pieces[w.coupon.id] * float(both[1] / both[0]) / commanded.flow
            exact.append((Weighing("piece", coupon=w.coupon.id), fed * per_mm))
    step, linearity = machine["scale.step_g"], machine["scale.linearity_g"]
    shown = [max(step, step * round((m + rng.uniform(-linearity, linearity)) / step)) for _, m in exact]
    return tuple(
        Reading(coupon=WEIGHED, feature=what.feature, reading_mm=round(m, 6), note="simulated")
        for (what, _), m in zip(exact, shown, strict=True)
    )
