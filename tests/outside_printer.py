"""A printer as a written file meets it, word by word; for checks from outside.

Shares nothing with the program: the words are those of RS-274 and of the common open firmwares, what is refused is
refused here, and every move is kept with the state in which it was made.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

WORD = re.compile(r"([A-Z])(-?\d*\.?\d+)?")
PLAIN = re.compile(r"G[01]( [XYZ]-?\d+\.\d{3,4})*( E-?\d+\.\d{5})?( F\d+)?")
"""Lines of a path: plain straight moves, three to five decimals."""


@dataclass(frozen=True)
class Move:
    """One straight move [mm], [mm/s]; `fed` is filament, `hot` and `homed` as the words before it said."""

    line: int
    a: tuple[float, float, float]
    b: tuple[float, float, float]
    fed: float
    speed: float
    rapid: bool
    hot: bool
    homed: bool
    fan: float

    @property
    def across(self) -> float:
        return math.hypot(self.b[0] - self.a[0], self.b[1] - self.a[1])

    @property
    def is_bead(self) -> bool:
        return self.fed > 0 and self.across > 0


@dataclass
class Printer:
    """What the machine has been told; `moves` in order, `modes` before each line."""

    moves: list[Move] = field(default_factory=list)
    unit: float = 1.0
    relative: bool = False
    relative_e: bool = False
    hot: bool = False
    homed: bool = False
    fan: float = 0.0
    speed: float = math.nan
    at: list[float] = field(default_factory=lambda: [math.nan] * 3)
    e: float = 0.0
    modes: list[tuple[float, bool, bool]] = field(default_factory=lambda: [(1.0, False, False)])

    def run(self, text: str) -> Printer:
        for number, raw in enumerate(text.splitlines(), 1):
            self.obey(number, raw)
            self.modes.append((self.unit, self.relative, self.relative_e))
        return self

    def obey(self, number: int, raw: str) -> None:
        line = re.sub(r"\([^)]*\)|;.*", "", raw).strip().upper()
        line = re.sub(r"^N\d+\s*|\*\d+$", "", line).strip()
        if not re.match(r"[GM]\d+(\s|$)", line):
            return  # a macro, or a comment
        words = [(letter, float(value) if value else None) for letter, value in WORD.findall(line)]
        given = {letter: value for letter, value in words if letter not in "GM"}
        for code in [f"{letter}{value:g}" for letter, value in words if letter in "GM" and value is not None]:
            if code in ("G20", "G21"):
                self.unit = 25.4 if code == "G20" else 1.0
            elif code in ("G90", "G91"):
                self.relative = code == "G91"
            elif code in ("M82", "M83"):
                self.relative_e = code == "M83"
            elif code in ("M109", "M116"):
                self.hot = (given.get("S") or 0) > 0
            elif code == "M104" and given.get("S") == 0:
                self.hot = False
            elif code in ("M106", "M107"):
                self.fan = (given.get("S") or 0.0) if code == "M106" else 0.0
            elif code == "G28":
                self.homed = True
                axes = [k for k, c in enumerate("XYZ") if c in given] or [0, 1, 2]
                self.at = [0.0 if k in axes else v for k, v in enumerate(self.at)]
            elif code == "G92":
                assert set(given) == {"E"}, f"line {number} moves the origin"
                self.e = (given["E"] or 0.0) * self.unit
            elif code in ("G0", "G1"):
                self.move(number, code == "G0", given)
            else:
                assert code not in ("G2", "G3", "G5"), f"line {number} is curved"

    def move(self, number: int, rapid: bool, given: dict[str, float | None]) -> None:
        values = {c: (v or 0.0) * self.unit for c, v in given.items()}
        if "F" in values:
            self.speed = values["F"] / 60
        ends = [
            (values[c] + (self.at[k] if self.relative else 0.0)) if c in values else self.at[k]
            for k, c in enumerate("XYZ")
        ]
        fed = 0.0
        if "E" in values:
            fed = values["E"] if self.relative_e else values["E"] - self.e
            self.e += fed
        a, b = tuple(self.at), tuple(ends)
        self.moves.append(
            Move(number, a, b, fed, self.speed, rapid, self.hot, self.homed, self.fan)  # type: ignore[arg-type]
        )
        self.at = ends


@dataclass(frozen=True)
class Parts:
    """A file of ours taken apart by its three comments; line numbers of the path, first and last."""

    head: list[str]
    start: list[str]
    path: list[str]
    end: list[str]
    first: int
    last: int


def parts_of(text: str) -> Parts:
    lines = text.splitlines()
    s, p, e = (lines.index(mark) for mark in ("; start", "; path", "; end"))
    return Parts(lines[:s], lines[s + 1 : p], lines[p + 1 : e], lines[e + 1 :], p + 2, e)


def bead_area(width: float, height: float) -> float:
    """Of a bead with half-round ends [mm2]."""
    return (width - height) * height + math.pi * (height / 2) ** 2
