"""What holds for every run: signals, threads and random draws as the tests expect them, whoever starts them."""

from __future__ import annotations

import os
import signal
import sys

import pytest
from hypothesis import settings

# One thread a worker: two workers on two cores would otherwise ask for four. Before numpy is loaded.
if "PYTEST_XDIST_WORKER" in os.environ:
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")

# Compiled code is kept whatever the surroundings (containers often say otherwise): each worker would else rewrite all
# asserts on every run, and each program started by a test compile what it loads.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# `nohup`, and a shell's `&`, leave SIGINT ignored, and programs inherit that; those started here must obey Ctrl-C.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# The same examples on every run; `--hypothesis-profile=explore` looks for new ones.
settings.register_profile("seeded", derandomize=True, deadline=None)
settings.register_profile("explore", deadline=None)
settings.load_profile("seeded")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What takes long comes last, whatever else the order."""
    items.sort(key=lambda item: item.get_closest_marker("long") is not None)
