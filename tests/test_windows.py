"""What Windows does otherwise, as far as it can be tried elsewhere: modules that it lacks, files held open, names."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from fitassay.cli import cli
from fitassay.coupons.errors import WriteError
from fitassay.coupons.files import write_atomic

ROOT = Path(__file__).parent.parent

ABSENT = ("fcntl", "termios", "tty", "pty", "pwd", "grp", "resource", "readline", "curses", "syslog")

# The libraries are loaded first, as they are; then our own modules once more, as on Windows.
PATCHED = f"""
import importlib, pkgutil, sys, types
import fitassay
def load():
    for found in pkgutil.walk_packages(fitassay.__path__, "fitassay."):
        if not found.name.startswith("fitassay.gallery") and not found.name.endswith("__main__"):
            importlib.import_module(found.name)
    for room in ("coupons", "analysis"):
        top = importlib.import_module(f"fitassay.{{room}}")
        for found in pkgutil.walk_packages(top.__path__, f"fitassay.{{room}}."):
            importlib.import_module(found.name)
    return len([m for m in sys.modules if m.startswith("fitassay")])
first = load()
import fcntl
held = fcntl.flock
for name in [m for m in sys.modules if m.startswith("fitassay")]:
    del sys.modules[name]
for name in {ABSENT!r}:
    sys.modules[name] = None
msvcrt = types.ModuleType("msvcrt")
msvcrt.LK_NBLCK = 2
def locking(handle, mode, count):
    try:
        held(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        raise PermissionError(13, "Permission denied") from None
msvcrt.locking = locking
sys.modules["msvcrt"] = msvcrt
sys.platform = "win32"
import fitassay
"""


def patched(code: str, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", PATCHED + code, *words], capture_output=True, text=True, cwd=ROOT, timeout=300
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


def test_every_module_loads_without_what_only_posix_has():
    assert patched("assert load() == first > 100\nprint('good')") == "good\n"


def test_one_writer_at_a_time_by_the_locks_of_windows(tmp_path):
    """The lock file stays, as an open file cannot be removed there; it is taken over by the next writer."""
    code = """
from pathlib import Path
from fitassay.coupons.lock import locked
from fitassay.coupons.errors import JobError
path = Path(sys.argv[1])
for _ in range(2):
    with locked(path):
        try:
            with locked(path, patience_s=0.05):
                print("both")
        except JobError:
            print("one")
"""
    assert patched(code, str(tmp_path / "readings.csv")) == "one\none\n"
    assert [p.name for p in tmp_path.iterdir()] == [".readings.csv.lock"]


def held_open(monkeypatch, times: int) -> list[float]:
    """Whoever holds the file open lets go of it after so many tries; the waits in between."""
    import fitassay.coupons.files as files

    real, waits = files.os.replace, []

    def replace(source: str, target: Path) -> None:
        if len(waits) < times:
            raise PermissionError(13, "Permission denied", str(target))
        real(source, target)

    monkeypatch.setattr(files, "WINDOWS", True)
    monkeypatch.setattr(files.os, "replace", replace)
    monkeypatch.setattr(files.time, "sleep", waits.append)
    return waits


def test_a_file_that_is_held_open_for_a_moment_is_waited_for(tmp_path, monkeypatch):
    path = tmp_path / "readings.csv"
    path.write_text("old")
    waits = held_open(monkeypatch, times=3)
    write_atomic(path, "new")
    assert path.read_text() == "new"
    assert len(waits) == 3


def test_a_file_that_stays_open_elsewhere_is_named_and_kept(tmp_path, monkeypatch):
    path = tmp_path / "readings.csv"
    path.write_text("old")
    waits = held_open(monkeypatch, times=1000)
    with pytest.raises(
        WriteError, match=r"readings\.csv: cannot be written .*close the program that has it open"
    ):
        write_atomic(path, "new")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["readings.csv"]
    assert sum(waits) < 5


RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


@pytest.mark.parametrize("name", ["con", "NUL.stl", "aux.csv", "com1.toml", "LPT9"])
def test_names_of_devices_are_refused(tmp_path, monkeypatch, name):
    monkeypatch.setattr("fitassay.coupons.files.WINDOWS", True)
    with pytest.raises(WriteError, match="keeps for a device"):
        write_atomic(tmp_path / name, "text")
    write_atomic(tmp_path / "console.csv", "text")
    assert [p.name for p in tmp_path.iterdir()] == ["console.csv"]


def test_every_name_that_is_written_is_one_there(tmp_path):
    """No character, ending or name that Windows refuses (Microsoft: Naming Files, Paths, and Namespaces)."""
    case = str(tmp_path / "orrery")
    for words in (["init", case, "--yes"], ["make", case], ["simulate", case], ["diagnose", case]):
        done = CliRunner().invoke(cli, words)
        assert done.exit_code == 0, done.output
    names = [p.name for p in tmp_path.rglob("*")]
    assert len(names) > 15
    for name in names:
        assert re.fullmatch(r"[\w .+-]*[\w+-]", name), name
        assert not RESERVED.fullmatch(name)
    assert len({n.casefold() for n in names}) == len(set(names))
