"""Runs the command line: python -m fitassay, and the installed command."""

import signal
import sys


def main() -> None:
    """The command line; Ctrl-C ends it with one sentence from its first moment to its last."""
    try:
        try:
            from fitassay.cli import main as run

            run()
        finally:
            # What is left is to leave, with the exit code of what was done.
            signal.signal(signal.SIGINT, signal.SIG_IGN)
    except KeyboardInterrupt:
        if sys.stderr is not None:
            print("fitassay: stopped", file=sys.stderr)
        sys.exit(2)


if __name__ == "__main__":
    main()
