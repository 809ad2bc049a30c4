"""Everyday settings of a slicing program, for tests/path_author.py: what is set, and how the file is written."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, kw_only=True)
class Job:
    """Everyday settings, and the manner of writing; lengths in mm, speeds in mm/s."""

    width: float = 0.45
    inner: float = 0.45
    first_width: float = 0.45
    layer: float = 0.2
    first_layer: float = 0.2
    walls: int = 2
    flow: float = 1.0
    sides: float = 0.0
    holes: float = 0.0
    foot: float = 0.0
    overlap: bool = False
    square: bool = False
    filament: float = 1.75
    volume: bool = False
    order: str = "in"
    by_island: bool = True
    clockwise: bool = False
    seam: str = "rear"
    end_gap: float = 0.0
    coast: float = 0.0
    scarf: float = 0.0
    fill: str = "lines"
    density: float = 0.15
    solid: int = 3
    join: str = "mitre"
    chord: float = 0.0
    turn: str = "as drawn"
    at: tuple[float, float] = (0.0, 0.0)
    skirt: int = 0
    brim: int = 0
    tower: bool = False
    other: bool = False
    copies: bool = False
    in_turn: bool = False
    # Manner.
    hop: float = 0.0
    retract: str = "E"
    wipe: float = 0.0
    arcs: str = ""
    absolute: bool = False
    resets: bool = True
    decimals: int = 3
    strip: bool = False
    modal: bool = False
    rate_first: bool = False
    comments: str = ";"
    travel: str = "G0"
    outer_rate: float = 25.0
    inner_rate: float = 45.0


def everyday(rng: np.random.Generator) -> Job:
    """Settings as people have them, several unusual at once now and then."""

    def pick(*values):
        return values[int(rng.integers(len(values)))]

    def seldom(value, usual, share=0.2):
        return value if rng.random() < share else usual

    width = pick(0.45, 0.45, 0.4, 0.42, 0.44, 0.48, 0.5, 0.6)
    layer = pick(0.2, 0.2, 0.2, 0.2, 0.1, 0.12, 0.15, 0.16, 0.24, 0.25, 0.28, 0.3)
    end = rng.random()
    return Job(
        width=width,
        inner=pick(width, width, 0.45, 0.5),
        first_width=pick(width, 0.5, 0.42, 0.6),
        layer=layer,
        first_layer=pick(layer, layer, 0.2, 0.25, 0.3),
        walls=pick(2, 2, 3, 4),
        flow=seldom(round(float(rng.uniform(0.9, 1.08)), 2), 1.0, 0.35),
        sides=seldom(round(float(rng.uniform(-0.2, 0.2)), 2), 0.0, 0.3),
        holes=seldom(round(float(rng.uniform(-0.15, 0.15)), 2), 0.0, 0.25),
        foot=seldom(pick(0.1, 0.15, 0.2), 0.0, 0.3),
        overlap=pick(True, False),
        square=seldom(True, False, 0.3),
        filament=seldom(2.85, 1.75, 0.05),
        volume=seldom(True, False, 0.08),
        order=pick("in", "out", "in out in"),
        by_island=pick(True, False),
        clockwise=seldom(True, False),
        seam=pick("rear", "near", "random", "corner"),
        end_gap=pick(0.0, 0.0, 0.05, 0.1, 0.2),
        coast=float(rng.uniform(0.2, 1.5)) if end < 0.12 else 0.0,
        scarf=float(rng.uniform(4, 20)) if 0.12 <= end < 0.24 else 0.0,
        fill=pick("lines", "grid", "rings", "waves", "none"),
        density=pick(0.1, 0.15, 0.2, 0.3),
        solid=pick(2, 3, 4),
        join=pick("mitre", "round"),
        chord=pick(0.0, 0.0, 0.01, 0.02),
        turn=pick("as drawn", "as drawn", "90", "180", "270"),
        at=(round(float(rng.uniform(-120, 40)), 2), round(float(rng.uniform(-120, 40)), 2)),
        skirt=pick(0, 1, 2),
        brim=seldom(5, 0),
        tower=seldom(True, False),
        other=seldom(True, False),
        copies=seldom(True, False, 0.1),
        in_turn=seldom(True, False, 0.1),
        hop=pick(0.0, 0.0, 0.2, 0.4),
        retract=pick("E", "E", "G10", "wipe", "none"),
        wipe=pick(0.0, 0.0, 1.5),
        arcs=pick("", "", "", "parts", "whole"),
        absolute=pick(True, False),
        resets=pick(True, False),
        decimals=pick(3, 3, 3, 4, 5),
        strip=pick(True, False),
        modal=seldom(True, False, 0.1),
        rate_first=pick(True, False),
        comments=pick(";", ";", "(", ""),
        travel=pick("G0", "G1"),
        outer_rate=float(pick(20, 25, 40, 120)),
        inner_rate=float(pick(25, 60, 150)),
    )
