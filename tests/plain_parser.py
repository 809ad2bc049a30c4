"""A small reader of RS-274 text for the tests: one line, one move; shares nothing with the program's own reader."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

WORD = re.compile(r"([A-Z])(-?\d*\.?\d+)")


@dataclass(frozen=True)
class Step:
    """One straight move [mm]; `fed` is filament, `feed` in mm/s."""

    a: tuple[float, float, float]
    b: tuple[float, float, float]
    fed: float
    feed: float
    line: int
    word: str

    @property
    def length(self) -> float:
        return math.dist(self.a, self.b)


def steps_of(text: str) -> list[Step]:
    """All moves of a text, homing left out."""
    unit, absolute, absolute_e = 1.0, True, True
    at, e, feed = [0.0, 0.0, 0.0], 0.0, math.nan
    steps = []
    for number, raw in enumerate(text.splitlines(), 1):
        line = re.sub(r"\(.*?\)|;.*", "", raw).strip().upper()
        if not re.match(r"[GM]\d", line):
            continue
        words = WORD.findall(line.replace(" ", ""))
        codes = [a + str(int(float(b))) for a, b in words if a in "GM"]
        values = {a: float(b) for a, b in words if a not in "GM"}
        for code in codes:
            unit = {"G20": 25.4, "G21": 1.0}.get(code, unit)
            absolute = {"G90": True, "G91": False}.get(code, absolute)
            absolute_e = {"M82": True, "M83": False}.get(code, absolute_e)
        if "G28" in codes:
            at = [
                0.0 if not values and "X" not in line and "Y" not in line and "Z" not in line else v
                for v in at
            ]
        elif "G92" in codes:
            e = values.get("E", e / unit) * unit
        elif "G0" in codes or "G1" in codes:
            new = [
                (values[c] * unit + (0.0 if absolute else at[k])) if c in values else at[k]
                for k, c in enumerate("XYZ")
            ]
            told = values.get("E")
            fed = 0.0
            if told is not None:
                fed = told * unit - (e if absolute_e else 0.0)
                e += fed
            feed = values["F"] * unit / 60 if "F" in values else feed
            steps.append(Step(tuple(at), tuple(new), fed, feed, number, codes[-1]))  # type: ignore[arg-type]
            at = new
    return steps


def strokes_of(steps: list[Step]) -> list[list[Step]]:
    """Beads drawn without lifting the nozzle."""
    runs: list[list[Step]] = []
    open_ = False
    for step in steps:
        across = math.dist(step.a[:2], step.b[:2]) > 0
        if across and step.fed > 0:
            if open_:
                runs[-1].append(step)
            else:
                runs.append([step])
            open_ = True
        else:
            open_ = False
    return runs
