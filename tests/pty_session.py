"""A program run at a real terminal (pty), typed at like a person would."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

ROOT = Path(__file__).parent.parent


class PtySession:
    """``fitassay`` with the given arguments at a terminal of its own, whose Ctrl-C reaches it."""

    def __init__(self, *args: str, cwd: Path, columns: int = 80, env: dict[str, str] | None = None) -> None:
        self._master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
        surroundings = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES", "NO_COLOR")}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "fitassay", *args],
            cwd=cwd,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env={**surroundings, "PYTHONPATH": str(ROOT), "TERM": "xterm-256color", **(env or {})},
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )
        os.close(slave)
        self.text = ""
        self._seen = 0

    def expect(self, pattern: str, seconds: float = 30.0) -> str:
        """Wait for what matches, behind what was expected before; the text up to its end."""
        deadline = time.monotonic() + seconds
        while True:
            match = re.compile(pattern).search(self.text, self._seen)
            if match:
                part = self.text[self._seen : match.end()]
                self._seen = match.end()
                return part
            if not self._read(deadline):
                raise AssertionError(f"{pattern!r} never came; got:\n{self.text[self._seen :]}")

    def type(self, text: str) -> None:
        """Type a line and Enter."""
        os.write(self._master, text.encode() + b"\r")

    def press(self, key: bytes) -> None:
        os.write(self._master, key)

    def end(self, seconds: float = 30.0) -> int:
        """Wait until it has ended; its exit code."""
        deadline = time.monotonic() + seconds
        while self._read(deadline):
            pass
        code = self.process.wait(timeout=seconds)
        os.close(self._master)
        return code

    def _read(self, deadline: float) -> bool:
        ready, _, _ = select.select([self._master], [], [], max(0.0, deadline - time.monotonic()))
        if not ready:
            return False
        try:
            raw = os.read(self._master, 65536)
        except OSError:  # the other end is closed
            return False
        self.text += raw.decode("utf-8", "replace").replace("\r\n", "\n")
        return bool(raw)
