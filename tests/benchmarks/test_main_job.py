"""Speed of the main job: `python -m pytest -m benchmarks`. Figures are read, never asserted."""

from __future__ import annotations

import subprocess
import sys

import pytest

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import build_set, write_set
from tests.sets import walk

pytestmark = pytest.mark.benchmarks


def test_make_full_set(benchmark, tmp_path):
    benchmark(lambda: write_set(build_set(Machine()), tmp_path))


def test_diagnose_full_set(benchmark):
    readings = simulate(walk(), theta_of({"backlash_y": 0.24, "contour_offset": 0.12}), seed=7)
    assert benchmark(lambda: interpret(walk(), readings, Machine())).verdict.status


def test_diagnose_from_files(benchmark, tmp_path):
    from fitassay.analysis.diagnosis.diagnose import diagnose

    made = build_set(Machine())
    write_set(made, tmp_path)
    readings = simulate(walk(), theta_of({"backlash_y": 0.24, "contour_offset": 0.12}), seed=7)
    assert benchmark(lambda: diagnose(made.manifest, tmp_path, readings, Machine())).verdict.status


def run(*args: str) -> None:
    subprocess.run([sys.executable, *args], check=True, capture_output=True)


def test_bare_interpreter(benchmark):
    benchmark(lambda: run("-c", "pass"))


def test_help(benchmark):
    benchmark(lambda: run("-m", "fitassay", "--help"))


def test_diagnose_whole_process(benchmark, tmp_path):
    case = str(tmp_path / "case")
    run("-m", "fitassay", "init", case, "--yes")
    run("-m", "fitassay", "make", case)
    run("-m", "fitassay", "simulate", case, "--backlash-y", "0.24")
    benchmark(lambda: run("-m", "fitassay", "diagnose", case))
