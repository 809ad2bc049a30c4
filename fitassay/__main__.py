"""Runs the command line: python -m fitassay, and the installed command."""

from __future__ import annotations

import os
import signal
import sys

TYPE_CHECKING = False

if TYPE_CHECKING:
    from types import FrameType

STOPPED = 2


def main() -> None:
    """The command line; Ctrl-C ends it with one sentence from its first moment to its last."""
    try:
        # Where whoever started us has Ctrl-C ignored, it stays so.
        if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            signal.signal(signal.SIGINT, _stop)
        try:
            if _helped_at_once():
                return
            from fitassay.cli import main as run

            run()
        finally:
            # What is left is to leave, with the exit code of what was done.
            signal.signal(signal.SIGINT, signal.SIG_IGN)
    except KeyboardInterrupt:
        _say_stopped()
        sys.exit(STOPPED)


def _helped_at_once() -> bool:
    """The front page, without loading what reads commands; False where that shall answer, or say what is wrong."""
    from fitassay.columns import width
    from fitassay.front_page import HELP_WORDS, front_page

    if len(sys.argv) != 2 or sys.argv[1] not in HELP_WORDS:
        return False
    try:
        os.write(1, front_page(width()).encode("ascii"))
    except OSError:  # full, or closed by whoever reads it
        return False
    return True


def _stop(_: int, frame: FrameType | None) -> None:
    """Ctrl-C, as Python takes it; while a library is being loaded, leave at once.

    Libraries in C make errors of their own of an interrupt, and print its traceback.
    """
    while frame is not None:
        if frame.f_code.co_filename.startswith("<frozen importlib"):
            _say_stopped()
            os._exit(STOPPED)
        frame = frame.f_back
    raise KeyboardInterrupt


def _say_stopped() -> None:
    try:
        os.write(2, b"fitassay: stopped\n")
    except OSError:  # closed by whoever started us
        pass


if __name__ == "__main__":
    main()
