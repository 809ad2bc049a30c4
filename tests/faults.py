"""What goes wrong around a program, for `monkeypatch.setattr`."""

from __future__ import annotations

import errno
import os


def full_disk(*_: object, **__: object) -> None:
    """In place of a call that writes."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
