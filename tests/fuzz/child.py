"""Runs one kind of hostile file through its command, many times in one process; the test starts it.

    python -W error -m tests.fuzz.child FOLDER KIND FIRST COUNT

A line of JSON for each file on standard output: its number, exit code and what was wrong with the answer.
"""

from __future__ import annotations

import json
import random
import re
import resource
import shutil
import signal
import sys
import traceback
from collections import Counter
from pathlib import Path

from click.testing import CliRunner, Result

from fitassay.cli import cli
from tests.fuzz.kinds import HALF, KINDS, Kind

LONGEST_S = 10
"""Of the processor, so that a busy machine is no fault of the file; a wait for something takes twelve times that."""
MOST_MB = 600


def wrong(kind: str, name: str, result: Result) -> str:
    """What is wrong with an answer: nothing, or the reason in a word and the evidence."""
    error = result.exception
    if error is not None and not isinstance(error, SystemExit):
        return "crash: " + "".join(traceback.format_exception(error)[-3:])
    if result.exit_code not in (0, *KINDS[kind].refusals):
        return f"exit {result.exit_code}: {result.stderr[-300:]}"
    if "Traceback" in result.output or "\x1b" in result.output or "\0" in result.output:
        return "raw: " + result.output[-300:]
    if result.exit_code == 2 and KINDS[kind].typed is not None and name not in result.stderr:
        return f"no file named: {result.stderr[-300:]}"
    return ""


def files_in(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def lost(kind: Kind, before: dict[str, bytes], after: dict[str, bytes]) -> str:
    """What a command did to files that it had nothing to write to, or to rows that it was to add to."""
    for name, content in before.items():
        if name in kind.writes or name.startswith(tuple(f"{place}/" for place in kind.writes)):
            continue
        if after.get(name) != content:
            return f"changed: {name}"
    if kind.file == HALF:
        kept, now = Counter(_rows(before[HALF])), Counter(_rows(after[HALF]))
        if sum((kept - now).values()) > 1:
            return f"lost: {list((kept - now).elements())[:5]}"
    return ""


def _rows(data: bytes) -> list[str]:
    """Lines with something in them, however they end."""
    text = data.decode("utf-8-sig", "surrogateescape")
    return [line for line in text.splitlines() if line.strip(" ,;\t")]


def main(folder: Path, kind_name: str, first: int, count: int) -> None:
    kind = KINDS[kind_name]
    kept = folder / "kept"
    for number in range(first, first + count):
        print(json.dumps({"begun": number}), flush=True)
        work = folder / "work"
        shutil.rmtree(work, ignore_errors=True)
        shutil.copytree(kept, work)
        path = work / kind.file
        rng = random.Random(f"{kind_name} {number}")
        hostile = kind.change(rng.choice(kind.seeds(kept)), rng)
        path.write_bytes(hostile)
        before = files_in(work)
        if number == first:
            resource.setrlimit(resource.RLIMIT_DATA, (MOST_MB << 20, MOST_MB << 20))
        signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
        signal.alarm(12 * LONGEST_S)
        result = CliRunner().invoke(
            cli, kind.command(work), input=hostile if kind.typed is None else kind.typed
        )
        signal.alarm(0)
        signal.setitimer(signal.ITIMER_PROF, 0)
        complaint = wrong(kind_name, path.name, result) or lost(kind, before, files_in(work))
        answer = {"ended": number, "code": result.exit_code, "wrong": complaint}
        print(json.dumps(answer), flush=True)
    peak = re.search(r"VmHWM:\s*(\d+) kB", Path("/proc/self/status").read_text())
    print(json.dumps({"peak_mb": int(peak[1]) // 1024 if peak else 0}), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
