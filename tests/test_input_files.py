"""Every place that reads a file reads regular files within a size, and writes whole ones where it may."""

from __future__ import annotations

import os
import shutil
import signal
import stat
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from fitassay.cli import cli
from fitassay.coupons.errors import InputError, WriteError
from fitassay.coupons.files import clear_leftovers, read_input, write_atomic

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pipes and modes of POSIX")


@pytest.fixture(scope="module")
def made_case(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made") / "orrery"
    for arguments in (["init", "--yes"], ["make", "--family", "reversal-comb"], ["simulate"]):
        done = CliRunner().invoke(cli, [arguments[0], str(folder), *arguments[1:]])
        assert done.exit_code == 0, done.output
    return folder


@pytest.fixture
def case(made_case, tmp_path):
    return Path(shutil.copytree(made_case, tmp_path / "orrery"))


class Late(BaseException):
    """No `OSError`, which a reader would take for its file's."""


@contextmanager
def at_once(seconds: int = 30):
    """Fails a test that waits for a writer who never comes."""

    def late(*_: object) -> None:
        raise Late

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def refused(run, name: str) -> None:
    assert run.exit_code == 2, run.output
    assert run.stderr.startswith("fitassay: ") and run.stderr.count("\n") == 1, run.stderr
    assert name in run.stderr


PLACES = {
    "machine.toml": ["diagnose"],
    "prints/01/machine.toml": ["diagnose"],
    "prints/01/coupons.json": ["diagnose"],
    "prints/01/readings.csv": ["diagnose"],
    "prints/01/filament.csv": ["diagnose"],
    "prints/01/feed.csv": ["diagnose"],
    "feed.csv": ["diagnose"],
    "joints.csv": ["diagnose"],
    "machine.before.toml": ["apply", "--undo"],
    "./prints/01/readings.csv": ["enter"],
}
KINDS = ["pipe", "endless device", "folder", "link to itself"]


def put(kind: str, path: Path) -> None:
    """Something that is no regular file, in place of what was there."""
    path.unlink(missing_ok=True)
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to("/dev/zero" if kind == "endless device" else path)


SAID = {
    "pipe": "a pipe or a device",
    "endless device": "a pipe or a device",
    "folder": "a folder",
    "link to itself": "a link",
}


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("kind", KINDS)
def test_what_is_no_regular_file_is_refused_at_once(case, place, kind):
    put(kind, case / place)
    with at_once():
        run = CliRunner().invoke(cli, [PLACES[place][0], str(case), *PLACES[place][1:]])
    refused(run, Path(place).name)
    # Without diameters of the filament a feed test is refused before it is opened.
    if not place.endswith("feed.csv"):
        assert f"it is {SAID[kind]}" in " ".join(run.stderr.split())


@pytest.mark.parametrize("kind", KINDS)
def test_what_was_said_last_is_passed_over_where_it_is_no_regular_file(case, kind, monkeypatch):
    put(kind, case / "prints" / "01" / "diagnosis.json")
    monkeypatch.chdir(case)
    with at_once():
        run = CliRunner().invoke(cli, [])
    assert run.exit_code == 0, run.output
    assert "01   " in run.stdout


def test_settings_that_cannot_be_read_are_not_put_back(case):
    before = (case / "machine.toml").read_bytes()
    (case / "machine.before.toml").write_bytes(before + b"nonsense\n")
    refused(CliRunner().invoke(cli, ["apply", str(case), "--undo"]), "machine.before.toml")
    assert (case / "machine.toml").read_bytes() == before


@pytest.mark.parametrize("command", [["trace"], ["correct"]])
def test_a_pipe_named_as_an_argument_is_refused(case, command, tmp_path):
    pipe = tmp_path / "part.stl"
    os.mkfifo(pipe)
    more = ["-o", str(tmp_path / "out.stl")] if command == ["correct"] else []
    with at_once():
        run = CliRunner().invoke(cli, [*command, str(case), str(pipe), *more])
    refused(run, "part.stl")


def test_a_file_too_large_for_its_kind_says_how_large_and_how_large_it_may_be(tmp_path):
    path = tmp_path / "machine.toml"
    path.touch()
    os.truncate(path, 3_000_000)
    with pytest.raises(InputError, match="too large for a machine file: 3 MB where 256 kB is the most"):
        read_input(path, "machine file")


def test_a_key_of_many_parts_is_refused_before_it_fills_the_memory(case):
    path = case / "machine.toml"
    path.write_text(".".join("a" * 1 for _ in range(100_000)) + " = 1\n")
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_AS, (10**9, 10**9));"
        f"sys.argv = ['fitassay', 'diagnose', {str(case)!r}];"
        "from fitassay.cli import main; sys.exit(main())"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert run.returncode == 2
    assert "machine.toml, line 1: has more than 60 dots" in run.stderr.replace("\n", " ")


@pytest.mark.parametrize("mode", [0o600, 0o640, 0o664])
def test_permissions_stay_as_they_are(tmp_path, mode):
    path = tmp_path / "readings.csv"
    path.write_text("old")
    path.chmod(mode)
    write_atomic(path, "new")
    assert path.read_text() == "new"
    assert stat.S_IMODE(path.stat().st_mode) == mode


def test_a_new_file_has_the_usual_permissions(tmp_path):
    umask = os.umask(0o027)
    try:
        write_atomic(tmp_path / "new.csv", "text")
    finally:
        os.umask(umask)
    assert stat.S_IMODE((tmp_path / "new.csv").stat().st_mode) == 0o640


def test_a_read_only_file_is_kept(tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text("old")
    path.chmod(0o444)
    with pytest.raises(WriteError, match=r"readings\.csv: is read-only"):
        write_atomic(path, "new")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["readings.csv"]


def test_a_link_stays_a_link_and_what_it_names_is_written(tmp_path):
    (tmp_path / "real").mkdir()
    real = tmp_path / "real" / "readings.csv"
    real.write_text("old")
    link = tmp_path / "readings.csv"
    link.symlink_to(real)
    write_atomic(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"
    circle = tmp_path / "circle.csv"
    circle.symlink_to(circle)
    with pytest.raises(WriteError, match=r"circle\.csv: cannot be written"):
        write_atomic(circle, "new")


def test_the_folder_is_on_disk_before_the_write_returns(tmp_path, monkeypatch):
    """The last thing synchronised is the folder that holds the new name."""
    synced: list[bool] = []
    real = os.fsync

    def noted(handle: int) -> None:
        synced.append(stat.S_ISDIR(os.fstat(handle).st_mode))
        real(handle)

    monkeypatch.setattr("fitassay.coupons.files.os.fsync", noted)
    write_atomic(tmp_path / "readings.csv", "new")
    assert synced == [False, True]


def test_what_a_killed_writer_left_is_cleared_and_a_running_ones_is_not(tmp_path):
    (tmp_path / "readings.csv").write_text("kept")
    old, young = tmp_path / ".readings.csv.abc.part", tmp_path / ".readings.csv.def.part"
    for path in (old, young):
        path.write_text("half")
    os.utime(old, (1e9, 1e9))
    clear_leftovers(tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == {"readings.csv", young.name}
    clear_leftovers(Path(tmp_path / "nowhere"))


def test_every_start_clears_what_killed_ones_left_in_a_case(case):
    """Half-written files and prints; what is young may be another window's, what is no print's is not ours."""
    inside = case / "prints" / "01"
    half = [case / ".machine.toml.q1w2e3r4.part", inside / ".readings.csv.q1w2e3r4.part"]
    print_ = case / "prints" / ".02.q1w2e3r4.part"
    young, own = inside / ".report.html.q1w2e3r4.part", case / "prints" / ".mine.part"
    for path in (*half, young):
        path.write_text("half")
    for folder in (print_, own):
        folder.mkdir()
        (folder / "wall.stl").write_text("half")
    for path in (*half, print_, own):
        os.utime(path, (1e9, 1e9))
    done = CliRunner().invoke(cli, ["enter", str(case)], input="q\n")
    assert done.exit_code == 0, done.output
    assert not any(p.exists() for p in (*half, print_))
    assert young.exists() and (own / "wall.stl").exists()
