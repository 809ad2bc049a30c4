"""Runs one kind of hostile file through its command; the test starts it.

    python -W error -m tests.fuzz.child FOLDER KIND FIRST COUNT

The program and its libraries are loaded once; every file gets a process of its own forked from that, with limits on
its memory and time, its own three streams and the program's own entry. `test_fuzz` holds that such a process answers
as one does that was started afresh.

A line of JSON for each file on standard output: its number, exit code, what was said, the peak of memory, digests
of the files that are there now, and what was wrong with the answer.
"""

from __future__ import annotations

import hashlib
import json
import random
import re
import shutil
import signal
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

from click.testing import CliRunner

from fitassay.cli import cli
from tests.fuzz.kinds import HALF, KINDS, WHOLE, Kind
from tests.own_process import MOST_MB, Answer, Run, forked


def wrong(kind: str, name: str, answer: Answer) -> str:
    """What is wrong with an answer: nothing, or the reason in a word and the evidence."""
    if answer.code < 0:
        return f"ended by signal {-answer.code} ({signal.strsignal(-answer.code)}): {answer.errors[-500:]}"
    said = answer.output + answer.errors
    if "Traceback" in said:
        return "crash: " + said[-1500:]
    if "\x1b" in said or "\0" in said:
        return "raw: " + said[-300:]
    if answer.code not in (0, *KINDS[kind].refusals):
        return f"exit {answer.code}: {answer.errors[-300:]}"
    if (
        answer.code == 2
        and KINDS[kind].typed is not None
        and (nowhere := unplaced(kind, name, answer.errors))
    ):
        return f"no place named: {nowhere[-300:]}"
    if answer.peak_mb >= MOST_MB:
        return f"memory: {answer.peak_mb} MB"
    return ""


def unplaced(kind: str, name: str, errors: str) -> str:
    """The first sentence that names no file or no place in it, where the file as a whole is none; else nothing."""
    sentences = [line for line in errors.splitlines() if line.startswith("fitassay: ")]
    for sentence in sentences:
        _, found, rest = sentence.partition(name)
        if not found or not (
            KINDS[kind].place.match(rest) or WHOLE.search(rest) or KINDS[kind].whole.search(rest)
        ):
            return sentence
    return "" if sentences else errors or "nothing was said"


def files_in(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


DATE = re.compile(rb"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?")


def digests(files: dict[str, bytes]) -> dict[str, str]:
    """Of each file, but for the time of day in it."""
    return {name: hashlib.sha256(DATE.sub(b"", data)).hexdigest()[:16] for name, data in files.items()}


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


def hostile(kind_name: str, number: int, kept: Path) -> bytes:
    """The file of a number: the same on every run."""
    kind = KINDS[kind_name]
    rng = random.Random(f"{kind_name} {number}")
    return kind.change(rng.choice(kind.seeds(kept)), rng)


def put_back(work: Path, good: dict[str, bytes], now: dict[str, bytes]) -> None:
    """A folder as it was, without writing anew what did not change."""
    for name in now.keys() - good.keys():
        (work / name).unlink()
    for name, content in good.items():
        if now.get(name) != content:
            (work / name).parent.mkdir(parents=True, exist_ok=True)
            (work / name).write_bytes(content)
    empty = {p for p in work.rglob("*") if p.is_dir() and not any(p.iterdir())}
    for folder in empty:
        folder.rmdir()


def answers(
    kind_name: str, numbers: range, kept: Path, work: Path, streams: Path
) -> Iterator[tuple[int, Answer, dict[str, bytes], str]]:
    """Each number's answer, the files after it, and what is wrong with it."""
    kind = KINDS[kind_name]
    good = files_in(work)
    for number in numbers:
        content = hostile(kind_name, number, kept)
        (work / kind.file).write_bytes(content)
        typed = content.decode("utf-8", "surrogateescape") if kind.typed is None else kind.typed
        answer = forked(Run(words=tuple(kind.command(work)), typed=typed), streams)
        after = files_in(work)
        complaint = wrong(kind_name, Path(kind.file).name, answer) or lost(
            kind, {**good, kind.file: content}, after
        )
        yield number, answer, after, complaint
        put_back(work, good, after)


def main(folder: Path, kind_name: str, first: int, count: int) -> None:
    kind = KINDS[kind_name]
    kept = folder / "kept"
    place = folder / "runs"
    shutil.rmtree(place, ignore_errors=True)
    (place / "streams").mkdir(parents=True)
    work = shutil.copytree(kept, place / "work")
    # What the good file's run loads and draws is there for all that follow.
    typed = (kept / kind.file).read_bytes() if kind.typed is None else kind.typed
    done = CliRunner().invoke(cli, kind.command(work), input=typed)
    assert done.exit_code == 0, done.output
    put_back(work, files_in(kept), files_in(work))
    for number, answer, after, complaint in answers(
        kind_name, range(first, first + count), kept, work, place / "streams"
    ):
        line = {
            "number": number,
            "wrong": complaint,
            **asdict(answer),
            "files": digests(after) if count < 50 else {},
        }
        print(json.dumps(line), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
