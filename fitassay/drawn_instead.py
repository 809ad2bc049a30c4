"""What to draw until settings are known well enough for a number: the size that fits tonight, joint by joint."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from fitassay.case import Case
from fitassay.joint_words import changed_state, outcome, redrawn, sizes_of_joints
from fitassay.labels import TO, plain, side_words

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fitassay.analysis.gcode.trace_data import Trace
    from fitassay.analysis.parts.joints import Joint
    from fitassay.analysis.parts.sizes import State
    from fitassay.analysis.result import Diagnosis
    from fitassay.coupons.machine import Machine

PEGS_MM = (5.0, 8.0, 14.0)
"""Pegs that stand in for the user's own joints where the case names none; each is to turn."""


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """The size to draw for one joint.

    Attributes
    ----------
    joint : str
        Its name; empty for an ordinary peg.
    side : {"peg", "hole"}
        Which side to draw otherwise.
    draw_mm : float [mm]
    clearance_mm, std_uncertainty : float [mm]
        Of the joint so drawn.
    text : str
        All of it in words.
    """

    joint: str
    side: Literal["peg", "hole"]
    draw_mm: float
    clearance_mm: float
    std_uncertainty: float
    text: str

    def as_data(self) -> dict[str, Any]:
        """As the JSON answers hold it."""
        return {
            "joint": self.joint,
            "side": self.side,
            "draw_mm": self.draw_mm,
            "clearance_mm": self.clearance_mm,
            "std_uncertainty": self.std_uncertainty,
            "text": self.text,
        }


def drawn_instead(
    place: Case, diagnosis: Diagnosis, machine: Machine, trace: Trace | None = None
) -> tuple[Drawn, ...]:
    """For each of the case's joints the size to draw, the numbered changes made; ordinary pegs where it has none.

    None where every change that is worth making has its number.

    Raises
    ------
    InputError
        Something is wrong with the case's joints.
    """
    if not diagnosis.unsettled:
        return ()
    from fitassay.analysis.parts.joints import joints_in
    from fitassay.inputs import state_of

    state = state_of(diagnosis, machine, trace=trace)
    if any(a.to_value is not None for a in diagnosis.advice):
        state = changed_state(state, diagnosis, machine)
    with sizes_of_joints(place):
        return tuple(_drawn(joint, state) for joint in joints_in(place.path) or _ordinary())


def _ordinary() -> Iterable[Joint]:
    from fitassay.analysis.parts.joints import Joint

    return [
        Joint(
            name="",
            shape="round",
            peg_mm=size,
            hole_mm=size,
            bought="",
            way_up="",
            motion="turn",
            now="",
        )
        for size in PEGS_MM
    ]


def _drawn(joint: Joint, state: State) -> Drawn:
    from fitassay.analysis.parts.pairs import predict_pair
    from fitassay.analysis.rounding import fixed

    side, size, then = redrawn(joint, state)
    clearance = predict_pair(then.pair, state).counts
    other = joint.hole_mm if side == "peg" else joint.peg_mm
    names = side_words(joint.shape)
    name = f"{plain(joint.name, 60)}, " if joint.name else ""
    return Drawn(
        joint=joint.name,
        side=side,
        draw_mm=size,
        clearance_mm=clearance.mean,
        std_uncertainty=clearance.u,
        text=(
            f"{name}{names[side == 'peg']} {other:g} mm, {TO[joint.motion]}: draw the {names[side == 'hole']} "
            f"{fixed(size, 2)} mm; it then {outcome(then, state)}"
        ),
    )
