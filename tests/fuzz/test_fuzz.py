"""Seeded hostile files of every kind: no crash, no hang, bounded memory, and a sentence that names the file.

    python -m pytest -m fuzz

2,000 files a kind; FUZZ_FILES=200 for a quick look, FUZZ_FIRST=1000000 for other ones, FUZZ_FOLDER=x to keep what
was answered to each.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.fuzz.kinds import KINDS, make_good
from tests.own_process import ALONE, limit

pytestmark = pytest.mark.fuzz

ROOT = Path(__file__).parents[2]
FILES = int(os.environ.get("FUZZ_FILES", "2000"))
FIRST = int(os.environ.get("FUZZ_FIRST", "0"))
FOLDER = os.environ.get("FUZZ_FOLDER")
FRESH = 6
linux = pytest.mark.skipif(sys.platform != "linux", reason="limits and peaks of memory as Linux has them")


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> Path:
    return make_good(tmp_path_factory.mktemp("fuzz"))


@pytest.mark.parametrize("kind", KINDS)
def test_the_good_files_are_read(good: Path, kind: str, tmp_path: Path) -> None:
    from fitassay.cli import cli

    folder = shutil.copytree(good, tmp_path / "kept")

    one = KINDS[kind]
    typed = (good / one.file).read_bytes() if one.typed is None else one.typed
    done = CliRunner().invoke(cli, one.command(folder), input=typed)
    assert done.exit_code == 0, done.output


@linux
@pytest.mark.parametrize("kind", KINDS)
def test_hostile_files(good: Path, kind: str) -> None:
    answers = asked(good, kind, FIRST, FILES)
    if FOLDER:
        lines = [json.dumps({k: v for k, v in a.items() if k != "files"}) for a in answers]
        Path(FOLDER, f"{kind}.{FIRST}.jsonl").write_text("\n".join(lines), "utf-8")
    complaints = [f"{a['number']}: {a['wrong']}" for a in answers if a["wrong"]]
    assert not complaints, f"{len(complaints)} of {FILES}\n" + "\n".join(complaints[:20])
    assert [a["number"] for a in answers] == list(range(FIRST, FIRST + FILES))


@linux
@pytest.mark.parametrize("kind", KINDS)
def test_a_forked_process_answers_as_a_fresh_one(good: Path, kind: str) -> None:
    """So that nothing that the parent holds in memory can pass for an answer."""
    from tests.fuzz.child import digests, files_in, hostile, put_back

    one = KINDS[kind]
    work = good.parent / "runs" / "work"
    kept = files_in(good)
    for answer in asked(good, kind, FIRST, FRESH):
        content = hostile(kind, answer["number"], good)
        (work / one.file).write_bytes(content)
        fresh = subprocess.run(
            [sys.executable, "-W", "error", "-m", "fitassay", *one.command(work)],
            cwd=ROOT,
            input=content if one.typed is None else one.typed.encode(),
            capture_output=True,
            preexec_fn=limit,
            env=ALONE,
        )
        now = files_in(work)
        put_back(work, kept, now)
        said = (
            fresh.returncode,
            fresh.stdout.decode("utf-8", "replace"),
            fresh.stderr.decode("utf-8", "replace"),
        )
        assert said == (answer["code"], answer["output"], answer["errors"]), answer["number"]
        assert digests(now) == answer["files"], answer["number"]


def asked(good: Path, kind: str, first: int, count: int) -> list[dict]:
    done = subprocess.run(
        [
            sys.executable,
            "-W",
            "error",
            "-m",
            "tests.fuzz.child",
            str(good.parent),
            kind,
            str(first),
            str(count),
        ],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
        env=ALONE,
    )
    return [json.loads(line) for line in done.stdout.splitlines()]
