"""Files of our own for a print's plates, written into its folder and remembered there: what drew it is known."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from fitassay.case import Print
from fitassay.coupons.errors import InputError
from fitassay.coupons.files import is_there, read_input, write_atomic
from fitassay.terminal import json_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fitassay.analysis.estimation.weighed import Commanded
    from fitassay.analysis.gcode.own_path import OwnFile
    from fitassay.analysis.notes import Note
    from fitassay.coupons.machine import Machine
    from fitassay.coupons.toolpath.layers import Walls
    from fitassay.coupons.toolpath.stroke import PathLayer
    from fitassay.path_frame import Ways

RECORD = "path.json"
CARD = "reversal-card"
"""The family that only a path of our own can make."""

# What only a slicing program does to a path; a path of our own has none of it.
SLICER_SETTINGS = (
    "settings.contour_mm",
    "settings.hole_mm",
    "settings.hole_constant_mm",
    "settings.first_layer_mm",
)


def record_path(target: Print) -> Path:
    """Where is written down that a print was drawn by a path of our own."""
    return target.folder / RECORD


def is_own(target: Print) -> bool:
    """Whether the print was drawn by a path of our own."""
    return is_there(record_path(target))


def write_plates(target: Print, machine: Machine, ways: Ways, walls: Walls) -> list[tuple[Path, OwnFile]]:
    """One file a plate.

    Parameters
    ----------
    machine : Machine
        As it is set for this print.

    Raises
    ------
    JobError
        A path would leave the build volume.
    InputError
        Something is wrong with the print's files, or with the end.
    """
    from fitassay.coupons.export.stl import read_coupon
    from fitassay.coupons.sections import Slicer
    from fitassay.coupons.toolpath.layers import plate_layers

    manifest = target.manifest()
    _refuse_other_bead(manifest.line_width_mm, manifest.layer_height_mm, machine)
    card = next((c for c in manifest.coupons if c.family == CARD), None)
    if card is not None:
        from fitassay.coupons.toolpath.card_set import card_path

        layers = card_path(machine, card.origin_on_plate_mm)
        return write_files(target, machine, ways, {card.id: layers})
    slicers = {c.id: Slicer(read_coupon(c, target.folder), c.file) for c in manifest.coupons}
    plates = {
        p: plate_layers(manifest, slicers, p, walls) for p in sorted({c.plate for c in manifest.coupons})
    }
    return write_files(target, machine, ways, {f"plate-{p}": layers for p, layers in plates.items()})


def write_files(
    target: Print, machine: Machine, ways: Ways, layers: dict[str, Sequence[PathLayer]]
) -> list[tuple[Path, OwnFile]]:
    """Files by name, and the record of them; errors as `write_plates`."""
    from fitassay.analysis.gcode.own_path import own_file
    from fitassay.report.plate_svg import plate_svg

    made = {
        target.folder / f"{name}.gcode": own_file(
            of_plate,
            ways.drive,
            ways.frame,
            machine,
            f"{name.replace('-', ' ')} of fitassay's coupons",
            ways.end_as_is,
        )
        for name, of_plate in layers.items()
    }
    files = []
    for path, file in made.items():
        raw = file.text.encode("utf-8", "surrogateescape")
        write_atomic(path, raw)
        write_atomic(path.with_suffix(".svg"), plate_svg(path, machine, ways.drive.origin))
        pieces = {key: round(length, 3) for key, length in file.pieces_mm.items() if key}
        digest = hashlib.sha256(raw).hexdigest()
        files.append({"file": path.name, "sha256": digest, "pieces_mm": pieces})
    write_atomic(record_path(target), json_text({"schema": 1, "flow": ways.drive.flow, "files": files}))
    _without_slicer(target)
    return list(made.items())


def _refuse_other_bead(width: float, height: float, machine: Machine) -> None:
    if abs(width - machine.line_width_mm) > 1e-6 or abs(height - machine.layer_height_mm) > 1e-6:
        raise InputError(
            f"the coupons were made for beads of {width:g} mm in layers of {height:g} mm, machine.toml has "
            f"{machine.line_width_mm:g} and {machine.layer_height_mm:g}; make them anew with --new-print",
            "path",
        )


def _without_slicer(target: Print) -> None:
    """The print's own settings: what a slicing program would add is not in force."""
    from fitassay.coupons.machine_file import machine_toml, read_machine

    if is_there(target.machine_path):
        machine = read_machine(target.machine_path)
        values = {**machine.values, **dict.fromkeys(SLICER_SETTINGS, 0.0)}
        if values != machine.values:
            write_atomic(target.machine_path, machine_toml(replace(machine, values=values)))


def forget_unless_ours(target: Print, digests: Sequence[str]) -> None:
    """Another program's file was printed: the record of a path of our own goes."""
    if is_own(target) and not set(digests) <= set(_recorded(target).values()):
        record_path(target).unlink(missing_ok=True)


def drawn_by_us(target: Print) -> tuple[bool, tuple[Note, ...]]:
    """Whether the print was drawn by a path of our own still as it was written; a note where it is not."""
    from fitassay.analysis.notes import Note

    if not is_own(target):
        return False, ()
    changed = _changed_files(target)
    return (False, (Note("own-path-changed", {"files": list(changed)}),)) if changed else (True, ())


def commanded_by_us(target: Print) -> Commanded | None:
    """What our files ask for in filament, for what is weighed; None where that is not on record.

    What the user's start primes the nozzle with is not ours to know: a whole plate on the scale tells nothing.
    """
    from fitassay.analysis.estimation.weighed import Commanded

    try:
        record = _record(target)
        flow = float(record["flow"])
        pieces = {str(k): float(mm) for f in record["files"] for k, mm in f["pieces_mm"].items()}
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
    if not all(math.isfinite(v) and v > 0 for v in (flow, *pieces.values())):
        return None
    walls = frozenset(c.id for c in target.manifest().coupons if c.single_wall)
    return Commanded(pieces=pieces, walls=walls & pieces.keys(), flow=flow)


def _recorded(target: Print) -> dict[str, str]:
    """Digests of our files by name; none where the record cannot be read."""
    try:
        return {str(f["file"]): str(f["sha256"]) for f in _record(target)["files"]}
    except (ValueError, KeyError, TypeError):
        return {}


def _record(target: Print) -> dict:
    """The record as it is written; `ValueError`, or others as its parts are used, where it cannot be read."""
    try:
        return json.loads(read_input(record_path(target), "record"))
    except RecursionError as exc:
        raise ValueError("nested too deeply") from exc


def _changed_files(target: Print) -> tuple[str, ...]:
    """Files of our own that are no longer as they were written."""
    known = _recorded(target)
    if not known:
        return (RECORD,)
    changed = []
    for name, digest in known.items():
        path = target.folder / Path(name).name
        if is_there(path) and hashlib.sha256(read_input(path, "sliced file")).hexdigest() != digest:
            changed.append(name)
    return tuple(changed)
