"""The sliced files of a print: traced once, remembered in the print's folder, used by diagnose and simulate."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fitassay.case import Print
from fitassay.coupons.errors import InputError
from fitassay.coupons.files import open_input, read_input, write_atomic
from fitassay.coupons.machine import Machine
from fitassay.own_paths import CARD, forget_unless_ours
from fitassay.terminal import json_text

if TYPE_CHECKING:
    from fitassay.analysis.chain.sensitivities import SetWalk
    from fitassay.analysis.gcode.trace_data import Trace
    from fitassay.analysis.notes import Note

MOST_FILES = 200
"""Files remembered of one print; a plate has one."""
LONGEST_PATH = 4_096


def trace_path(target: Print) -> Path:
    """Where a print's trace is kept."""
    return target.folder / "trace.json"


def trace_print(
    target: Print, machine: Machine, files: Path | Sequence[Path], choice: Mapping[str, int] | None = None
) -> Trace:
    """Trace sliced files against a print's coupons and remember them in the print's folder.

    Files remembered from before that hold further coupons (another plate) stay remembered.

    Parameters
    ----------
    files : Path or sequence of Path
    choice : mapping of str to int, optional
        Which of several copies of a coupon is read; remembered too.

    Returns
    -------
    Trace
        Of `files` alone.

    Raises
    ------
    InputError
        A file cannot be read for certain, or holds none of the coupons.
    """
    from fitassay.analysis.gcode.trace_json import trace_json

    choice = dict(choice or {})
    trace = read_trace(target, machine, files, choice)
    now = [
        {"path": str(f.resolve()), "sha256": _digest(f), "coupons": list(trace.found), "copies": choice}
        for f in _as_list(files)
    ]
    paths = {source["path"] for source in now}
    kept = [
        source
        for source in _sources(target)
        if source["path"] not in paths and not set(source["coupons"]) <= set(trace.found)
    ]
    write_atomic(trace_path(target), json_text({**trace_json(trace), "sources": [*kept, *now]}))
    forget_unless_ours(target, [source["sha256"] for source in now])
    return trace


def read_trace(
    target: Print, machine: Machine, files: Path | Sequence[Path], choice: Mapping[str, int] | None = None
) -> Trace:
    """Trace sliced files against a print's coupons.

    Raises
    ------
    InputError
        A file cannot be read for certain, holds none of the coupons, or a copy is chosen of one that is not there.
    """
    from fitassay.analysis.gcode.plates import merged
    from fitassay.analysis.gcode.trace import trace_file

    manifest = target.manifest()
    if all(coupon.family == CARD for coupon in manifest.coupons):
        raise InputError(
            "is the reversal card, whose path no slicing program draws; name a print of coupons by --print",
            f"print {target.name}",
        )
    choice = choice or {}
    traces = [trace_file(f, manifest, target.folder, machine, choice=choice) for f in _as_list(files)]
    for key in choice:
        if not any(key in trace.found for trace in traces):
            raise InputError(f"coupon {key} is not in the sliced files; leave it out", "--copy")
    return merged(traces, manifest)


def print_files(
    target: Print, machine: Machine, files: Sequence[Path], theta: np.ndarray
) -> tuple[SetWalk, np.ndarray, np.ndarray]:
    """A virtual print of sliced files.

    Returns
    -------
    walk : SetWalk
        Of the coupons in the files.
    printer : ndarray (terms,)
        The errors with the files' own path offset.
    exact : ndarray (features,) [mm]
        What a perfect caliper reads of the files' moves.
    """
    from fitassay.analysis.gcode.plates import merged
    from fitassay.analysis.gcode.printed_moves import printed_readings
    from fitassay.analysis.gcode.trace import trace_file
    from fitassay.analysis.gcode.traced_print import print_traced

    manifest = target.manifest()
    traces = [trace_file(f, manifest, target.folder, machine) for f in files]
    together = merged(traces, manifest)
    exact = printed_readings(list(zip(files, traces, strict=True)), together, machine, theta)
    for key, feature, value in zip(together.walk.keys, together.walk.features, exact, strict=True):
        if not np.isfinite(value) and not feature.optional:
            raise InputError(
                f"nothing is printed where {key[1]} of coupon {key[0]} is measured; slice it again"
            )
    return together.walk, print_traced(together, theta), exact


def _as_list(files: Path | Sequence[Path]) -> list[Path]:
    return [files] if isinstance(files, Path) else [Path(f) for f in files]


def _sources(target: Print) -> list[dict]:
    """The files remembered: path, digest and coupons each; none where that cannot be read."""
    try:
        sources = json.loads(read_input(trace_path(target), "record"))["sources"]
        # By path: the same file twice is one file.
        found = {
            _sensible(str(s["path"])): {
                "path": str(s["path"]),
                "sha256": str(s["sha256"]),
                "coupons": [str(c) for c in s["coupons"]],
                "copies": {str(k): int(n) for k, n in s.get("copies", {}).items()},
            }
            for s in sources
        }
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return []
    return list(found.values()) if len(found) <= MOST_FILES else []


def _sensible(path: str) -> str:
    """A path that the system can be asked for; ValueError where it is none."""
    if len(path) > LONGEST_PATH or "\0" in path:
        raise ValueError(path)
    os.fsencode(path)
    return path


def remembered(target: Print, machine: Machine) -> tuple[Trace | None, tuple[Note, ...]]:
    """The files traced for this print, and a note for each that cannot be used any more.

    Raises
    ------
    InputError
        A remembered file no longer fits the print's coupons.
    """
    from fitassay.analysis.notes import Note

    path = trace_path(target)
    if not path.exists():
        return None, ()
    sources = _sources(target)
    if not sources:
        return None, (Note("trace-unreadable", {"path": str(path)}),)
    good: list[Path] = []
    choice: dict[str, int] = {}
    notes = []
    for source in sources:
        file = Path(source["path"])
        try:
            same = _digest(file) == source["sha256"]
        except InputError:
            notes.append(Note("file-gone", {"path": str(file)}))
            continue
        if same:
            good.append(file)
            choice |= source["copies"]
        else:
            notes.append(Note("file-changed", {"path": str(file)}))
    return read_trace(target, machine, good, choice) if good else None, tuple(notes)


def _digest(file: Path) -> str:
    with open_input(file, "sliced file") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
