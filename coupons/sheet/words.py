"""The measuring sheet's words: its fixed sentences, and untrusted text made safe to print."""

from __future__ import annotations

import itertools
import unicodedata
from collections.abc import Container, Mapping
from dataclasses import dataclass

from fitassay.coupons.cost import filled
from fitassay.coupons.feature import Coupon, Feature, Manifest
from fitassay.coupons.machine import FIGURES, SETTING_PLACES, Machine
from fitassay.coupons.wording import trimmed

MISSING = "\N{WHITE SQUARE}"
ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"
DIAMETER = "\N{LATIN CAPITAL LETTER O WITH STROKE}"


@dataclass(frozen=True, kw_only=True)
class Block:
    """A titled list of sentences on the sheet's first page."""

    title: str
    sentences: tuple[str, ...]
    numbered: bool = True


def safe_text(text: str, known: Container[int], limit: int = 80) -> str:
    """`text` as one line that can be printed: nothing invisible, nothing that the font cannot show.

    Line breaks and tabs become spaces. Control characters, direction overrides, stacked combining marks and
    characters without a glyph become an empty square, so that a reader sees that something stood there.
    Right-to-left words are put into the order in which they are read (Unicode standard annex 9).

    Parameters
    ----------
    text : str
        Anything.
    known : container of int
        Code points that the font has.
    limit : int
        Longest result in characters; a longer text is cut and ends in an ellipsis.
    """
    shown: list[str] = []
    marks = 0
    for char in unicodedata.normalize("NFC", text[: 4 * limit]):
        category = unicodedata.category(char)
        marks = marks + 1 if category.startswith("M") else 0
        if char.isspace():
            shown.append(" ")
        elif category in ("Cc", "Cf", "Cs", "Co", "Cn") or marks > 1 or ord(char) not in known:
            shown.append(MISSING)
        else:
            shown.append(char)
    line = " ".join("".join(shown).split())
    if len(line) > limit or len(text) > 4 * limit:
        line = line[: limit - 1].rstrip() + ELLIPSIS
    if any(unicodedata.bidirectional(char) in ("R", "AL") for char in line):
        from bidi.algorithm import get_display

        line = str(get_display(line))
    return line


def length_text(value: float) -> str:
    """A drawn size as a dimension shows it [mm]: no trailing zeros (ISO 129-1 practice, from memory)."""
    return trimmed(f"{value:.2f}")


def scale_text(scale: float) -> str:
    """A drawing scale the way drawings state it: ``1:1``, ``2:1``, ``1:5``."""
    return f"{scale:g}:1" if scale >= 1 else f"1:{1 / scale:g}"


def settings_in_force(machine: Machine) -> tuple[tuple[str, str, str], ...]:
    """The settings that the coupons are printed with, as rows of meaning, where it is found, value with unit."""
    rows = []
    for figure in FIGURES:
        if figure.section != "settings":
            continue
        unit = {"degree": "°"}.get(figure.unit, figure.unit)
        space = "" if unit == "°" else " "
        place = SETTING_PLACES.get(figure.key, "")
        rows.append((figure.label, place, f"{machine[figure.key]:g}{space}{unit}"))
    return tuple(rows)


def slicing_block(manifest: Manifest, machine: Machine, plates: int, tubes: bool, prisms: bool) -> Block:
    """How the plates are to be sliced and printed."""
    ready = "the plate file" if plates == 1 else "each plate file"
    sentences = [
        f"Load {ready} as it is: no scaling, no rotation, no mirroring; keep every piece where it lies, "
        "its +x arrow along the machine's x axis.",
        f"Slice for a bead {manifest.line_width_mm:g} mm wide (every wall) and layers "
        f"{manifest.layer_height_mm:g} mm high, the first layer too.",
        "Leave every compensation as it is set now (table on the next page): the pieces show what is still "
        "left. Change nothing until the readings are taken.",
        f"Fill them sparsely: {filled(machine)}, as your joints' parts have it. Nobody needs them solid, and a dense "
        "filling presses on the walls.",
        "Seam: at one fixed place, the sharpest corner, never scattered. Measured pieces have a V notch for "
        "it, marked S on the drawings; round bores want it between the jaws' places.",
    ]
    if tubes:
        sentences.append(
            "Single-wall piece: its wall is exactly one bead thick. Look at the layer preview: one single "
            "loop, no gap filling, no second pass. If it is empty or doubled, let the slicer print thin walls; "
            "if that does not help, make the set again with: fitassay make --wall prism"
        )
    if prisms:
        sentences.append(
            "Single-wall piece: it is drawn solid. Give it one wall, no infill and no top layers, as its own "
            "settings or in a job of its own, so that a tube one bead thick remains."
        )
    sentences.append(
        "No supports. No brim touching a piece. One spool of plastic for the whole set. All else as you "
        "usually print."
    )
    return Block(title="Before slicing", sentences=tuple(sentences))


def measuring_block(soft: bool) -> Block:
    """How the readings are taken."""
    closing = (
        "This plastic is soft. Hold the piece against a lamp and close the jaws only until the strip of "
        "light between jaw and plastic vanishes; stop there, never squeeze."
        if soft
        else "Close the jaws lightly, with the same touch every time, until they just drag. A soft plastic "
        "gives way: there, stop when the light between jaw and plastic vanishes."
    )
    return Block(
        title="How to measure",
        sentences=(
            "Let the pieces cool to room temperature, near 20 °C, before and after taking them off the bed.",
            "First remove blobs and strings at the seam. Leave the measured faces (heavy lines) alone.",
            "Rock each piece on a flat surface. One that rocks has warped: note it, do not press it flat.",
            "Clean the jaws, close them, set zero. Take a piece of known size if you have one: it pins the "
            "caliper's own error.",
            closing,
            "Tilt and swing the jaws a little. Outside sizes and parallel openings: keep the smallest "
            "reading. Round bores: the largest across, the smallest along the bore. Corner to corner: the "
            "largest.",
            "Go by the numbers. One careful reading each will do; two or three, jaws lifted in between, make it "
            "surer. Write what the caliper shows, in mm; correct nothing, and leave blank what the jaws do not "
            "reach. Then type them in with: fitassay enter, or at once on a page with: fitassay bench",
        ),
    )


CAUTIONS = Block(
    title="Cautions",
    numbered=False,
    sentences=(
        "Nozzle and bed burn. Let both cool before you reach in.",
        "Axes and fans start without warning. Keep fingers, hair and sleeves away while there is power.",
        "Scrapers, knives and the caliper's tips are sharp. Cut away from the hand that holds the piece.",
        "Melting plastic gives off fumes. Air the room well; do not leave a print unattended.",
        "Before changing firmware or wiring: power off and unplugged. The machine's manual, local codes and "
        "licensed practice come before anything written here.",
    ),
)


def shared_clauses(instructions: Mapping[int, str]) -> tuple[dict[int, str], list[str]]:
    """Take the closing clause that neighbouring instructions have in common out of each of them.

    Parameters
    ----------
    instructions : mapping of int to str
        By feature number, in order; a closing clause follows the last semicolon.

    Returns
    -------
    rest : dict of int to str
        The instructions without what is common.
    notes : list of str
        What is common, once, with the numbers it holds for.
    """
    rest = dict(instructions)
    notes = []
    for clause, group in itertools.groupby(instructions, key=lambda n: instructions[n].rpartition(";")[2]):
        numbers = list(group)
        if len(numbers) < 2 or any(";" not in instructions[n] for n in numbers):
            continue
        for n in numbers:
            rest[n] = instructions[n].rpartition(";")[0].rstrip() + "."
        notes.append(f"{numbers[0]} to {numbers[-1]}: {clause.strip()}")
    return rest, notes


def numbered_features(manifest: Manifest) -> dict[tuple[str, str], int]:
    """The number of each feature on the sheet, by coupon and feature id: measuring order, from 1.

    What is asked of everyone comes first, evidence for where it helps after it.
    """
    order = [(coupon.id, feature.id) for coupon, feature in (*manifest.asked, *manifest.optional)]
    return {key: number for number, key in enumerate(order, start=1)}


def coupon_facts(coupon: Coupon) -> str:
    """One line about a piece: where it is printed, how large it is."""
    size = " × ".join(length_text(side) for side in coupon.size_mm)
    return f"{coupon.family}, plate {coupon.plate}, {size} mm"


def dimension_text(feature: Feature, round_shape: bool) -> str:
    """What stands above the dimension line."""
    return (DIAMETER if round_shape else "") + length_text(feature.nominal_mm)
