"""The coupon families: every module here that holds a `FAMILY` is one."""

from __future__ import annotations

import importlib
import pkgutil

from fitassay.coupons.family import Family


def _found() -> dict[str, Family]:
    names = sorted(m.name for m in pkgutil.iter_modules(__path__))
    modules = [importlib.import_module(f"{__name__}.{n}") for n in names]
    families = [m.FAMILY for m in modules if hasattr(m, "FAMILY")]
    return {f.name: f for f in sorted(families, key=lambda f: (f.order, f.name))}


FAMILIES: dict[str, Family] = _found()
"""Families by name, in measuring order."""
