"""A case with one virtual print, for the commands that go on from a diagnosis; made once for all tests."""

from __future__ import annotations

import atexit
import json
import shutil
import tempfile
from collections.abc import Callable, Iterable
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


def write_readings(print_folder: Path, read: Callable[[dict, dict], Iterable[float]]) -> None:
    """Read what a print always has read: `read` gives what is measured of a feature of a coupon, once or oftener."""
    rows = ["coupon,feature,reading_mm,note"]
    for coupon in json.loads((print_folder / "coupons.json").read_text("utf-8"))["coupons"]:
        for feature in coupon["features"]:
            if feature["kind"] != "rim" and not feature.get("optional"):
                rows += [f"{coupon['id']},{feature['id']},{mm:.2f}," for mm in read(coupon, feature)]
    (print_folder / "readings.csv").write_text("\n".join(rows) + "\n", "utf-8")


@cache
def _made(*commands: tuple[str, ...]) -> Path:
    folder = Path(tempfile.mkdtemp(prefix="fitassay-test-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    case = folder / "orrery"
    for name, *words in commands:
        code, _, err = run(name, case, *words)
        assert code == 0, err
    return case


def copied(tmp_path: Path, *commands: tuple[str, ...]) -> Path:
    """A fresh copy of a case on which these were run, by their words without its name; run once for all tests."""
    return Path(shutil.copytree(_made(*commands), tmp_path / "orrery"))


def fresh_case(tmp_path: Path) -> Path:
    """A case with the whole set made, nothing read."""
    return copied(tmp_path, ("init", "--yes"), ("make",))


def quick_case(tmp_path: Path) -> Path:
    """The same with the quick set."""
    return copied(tmp_path, ("init", "--yes"), ("make", "--quick"))


def case(tmp_path: Path) -> Path:
    """A case with the whole set, read by a virtual printer with `ERRORS`."""
    return copied(tmp_path, ("init", "--yes"), ("make",), ("simulate", *map(str, options(ERRORS))))
