"""Runs the program again and again, and ends it (as kill -9 does) at a moment of its own choosing.

    python -m tests.killed FOLDER < runs > answers      # a line of JSON each: words, typed, moment

A moment is a share of what an undisturbed run does to files (whole numbers: the n-th time) or, below zero, a share of
the processor's time that it takes.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path

from tests.own_process import Run, begun, limit, load

TOUCHES = {"open", "os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.link", "os.chmod", "fcntl.flock"}
WRITES = {"write", "flush", "fsync", "close"}


def at_touch(number: int, place: str) -> Callable[[], None]:
    """Ends the process at the n-th time that it does something to a file below `place`; 0 for never."""

    def before() -> None:
        limit()
        seen = 0

        def count() -> None:
            nonlocal seen
            seen += 1
            if seen == number:
                os.kill(os.getpid(), signal.SIGKILL)

        def look(event: str, arguments: tuple) -> None:
            if event in TOUCHES and any(place in str(a) for a in arguments[:2]):
                count()

        def call(_: object, event: str, function: object) -> None:
            if event == "c_call" and getattr(function, "__name__", "") in WRITES:
                count()

        sys.addaudithook(look)
        sys.setprofile(call)

    return before


def at_time(seconds: float) -> Callable[[], None]:
    """Ends the process when it has used the processor for so long, without its knowing."""

    def before() -> None:
        limit()
        signal.setitimer(signal.ITIMER_PROF, seconds)

    return before


def main(folder: Path) -> None:
    streams = folder / "streams"
    streams.mkdir()
    load()
    for line in sys.stdin:
        told = json.loads(line)
        (streams / "in").write_text(told["typed"])
        for name in ("out", "err"):
            (streams / name).unlink(missing_ok=True)
            (streams / name).touch()
        before = at_touch(told["touch"], told["place"]) if "touch" in told else at_time(told["seconds"])
        child = begun(Run(words=tuple(told["words"])), streams, before)
        _, status, used = os.wait4(child, 0)
        answer = {
            "code": os.waitstatus_to_exitcode(status),
            "output": (streams / "out").read_text("utf-8"),
            "seconds": used.ru_utime + used.ru_stime,
        }
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
