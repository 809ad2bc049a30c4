"""Coupon sets and their walks, built once for all tests."""

from __future__ import annotations

from functools import cache

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.coupons.machine import Kinematics, Machine
from fitassay.coupons.make import CouponSet, build_set
from fitassay.coupons.sections import Slicer


@cache
def coupon_set(
    families: tuple[str, ...] | None = None,
    quick: bool = False,
    kinematics: Kinematics = "cartesian",
    rims: bool = False,
) -> CouponSet:
    return build_set(Machine(kinematics=kinematics), families=families, quick=quick, rims=rims)


@cache
def walk(
    families: tuple[str, ...] | None = None,
    quick: bool = False,
    kinematics: Kinematics = "cartesian",
    rims: bool = False,
) -> SetWalk:
    made = coupon_set(families, quick, kinematics, rims)
    slicers = {name: Slicer(solid, name) for name, solid in made.solids.items()}
    return SetWalk(made.manifest, slicers)
