"""Rewrites a plain tool path in another manner: what other programs would have made of the same printing moves.

Knows the lines that tests/pathwriter.py writes plainly (absolute millimetres, relative E), and nothing of the reader.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np


@dataclass(frozen=True)
class Op:
    """One move to (x, y, z) that feeds `e`, its rate as written; or a line of text as it is.

    `centre` makes it an arc about that, counter-clockwise where `left`.
    """

    at: tuple[float, float, float] = (0.0, 0.0, 0.0)
    e: float = 0.0
    rate: float | None = None
    fast: bool = False
    text: str = ""
    centre: tuple[float, float] | None = None
    left: bool = True

    @property
    def draws(self) -> bool:
        return not self.text and self.e > 0


Ops = list[Op]


def parsed(text: str) -> Ops:
    """Take a plain file apart."""
    at = np.zeros(3)
    ops: Ops = []
    for line in text.splitlines():
        words = {w[0]: w[1:] for w in line.split(";")[0].split()}
        if line.startswith(("G0", "G1 ", "F")) and set(words) <= set("GXYZEF"):
            rate = float(words["F"]) if "F" in words else None
            for k, letter in enumerate("XYZ"):
                at[k] = float(words[letter]) if letter in words else at[k]
            ops.append(
                Op(tuple(at.tolist()), float(words.get("E", 0)), rate, words.get("G") == "0")  # type: ignore[arg-type]
            )
        else:
            ops.append(Op(tuple(at.tolist()), text=line))  # type: ignore[arg-type]
    return ops


@dataclass(frozen=True, kw_only=True)
class Manner:
    """How moves are written."""

    decimals: int = 5
    e_decimals: int = 7
    unit: float = 1.0
    absolute_e: bool = False
    resets: int = 0
    origin: tuple[float, float] = (0.0, 0.0)
    number: Callable[[str], str] = str
    travel: str = "G0"
    travel_e: bool = False


def written(ops: Ops, manner: Manner = Manner()) -> str:
    """The file."""
    lines: list[str] = []
    before, fed = (float("nan"),) * 3, 0.0
    for i, op in enumerate(ops):
        if op.text:
            line = op.text
            if line.startswith("M83") and manner.absolute_e:
                line = "M82"
            if line.startswith("G21") and manner.unit != 1:
                line = "G20" + line[3:]
            lines.append(line)
            continue
        if manner.resets and i % manner.resets == 0:
            lines.append("G92 E0")
            fed = 0.0
        fed += op.e
        words = _words(op, before, fed if manner.absolute_e else op.e, manner)
        code = manner.travel if op.fast else "G1"
        if op.centre is not None:
            code = "G3" if op.left else "G2"
        if words:
            lines.append(" ".join([code, *words]))
        before = op.at
    return "\n".join(lines) + "\n"


def _words(op: Op, before: tuple[float, ...], fed: float, manner: Manner) -> list[str]:
    """What stands behind a move's G word."""
    words = []
    for k, letter in enumerate("XYZ"):
        shift = manner.origin[k] if k < 2 else 0.0
        if op.at[k] != before[k]:
            words.append(letter + manner.number(f"{(op.at[k] + shift) / manner.unit:.{manner.decimals}f}"))
    if op.e or (manner.travel_e and words):
        words.append("E" + manner.number(f"{fed / manner.unit:.{manner.e_decimals}f}"))
    if op.rate is not None:
        words.append(f"F{op.rate / manner.unit:g}")
    if op.centre is not None:
        for letter, to, at in zip("IJ", op.centre, before[:2], strict=True):
            words.append(f"{letter}{(to - at) / manner.unit:.{manner.decimals}f}")
    return words


def strokes(ops: Ops) -> list[tuple[int, int]]:
    """Runs of drawing moves, as first index and the index behind the last."""
    runs, begin = [], None
    for i, op in enumerate([*ops, Op(text="end")]):
        if op.draws and i and op.at[:2] != ops[i - 1].at[:2]:
            begin = i if begin is None else begin
        elif begin is not None:
            runs.append((begin, i))
            begin = None
    return runs


def _between(ops: Ops, change: Callable[[np.ndarray, Op], list[Op]]) -> Ops:
    """Every drawing move replaced by what `change` makes of where it begins and of it."""
    made: Ops = []
    at = np.zeros(3)
    for op in ops:
        moved = op.draws and op.centre is None and not np.allclose(at[:2], op.at[:2])
        made += change(at, op) if moved else [op]
        at = np.array(op.at)
    return made


def crumbs(ops: Ops, every: int = 7, feeds: bool = False) -> Ops:
    """A step of 0.001 mm behind some drawing moves, without filament or with hardly any."""
    count = [0]

    def change(at: np.ndarray, op: Op) -> list[Op]:
        count[0] += 1
        x, y, z = op.at
        return [op, Op((x + 0.001, y, z), 1e-5 if feeds else 0.0)] if count[0] % every == 0 else [op]

    return _between(ops, change)


def split_moves(ops: Ops, pieces: int = 3) -> Ops:
    """Every drawing move in collinear pieces."""

    def change(at: np.ndarray, op: Op) -> list[Op]:
        ends = at + np.linspace(0, 1, pieces + 1)[1:, None] * (np.array(op.at) - at)
        parts = [replace(op, at=tuple(p), e=op.e / pieces) for p in ends.tolist()]
        return [parts[0], *(replace(p, rate=None) for p in parts[1:])]

    return _between(ops, change)


def mapped(ops: Ops, to: Callable[[np.ndarray], np.ndarray]) -> Ops:
    """Every place moved."""
    made: Ops = []
    for op in ops:
        at = tuple(to(np.array(op.at)).tolist())
        centre = op.centre
        if centre is not None:
            x, y = to(np.array([*centre, op.at[2]])).tolist()[:2]
            centre = (x, y)
        made.append(replace(op, at=at, centre=centre))
    return made


def arced(ops: Ops) -> Ops:
    """Closed runs around a circle drawn by three arcs."""
    made: Ops = []
    done = 0
    for begin, stop in strokes(ops):
        points = np.array([ops[begin - 1].at, *(op.at for op in ops[begin:stop])])[:, :2]
        middle = points[:-1].mean(axis=0)
        radii = np.hypot(*(points - middle).T)
        closed = np.hypot(*(points[-1] - points[0])) < 1e-3
        if not (closed and stop - begin > 24 and np.ptp(radii) < 0.002):
            continue
        made += ops[done:begin]
        area = np.sum(points[:-1, 0] * points[1:, 1] - points[1:, 0] * points[:-1, 1])
        fed = np.concatenate([[0.0], np.cumsum([op.e for op in ops[begin:stop]])])
        n, (x, y) = stop - begin, middle.tolist()
        for a, b in ((0, n // 3), (n // 3, 2 * n // 3), (2 * n // 3, n)):
            end = replace(ops[begin + b - 1], e=float(fed[b] - fed[a]), rate=ops[begin + a].rate)
            made.append(replace(end, centre=(x, y), left=bool(area > 0)))
        done = stop
    return made + ops[done:]


def quarter_turned(ops: Ops) -> Ops:
    """Everything turned by 90 degrees counter-clockwise about the bed's origin."""
    return mapped(ops, lambda p: np.array([-p[1], p[0], p[2]]))


def hops(ops: Ops, by: float = 0.4) -> Ops:
    """The nozzle is lifted on every travel."""
    made: Ops = []
    at = np.zeros(3)
    for op in ops:
        flat = not op.text and abs(op.at[2] - at[2]) < 1e-9 and np.hypot(*(np.array(op.at) - at)[:2]) > 0.5
        if op.fast and not op.e and flat:
            x, y, z = op.at
            made += [Op((*at[:2], z + by), fast=True), replace(op, at=(x, y, z + by)), Op((x, y, z))]
        else:
            made.append(op)
        at = np.array(op.at)
    return made


def around_strokes(ops: Ops, before: Callable[..., Ops], after: Callable[..., Ops]) -> Ops:
    """Something done before and after each run of at least three drawing moves: from its ops and its start."""
    made: Ops = []
    done = 0
    for begin, stop in strokes(ops):
        made += ops[done:begin]
        run, start = ops[begin:stop], ops[begin - 1]
        long = len(run) >= 3
        made += [*before(run, start), *run, *after(run, start)] if long else run
        done = stop
    return made + ops[done:]


def wiped(ops: Ops, length: float = 1.5) -> Ops:
    """Filament is drawn back on a move along the loop's beginning."""

    def after(run: Ops, start: Op) -> Ops:
        way = np.array(run[0].at) - np.array(start.at)
        end = np.array(start.at) + way * min(1.0, length / np.hypot(*way[:2]))
        return [Op(tuple(end.tolist()), -0.4), Op(tuple(end.tolist()), 0.4)]

    return around_strokes(ops, lambda run, start: [], after)


def led(ops: Ops, into: float = 0.7, feeds: bool = True, out: bool = True) -> Ops:
    """Loops with material on their left are entered from within it, and left into it."""

    def spot(run: Ops, start: Op) -> np.ndarray:
        points = np.array([start.at, *(op.at for op in run)])
        way = points[1] - points[0]
        side = np.array([-way[1], way[0], 0.0]) + way
        return points[0] + side / np.hypot(*side[:2]) * into

    def closed(run: Ops, start: Op) -> bool:
        return float(np.hypot(*(np.array(run[-1].at) - np.array(start.at))[:2])) < 0.05

    def per_mm(run: Ops, start: Op) -> float:
        step = np.array(run[0].at) - np.array(start.at)
        return run[0].e / float(np.hypot(*step[:2]))

    def before(run: Ops, start: Op) -> Ops:
        if not closed(run, start):
            return []
        at = tuple(spot(run, start).tolist())
        return [Op(at, fast=True), replace(start, text="", fast=False, e=per_mm(run, start) * into * feeds)]

    def after(run: Ops, start: Op) -> Ops:
        return [Op(tuple(spot(run, start).tolist()))] if out and closed(run, start) else []

    return around_strokes(ops, before, after)


def fuzzy(ops: Ops, by: float = 0.1, seed: int = 3) -> Ops:
    """Drawing moves in short pieces that stray at random."""
    rng = np.random.default_rng(seed)

    def change(at: np.ndarray, op: Op) -> list[Op]:
        pieces = max(1, int(np.hypot(*(np.array(op.at) - at)[:2]) / 0.7))
        ends = at + np.linspace(0, 1, pieces + 1)[1:, None] * (np.array(op.at) - at)
        ends[:-1, :2] += rng.uniform(-by, by, (pieces - 1, 2))
        return [replace(op, at=tuple(p), e=op.e / pieces) for p in ends.tolist()]

    return _between(ops, change)


def with_lines(ops: Ops, lines: tuple[str, ...], every: int = 40) -> Ops:
    """Lines of text strewn between."""
    made: Ops = []
    for i, op in enumerate(ops):
        made.append(op)
        if i % every == every - 1 and not op.text:
            made.append(Op(op.at, text=lines[(i // every) % len(lines)]))
    return made


def layer_starts(ops: Ops, line: str) -> Ops:
    """A line of text whenever the nozzle goes up for good."""
    made: Ops = []
    top = 0.0
    for op in ops:
        made.append(op)
        if not op.text and op.at[2] > top + 1e-6:
            top = op.at[2]
            made.append(Op(op.at, text=line))
    return made


def firmware_retracts(ops: Ops) -> Ops:
    """Retractions by G10 and G11, whose length the machine knows."""
    at = (0.0, 0.0, 0.0)
    made: Ops = []
    for op in ops:
        still = not op.text and op.at == at and op.e
        made.append(Op(op.at, text="G10" if op.e < 0 else "G11") if still else op)
        at = op.at
    return made
