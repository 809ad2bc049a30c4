"""Bytes that are no text: typed at a dialog, within a file's record, in the names of files."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from fitassay.cli import cli
from tests.fuzz.kinds import make_good

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(sys.platform != "linux", reason="names of arbitrary bytes are Linux's"),
]


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    return make_good(tmp_path_factory.mktemp("good"))


@pytest.fixture
def folder(good, tmp_path):
    return Path(shutil.copytree(good, tmp_path / "work"))


def run(*words: str | bytes, typed: bytes = b"", encoding: str = "utf-8:strict", cwd: Path | None = None):
    """The command in a process of its own, whose standard input takes nothing but text."""
    done = subprocess.run(
        [sys.executable, "-m", "fitassay", *words],
        input=typed,
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": encoding},
        cwd=cwd,
        timeout=120,
    )
    assert b"Traceback" not in done.stdout + done.stderr, done.stderr.decode(errors="replace")
    return done


def here(*words: str) -> str:
    """What the command says, run in this process: as much is encoded strictly, and it is quicker."""
    done = CliRunner().invoke(cli, list(words))
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.mark.parametrize("encoding", ["utf-8:strict", "ascii:strict", "latin-1"])
def test_good_readings_of_a_pipe_with_other_bytes_in_it_are_kept(folder, encoding):
    case = folder / "case"
    path = case / "prints" / "01" / "readings.csv"
    path.unlink()
    typed = b"0.47\n0.4\xff6\n0.46\n\x1b[2J\n0.45\nq\n"
    done = run("enter", str(case), typed=typed, encoding=encoding)
    assert done.returncode == 0
    rows = [line.split(",")[2] for line in path.read_text().splitlines()[1:] if line.split(",")[2]]
    assert rows[0] == "0.47" and rows[-1] == "0.45"
    assert b"no text" in done.stdout
    assert b"\x1b" not in done.stdout


@pytest.mark.parametrize(
    "kind, good_line",
    [("--filament", b"1.75 1.76"), pytest.param("--feed", b"100 120 20.1", marks=pytest.mark.long)],
)
def test_the_other_dialogs_too(folder, kind, good_line):
    case = folder / "case"
    for path in (case / "filament.csv", case / "feed.csv"):
        path.unlink()
    done = run("enter", str(case), kind, typed=b"\xff\n" + good_line + b"\nq\n")
    assert done.returncode == 0
    assert (case / "prints" / "01" / f"{kind[2:]}.csv").read_text().count("\n") == 2


RECORDS = {
    "zero bytes": b"\0\0\0",
    "brackets": b"[" * 200_000,
    "brackets within": b'{"sources":' + b"[" * 200_000,
    "a number": b"1",
    "no list": b'{"sources": 5}',
    "nothing in it": b'{"sources": [null]}',
}


@pytest.mark.parametrize("record", RECORDS)
@pytest.mark.parametrize("command", ["diagnose", "next"])
def test_a_record_of_traced_files_that_is_none(folder, record, command):
    (folder / "traced" / "prints" / "01" / "trace.json").write_bytes(RECORDS[record])
    done = CliRunner().invoke(cli, [command, str(folder / "traced")])
    assert done.exit_code == 0, done.output
    if command == "diagnose":
        assert "What was traced before cannot be read" in done.stdout


PATHS = {"zero byte": "/a\0b", "lone surrogate": "/a\ud800b", "endless": "/a" * 100_000}


@pytest.mark.parametrize("path", PATHS)
def test_a_record_of_traced_files_that_names_none(folder, path):
    record = folder / "traced" / "prints" / "01" / "trace.json"
    data = json.loads(record.read_text())
    data["sources"][0]["path"] = PATHS[path]
    record.write_text(json.dumps(data))
    done = CliRunner().invoke(cli, ["diagnose", str(folder / "traced")])
    assert done.exit_code == 0, done.output
    assert "What was traced before cannot be read" in done.stdout
    assert len(done.stdout) < 10_000


def test_a_traced_file_that_is_named_a_thousand_times_is_read_once(folder):
    record = folder / "traced" / "prints" / "01" / "trace.json"
    data = json.loads(record.read_text())
    before = CliRunner().invoke(cli, ["diagnose", str(folder / "traced"), "--json"])
    record.write_text(json.dumps({**data, "sources": data["sources"] * 1000}))
    after = CliRunner().invoke(cli, ["diagnose", str(folder / "traced"), "--json"])
    assert after.exit_code == 0
    assert after.stdout == before.stdout


BYTES = os.fsdecode(b"or\xffrery\xe9")


def test_a_case_in_a_folder_whose_name_is_no_text(folder, tmp_path):
    case = str(tmp_path / BYTES)
    for words in (["init", case, "--yes"], ["make", case, "--family", "single-wall"], ["simulate", case]):
        here(*words)
    for words in (["diagnose", case], ["next", case], ["predict", case], ["plan", case]):
        here(*words)
        json.loads(here(*words, "--json"))
    assert run("diagnose", case).returncode == 0
    json.loads(run("diagnose", case, "--json").stdout)
    assert run(cwd=tmp_path / BYTES).returncode == 0


@pytest.mark.long
def test_a_sliced_file_whose_name_is_no_text_is_remembered_by_it(folder):
    case, file = str(folder / "case"), folder / f"{BYTES}.txt"
    (folder / "plate.txt").rename(file)
    assert run("trace", case, os.fsencode(file)).returncode == 0
    json.loads(here("trace", case, str(file), "--json"))
    said = run("diagnose", case).stdout.decode()
    assert "ideal paths are assumed" not in said
    file.unlink()
    assert "is gone" in here("diagnose", case)


@pytest.mark.parametrize("ending", [".stl", pytest.param(".3mf", marks=pytest.mark.long)])
def test_a_part_whose_name_is_no_text(folder, ending):
    case, part, out = (
        str(folder / "case"),
        folder / f"{BYTES}\x01{ending}",
        folder / f"out{BYTES}\x01{ending}",
    )
    (folder / f"part{ending}").rename(part)
    assert run("correct", case, os.fsencode(part), "-o", os.fsencode(out)).returncode == 0
    # What was written can be read again.
    here("correct", case, str(out), "-o", str(folder / "again.stl"))


WORDS = [
    ["predict", "CASE", "--fit", BYTES, "--size", "3"],
    ["predict", "CASE", "--pair", BYTES],
    ["correct", "CASE", "part.stl", "-o", "x.stl", "--unit", BYTES],
    ["correct", "CASE", "part.stl", "-o", "x.stl", "--unit", "m" * 5000],
    ["diagnose", "CASE", "--print", BYTES],
    ["apply", "CASE", BYTES],
]


@pytest.mark.parametrize("words", WORDS, ids=lambda w: " ".join(w)[:30].encode("ascii", "replace").decode())
def test_what_an_option_cannot_take_is_shown_short_and_plain(folder, words):
    done = run(*["case" if w == "CASE" else w for w in words], cwd=folder)
    assert done.returncode == 2
    said = done.stderr.decode()
    assert said.count("\n") == 1
    assert len(said) < 400
    assert "udc" not in said
