"""The joints that should fit, asked for at the terminal in the words people use: ``6 in 6.2 turn``."""

from __future__ import annotations

import re

from fitassay.analysis.chain.shapes import SHAPES
from fitassay.coupons.numbers import parse_length
from fitassay.coupons.wording import listed
from fitassay.labels import TO
from fitassay.terminal import ask, say

HEAD = "name,shape,peg_mm,hole_mm,bought,way_up,motion,now"
MOTIONS = {
    "turn": "turn",
    "turns": "turn",
    "slide": "slide",
    "slides": "slide",
    "press": "press",
    "pressed": "press",
}
WORDS = ("in", "into", "mm", *SHAPES, *MOTIONS)
HINT = (
    "Drawn sizes in mm, the peg's first, then what it must do: turn, slide or press; add square for a square one, "
    "or slot, key, tab, dovetail, t-slot, t-head or rack for a joint along an edge. "
    "The verdict, the choice of coupons and the report go by these joints. More can be said in joints.csv later: "
    "bought parts, the way up, how it is now."
)


def asked_joints() -> str:
    """The text of a joints.csv; empty where none was told. Raises KeyboardInterrupt and EOFError as they come."""
    say("What should fit? A peg and its hole as drawn, such as: 6 in 6.2 turn. Enter: nothing more.")
    rows: list[str] = []
    while True:
        text = ask(f"joint {len(rows) + 1} [{'none' if not rows else 'no more'}]: ")
        if not text:
            return "\n".join([HEAD, *rows]) + "\n" if rows else ""
        if text in ("?", "h", "help"):
            say(HINT, indent="  ")
            continue
        try:
            rows.append(joint_row(text, len(rows) + 1))
            say(_taken(rows[-1]), indent="  ")
        except ValueError as exc:
            say(f"{exc}.", indent="  ")


def _taken(row: str) -> str:
    """How a typed line was understood: ``6 mm peg in 6.2 mm, round, to turn``."""
    _, shape, peg, hole, *_, motion, _ = row.split(",")
    return f"{peg} mm in {hole} mm, {shape}, {TO[motion]}"


def joint_row(text: str, number: int) -> str:
    """The row of joints.csv for one typed line.

    Raises
    ------
    ValueError
        With a sentence that says what to write.
    """
    parts = [p for p in re.split(r"[\s;/]+", text.strip().casefold().replace(", ", " ")) if p]
    words = [p for p in parts if p.replace("-", "").isalpha()]
    sizes = [p for p in parts if p not in words]
    unknown = [w for w in words if w not in WORDS]
    if len(sizes) != 2 or unknown:
        what = f"{unknown[0]!r} is not understood" if unknown else "a joint has two sizes"
        raise ValueError(f"{what}; write it like 6 in 6.2 turn, or 10 in 10.3 square slide")
    peg, hole = (parse_length(size.removesuffix("mm")) for size in sizes)
    shapes = [w for w in words if w in SHAPES]
    if len(shapes) > 1:
        raise ValueError(f"a joint has one shape; write {listed(shapes, 'or')}")
    shape = shapes[0] if shapes else "round"
    motion = next((MOTIONS[w] for w in words if w in MOTIONS), "slide")
    if shape != "round" and motion == "turn":
        raise ValueError("only a round peg turns; write slide or press")
    return f"joint {number},{shape},{peg:g},{hole:g},,,{motion},"
