"""Every name that a room offers in its stub is there, and entering a room loads none of what it offers."""

from __future__ import annotations

import importlib
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
ROOMS = [
    ".".join(("fitassay", *stub.parent.relative_to(ROOT).parts))
    for top in ("coupons", "analysis")
    for stub in sorted((ROOT / top).rglob("__init__.pyi"))
]


def test_rooms_with_stubs_are_found():
    assert {"fitassay.analysis.chain", "fitassay.coupons.export"} <= set(ROOMS)


@pytest.mark.parametrize("room", ROOMS)
def test_every_public_name_resolves(room):
    module = importlib.import_module(room)
    assert module.__all__
    for name in module.__all__:
        assert getattr(module, name).__module__.startswith(f"{room}."), name


def test_entering_the_rooms_loads_nothing_heavy():
    code = (
        "import importlib, sys\n"
        f"for room in {ROOMS!r}: importlib.import_module(room)\n"
        "print([m for m in ('numpy', 'shapely', 'manifold3d', 'reportlab', 'pydantic') if m in sys.modules])\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert run.stdout.strip() == "[]"
