"""Ended at any moment, as by kill -9: prints are whole or not there, and what was acknowledged is on disk.

FITASSAY_KILLS=70 for so many of each kind; a few by default.
"""

from __future__ import annotations

import csv
import io
import json
import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from fitassay.cli import cli
from tests.own_process import ALONE, ROOT

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="signals and timers of Linux")

KILLS = int(os.environ.get("FITASSAY_KILLS", "6"))
FAMILY = ("--family", "single-wall")
READINGS = [f"{20 + i / 100:.2f}" for i in range(1, 13)]


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("made") / "orrery"
    for words in (["init", "--yes"], ["make", *FAMILY]):
        done = CliRunner().invoke(cli, [words[0], str(folder), *words[1:]])
        assert done.exit_code == 0, done.output
    return folder


class Killed:
    """The process from which the runs are forked; one answer at a time."""

    def __init__(self, folder: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.killed", str(folder)],
            cwd=ROOT,
            env=ALONE,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def __call__(self, *words: str, typed: str = "", **moment: object) -> dict:
        assert self.process.stdin and self.process.stdout
        self.process.stdin.write(json.dumps({"words": words, "typed": typed, **moment}) + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    killed = Killed(tmp_path_factory.mktemp("killed"))
    yield killed
    killed.process.communicate()


def moments(
    run: Killed, rng: random.Random, place: Path, words: tuple[str, ...], typed: str = ""
) -> list[dict]:
    """Half of them at a touch of a file, half at a time; known from runs that end by themselves."""
    whole = run(*words, typed=typed, touch=0, place=str(place))
    assert whole["code"] == 0
    touches = [{"touch": rng.randint(1, 150)} for _ in range((KILLS + 1) // 2)]
    return touches + [{"seconds": whole["seconds"] * rng.uniform(0.02, 1.05)} for _ in range(KILLS // 2)]


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_a_print_is_made_whole_or_not_at_all(made, run, tmp_path):
    rng = random.Random(15)
    example = Path(shutil.copytree(made, tmp_path / "example"))
    words = ("make", "{}", *FAMILY, "--new-print")
    tried = moments(run, rng, example, tuple(w.format(example) for w in words))
    names = {p.name for p in (example / "prints/02").iterdir()}
    assert {"readings.csv", "coupons.json", "machine.toml"} <= names
    ended = 0
    for i, moment in enumerate(tried):
        case = Path(shutil.copytree(made, tmp_path / f"{i}"))
        before = contents(case)
        answer = run(*(w.format(case) for w in words), place=str(case), **moment)
        ended += answer["code"] < 0
        after = contents(case)
        assert {n: after.get(n) for n in before} == before, moment
        second = case / "prints/02"
        assert not second.exists() or {p.name for p in second.iterdir()} == names, moment
        assert answer["code"] < 0 or second.exists()
    assert ended >= KILLS // 3


def test_readings_of_a_pipe_that_were_acknowledged_are_on_disk(made, run, tmp_path):
    rng = random.Random(16)
    typed = "r outside 20\n" + "".join(f"{value}\n" for value in READINGS[:2]) + "\n0.46\n0.47\n0.45\nq\n"
    example = Path(shutil.copytree(made, tmp_path / "example"))
    tried = moments(run, rng, example, ("enter", str(example)), typed)
    whole = values(example)
    assert len(whole) > 3
    ended = 0
    for i, moment in enumerate(tried):
        case = Path(shutil.copytree(made, tmp_path / f"{i}"))
        answer = run("enter", str(case), typed=typed, place=str(case), **moment)
        ended += answer["code"] < 0
        got = values(case)
        # In the order in which they were typed, none missing and none made up.
        assert sorted(got) == sorted(in_order(whole, typed)[: len(got)]), moment
        # A prompt is asked only when what was typed before it is on disk.
        asked = answer["output"].count("reading: ")
        told = typed.split("\n")[: max(asked - 1, 0)]
        assert len(got) >= sum(t in whole for t in told), (moment, answer["output"])
    assert ended >= KILLS // 3


def values(case: Path) -> list[str]:
    """The readings of the case's print, as text; its file can be read to its last line."""
    raw = (case / "prints/01/readings.csv").read_bytes()
    assert raw.endswith(b"\n")
    rows = list(csv.DictReader(io.StringIO(raw.decode("utf-8"))))
    assert all(len(row) == 4 and None not in row for row in rows)
    return [row["reading_mm"] for row in rows if row["reading_mm"]]


def in_order(whole: list[str], typed: str) -> list[str]:
    return [line for line in typed.split("\n") if line in whole]


BOOK = """
import os, signal, sys
from pathlib import Path
from fitassay.analysis.readings.file import ReadingsBook
from fitassay.coupons.export.manifest import read_manifest
from tests.killed import at_time, at_touch
case, made, most = sys.argv[1], read_manifest(Path(sys.argv[2])), int(sys.argv[3])
rng = __import__("random").Random(17)
feature = made.coupons[0].features[0].id
for n in range(most):
    folder = Path(case, str(n))
    folder.mkdir()
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        (at_touch(rng.randint(1, 800), str(folder)) if n % 2 else at_time(rng.uniform(0.001, 0.05)))()
        book = ReadingsBook(folder / "readings.csv", made)
        for i in range(200):
            book.add(made.coupons[0].id, feature, round(0.3 + i / 1000, 3))
            os.write(write, b".")
        os._exit(0)
    os.close(write)
    rng.random()
    os.waitpid(child, 0)
    print(len(os.read(read, 1000)), flush=True)
    os.close(read)
"""


def test_readings_that_the_book_took_are_on_disk(made, tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", BOOK, str(tmp_path), str(made / "prints/01/coupons.json"), str(KILLS)],
        cwd=ROOT,
        env=ALONE,
        capture_output=True,
        text=True,
        check=True,
    )
    taken = [int(line) for line in done.stdout.split()]
    assert len(taken) == KILLS and min(taken) < 200
    for n, acknowledged in enumerate(taken):
        path = tmp_path / str(n) / "readings.csv"
        rows = list(csv.DictReader(io.StringIO(path.read_text("utf-8")))) if path.exists() else []
        found = [row["reading_mm"] for row in rows if row["reading_mm"]]
        assert [float(v) for v in found] == [round(0.3 + i / 1000, 3) for i in range(len(found))]
        assert acknowledged <= len(found) <= acknowledged + 1
