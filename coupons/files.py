"""Files in and out: only regular files are read, within a size; a write is whole and on disk, or did not happen."""

from __future__ import annotations

import errno
import io
import os
import shutil
import stat
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from fitassay.coupons.errors import InputError, WriteError
from fitassay.coupons.wording import WINDOWS

CHUNK_BYTES = 1 << 20
LARGEST_BYTES = {
    "machine file": 256_000,
    "manifest": 20_000_000,
    "list": 6_000_000,
    "record": 20_000_000,
    "coupon": 200_000_000,
    "part": 500_000_000,
    "sliced file": 4_000_000_000,
}
"""What is read, and how large it may be [bytes]: far above what the job makes, far below what fills a memory."""

MISSING = "cannot be read: there is no such file; check the name"


def is_there(path: Path) -> bool:
    """Whether the folder has that name: also a link that leads nowhere, which is an error to tell, not a gap.

    Raises
    ------
    InputError
        The folder may not be looked into.
    """
    try:
        os.lstat(path)
    except (FileNotFoundError, NotADirectoryError, ValueError):
        return False
    except OSError as exc:  # whether it is there nobody but its owner can tell
        raise cannot_read(path, exc) from exc
    return True


@contextmanager
def open_input(path: Path, kind: str, missing: str = MISSING) -> Iterator[io.BufferedReader]:
    """Open a file that the user names, to be read.

    Pipes, devices and folders are refused before anything is read from them, so that nothing waits for ever.

    Parameters
    ----------
    path : Path
    kind : str
        Key of `LARGEST_BYTES`.
    missing : str
        The sentence where there is no such file.

    Raises
    ------
    InputError
        Missing, no regular file, not allowed, or larger than its kind can be.
    """
    most = LARGEST_BYTES[kind]
    try:
        # Without O_NONBLOCK a pipe that nobody writes to would hold us here.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with os.fdopen(handle, "rb") as stream:
            state = os.fstat(handle)
            if not stat.S_ISREG(state.st_mode):
                what = "a folder" if stat.S_ISDIR(state.st_mode) else "a pipe or a device"
                raise InputError(f"cannot be read: it is {what}; name a file", str(path))
            if state.st_size > most:
                raise InputError(_too_large(kind, state.st_size), str(path))
            yield stream
    except FileNotFoundError as exc:
        raise InputError(missing, str(path)) from exc
    except IsADirectoryError as exc:
        raise InputError("cannot be read: it is a folder; name a file", str(path)) from exc
    except OSError as exc:
        raise cannot_read(path, exc) from exc
    except ValueError as exc:
        if isinstance(exc, UnicodeEncodeError):
            raise InputError("is no file name: it holds what is no text", repr(str(path))) from exc
        if isinstance(exc, InputError) or "null" not in str(exc):
            raise
        raise InputError("is no file name: it holds a zero byte", repr(str(path))) from exc


def read_input(path: Path, kind: str, missing: str = MISSING) -> bytes:
    """All bytes of a file that the user names; see `open_input`."""
    most = LARGEST_BYTES[kind]
    # Piece by piece: one call for all takes memory for the limit, however short the file.
    pieces, size = [], 0
    with open_input(path, kind, missing) as stream:
        while size <= most and (piece := stream.read(CHUNK_BYTES)):
            pieces.append(piece)
            size += len(piece)
    if size > most:  # it grew meanwhile
        raise InputError(_too_large(kind, size), str(path))
    return b"".join(pieces)


KEPT_BY_WINDOWS = {
    "CON",
    "PRN",
    "AUX",
    "NUL",
    *(f"{port}{n}" for port in ("COM", "LPT") for n in range(1, 10)),
}
"""What is written to a file of such a name, whatever its ending, is gone (Microsoft: Naming Files, Paths, and
Namespaces)."""


def write_atomic(path: Path, data: bytes | str) -> None:
    """Write `data` to `path` in one step: the old content stays until the new one is on disk.

    A link is followed and stays a link; permissions of a file that is there stay as they are.

    Raises
    ------
    WriteError
        The file is read-only, the folder cannot be written or the disk is full; `path` is then unchanged.
    """
    raw = data.encode("utf-8") if isinstance(data, str) else data
    if WINDOWS and path.name.partition(".")[0].strip().upper() in KEPT_BY_WINDOWS:
        raise WriteError(f"{path}: is a name that Windows keeps for a device; choose another name")
    name = ""
    try:
        target = Path(os.path.realpath(path))
        target.parent.mkdir(parents=True, exist_ok=True)
        mode = _mode(target, path)
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=TEMPORARY, dir=target.parent)
        with os.fdopen(handle, "wb") as f:
            f.write(raw)
            f.flush()
            os.fsync(f.fileno())
        os.chmod(name, mode)
        _replace(name, target)
        _sync_folder(target.parent)
    except BaseException as exc:  # an interrupt, too, leaves nothing lying about
        if name:
            with suppress(OSError):
                os.unlink(name)
        if not isinstance(exc, (OSError, ValueError)):
            raise
        raise cannot_write(path, exc) from exc


def _replace(name: str, target: Path) -> None:
    """Move the file there in one step; where a program holds the old one open for a moment, wait for it."""
    for wait in (*REPLACE_WAITS_S, None):
        try:
            os.replace(name, target)
            return
        except PermissionError:
            if wait is None or not WINDOWS:
                raise
            time.sleep(wait)


REPLACE_WAITS_S = (0.02, 0.05, 0.1, 0.2, 0.4, 0.8)
"""Windows lets nobody replace a file that is open: virus scanners and backups let go of it soon."""


def cannot_read(path: Path, exc: OSError) -> InputError:
    """The sentence for a place that the system does not let be read."""
    number = exc.errno
    if number in (errno.EACCES, errno.EPERM):
        what = "close the program that has it open" if WINDOWS else "change its permissions"
    elif number == errno.ENAMETOOLONG:
        what = "shorten the name"
    elif number == errno.ELOOP:
        what = "it is a link that leads back to itself; remove it"
    else:
        what = "check the name"
    return InputError(f"cannot be read ({exc.strerror or exc}); {what}", str(path))


def cannot_write(path: Path, exc: Exception) -> WriteError:
    """The sentence for a place where the system lets nothing be written."""
    reason = getattr(exc, "strerror", None) or exc
    return WriteError(f"{path}: cannot be written ({reason}); {remedy(exc)}")


def remedy(exc: Exception) -> str:
    """What to do where nothing can be written."""
    number = getattr(exc, "errno", None)
    if number in (errno.ENOSPC, errno.EDQUOT):
        return "free some space or choose another folder"
    if number in (errno.EACCES, errno.EPERM, errno.EROFS):
        if WINDOWS:  # a spreadsheet keeps its file to itself there
            return "close the program that has it open, or choose a folder that may be written"
        return "change the folder's permissions or use another"
    if number == errno.ENAMETOOLONG:
        return "shorten the name"
    return "choose another place"


TEMPORARY = ".part"
"""End of the name of a file half written."""


def clear_leftovers(folder: Path) -> None:
    """Remove what a killed program left half made in a folder: files, and prints; a running one's are younger."""
    with suppress(OSError):
        for path in folder.iterdir():
            if path.name.startswith(".") and path.name.endswith(TEMPORARY) and is_leftover(path):
                with suppress(OSError):
                    if not path.is_dir():
                        path.unlink()
                    elif path.name.split(".")[1].isdigit():  # a print's number; other folders are not ours
                        shutil.rmtree(path, ignore_errors=True)


LEFTOVER_S = 60.0
"""A write takes well under a second; what is older than this belongs to nobody any more."""


def is_leftover(path: Path) -> bool:
    """Whether a half-written file or folder is too old for anyone to be still at it."""
    try:
        return time.time() - path.stat().st_mtime > LEFTOVER_S
    except OSError:
        return False


def usual_mode(most: int) -> int:
    """Permissions of something new, as the user's umask leaves them of `most`."""
    umask = os.umask(0)
    os.umask(umask)
    return most & ~umask


def _mode(target: Path, shown: Path) -> int:
    """Permissions for the new content: those of the file that is there, else the usual ones."""
    try:
        there = os.stat(target).st_mode
    except FileNotFoundError:
        # mkstemp makes private files; a shared lab folder expects the usual permissions.
        return usual_mode(0o666)
    if not stat.S_ISREG(there):
        raise WriteError(f"{shown}: is no file that could be written; choose another name")
    # Root may write anywhere; a file that its owner has locked stays as it is all the same.
    if not there & 0o222:
        raise WriteError(f"{shown}: is read-only; allow writing it, or choose another name")
    return stat.S_IMODE(there)


def _sync_folder(folder: Path) -> None:
    """Have the folder's new entry on disk too, where the system lets a folder be synchronised."""
    if os.name != "posix":
        return
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _too_large(kind: str, size: int) -> str:
    return (
        f"is too large for a {kind}: {_size(size)} where {_size(LARGEST_BYTES[kind])} is the most; "
        "was another file meant?"
    )


def _size(count: int) -> str:
    for unit, factor in (("GB", 10**9), ("MB", 10**6), ("kB", 10**3)):
        if count >= factor:
            return f"{count / factor:.3g} {unit}"
    return f"{count} bytes"
