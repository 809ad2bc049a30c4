"""The user's own list of sizes and pairs: a CSV with a row per feature, read with every problem named by line.

    name,kind,shape,axis,nominal_mm,mate,wanted,turns,rotation_deg,way_up
    arm peg,outside,round,,8.0,arm hole,0.2,yes,,same
    arm hole,inside,round,,8.2,,,,,
    foot,outside,square,x,40,,,,,
    axle hole,inside,round,,5.1,exact 5.0,H11/c11,,,
    rail,outside,slot,x,6,groove,0.2,,,
    groove,inside,slot,x,6.3,,,,,

Only kind and nominal_mm must be there. A mate is another row's name, or `exact` and the size of a bought part;
shapes are those of a pair (`parts.pairs.Pair`), axis of a joint along an edge that of its width; wanted is a
clearance in mm or an ISO 286 fit; way_up same or flipped says how the peg is put in against how it was printed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from fitassay.analysis.chain.mating import refuse_thin
from fitassay.analysis.chain.shapes import PROFILES, SHAPES, Shape
from fitassay.analysis.chain.sizes import Axis, Side, Size
from fitassay.analysis.parts.iso286 import Fit, parse_fit
from fitassay.analysis.parts.pairs import Pair
from fitassay.analysis.readings.table import Record, Table
from fitassay.coupons.errors import InputError, InputErrors
from fitassay.coupons.files import read_input
from fitassay.coupons.numbers import parse_length, parse_number
from fitassay.coupons.wording import did_you_mean, listed, shown

COLUMNS = ("name", "kind", "shape", "axis", "nominal_mm", "mate", "wanted", "turns", "rotation_deg", "way_up")
_REQUIRED = ("kind", "nominal_mm")
_KINDS: tuple[Side, ...] = ("outside", "inside", "height")
_YES, _NO = ("yes", "y", "true", "1", "x"), ("", "no", "n", "false", "0")


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What a pair should become: a clearance [mm] or an ISO 286 fit; both None where nothing was asked."""

    clearance: float | None = None
    fit: Fit | None = None


@dataclass(frozen=True, kw_only=True)
class PartList:
    """What the list holds.

    Attributes
    ----------
    sizes : tuple of (str, Size)
        Every size by name, in each axis that applies.
    pairs : tuple of (Pair, Wish)
    """

    sizes: tuple[tuple[str, Size], ...]
    pairs: tuple[tuple[Pair, Wish], ...]


@dataclass(frozen=True, kw_only=True)
class _Row:
    name: str
    side: Side
    shape: Shape
    axes: tuple[Axis, ...]
    nominal: float
    mate: str
    wish: Wish
    turns: bool
    rotation: float
    flipped: bool | None
    place: str


def read_part_list(path: Path, width: float) -> PartList:
    """Read the list; `width` is that of a bead [mm].

    Raises
    ------
    InputErrors
        All problems, each with file, line and column.
    """
    path = Path(path)
    table = Table(read_input(path, "list", "does not exist; check the name"), str(path), _REQUIRED, COLUMNS)
    rows: list[_Row] = []
    problems: list[InputError] = []
    for record in table.records:
        if record.blank:
            continue
        try:
            rows.append(_row(table, record, str(path), len(rows) + 1))
            _refuse_thin(rows[-1], width)
        except InputErrors as exc:
            problems += exc.problems
        except InputError as exc:
            problems.append(exc)
    pairs = _pairs(rows, problems)
    if problems:
        raise InputErrors(problems)
    if not rows:
        raise InputErrors([InputError("holds no sizes; write one a line below the header", str(path))])
    sizes = tuple(
        (row.name, Size(side=row.side, axis=axis, nominal=row.nominal, shape=row.shape))
        for row in rows
        for axis in row.axes
    )
    return PartList(sizes=sizes, pairs=tuple(pairs))


def _refuse_thin(row: _Row, width: float) -> None:
    if row.side == "outside" and row.shape not in PROFILES:
        refuse_thin(row.nominal, width, f"{row.place}, nominal_mm")


def _row(table: Table, record: Record, path: str, number: int) -> _Row:
    place = f"{path}, line {record.line}"
    problems: list[InputError] = []

    def cell(column: str) -> str:
        return table.cell(record, column)

    def problem(column: str, text: str) -> None:
        problems.append(InputError(text, f"{place}, {column}"))

    def choice(column: str, allowed: tuple[str, ...], default: str, offer: str = "") -> str:
        text = cell(column).casefold() or default
        if text not in allowed:
            words = offer or listed((a for a in allowed if a), "or")
            problem(column, f"{shown(cell(column))} is not known; write {words}")
        return text

    def number_in(column: str, parse, default: float) -> float:
        try:
            return parse(cell(column)) if cell(column) or math.isnan(default) else default
        except ValueError as exc:
            problem(column, str(exc))
            return 1.0

    side = choice("kind", _KINDS, "")
    shape = choice("shape", SHAPES, "round")
    axis = choice("axis", ("", "x", "y", "z"), "z" if side == "height" else "")
    nominal = number_in("nominal_mm", parse_length, math.nan)
    rotation = number_in("rotation_deg", lambda t: parse_number(t, "°"), 0.0)
    turns = choice("turns", _YES + _NO, "", "yes or no") in _YES
    way_up = choice("way_up", ("", "same", "flipped"), "", "same or flipped")
    wish = _wish(cell("wanted"), lambda text: problem("wanted", text))
    if (side == "height") != (axis == "z") and not problems:
        problem("axis", "heights are along z, outside and inside sizes along x or y (empty: both)")
    if problems:
        raise InputErrors(problems)
    return _Row(
        name=cell("name") or f"row {number}",
        side=side,  # type: ignore[arg-type]
        shape=shape,  # type: ignore[arg-type]
        axes=(axis,) if axis else ("x", "y"),  # type: ignore[arg-type]
        nominal=nominal,
        mate=cell("mate"),
        wish=wish,
        turns=turns,
        rotation=math.radians(rotation),
        flipped={"same": False, "flipped": True}.get(way_up),
        place=place,
    )


def _wish(text: str, problem) -> Wish:
    if not text:
        return Wish()
    if "/" in text:
        try:
            return Wish(fit=parse_fit(text))
        except InputError as exc:
            problem(exc.message)
            return Wish()
    try:
        return Wish(clearance=parse_number(text, "mm"))
    except ValueError as exc:
        problem(f"{exc} (a clearance in mm, or a fit such as H11/c11)")
        return Wish()


def _pairs(rows: list[_Row], problems: list[InputError]) -> list[tuple[Pair, Wish]]:
    by_name = {row.name: row for row in rows}
    pairs = []
    seen: set[frozenset[str]] = set()
    for row in rows:
        if not row.mate:
            continue
        place = f"{row.place}, mate"
        exact = row.mate.casefold().startswith("exact")
        if row.side == "height":
            problems.append(InputError("a height has no mate; leave it empty", place))
            continue
        try:
            other = parse_length(row.mate[5:].strip(" :")) if exact else by_name[row.mate]
        except ValueError as exc:
            problems.append(InputError(f"{exc}, as in exact 8.000", place))
            continue
        except KeyError:
            hint = did_you_mean(row.mate, by_name) or "; write the name of another row, or exact and a size"
            problems.append(InputError(f"no row is called {shown(row.mate)}{hint}", place))
            continue
        if isinstance(other, _Row):
            if other.side == row.side or other.side == "height" or other.shape != row.shape:
                problems.append(InputError("a mate must be the other side, of the same shape", place))
                continue
            if frozenset((row.name, other.name)) in seen:
                continue
            seen.add(frozenset((row.name, other.name)))
        try:
            pairs.append((_pair(row, other), _joint_wish(row, other)))
        except InputError as exc:
            problems.append(InputError(exc.message, row.place))
    return pairs


def _pair(row: _Row, other: _Row | float) -> Pair:
    size = other.nominal if isinstance(other, _Row) else other
    name = f"{row.name} in {other.name}" if isinstance(other, _Row) else f"{row.name} with an exact part"
    outside = row.side == "outside"
    if isinstance(other, _Row) and not outside:
        name = f"{other.name} in {row.name}"
    return Pair(
        name=name,
        peg=row.nominal if outside else size,
        hole=size if outside else row.nominal,
        shape=row.shape,
        rotation=row.rotation or (other.rotation if isinstance(other, _Row) else 0.0),
        flipped=row.flipped if row.flipped is not None or not isinstance(other, _Row) else other.flipped,
        turns=row.turns or (isinstance(other, _Row) and other.turns),
        exact_peg=not outside and not isinstance(other, _Row),
        exact_hole=outside and not isinstance(other, _Row),
        across=row.axes[0] if row.shape in PROFILES and len(row.axes) == 1 else "",  # type: ignore[arg-type]
    )


def _joint_wish(row: _Row, other: _Row | float) -> Wish:
    if row.wish == Wish() and isinstance(other, _Row):
        return other.wish
    return row.wish
