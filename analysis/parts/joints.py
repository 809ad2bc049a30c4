"""The joints that a case is judged by: joints.csv, a row each.

    name,shape,peg_mm,hole_mm,bought,way_up,motion,now
    arm on its peg,round,8.0,8.3,,same,turn,sticks
    axle in its bearing,round,8.0,8.0,hole,,press,falls out

Only peg_mm and hole_mm must be there. Shape is round, square or slot; bought peg or hole says which side is exact;
way up same or flipped says how the peg is put in against how it was printed, blank that nobody knows; motion is turn,
slide or press; now holds the user's own words.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from fitassay.analysis.parts.pairs import Pair
from fitassay.analysis.readings.table import Record, Table
from fitassay.coupons.errors import InputError, InputErrors
from fitassay.coupons.files import is_there, read_input
from fitassay.coupons.numbers import parse_length
from fitassay.coupons.wording import did_you_mean, shown

JOINTS = "joints.csv"
"""The file's name in the case."""

COLUMNS = ("name", "shape", "peg_mm", "hole_mm", "bought", "way_up", "motion", "now")
_REQUIRED = ("peg_mm", "hole_mm")

JointShape = Literal["round", "square", "slot"]
Motion = Literal["turn", "slide", "press"]


@dataclass(frozen=True, kw_only=True)
class Joint:
    """One joint of the user's.

    Attributes
    ----------
    name : str
    shape : {"round", "square", "slot"}
    peg_mm, hole_mm : float [mm]
        As drawn, or as bought.
    bought : {"", "peg", "hole"}
        The side that is exact.
    way_up : {"", "same", "flipped"}
        How the peg is put in against how it was printed; empty: not known.
    motion : {"turn", "slide", "press"}
    now : str
        How it is now, in the user's words.
    """

    name: str
    shape: JointShape
    peg_mm: float
    hole_mm: float
    bought: Literal["", "peg", "hole"]
    way_up: Literal["", "same", "flipped"]
    motion: Motion
    now: str

    @property
    def pair(self) -> Pair | None:
        """The joint as a pair to predict; None for a slot."""
        if self.shape == "slot":
            return None
        return Pair(
            name=self.name,
            peg=self.peg_mm,
            hole=self.hole_mm,
            shape=self.shape,
            flipped={"same": False, "flipped": True}.get(self.way_up),
            turns=self.motion == "turn",
            exact_peg=self.bought == "peg",
            exact_hole=self.bought == "hole",
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


def _joint(table: Table, record: Record, place: str, number: int) -> Joint:
    where = f"{place}, line {record.line}"
    problems: list[InputError] = []

    def choice(column: str, allowed: tuple[str, ...], default: str) -> str:
        text = table.cell(record, column).casefold()
        if text and text not in allowed:
            hint = did_you_mean(text, allowed) or f"; write {', '.join(allowed[:-1])} or {allowed[-1]}"
            problems.append(InputError(f"{shown(text)} is not known{hint}", f"{where}, {column}"))
        return text or default

    def length(column: str) -> float:
        try:
            return parse_length(table.cell(record, column))
        except ValueError as exc:
            problems.append(InputError(str(exc), f"{where}, {column}"))
            return 1.0

    shape = choice("shape", ("round", "square", "slot"), "round")
    joint = Joint(
        name=table.cell(record, "name") or f"joint {number}",
        shape=shape,  # type: ignore[arg-type]
        peg_mm=length("peg_mm"),
        hole_mm=length("hole_mm"),
        bought=choice("bought", ("peg", "hole"), ""),  # type: ignore[arg-type]
        way_up=choice("way_up", ("same", "flipped"), ""),  # type: ignore[arg-type]
        motion=choice("motion", ("turn", "slide", "press"), "slide"),  # type: ignore[arg-type]
        now=table.cell(record, "now"),
    )
    if joint.motion == "turn" and shape != "round":
        problems.append(InputError("only a round peg turns; write slide or press", f"{where}, motion"))
    if problems:
        raise InputErrors(problems)
    return joint
