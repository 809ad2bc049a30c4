"""Writes the moves of tests/path_author.py as RS-274 text: numbers, retractions, arcs, the ways a loop ends."""

from __future__ import annotations

import numpy as np

from tests.path_job import Job


class Hand:
    """Writes moves."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.lines: list[str] = []
        self.at = np.array([0.0, 0.0, 30.0])
        self.e = 0.0
        self.z = 0.0
        self.rate = 0.0
        self.code = ""
        self.back = False

    def note(self, text: str) -> None:
        if self.job.comments == ";":
            self.lines.append(f";{text.upper()}")
        elif self.job.comments == "(":
            self.lines.append(f"({text})")

    def raw(self, text: str) -> None:
        self.lines.append(text)
        self.code = ""

    def head(self) -> None:
        job = self.job
        self.note("an orrery kit, X10 Y20 E3 in all")
        for text in ("M73 P0 R12", "M201 X500 Y500", "M140 S60", "M104 S205", "G21", "G90"):
            self.raw(text)
        self.raw("M82" if job.absolute else "M83")
        if job.volume:
            self.raw(f"M200 D{job.filament:g}")
        for text in ("M190 S60", "G28 ; home", "M109 S205", "M107"):
            self.raw(text.split(" ;")[0] if not job.comments else text)
        self.reset()
        self._move([2.0, -3.0, 0.3], 0.0, 80.0)
        self._move([62.0, -3.0, 0.3], 0.06 * 60, 15.0)
        self._move([62.0, -2.6, 0.3], 0.0, 80.0)
        self._move([2.0, -2.6, 0.3], 0.06 * 60, 15.0)
        self.reset()

    def tail(self) -> None:
        self._retract()
        for text in ("G91", "G1 Z8 F600", "G90", "M104 S0", "M140 S0", "M84"):
            self.raw(text)
        self.note("width = 0.9, layers = 77")

    def reset(self) -> None:
        self.raw("G92 E0")
        self.e = 0.0

    def rise(self, z: float) -> None:
        self._retract()
        self.z = z
        self._move([self.at[0], self.at[1], z], 0.0, 10.0)

    def _number(self, value: float, digits: int) -> str:
        text = f"{value:.{digits}f}"
        if self.job.strip and "." in text:
            text = text.rstrip("0").rstrip(".")
            text = text.replace("0.", ".", 1) if text.startswith(("0.", "-0.")) else text
        return "0" if text in ("-0", "") else text

    def _words(self, to: np.ndarray, fed: float | None, rate: float) -> list[str]:
        words = []
        for letter, a, b in zip("XYZ", self.at, to, strict=True):
            if abs(a - b) > 1e-7:
                words.append(letter + self._number(b, self.job.decimals))
        if fed:
            if self.job.volume:
                fed *= np.pi * self.job.filament**2 / 4
            self.e += fed
            words.append("E" + self._number(self.e if self.job.absolute else fed, 5))
        if rate and rate != self.rate:
            words.insert(0 if self.job.rate_first else len(words), f"F{rate * 60:g}")
            self.rate = rate
        return words

    def _move(self, to, fed: float, rate: float, code: str = "", extra: str = "") -> None:
        to = np.array(to, dtype=float)
        code = code or ("G1" if fed else self.job.travel)
        words = self._words(to, fed, rate)
        if not words:
            return
        if extra:
            words.insert(len(words) - (1 if words[-1][0] == "E" else 0), extra)
        head = [] if self.job.modal and code == self.code else [code]
        self.lines.append(" ".join([*head, *words]))
        self.code = code
        self.at = to

    def _retract(self, path: np.ndarray | None = None) -> None:
        if self.back or self.job.retract == "none":
            return
        if self.job.retract == "G10":
            self.raw("G10")
        elif self.job.retract == "wipe" and path is not None and len(path) > 1:
            # Back over what was drawn, while the filament is drawn back.
            target, length = path[-2], float(np.hypot(*(path[-2] - path[-1])))
            if length > 0.3:
                target = path[-1] + (path[-2] - path[-1]) * min(1.0, 1.0 / length)
            self._move([*target, self.at[2]], -0.8, 40.0, "G1")
        else:
            self._move(self.at, -0.8, 40.0, "G1")
        self.back = True

    def _ready(self) -> None:
        if self.back:
            if self.job.retract == "G10":
                self.raw("G11")
            else:
                self._move(self.at, 0.8, 40.0, "G1")
            self.back = False

    def _travel(self, to: np.ndarray, z: float) -> None:
        far = float(np.hypot(*(to - self.at[:2])))
        if far < 1e-6 and abs(z - self.at[2]) < 1e-6:
            return
        if far > 1.5:
            self._retract()
            if self.job.hop:
                self._move([*self.at[:2], self.z + self.job.hop], 0.0, 12.0)
                self._move([*to, self.z + self.job.hop], 0.0, 150.0)
        self._move([*to, self.at[2]], 0.0, 150.0)
        self._move([*to, z], 0.0, 12.0)
        self._ready()

    def line(self, points: np.ndarray, per_mm: float, rate: float) -> None:
        self._travel(points[0], self.z)
        for a, b in zip(points[:-1], points[1:], strict=True):
            self._move([*b, self.z], per_mm * float(np.hypot(*(b - a))), rate)

    def loop(
        self, points: np.ndarray, per_mm: float, rate: float, outer: bool = False, climb: float = 0.0
    ) -> None:
        """A closed path from its first point on; outer walls have the job's way of ending."""
        job = self.job
        path = np.vstack([points, points[:1]])
        length = float(np.hypot(*np.diff(path, axis=0).T).sum())
        if outer and job.scarf and climb and length > 2.5 * job.scarf:
            self._scarf(path, per_mm, rate, climb)
            return
        off = job.coast if outer and length > 8 else 0.0
        gap = job.end_gap if outer and length > 4 else 0.0
        circle = None if not job.arcs or off or gap else _circle(points)
        self._travel(points[0], self.z)
        if circle is not None:
            self._round(points, circle, per_mm, rate)
            return
        drawn, rest = _parted(path, length - off - gap)
        for a, b in zip(drawn[:-1], drawn[1:], strict=True):
            self._move([*b, self.z], per_mm * float(np.hypot(*(b - a))), rate)
        if off:
            for b in _parted(rest, off)[0][1:]:
                self._move([*b, self.z], 0.0, rate, "G1")
        if job.wipe and outer and not gap:
            for b in _parted(path, min(job.wipe, length / 3))[0][1:]:
                self._move([*b, self.z], 0.0, rate, "G1")
        self._retract(drawn)

    def _scarf(self, path: np.ndarray, per_mm: float, rate: float, climb: float) -> None:
        """The beginning rises from the layer below with growing feed; the end runs thin over it."""
        ramp, rest = _parted(path, self.job.scarf)
        steps = max(int(self.job.scarf / 1.0), 4)
        ramp = _with_points(ramp, steps)
        run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ramp, axis=0).T))])
        share = run / run[-1]
        low = self.z - climb
        self._travel(ramp[0], low + 0.05 * climb)
        for a, b, s, t in zip(ramp[:-1], ramp[1:], share[:-1], share[1:], strict=True):
            fed = per_mm * float(np.hypot(*(b - a))) * (s + t) / 2
            self._move([*b, low + climb * max(t, 0.05)], fed, rate)
        for a, b in zip(rest[:-1], rest[1:], strict=True):
            self._move([*b, self.z], per_mm * float(np.hypot(*(b - a))), rate)
        for a, b, s, t in zip(ramp[:-1], ramp[1:], share[:-1], share[1:], strict=True):
            fed = per_mm * float(np.hypot(*(b - a))) * (1 - (s + t) / 2)
            self._move([*b, self.z], fed, rate)

    def _round(self, points: np.ndarray, circle, per_mm: float, rate: float) -> None:
        centre, radius = circle
        area = float(
            np.sum(points[:, 0] * np.roll(points[:, 1], -1) - np.roll(points[:, 0], -1) * points[:, 1])
        )
        code = "G3" if area > 0 else "G2"
        ends = (
            [0] if self.job.arcs == "whole" else [len(points) // 4, len(points) // 2, 3 * len(points) // 4, 0]
        )
        begin = 0
        for end in ends:
            a, b = points[begin], points[end]
            angle = 2 * np.pi * ((end - begin) % len(points) or len(points)) / len(points)
            if begin != end:
                u, v = a - centre, b - centre
                angle = float(np.arctan2(u[0] * v[1] - u[1] * v[0], u @ v)) % (2 * np.pi)
                angle = angle if area > 0 else 2 * np.pi - angle
            way = " ".join(
                letter + self._number(float(c), self.job.decimals)
                for letter, c in zip("IJ", centre - a, strict=True)
            )
            self._move([*b, self.z], per_mm * radius * angle, rate, code, way)
            begin = end


def _circle(points: np.ndarray) -> tuple[np.ndarray, float] | None:
    if len(points) < 20:
        return None
    centre = (points.max(axis=0) + points.min(axis=0)) / 2
    radii = np.hypot(*(points - centre).T)
    return (centre, float(radii.mean())) if np.ptp(radii) < 0.004 else None


def _parted(path: np.ndarray, length: float) -> tuple[np.ndarray, np.ndarray]:
    """An open path's first so many millimetres, and what follows, from the same point on."""
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    if length >= run[-1] - 1e-9:
        return path, path[-1:]
    i = int(np.searchsorted(run, length, side="right")) - 1
    share = (length - run[i]) / (run[i + 1] - run[i])
    at = path[i] + share * (path[i + 1] - path[i])
    before = path[: i + 1] if share < 1e-9 else np.vstack([path[: i + 1], at])
    return before, np.vstack([at, path[i + 1 :]])


def _with_points(path: np.ndarray, steps: int) -> np.ndarray:
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    at = np.unique(np.round(np.concatenate([run, np.linspace(0, run[-1], steps + 1)]), 6))
    return np.column_stack([np.interp(at, run, path[:, k]) for k in (0, 1)])
