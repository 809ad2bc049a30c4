"""A case with one virtual print, for the commands that go on from a diagnosis; made once for all tests."""

from __future__ import annotations

import atexit
import json
import shutil
import tempfile
from functools import cache
from pathlib import Path

from click.testing import CliRunner

from fitassay.cli import cli

ERRORS = {
    "backlash-x": 0.12,
    "backlash-y": 0.05,
    "bead-excess": 0.04,
    "contour-offset": 0.05,
    "bore-closure": 0.1,
}


def run(*args):
    """Exit code, standard output and standard error of one command."""
    done = CliRunner().invoke(cli, [str(a) for a in args])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, done.stdout, done.stderr


def run_json(*args):
    code, out, err = run(*args, "--json")
    assert code == 0, err
    return json.loads(out)


def options(errors):
    return [part for name, value in errors.items() for part in (f"--{name}", value)]


@cache
def _made() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="fitassay-test-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    case = folder / "orrery"
    for args in (("init", case, "--yes"), ("make", case), ("simulate", case, *options(ERRORS))):
        code, _, err = run(*args)
        assert code == 0, err
    return case


def case(tmp_path: Path) -> Path:
    """A fresh copy of the case."""
    return Path(shutil.copytree(_made(), tmp_path / "orrery"))
