"""The wall chart's content in words: blocks of cells that the page and the PDF both show."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fitassay.analysis import rounding
from fitassay.coupons.wording import listed
from fitassay.labels import plain

if TYPE_CHECKING:
    from fitassay.analysis.parts.wall_chart import Bought, Drawn, WallChart
    from fitassay.analysis.result import Diagnosis
    from fitassay.coupons.machine import Machine


@dataclass(frozen=True, kw_only=True)
class Cell:
    """A value to draw, its uncertainty, and whether that is too wide to rely on."""

    value: str
    doubt: str
    shaky: bool


@dataclass(frozen=True, kw_only=True)
class Block:
    """A table: a heading, column heads, and rows of a head and cells; a missing cell is None."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Cell | None, ...]], ...]


@dataclass(frozen=True, kw_only=True)
class ChartWords:
    """All that stands on the chart.

    Attributes
    ----------
    machine, material, source : str
    fits : tuple of Block
        Clearances to draw by size and fit.
    bought : tuple of (name, use, Cell)
    in_place, layers : str
    conditions, sharpen : tuple of str
    """

    machine: str
    material: str
    source: str
    fits: tuple[Block, ...]
    bought: tuple[tuple[str, str, Cell], ...]
    in_place: tuple[tuple[str, Cell], ...]
    layers: str
    conditions: tuple[str, ...]
    sharpen: tuple[str, ...]


HEADS = {
    "either way up": "Round peg, either way up",
    "as printed": "Round peg, put in as printed",
    "turned over": "Round peg, turned over",
    "square": "Square tongue in its opening",
}
FEELS = {
    "press": "stays, pressed in",
    "push": "goes by hand, stays",
    "slide": "slides, hardly tilts",
    "turn": "turns freely",
    "loose": "falls in",
}
SHAKY_MM = 0.1
"""Cells that are less sure than this (expanded, k = 2) are set in grey."""


def chart_words(chart: WallChart, diagnosis: Diagnosis, machine: Machine, print_name: str) -> ChartWords:
    """The chart of one case."""
    used = sum(1 for f in diagnosis.fits if not f.suspect)
    return ChartWords(
        machine=plain(machine.name, 80) or "printer",
        material=plain(machine.material, 40),
        source=f"print {print_name}, {used} features read",
        fits=tuple(_block(chart, way) for way in chart.ways),
        bought=tuple((b.name, b.use, _cell(d)) for b, d in _by_name(chart.bought)),
        in_place=tuple((f"{s:g} mm", _cell(d)) for s, d in zip(chart.sizes_mm, chart.in_place, strict=True)),
        layers=" or ".join(f"{g:g}" for g in chart.layer_gaps_mm)
        + " mm: whole layers; a gap between them is rounded by the slicing program",
        conditions=_conditions(machine, chart),
        sharpen=_sharpen(chart, diagnosis),
    )


def _block(chart: WallChart, way: str) -> Block:
    from fitassay.analysis.parts.wall_chart import WANTED_MM

    fits = [fit for fit in WANTED_MM if any(w == way and f == fit for w, f, _ in chart.clearances)]
    return Block(
        title=HEADS[way],
        heads=tuple(f"{size:g}" for size in chart.sizes_mm),
        rows=tuple(
            (
                fit,
                tuple(
                    _cell(chart.clearances[way, fit, i], signed=True)  # type: ignore[index]
                    for i in range(len(chart.sizes_mm))
                ),
            )
            for fit in fits
        ),
    )


def _cell(drawn: Drawn, *, signed: bool = False) -> Cell:
    doubt = 2 * drawn.u_mm
    return Cell(
        value=rounding.fixed(drawn.value_mm, 2, signed=signed),
        doubt=f"± {rounding.fixed(doubt, 2)}",
        shaky=doubt > SHAKY_MM,
    )


def _by_name(bought: Iterable[tuple[Bought, Drawn]]) -> list[tuple[Bought, Drawn]]:
    """One part's holes beside each other, in the order of their first."""
    names = list(dict.fromkeys(b.name for b, _ in bought))
    return sorted(bought, key=lambda item: names.index(item[0].name))


def _conditions(machine: Machine, chart: WallChart) -> tuple[str, ...]:
    drawn = (*chart.clearances.values(), *(d for _, d in chart.bought), *chart.in_place)
    shaky = any(d is not None and _cell(d).shaky for d in drawn)
    return (
        f"Bead {machine.line_width_mm:g} mm wide, layers {machine.layer_height_mm:g} mm, settings as they are in "
        "machine.toml now: after a change of settings, plastic, nozzle or speed make a new chart.",
        "Pegs and holes upright, printed side by side in the same go; clearances are of diameters, hole less peg.",
        "± is the expanded uncertainty of the printed clearance, k = 2."
        + (f" Grey: known to no better than ± {SHAKY_MM:g} mm; try one first." if shaky else ""),
        "Bought parts are taken at their nominal size. Pins to m6 (ISO 2338) are up to 0.012 mm thicker, rings of "
        "bearings (ISO 492, normal class) up to 0.009 mm smaller, magnets off by up to 0.1 mm: measure yours.",
    )


def _sharpen(chart: WallChart, diagnosis: Diagnosis) -> tuple[str, ...]:
    said = []
    if "either way up" in chart.ways:
        said.append(
            "It is not known which way the nozzle goes round holes, so what is said of round fits is as wide as "
            "for either way; tracing the sliced file tells it."
        )
    blind = [t.label for t in diagnosis.terms if t.kind == "printer" and t.informed < 0.3]
    if blind:
        said.append(f"Hardly measured: {listed(blind)}.")
    if diagnosis.verdict.status == "unexplained":
        said.append("The readings do not fit together: the chart may be wrong. See diagnose.")
    return tuple(said)
