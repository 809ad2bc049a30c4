"""The sliced file of a print: traced once, remembered in the print's folder, used by diagnose and simulate."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import TYPE_CHECKING

from coupons.errors import InputError
from coupons.files import write_atomic
from coupons.machine import Machine
from fitassay.case import Print
from fitassay.terminal import json_text

if TYPE_CHECKING:
    from analysis.trace import Trace


def trace_path(target: Print) -> Path:
    """Where a print's trace is kept."""
    return target.folder / "trace.json"


def trace_print(target: Print, machine: Machine, file: Path) -> Trace:
    """Trace a sliced file against a print's coupons and remember it in the print's folder.

    Raises
    ------
    InputError
        The file cannot be read for certain, or holds none of the coupons.
    """
    trace = read_trace(target, machine, file)
    source = {"path": str(Path(file).resolve()), "sha256": _digest(file)}
    write_atomic(trace_path(target), json_text({**trace.as_json(), "source": source}))
    return trace


def read_trace(target: Print, machine: Machine, file: Path) -> Trace:
    """Trace a sliced file against a print's coupons."""
    from analysis.trace import trace_file

    return trace_file(Path(file), target.manifest(), target.folder, machine)


def remembered(target: Print, machine: Machine) -> tuple[Trace | None, str]:
    """The file traced last for this print, and a sentence where it cannot be used any more.

    Raises
    ------
    InputError
        The remembered file no longer fits the print's coupons.
    """
    path = trace_path(target)
    if not path.exists():
        return None, ""
    try:
        source = json.loads(path.read_text(encoding="utf-8"))["source"]
        file, digest = Path(source["path"]), str(source["sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        return None, f"{path} cannot be read, so ideal paths are assumed; run trace again."
    try:
        same = _digest(file) == digest
    except InputError:
        return None, f"The sliced file {file} is gone, so ideal paths are assumed; trace it where it is now."
    if not same:
        return (
            None,
            f"The sliced file {file} is not the one traced before, so ideal paths are assumed; trace it again.",
        )
    return read_trace(target, machine, file), ""


def _digest(file: Path) -> str:
    try:
        with open(file, "rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as exc:
        raise InputError(f"cannot be read ({exc.strerror or exc})", str(file)) from exc
