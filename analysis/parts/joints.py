"""The joints that a case is judged by: joints.csv, a row each.

    name,shape,peg_mm,hole_mm,bought,way_up,motion,now,across,angle_deg
    arm on its peg,round,8.0,8.3,,same,turn,sticks,,
    axle in its bearing,round,8.0,8.0,hole,,press,falls out,,
    rail in its groove,slot,6.0,6.3,,,slide,,x,
    carriage,dovetail,10.0,10.3,,,slide,,y,60

Only peg_mm and hole_mm must be there. Shape is round (unless given), square, or a joint along an edge: slot, key,
tab, dovetail, t-slot, t-head or rack, whose peg is the tongue and whose hole is the slot; bought peg or hole says
which side is exact; way up same or flipped says how the peg is put in against how it was printed, blank that nobody
knows; motion is turn, slide or press; now holds the user's own words; across is the printer's axis along which the
width of a joint along an edge lies, blank that nobody knows; angle_deg that of a dovetail's flank against the edge,
60 unless given.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from fitassay.analysis.chain.shapes import PROFILES, SHAPES, Shape
from fitassay.analysis.parts.pairs import Pair
from fitassay.analysis.readings.table import Record, Table
from fitassay.coupons.errors import InputError, InputErrors
from fitassay.coupons.files import is_there, read_input
from fitassay.coupons.numbers import parse_length, parse_number
from fitassay.coupons.wording import did_you_mean, shown

JOINTS = "joints.csv"
"""The file's name in the case."""

COLUMNS = ("name", "shape", "peg_mm", "hole_mm", "bought", "way_up", "motion", "now", "across", "angle_deg")
_REQUIRED = ("peg_mm", "hole_mm")

Motion = Literal["turn", "slide", "press"]


@dataclass(frozen=True, kw_only=True)
class Joint:
    """One joint of the user's.

    Attributes
    ----------
    name : str
    shape : Shape
    peg_mm, hole_mm : float [mm]
        As drawn, or as bought.
    bought : {"", "peg", "hole"}
        The side that is exact.
    way_up : {"", "same", "flipped"}
        How the peg is put in against how it was printed; empty: not known.
    motion : {"turn", "slide", "press"}
    now : str
        How it is now, in the user's words.
    across : {"", "x", "y"}
        Axis along which the width of a joint along an edge lies; empty: not known.
    angle_rad : float, optional [rad]
        Of a dovetail's flank against the edge.
    line : int
        Of joints.csv; 0 where it is not from there.
    """

    name: str
    shape: Shape
    peg_mm: float
    hole_mm: float
    bought: Literal["", "peg", "hole"]
    way_up: Literal["", "same", "flipped"]
    motion: Motion
    now: str
    across: Literal["", "x", "y"] = ""
    angle_rad: float | None = None
    line: int = 0

    @property
    def pair(self) -> Pair:
        """The joint as a pair to predict."""
        return Pair(
            name=self.name,
            peg=self.peg_mm,
            hole=self.hole_mm,
            shape=self.shape,
            flipped={"same": False, "flipped": True}.get(self.way_up),
            turns=self.motion == "turn",
            exact_peg=self.bought == "peg",
            exact_hole=self.bought == "hole",
            across=self.across,
            angle=self.angle_rad,
        )


def read_joints(raw: bytes, place: str) -> tuple[Joint, ...]:
    """The joints of a file's content; `place` is its name for messages.

    Raises
    ------
    InputErrors
        All problems, each with file, line and column.
    """
    table = Table(raw, place, _REQUIRED, COLUMNS)
    joints: list[Joint] = []
    problems: list[InputError] = []
    for record in table.records:
        if record.blank:
            continue
        try:
            joints.append(_joint(table, record, place, len(joints) + 1))
        except InputErrors as exc:
            problems += exc.problems
    if problems:
        raise InputErrors(problems)
    return tuple(joints)


def joints_in(folder: Path) -> tuple[Joint, ...]:
    """The joints of a case's folder; none where it has no such file.

    Raises
    ------
    InputError
        The file cannot be read; all problems with it together.
    """
    path = folder / JOINTS
    return read_joints(read_input(path, "list"), str(path)) if is_there(path) else ()


def usual_hole(joints: tuple[Joint, ...]) -> float | None:
    """Diameter for which a constant hole compensation suits these joints best [mm]; None without printed bores.

    The closing k 3 mm / D of all of them is on average that of this one; given to a tenth.
    """
    holes = [j.hole_mm for j in joints if j.shape == "round" and j.bought != "hole"]
    return round(len(holes) / sum(1 / d for d in holes), 1) if holes else None


def _joint(table: Table, record: Record, place: str, number: int) -> Joint:
    where = f"{place}, line {record.line}"
    problems: list[InputError] = []

    def choice(column: str, allowed: tuple[str, ...], default: str) -> str:
        text = table.cell(record, column).casefold()
        if text and text not in allowed:
            hint = did_you_mean(text, allowed) or f"; write {', '.join(allowed[:-1])} or {allowed[-1]}"
            problems.append(InputError(f"{shown(text)} is not known{hint}", f"{where}, {column}"))
        return text or default

    def number_in(column: str, parse: Callable[[str], float]) -> float:
        try:
            return parse(table.cell(record, column))
        except ValueError as exc:
            problems.append(InputError(str(exc), f"{where}, {column}"))
            return 1.0

    shape = choice("shape", SHAPES, "round")
    degrees = number_in("angle_deg", lambda text: parse_number(text, "°") if text else math.nan)
    joint = Joint(
        name=table.cell(record, "name") or f"joint {number}",
        shape=shape,  # type: ignore[arg-type]
        peg_mm=number_in("peg_mm", parse_length),
        hole_mm=number_in("hole_mm", parse_length),
        bought=choice("bought", ("peg", "hole"), ""),  # type: ignore[arg-type]
        way_up=choice("way_up", ("same", "flipped"), ""),  # type: ignore[arg-type]
        motion=choice("motion", ("turn", "slide", "press"), "slide"),  # type: ignore[arg-type]
        now=table.cell(record, "now"),
        across=choice("across", ("x", "y"), ""),  # type: ignore[arg-type]
        angle_rad=None if math.isnan(degrees) else math.radians(degrees),
        line=record.line,
    )
    if not problems:
        problems += _contradictions(joint, where)
    if problems:
        raise InputErrors(problems)
    return joint


def _contradictions(joint: Joint, where: str) -> list[InputError]:
    """What a row says that does not go together."""
    if joint.motion == "turn" and joint.shape != "round":
        return [InputError("only a round peg turns; write slide or press", f"{where}, motion")]
    if joint.across and joint.shape not in PROFILES:
        return [InputError("is said of joints along an edge only; leave it empty", f"{where}, across")]
    try:
        _ = joint.pair
    except InputError as exc:
        return [InputError(exc.message, where if joint.angle_rad is None else f"{where}, angle_deg")]
    return []
