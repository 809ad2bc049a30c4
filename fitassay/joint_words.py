"""The joints of a case in words: how each fits now, and once the advice is followed."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from fitassay.case import Case
from fitassay.coupons.errors import InputError, ThinPeg
from fitassay.labels import TO, plain, side_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fitassay.analysis.gcode.trace_data import Trace
    from fitassay.analysis.parts.joints import Joint
    from fitassay.analysis.parts.sizes import State
    from fitassay.analysis.result import Diagnosis
    from fitassay.coupons.machine import Machine

SEEN_MM = 0.1
"""Play that differs from the usual one by less than this needs no other drawing [mm]."""

SEEN_MENDED_MM = 0.05
"""The same once the machine is mended: who changes settings anyway draws the rest as well [mm]."""

SURE = 1 / 6
"""A fit is counted on from five to one."""


def joint_sentences(
    place: Case, diagnosis: Diagnosis, machine: Machine, trace: Trace | None = None
) -> tuple[str, ...]:
    """A sentence for each joint in the case's joints.csv; none where there is no such file.

    Raises
    ------
    InputError
        Something is wrong with the file.
    """
    from fitassay.analysis.parts.joints import joints_in

    joints = joints_in(place.path)
    if not joints:
        return ()
    from fitassay.inputs import state_of

    now = state_of(diagnosis, machine, trace=trace)
    then = (
        changed_state(now, diagnosis, machine)
        if any(a.to_value is not None for a in diagnosis.advice)
        else None
    )
    with sizes_of_joints(place):
        return tuple(_sentence(joint, now, then) for joint in joints)


def joint_outcomes(
    place: Case, diagnosis: Diagnosis, machine: Machine, trace: Trace | None = None
) -> tuple[str, ...]:
    """How each of the case's joints fits now, without what to do about it.

    Raises
    ------
    InputError
        As `joint_sentences`.
    """
    from fitassay.analysis.parts.joints import joints_in
    from fitassay.inputs import state_of

    joints = joints_in(place.path)
    if not joints:
        return ()
    now = state_of(diagnosis, machine, trace=trace)
    with sizes_of_joints(place):
        return tuple(f"{plain(j.name, 60)} {outcome(j, now)}" for j in joints)


def joints_fit(place: Case, diagnosis: Diagnosis, machine: Machine, trace: Trace | None = None) -> bool:
    """Whether the case names joints, and each of them surely does as drawn what it should.

    Raises
    ------
    InputError
        As `joint_sentences`.
    """
    from fitassay.analysis.parts.joints import joints_in
    from fitassay.analysis.parts.pairs import predict_pair
    from fitassay.inputs import state_of

    joints = joints_in(place.path)
    if not joints:
        return False
    now = state_of(diagnosis, machine, trace=trace)
    with sizes_of_joints(place):
        binds = [(j.motion == "press", predict_pair(j.pair, now).counts.p_negative) for j in joints]
    return all((p > 1 - SURE if pressed else p < SURE) for pressed, p in binds)


@contextmanager
def sizes_of_joints(place: Case) -> Iterator[None]:
    """Within it, a size that cannot be foretold is said to stand in the case's joints.csv."""
    try:
        yield
    except InputError as exc:
        if exc.place != "predict":
            raise
        raise InputError(f"{exc.message}; draw it wider or take its row out", row_of(place, exc)) from exc


def row_of(place: Case, exc: InputError) -> str:
    """The case's joints.csv, with the line of the peg that is too thin."""
    from fitassay.analysis.parts.joints import JOINTS, joints_in

    size = exc.size_mm if isinstance(exc, ThinPeg) else None
    lines = (j.line for j in joints_in(place.path) if j.peg_mm == size and j.bought != "peg")
    line = next(lines, None)
    return str(place.path / JOINTS) + (f", line {line}, peg_mm" if line else "")


def changed_state(state: State, diagnosis: Diagnosis, machine: Machine) -> State:
    """What is known of the printer with the advice in force."""
    from fitassay.analysis.controls import ConstantHoles
    from fitassay.analysis.prints.setting_changes import apply, change_of_errors

    changed = apply(machine, diagnosis.advice)
    slope, offset = change_of_errors(machine, changed)
    return replace(
        state, posterior=state.posterior.affine(np.diag(slope), offset), holes=ConstantHoles.of(changed)
    )


def _sentence(joint: Joint, now: State, then: State | None) -> str:
    what = f"{plain(joint.name, 60)}, {joint.peg_mm:g} mm in {joint.hole_mm:g} mm, {TO[joint.motion]}"
    words = f"{what}: {outcome(joint, now)} now"
    words += f"; {outcome(joint, then)} after the changes below." if then is not None else "."
    besides = "" if then is None else _drawn(joint, then, SEEN_MENDED_MM, "With them draw", "With them draw")
    instead = _drawn(joint, now, SEEN_MM, "Or leave the machine and draw", "For the usual play draw")
    return f"{words}{besides}{instead}{_bought(joint)}"


def _bought(joint: Joint) -> str:
    """What the side that is bought may measure; empty where both are printed."""
    from fitassay.analysis.parts.bought_parts import bought_sizes

    if not joint.bought:
        return ""
    nominal = joint.peg_mm if joint.bought == "peg" else joint.hole_mm
    what = side_words(joint.shape)[joint.bought == "hole"]
    usual = bought_sizes(nominal, joint.bought) if joint.shape == "round" else ()
    sizes = ", ".join(f"{b.name} ({b.by}) {b.low:.3f} to {b.high:.3f}" for b in usual)
    if not sizes:
        return f" The bought {what} is taken as {nominal:g} mm; measure yours."
    return f" The bought {what} is taken as {nominal:g} mm; usual are: {sizes} mm. Measure yours."


def redrawn(joint: Joint, state: State) -> tuple[Literal["peg", "hole"], float, Joint]:
    """The side to draw otherwise, its size [mm] to the hundredth, and the joint so drawn: the usual play."""
    from fitassay.analysis.parts.pairs import hole_for_clearance, peg_for_clearance
    from fitassay.analysis.parts.wall_chart import WANTED_MM

    wanted = WANTED_MM[joint.motion]
    if joint.bought == "hole":
        size = round(peg_for_clearance(joint.pair, wanted, state), 2)
        return "peg", size, replace(joint, peg_mm=size)
    size = round(hole_for_clearance(joint.pair, wanted, state), 2)
    return "hole", size, replace(joint, hole_mm=size)


def _drawn(joint: Joint, state: State, seen_mm: float, binds: str, plays: str) -> str:
    """What to draw, and the play it then has; empty where the joint does what it should, and surely.

    `binds` begins the sentence where it may bind or must hold, `plays` where only the play is not the usual one.
    """
    from fitassay.analysis.parts.pairs import predict_pair
    from fitassay.analysis.parts.wall_chart import WANTED_MM
    from fitassay.analysis.rounding import fixed

    wanted = WANTED_MM[joint.motion]
    now = predict_pair(joint.pair, state).counts
    # Near the play that such a joint wants, and surely on its side of zero.
    if abs(now.mean - wanted) < seen_mm and (now.low > 0) == (wanted > 0):
        return ""
    side, size, then = redrawn(joint, state)
    leave = binds if now.p_negative > SURE or wanted < 0 else plays
    what = f"the {side_words(joint.shape)[side == 'hole']} {fixed(size, 2)} mm"
    return f" {leave} {what}: {outcome(then, state)}."


def outcome(joint: Joint, state: State) -> str:
    """How the joint fits and its clearance, k = 2: ``"binds (-0.41 ± 0.05 mm)"``."""
    from fitassay.analysis.parts.pairs import predict_pair
    from fitassay.analysis.rounding import plus_minus

    clearance = predict_pair(joint.pair, state).counts
    tight, free = {"turn": ("binds", "turns"), "slide": ("is too tight", "goes in")}.get(
        joint.motion, ("holds", "falls out")
    )
    sure = abs(clearance.p_negative - 0.5) > 0.5 - SURE
    word = tight if clearance.p_negative > 0.5 else free
    return f"{word if sure else f'perhaps {word}'} ({plus_minus(clearance.mean, clearance.u, 'mm')})"
