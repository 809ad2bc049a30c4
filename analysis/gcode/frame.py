"""The user's own start and end around a tool path of ours: what is missing, what is mended, what is put back.

Temperatures, homing, levelling and purge are the machine's own matter and come from its user; none is written here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.modal import table_of
from fitassay.analysis.gcode.modes import INCH_MM, State
from fitassay.analysis.gcode.moves import moves_of
from fitassay.analysis.gcode.straight_moves import Moves
from fitassay.analysis.gcode.words import Tally, words_of
from fitassay.coupons.errors import InputError

_COMMENT = re.compile(r"\([^)]*\)?|;.*")
_NUMBERING = re.compile(r"^\s*[Nn]\d+\s*|\s*\*\d+\s*$")
_WORD = re.compile(r"([A-Za-z])\s*([-+]?(?:\d+\.?\d*|\.\d+))?")
_WHOLE = re.compile(r"\s*(?:[A-Za-z]\s*(?:[-+]?(?:\d+\.?\d*|\.\d+))?\s*)+")

HEATS = ("M104", "M109")
"""Words for the nozzle's temperature; the second one waits for it (common practice, in neither standard)."""

WAITS = ("M109", "M116")
SUNK_MM = 1e-3


@dataclass(frozen=True, kw_only=True)
class Frame:
    """Start and end as the user's machine wants them, and how the end expects the modes.

    Attributes
    ----------
    start, end : str
        RS-274 text.
    end_modes : tuple of str
        Lines that put the modes back before the end.
    retracted_mm : float [mm]
        Filament that the start leaves drawn back.
    height_mm : float [mm]
        Where it leaves the nozzle.
    notes : tuple of str
        What was mended, a sentence each.
    end_name : str
        What messages call the end: the file that it stands in.
    """

    start: str
    end: str
    end_modes: tuple[str, ...] = ()
    retracted_mm: float = 0.0
    height_mm: float = 0.0
    notes: tuple[str, ...] = ()
    end_name: str = "the end"


def plain_words(line: str) -> list[tuple[str, float | None]]:
    """The words of one line: all of them, or where it holds other text only a first G or M word."""
    text = _COMMENT.sub("", _NUMBERING.sub("", line)).strip()
    if not text:
        return []
    found = [(m[1].upper(), float(m[2]) if m[2] else None) for m in _WORD.finditer(text)]
    if _WHOLE.fullmatch(text):
        return found
    first = re.match(r"([GMgm])(\d+(?:\.\d+)?)(?![\w.])", text)
    return [(first[1].upper(), float(first[2])), *found[1:]] if first else []


def codes(line: str) -> dict[str, dict[str, float | None]]:
    """G and M words of a line, ``G28`` and the like, each with the other words of the line."""
    words = plain_words(line)
    others = {letter: value for letter, value in words if letter not in "GM"}
    return {f"{letter}{value:g}": others for letter, value in words if letter in "GM" and value is not None}


def lines_of(text: str) -> list[str]:
    """The lines as the reader of files counts them: a form feed within a comment ends none."""
    return text.replace("\r\n", "\n").replace("\r", "\n").removesuffix("\n").split("\n") if text else []


def without_numbers(text: str) -> tuple[str, bool]:
    """The text without line numbers and checksums, and whether there were any."""
    lines = lines_of(text)
    plain = [_NUMBERING.sub("", line) if re.match(r"\s*[Nn]\d", line) else line for line in lines]
    return "\n".join(plain) + ("\n" if plain else ""), plain != lines


def run_through(text: str, name: str, state: State, before: int = 0) -> Iterator[Moves]:
    """The moves of a short text, `before` lines into `name`; `state` goes along. Errors as of the reader of files."""
    tally = Tally(name=name, lines=before, remedy="mend that line")
    words = words_of(text.encode("utf-8", "replace"))
    yield from moves_of(table_of(words, tally), state, tally)


def checked_start(text: str, name: str, as_is: bool = False) -> Frame:
    """A frame with this start and no end yet.

    Parameters
    ----------
    as_is : bool
        Take a start that shows no heat-up or no homing: a macro may do both.

    Raises
    ------
    InputError
        Heat-up or homing is missing, plastic is fed before the nozzle is hot, the axes move before they are homed, or
        the text cannot be read for certain.
    """
    text, numbered = without_numbers(text)
    lines = text.splitlines()
    found = [codes(line) for line in lines]
    for number, c in enumerate(found, start=1):
        if "M2" in c or "M30" in c:
            raise InputError(
                "ends the program (M2 or M30); take that line out of the start", f"{name}, line {number}"
            )
    state = State()
    moves = list(run_through(text, name, state))
    if not as_is:
        _refuse_missing(found, name)
        _refuse_early(found, moves, name)
    notes = ["Line numbers and checksums of the start are left out."] if numbered else []
    units = [int(k[1:]) for c in found for k in c if k in ("G20", "G21")]
    if not units:
        notes.append("The start names no unit; millimetres are taken, G21 stands before it.")
        text = "G21\n" + text
    if state.relative:
        notes.append("The start ends with relative moves (G91); G90 is set behind it.")
    if state.unit == INCH_MM:
        notes.append("The start ends in inches (G20); G21 is set behind it, and inches again before the end.")
    if np.abs(state.o[:3]).max() > 0:
        notes.append(
            "The start moves the origin (G92): x {:.3g}, y {:.3g}, z {:.3g} mm; the path counts from there.".format(
                *state.o[:3]
            )
        )
    if abs(state.factors["flow"] - 1) > 1e-9:
        notes.append(
            f"The start sets the flow to {100 * state.factors['flow']:.4g} % (M221): that acts on the path, too."
        )
    return Frame(
        start=text,
        end="",
        end_modes=modes_back(state),
        retracted_mm=_retracted(moves),
        height_mm=float(state.q[2]),
        notes=tuple(notes),
    )


def _refuse_missing(found: list[dict[str, dict[str, float | None]]], name: str) -> None:
    hot = [c for line in found for k, c in line.items() if k in HEATS and (c.get("S") or c.get("R") or 0) > 0]
    waits = any(k in WAITS for line in found for k in line)
    missing = []
    if not hot:
        missing.append("no heat-up of the nozzle (M104 or M109 with its temperature)")
    elif not waits:
        missing.append("no word that waits until the nozzle is hot (M109)")
    if not any("G28" in line for line in found):
        missing.append("no homing (G28)")
    if missing:
        raise InputError(
            f"has {' and '.join(missing)}; add it, or give --start-as-is if a macro of your machine does it",
            name,
        )


def _refuse_early(found: list[dict[str, dict[str, float | None]]], moves: list[Moves], name: str) -> None:
    """Plastic fed before the nozzle is hot; axes moved before they are homed."""
    hot = next(i for i, line in enumerate(found, 1) if any(k in WAITS for k in line))
    homed = next(i for i, line in enumerate(found, 1) if "G28" in line)
    for part in moves:
        starts = np.concatenate([part.start[None], part.end[:-1]])
        across = np.abs(part.end - starts)[:, :2].max(axis=1) > 0
        down = (part.end - starts)[:, 2] < 0
        for line, fed, moved in zip(part.line.tolist(), part.filament.tolist(), across | down, strict=True):
            if fed > 0 and line < hot:
                raise InputError(
                    f"feeds plastic before the nozzle is hot, which is waited for in line {hot} only; put the "
                    "heat-up first",
                    f"{name}, line {line}",
                )
            if moved and line < homed:
                raise InputError(
                    f"moves the axes before they are homed in line {homed}; put the homing first",
                    f"{name}, line {line}",
                )


def _retracted(moves: list[Moves]) -> float:
    fed = np.cumsum(np.concatenate([[0.0], *(m.filament for m in moves)]))
    return float(max(fed.max() - fed[-1], 0.0))


def modes_back(state: State) -> tuple[str, ...]:
    """Lines that bring units, distances and filament words back to what the user's end expects."""
    e = state.q[3] / state.unit
    diameter = state.factors["volume diameter"]
    return (
        "G20" if state.unit == INCH_MM else "G21",
        f"G{state.plane}",
        "G91" if state.relative else "G90",
        *((f"M200 D{diameter:g}",) if diameter else ()),
        "M83" if state.filament_relative else "M82",
        f"G92 E{e:.5f}",
    )


def refuse_end(text: str, name: str, modes: tuple[str, ...], top: float, as_is: bool = False) -> None:
    """Refuse an end that may drive the nozzle into what is printed, `top` [mm] high.

    Raises
    ------
    InputError
        It homes z, or goes below the print's top.
    """
    if as_is:
        return
    for number, line in enumerate(text.splitlines(), 1):
        words = codes(line)
        homes = words.get("G28")
        if homes is not None and ("Z" in homes or not {"X", "Y"} & set(homes)):
            raise InputError(
                f"homes z ({line.strip()[:40]}): where z homes at the bed that drives the nozzle into the print; "
                "home x and y alone (G28 X Y), or give --end-as-is if your machine homes z away from the bed",
                f"{name}, line {number}",
            )
    state = State()
    list(run_through("\n".join(modes), f"{name}, modes before it", state))
    # The nozzle stands on the last bead; where it is in x and y does not matter.
    state.q[2] = top - state.o[2]
    for part in run_through(text, name, state):
        low = np.flatnonzero(part.end[:, 2] < top - SUNK_MM)
        if len(low):
            raise InputError(
                f"goes down to z {part.end[low[0], 2]:.4g} mm while the print is {top:.4g} mm high; let it rise "
                "instead, or give --end-as-is",
                f"{name}, line {int(part.line[low[0]])}",
            )
