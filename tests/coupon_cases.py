"""Machines and drafts that the coupon tests share."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from fitassay.coupons.draft import Draft, Slab
from fitassay.coupons.families import FAMILIES
from fitassay.coupons.feature import Feature
from fitassay.coupons.job import Job
from fitassay.coupons.machine import Machine
from fitassay.coupons.meshing import solid_of
from fitassay.coupons.solid import Solid


def machine(
    x: float = 100.0,
    y: float | None = None,
    z: float | None = None,
    *,
    nozzle: float = 0.4,
    w: float = 0.45,
    h: float = 0.2,
    **more: float,
) -> Machine:
    """A machine of that volume (a cube where only x is given), nozzle, bead and layer [mm]."""
    return Machine(
        values={
            "volume.x_mm": x,
            "volume.y_mm": x if y is None else y,
            "volume.z_mm": x if z is None else z,
            "process.nozzle_mm": nozzle,
            "process.line_width_mm": w,
            "process.layer_height_mm": h,
            **more,
        }
    )


MACHINES = {
    "default": machine(),
    "small": machine(45),
    "low": machine(200, 200, 15),
    "narrow": machine(120, 40, 120),
    "fine": machine(100, nozzle=0.2, w=0.22, h=0.08),
    "coarse": machine(100, nozzle=0.8, w=0.9, h=0.4),
}
JOBS = {
    **{name: Job(machine=m) for name, m in MACHINES.items()},
    "quick": Job(machine=MACHINES["default"], quick=True),
    "prism": Job(machine=MACHINES["default"], wall="prism"),
    **{
        f"belts {name}": Job(machine=replace(MACHINES[name], kinematics="crossed-belts"))
        for name in ("default", "small", "fine", "coarse")
    },
}
# Every family on the default machine, and every machine with the families whose drawing depends on it.
SHORT = {
    "quick": ("reversal-comb",),
    "prism": ("single-wall",),
    "narrow": ("reversal-comb",),
    **{job: ("reversal-comb",) for job in JOBS if job.startswith("belts")},
}
"""Orders that only these families draw differently."""
LONG = ("fine", "low", "small")
"""Machines of which every run checks the combs alone, and the other families behind it."""
CASES = [
    pytest.param(family, job, marks=pytest.mark.long if family != "reversal-comb" and job in LONG else ())
    for family in FAMILIES
    for job in JOBS
    if family in SHORT.get(job, FAMILIES)
]


ROUND = ("bore", "rung", "peg", "ball")
"""How the ids of round features begin."""


@cache
def drafts(family: str, job: str) -> tuple[Draft, ...]:
    return tuple(d.at_origin() for d in FAMILIES[family].build(JOBS[job]))


@cache
def solids(family: str, job: str) -> tuple[Solid, ...]:
    return tuple(solid_of(d.slabs) for d in drafts(family, job))


def slab_at(draft: Draft, z: float) -> Slab:
    """The slab that a plane at height z cuts."""
    found = [s for s in draft.slabs if s.z0 < z < s.z1]
    assert len(found) == 1, f"{draft.id}: z = {z} lies on a face or beside the coupon"
    return found[0]


def straight(draft: Draft) -> list[Feature]:
    """Features measured between two parallel flanks."""
    return [
        f
        for f in draft.features
        if f.kind in ("outside", "inside", "thickness") and not f.id.startswith(ROUND)
    ]
