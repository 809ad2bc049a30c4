"""A printer with dials of its own, which prints the coupons and joints by what stands on them, in closed forms.

Shares no code with the product: sizes follow the textbook forms of straight flanks (each flank stands by half of the
play behind its axis' last move), round openings are walked point by point by `printed_pairs`. What a dial does is the
printer's own: some count both sides together, some inwards, some give all holes one constant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from fitassay.analysis.terms import NAMES
from tests.printed_pairs import WIDTH, PrintedPair, path_of, square_clearance
from tests.printers import printer

LAYER = 0.2
# Gain of play by the name of a comb's feature: a stem's flanks are reached from its middle, a head's from outside.
COMB_GAIN = {"stem": 1.0, "neck": 1.0, "head": -1.0, "chamber": -1.0, "tooth": 0.0, "slot": 0.0}
# A bead of half-round ends leaves a square corner short by (sqrt 2 - 1) of its width at either end of a diagonal.
CORNER = math.sqrt(2) - 1
JOINTS = (("round", 6.0, 6.3), ("round", 10.0, 10.3), ("square", 12.0, 12.3))


@dataclass
class Dials:
    """What is set, as this printer and its slicing program count it; machine.toml's names where they count alike."""

    steps: dict[str, float] = field(default_factory=lambda: {"x": 80.0, "y": 80.0, "z": 400.0})
    taken_up: dict[str, float] = field(default_factory=lambda: {"x": 0.0, "y": 0.0})
    flow: float = 100.0
    size: float = 0.0
    holes: float = 0.0
    first_layer: float = 0.0
    lean: float = 0.0
    gap: float = 0.0


@dataclass
class DialledPrinter:
    """One machine; lengths [mm].

    Attributes
    ----------
    play : dict
        True play of x and y.
    steps_off : dict
        Fraction by which sizes are too large along x, y, z with the first steps per mm.
    bead, outward, lean, closing, high, foot : float
        Bead too wide at 100 %, path outwards, x gained per y, closing of a 3 mm hole, heights, first layer.
    jumps : bool
        What a compensation does beyond the play: jump at the reversal, or mirror the play.
    size_in_all, size_inwards, foot_inwards, lean_other, holes_constant, holes_per_side : bool
        How the dials count.
    uneven, caliper_out, caliper_in, corners : float
        What no dial changes.
    """

    play: dict[str, float]
    steps_off: dict[str, float]
    bead: float
    outward: float
    lean: float
    closing: float
    high: float
    foot: float
    jumps: bool
    size_in_all: bool
    size_inwards: bool
    foot_inwards: bool
    lean_other: bool
    holes_constant: bool
    holes_per_side: bool
    uneven: float
    caliper_out: float
    caliper_in: float
    corners: float
    dials: Dials = field(default_factory=Dials)

    def errors(self, hole: float = 3.0) -> np.ndarray:
        """What is off by what stands on the dials, the closing as it acts on a hole of that diameter."""
        d = self.dials
        scale = {
            a: (1 + self.steps_off[a]) * d.steps[a] / first - 1
            for a, first in (("x", 80.0), ("y", 80.0), ("z", 400.0))
        }
        section = (WIDTH - LAYER) * LAYER + math.pi * LAYER**2 / 4 + self.bead * LAYER
        wide = section * d.flow / 100 / LAYER + LAYER - math.pi * LAYER / 4
        size = d.size / (2 if self.size_in_all else 1) * (-1 if self.size_inwards else 1)
        opened = d.holes * (2 if self.holes_per_side else 1) * (hole / 3.0 if self.holes_constant else 1.0)
        return printer(
            scale_x=scale["x"],
            scale_y=scale["y"],
            scale_z=scale["z"],
            backlash_x=self.play["x"] - d.taken_up["x"],
            backlash_y=self.play["y"] - d.taken_up["y"],
            bead_excess=wide - WIDTH,
            contour_offset=self.outward + size,
            skew_xy=self.lean + math.radians(d.lean) * (-1 if self.lean_other else 1),
            bore_closure=self.closing - opened,
            layer_datum=self.high + d.gap,
            first_layer_flare=self.foot + d.first_layer * (-1 if self.foot_inwards else 1),
            uneven_layers=self.uneven,
        )

    def joints(self) -> np.ndarray:
        """By how much each of `JOINTS` is looser (negative: tighter) than drawn."""
        off = []
        for shape, peg, hole in JOINTS:
            theta = self.errors(hole)
            if shape == "round":
                got = PrintedPair(peg, hole, theta, jumps=self.jumps).sits(0.0)
            else:
                got = square_clearance(peg, hole, theta)
            off.append(got - (hole - peg))
        return np.array(off)

    def reads(self, coupon: dict, feature: dict) -> float:
        """What a caliper of no scatter reads, its own zero included."""
        long, kind = feature["nominal_mm"], feature["kind"]
        e = dict(zip(NAMES, self.errors(), strict=True))
        bead = e["bead_excess"] + e["uneven_layers"]
        if kind == "height":
            return long * (1 + e["scale_z"]) + e["layer_datum"] + self.caliper_out
        if kind == "thickness":
            return WIDTH + bead + self.caliper_out
        if kind == "diagonal":
            lean = e["skew_xy"] * (1 if feature["direction_deg"] < 90 else -1)
            stretch = (e["scale_x"] + e["scale_y"] + lean) / 2
            flanks = 2 * math.sqrt(2) * e["contour_offset"] - (e["backlash_x"] + e["backlash_y"]) / math.sqrt(
                2
            )
            corner = -CORNER * WIDTH + self.corners
            return long + (long - math.sqrt(2) * WIDTH) * stretch + flanks + bead + corner + self.caliper_out
        axis = "y" if round(feature["direction_deg"]) == 90 else "x"
        if feature["id"].startswith("bore"):
            return self._bore(long, axis) + self.caliper_in
        gain = next((g for n, g in COMB_GAIN.items() if feature["id"].startswith(n)), -1.0)
        moved = gain * e[f"backlash_{axis}"]
        if kind == "inside":
            path = long + WIDTH
            return (
                path * (1 + e[f"scale_{axis}"])
                - WIDTH
                - bead
                - 2 * e["contour_offset"]
                + moved
                + self.caliper_in
            )
        foot = 0.0
        if feature["id"] == "foot":
            # A caliper's jaw at the bed rests on one layer, which is no more uneven than itself.
            foot, bead = 2 * e["first_layer_flare"], e["bead_excess"]
        path = long - WIDTH
        return (
            path * (1 + e[f"scale_{axis}"])
            + WIDTH
            + bead
            + 2 * e["contour_offset"]
            + foot
            + moved
            + self.caliper_out
        )

    def _bore(self, diameter: float, axis: str, flat: float = 0.3) -> float:
        """Between jaws with flats of that width, in a bore walked point by point."""
        theta = self.errors(diameter)
        path = path_of(("round", "in"), diameter, theta, 720, jumps=self.jumps)
        half = (WIDTH + theta[NAMES.index("bead_excess")] + self.uneven) / 2
        k = 0 if axis == "x" else 1
        along, across = path[:, k], path[:, 1 - k]
        beyond = np.maximum(np.abs(across - across.mean()) - flat / 2, 0.0)
        near = beyond < half
        reach = np.sqrt(half**2 - beyond[near] ** 2)
        low = (-along[near] - reach)[along[near] < 0].min()
        high = (along[near] - reach)[along[near] > 0].min()
        return float(low + high)


def drawn(rng: np.random.Generator, over: bool, constant: bool) -> DialledPrinter:
    """A machine as they come; `over`: its backlash compensations are set too high already."""
    flip = lambda: bool(rng.integers(2))  # noqa: E731
    made = DialledPrinter(
        play={a: rng.uniform(0.0, 0.3) for a in "xy"},
        steps_off={a: 0.003 * rng.standard_normal() for a in "xyz"},
        bead=0.05 * rng.standard_normal(),
        outward=0.08 * rng.standard_normal(),
        lean=0.005 * rng.standard_normal(),
        closing=rng.uniform(0.05, 0.3),
        high=0.08 * rng.standard_normal(),
        foot=0.1 * abs(rng.standard_normal()),
        jumps=flip(),
        size_in_all=flip(),
        size_inwards=flip(),
        foot_inwards=flip(),
        lean_other=flip(),
        holes_constant=constant,
        holes_per_side=constant and flip(),
        uneven=rng.uniform(0.0, 0.05),
        caliper_out=0.01 * rng.standard_normal(),
        caliper_in=0.015 * rng.standard_normal(),
        corners=0.1 * rng.standard_normal(),
    )
    if over:
        for axis in "xy":
            made.dials.taken_up[axis] = round(made.play[axis] + rng.uniform(0.05, 0.25), 2)
    return made
