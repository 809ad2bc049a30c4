"""Ctrl-C at any moment, and while any library is being loaded: one sentence and exit code 2, no traceback."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

# Pressed in the very moment that a module is looked for.
PRESSED = """
import signal, sys
class Press:
    @staticmethod
    def find_spec(name, path=None, target=None):
        if name == {module!r}:
            signal.raise_signal(signal.SIGINT)
sys.meta_path.insert(0, Press)
sys.argv = ["fitassay", *{words!r}]
from fitassay.__main__ import main
main()
"""


def pressed(module: str, words: list[str]) -> subprocess.CompletedProcess[str]:
    code = PRESSED.format(module=module, words=words)
    return subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        timeout=120,
    )


@pytest.mark.parametrize(
    "module",
    [
        "fitassay.cli",
        "numpy",
        "reportlab",
        *(
            pytest.param(m, marks=pytest.mark.long)
            for m in ("click", "fitassay.commands.init", "shapely.lib")
        ),
    ],
)
def test_ctrl_c_while_a_library_loads(tmp_path, module):
    case = str(tmp_path / "orrery")
    done = pressed("nothing", ["init", case, "--yes"])
    assert done.returncode == 0, done.stderr
    words = ["init", f"{case}2", "--yes"] if module.startswith("fitassay") else ["make", case]
    done = pressed(module, words)
    assert (done.returncode, done.stderr) == (2, "fitassay: stopped\n")
    assert not (tmp_path / "orrery" / "prints" / "01").exists()
    assert not (tmp_path / "orrery2" / "machine.toml").exists()


@pytest.mark.parametrize(
    "words",
    [
        ["diagnose", "CASE", "--print", "9" * 5000],
        pytest.param(["enter", "CASE", "--at", "9" * 5000], marks=pytest.mark.long),
    ],
)
def test_numbers_of_thousands_of_digits_as_a_name(tmp_path, words):
    case = str(tmp_path / "orrery")
    for first in (["init", case, "--yes"], ["make", case, "--family", "single-wall"]):
        assert pressed("nothing", first).returncode == 0
    done = pressed("nothing", [case if w == "CASE" else w for w in words])
    assert done.returncode == 2
    assert done.stderr.startswith("fitassay: ") and done.stderr.count("\n") == 1 and len(done.stderr) < 400


def test_a_width_of_the_terminal_that_is_no_width():
    for columns in ("9" * 5000, "-1", "0", "wide"):
        done = subprocess.run(
            [sys.executable, "-m", "fitassay", "--help"],
            capture_output=True,
            text=True,
            cwd=ROOT,
            env={**os.environ, "COLUMNS": columns},
            timeout=120,
        )
        assert done.returncode == 0, done.stderr
