"""The program in a process of its own for each run: forked from one in which it is loaded, surroundings as told.

    python -m tests.own_process FOLDER < runs > answers     # a line of JSON each

`tests.fuzz` holds that such a process answers as one does that was started afresh.
"""

from __future__ import annotations

import fcntl
import json
import os
import resource
import signal
import subprocess
import sys
import traceback
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent
LONGEST_S = 10
"""Of the processor, so that a busy machine is no fault of the input; a wait for something takes twelve times that."""
MOST_MB = 600
ALONE = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
"""The environment of a process that forks: one thread."""


@dataclass(frozen=True, kw_only=True)
class Run:
    """One start of the program.

    Attributes
    ----------
    words : tuple of str
        Of the command line; bytes that are no text as surrogates.
    typed : str
        What standard input holds.
    closed : tuple of int
        Streams that are closed, 0 to 2.
    most_bytes : int
        A file may grow to no more; -1 for no limit.
    powerless : bool
        Without root's own rights, so that the permissions of files hold for root too.
    """

    words: tuple[str, ...]
    typed: str = ""
    closed: tuple[int, ...] = ()
    most_bytes: int = -1
    powerless: bool = False


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What the program did: exit code (below zero: the signal that ended it), output, peak in MB."""

    code: int
    output: str
    errors: str
    peak_mb: int = 0


def answered(folder: Path, runs: Iterable[Run]) -> list[Answer]:
    """The program's answer to each, one after another; `folder` is for the streams."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.own_process", str(folder)],
        cwd=ROOT,
        input="".join(json.dumps(asdict(run)) + "\n" for run in runs),
        stdout=subprocess.PIPE,
        text=True,
        env=ALONE,
        check=True,
    )
    return [Answer(**json.loads(line)) for line in done.stdout.splitlines()]


def limit() -> None:
    """The process that calls this gets no more memory and time than a run may take."""
    resource.setrlimit(resource.RLIMIT_DATA, (MOST_MB << 20, MOST_MB << 20))
    resource.setrlimit(resource.RLIMIT_CPU, (LONGEST_S, LONGEST_S + 5))
    signal.alarm(12 * LONGEST_S)


def forked(run: Run, streams: Path) -> Answer:
    """What the program answers in a process forked from this one."""
    (streams / "in").write_bytes(run.typed.encode("utf-8", "surrogateescape"))
    for name in ("out", "err"):
        (streams / name).unlink(missing_ok=True)
        (streams / name).touch()
    pipes = [_pipe(streams / name) for name in ("out", "err")] if run.most_bytes >= 0 else []
    child = begun(run, streams)
    _, status, used = os.wait4(child, 0)
    texts = [_drained(pipe) for pipe in pipes] or [(streams / name).read_bytes() for name in ("out", "err")]
    output, errors = (text.decode("utf-8", "replace") for text in texts)
    return Answer(
        code=os.waitstatus_to_exitcode(status), output=output, errors=errors, peak_mb=used.ru_maxrss // 1024
    )


def _pipe(path: Path) -> int:
    """A pipe in place of the file, which no limit on files holds for; it takes a megabyte unread."""
    path.unlink()
    os.mkfifo(path)
    pipe = os.open(path, os.O_RDWR | os.O_NONBLOCK)
    fcntl.fcntl(pipe, fcntl.F_SETPIPE_SZ, 1 << 20)
    return pipe


def _drained(pipe: int) -> bytes:
    with os.fdopen(pipe, "rb", buffering=0) as stream:
        return stream.read(1 << 20) or b""


def begun(run: Run, streams: Path, before: Callable[[], None] = limit) -> int:
    """The id of a process forked from this one that runs the program."""
    child = os.fork()
    if child == 0:
        os._exit(_run_on(run, streams, before))
    return child


def _run_on(run: Run, streams: Path, before: Callable[[], None]) -> int:
    """Run the program on three files as its streams, as the interpreter does when it starts and ends."""
    try:
        before()
        for number, (name, flags) in enumerate(
            (("in", os.O_RDONLY), ("out", os.O_WRONLY), ("err", os.O_WRONLY))
        ):
            os.dup2(os.open(streams / name, flags), number)
        sys.stdin = open(0, encoding="utf-8", closefd=False)
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)
        sys.stderr = open(2, "w", encoding="utf-8", errors="backslashreplace", closefd=False)
        for number in run.closed:
            os.close(number)
            setattr(sys, ("stdin", "stdout", "stderr")[number], None)
        if run.most_bytes >= 0:
            resource.setrlimit(resource.RLIMIT_FSIZE, (run.most_bytes, run.most_bytes))
        if run.powerless:
            _give_up_rights()
        sys.argv = ["fitassay", *run.words]
        return _ended()
    except BaseException:
        os.write(2, traceback.format_exc().encode("utf-8", "replace"))
        return 1


def _ended() -> int:
    from fitassay.__main__ import main as program

    try:
        program()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 1
    else:
        code = 0
    for stream in (sys.stdout, sys.stderr):
        if stream is not None:
            stream.flush()
    return code


def _give_up_rights() -> None:
    """Drop all capabilities of Linux: version 3 of the header, this process, three empty sets of 64 bits."""
    import ctypes

    header = (ctypes.c_uint32 * 2)(0x20080522, 0)
    if ctypes.CDLL(None, use_errno=True).capset(header, (ctypes.c_uint32 * 6)()):
        raise OSError(ctypes.get_errno(), "capset")


def load() -> None:
    """What nearly every run needs, before the first fork."""
    import click

    from fitassay.cli import cli

    group = click.Context(cli)
    for name in cli.list_commands(group):
        cli.get_command(group, name)
    import fitassay.analysis.diagnosis.diagnose
    import fitassay.coupons.make  # noqa: F401


def main(folder: Path) -> None:
    streams = folder / "streams"
    streams.mkdir(exist_ok=True)
    load()
    for line in sys.stdin:
        told = json.loads(line)
        run = Run(**{**told, "words": tuple(told["words"]), "closed": tuple(told["closed"])})
        print(json.dumps(asdict(forked(run, streams))), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
