"""Seeded hostile files of every kind: no crash, no hang, bounded memory, and a sentence that names the file.

    python -m pytest -m fuzz

2,000 files a kind; FUZZ_FILES=200 for a quick look, FUZZ_FIRST=1000000 for other ones.
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

pytestmark = pytest.mark.fuzz

ROOT = Path(__file__).parents[2]
FILES = int(os.environ.get("FUZZ_FILES", "2000"))
FIRST = int(os.environ.get("FUZZ_FIRST", "0"))


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


@pytest.mark.skipif(sys.platform != "linux", reason="the limit on memory is Linux's")
@pytest.mark.parametrize("kind", KINDS)
def test_hostile_files(good: Path, kind: str) -> None:
    complaints: list[str] = []
    first, end = FIRST, FIRST + FILES
    while first < end:
        done = child(good.parent, kind, first, end - first)
        answers = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
        complaints += [f"{a['ended']}: {a['wrong']}" for a in answers if a.get("wrong")]
        ended = [a["peak_mb"] for a in answers if "peak_mb" in a]
        if ended:
            assert ended[0] < 600
            break
        # It was stopped from outside: too slow (SIGPROF, SIGALRM), or killed.
        last = max((a["begun"] for a in answers if "begun" in a), default=first)
        complaints.append(f"{last}: ended by signal {-done.returncode}: {done.stderr[-500:]}")
        first = last + 1
    assert not complaints, f"{len(complaints)} of {FILES}\n" + "\n".join(complaints[:20])


def child(folder: Path, kind: str, first: int, count: int) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", "-m", "tests.fuzz.child", str(folder), kind, str(first), str(count)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )
