"""Writing files so that a crash, a full disk or an interrupt never leaves half of one."""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path

from fitassay.coupons.errors import WriteError


def write_atomic(path: Path, data: bytes | str) -> None:
    """Write `data` to `path` in one step: the old content stays until the new one is on disk.

    Raises
    ------
    WriteError
        The folder cannot be written or the disk is full; `path` is then unchanged.
    """
    raw = data.encode("utf-8") if isinstance(data, str) else data
    path = Path(path)
    name = ""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with os.fdopen(handle, "wb") as f:
            f.write(raw)
            f.flush()
            os.fsync(f.fileno())
        # mkstemp makes private files; a shared lab folder expects the usual permissions.
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(name, 0o666 & ~umask)
        os.replace(name, path)
    except BaseException as exc:  # an interrupt, too, leaves nothing lying about
        if name:
            with suppress(OSError):
                os.unlink(name)
        if not isinstance(exc, OSError):
            raise
        raise WriteError(
            f"{path}: cannot be written ({exc.strerror or exc}); free some space or choose another folder"
        ) from exc
