"""A whole file of our own: the user's start, our path, the user's end, checked against the machine."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from fitassay.analysis.gcode.frame import Frame, refuse_end
from fitassay.analysis.gcode.likeness import Likeness
from fitassay.analysis.gcode.path_writer import LIFT_MM_S, Drive, PathText, path_text
from fitassay.coupons.cost import bead_area
from fitassay.coupons.errors import JobError
from fitassay.coupons.machine import Machine
from fitassay.coupons.toolpath.stroke import PathLayer

MARGIN_MM = 1.0
"""Beads stay so far inside the build volume."""

FEED_LIMIT_MM3_S = 8.0
"""Plastic that an ordinary hot end melts in a second (common practice, no source)."""

CAUTIONS = (
    "Stay with the machine, a hand at its switch until the first layer lies. Nozzle and bed burn, axes move by "
    "themselves; air the room. What the machine's manual says comes first."
)


@dataclass(frozen=True, kw_only=True)
class OwnFile:
    """One file to print.

    Attributes
    ----------
    text : str
    minutes, grams : float
        Of the path, without heating up and what start and end do.
    filament_mm : float [mm]
    pieces_mm : dict of str to float [mm]
        Filament by coupon; what belongs to none stands under an empty name.
    notes : tuple of str
        What was mended, and what bounds the speed.
    """

    text: str
    minutes: float
    grams: float
    filament_mm: float
    pieces_mm: dict[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def drive_of(machine: Machine, shown: Likeness | None = None, retract_mm: float | None = None) -> Drive:
    """How to drive: as machine.toml says, nothing faster than the user's own file where there is one.

    Parameters
    ----------
    retract_mm : float [mm], optional
        In place of what the file shows.
    """
    speed = machine["process.speed_mm_s"]
    travel, limit, fastest, lift = speed, FEED_LIMIT_MM3_S, speed, LIFT_MM_S
    if shown is not None:
        fastest = _known(shown.print_mm_s, speed)
        travel = _known(shown.travel_mm_s, speed)
        limit = min(limit, _known(shown.feed_mm3_s, limit))
        lift = min(lift, _known(shown.lift_mm_s, lift))
    middle = shown is not None and shown.middle
    back = shown.retract_mm if shown is not None and retract_mm is None else retract_mm or 0.0
    return Drive(
        width=machine.line_width_mm,
        filament_mm=machine["settings.filament_diameter_mm"],
        flow=machine["settings.flow_percent"] / 100,
        print_mm_s=min(speed, fastest),
        travel_mm_s=travel,
        lift_mm_s=min(lift, travel),
        feed_limit_mm3_s=limit,
        retract_mm=back,
        retract_mm_s=_known(shown.retract_mm_s, 20.0) if shown is not None and shown.retract_mm_s else 20.0,
        fan=shown.fan if shown is not None else "",
        acceleration=shown.acceleration if shown is not None else "",
        ceiling_mm=machine.volume_mm[2],
        origin=(-machine.volume_mm[0] / 2, -machine.volume_mm[1] / 2) if middle else (0.0, 0.0),
    )


def _known(value: float, otherwise: float) -> float:
    return value if math.isfinite(value) and value > 0 else otherwise


def own_file(
    layers: Sequence[PathLayer],
    drive: Drive,
    frame: Frame,
    machine: Machine,
    title: str,
    end_as_is: bool = False,
) -> OwnFile:
    """The text of one file.

    Raises
    ------
    JobError
        A bead would lie outside the build volume.
    InputError
        The end may drive the nozzle into the print.
    """
    path = path_text(layers, drive, frame.height_mm, frame.retracted_mm)
    _refuse_outside(path, drive, machine)
    refuse_end(frame.end, frame.end_name, frame.end_modes, layers[-1].z, end_as_is)
    volume = [line for line in frame.end_modes if line.startswith("M200")]
    head = [
        f"; {title}",
        f"; for {_plain(machine.name)}: bead {drive.width:g} mm, layers {layers[0].height:g} mm, filament "
        f"{drive.filament_mm:g} mm, flow {100 * drive.flow:g} %",
        "; the start and the end are the user's own; the path between them is fitassay's",
        "; stay with the machine; its manual comes first",
    ]
    text = "\n".join(
        [
            *head,
            "; start",
            frame.start.rstrip("\n"),
            "; path",
            *(["M200 D0"] if volume else []),
            *path.lines,
            "; end",
            *frame.end_modes,
            frame.end.rstrip("\n"),
            "",
        ]
    )
    area = math.pi / 4 * drive.filament_mm**2
    return OwnFile(
        text=text,
        minutes=path.seconds / 60,
        grams=path.filament * area * 1e-3 * machine["process.density_g_cm3"],
        filament_mm=path.filament,
        pieces_mm=path.by_piece,
        notes=_speed_notes(drive, layers[0].height),
    )


def _refuse_outside(path: PathText, drive: Drive, machine: Machine) -> None:
    low, high = path.box
    for k, axis in enumerate("xyz"):
        begin = drive.origin[k] if k < 2 else 0.0
        margin = MARGIN_MM if k < 2 else 0.0
        size = machine.volume_mm[k]
        if low[k] < begin + margin - 1e-6 or high[k] > begin + size - margin + 1e-6:
            raise JobError(
                f"volume.{axis}_mm: the path goes from {low[k]:.2f} to {high[k]:.2f} mm in {axis}, the build volume "
                f"from {begin:g} to {begin + size:g} mm with a margin of {margin:g} mm; use fewer or smaller pieces"
            )


def _speed_notes(drive: Drive, height: float) -> tuple[str, ...]:
    asked = drive.print_mm_s * drive.flow * bead_area(drive.width, height)
    if asked > drive.feed_limit_mm3_s + 1e-9:
        return (
            f"Beads are drawn slower than {drive.print_mm_s:g} mm/s: at most {drive.feed_limit_mm3_s:.3g} mm3 of "
            "plastic in a second.",
        )
    return ()


def _plain(text: str) -> str:
    """A name as it may stand in a comment."""
    return (
        "".join(c if c.isascii() and c.isalnum() else "-" if c in "-_" else " " for c in text).strip()
        or "printer"
    )


def with_end(frame: Frame, end: str, modes: tuple[str, ...] = (), name: str = "the end") -> Frame:
    """The frame with an end, and the modes that it expects if they are others than behind the start."""
    return replace(frame, end=end, end_modes=modes or frame.end_modes, end_name=name)
