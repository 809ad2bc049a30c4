"""One writer at a time: a lock beside a file that several programs may change."""

from __future__ import annotations

import errno
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from fitassay.coupons.errors import JobError, WriteError
from fitassay.coupons.files import remedy

PATIENCE_S = 10.0
"""How long to wait for another writer; a write takes milliseconds, so longer means that something hangs."""

# A file system without locks (some network drives): one window at a time has to do there.
_NO_LOCKS = (errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOTSUP, errno.ENOLCK)

if sys.platform == "win32":
    import msvcrt

    def _try_lock(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _try_lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


@contextmanager
def locked(path: Path, patience_s: float = PATIENCE_S) -> Iterator[None]:
    """Hold the lock of `path` for a while; threads and processes alike wait for one another.

    The lock belongs to the system's open file, so a writer that crashed has let go of it: a lock file found
    lying about is simply taken over.

    Raises
    ------
    JobError
        The folder cannot be written, or another writer does not let go.
    """
    # By whatever link a file is reached, there is one lock, beside the file itself.
    real = Path(os.path.realpath(path))
    lock = real.with_name(f".{real.name}.lock")
    handle = _acquire(lock, Path(path), patience_s)
    try:
        yield
    finally:
        if sys.platform != "win32":  # where an open file cannot be removed, it stays
            with suppress(OSError):
                os.unlink(lock)
        os.close(handle)


def _acquire(lock: Path, path: Path, patience_s: float) -> int:
    """An open lock file that is ours alone."""
    deadline = time.monotonic() + patience_s
    while True:
        handle = _open(lock, path)
        if _own(handle, lock):
            return handle
        os.close(handle)
        if time.monotonic() > deadline:
            raise JobError(
                f"{path}: another window has been writing it for over {patience_s:g} s; "
                "close that window and try again"
            )
        time.sleep(0.01)


def _open(lock: Path, path: Path) -> int:
    try:
        return os.open(lock, os.O_CREAT | os.O_RDWR, 0o666)
    except OSError as exc:
        raise WriteError(
            f"{path}: its lock {lock.name} belongs to another user; close the other window or remove that file"
            if os.path.lexists(lock)
            else f"{path}: cannot be written ({exc.strerror or exc}); {remedy(exc)}"
        ) from exc


def _own(handle: int, lock: Path) -> bool:
    """Whether the lock is ours now; a file that its last owner has removed meanwhile does not count."""
    try:
        _try_lock(handle)
    except OSError as exc:
        if exc.errno not in _NO_LOCKS:
            return False
    if sys.platform == "win32":  # nobody can have removed an open file
        return True
    try:
        there, here = os.stat(lock), os.fstat(handle)
    except OSError:
        return False
    return (there.st_ino, there.st_dev) == (here.st_ino, here.st_dev)
