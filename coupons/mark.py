"""Marks: a coupon's id and an arrow to +x, as strokes wide enough to print."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import shapely
from shapely import affinity
from shapely.geometry import LineString

from fitassay.coupons.errors import JobError
from fitassay.coupons.job import Job
from fitassay.coupons.shapes import Outline, snap

FONT = "futural"
"""Single-stroke sans serif of the Hershey set."""

FONT_HEIGHT = 21.0
"""Height of its capitals, in the font's units."""

CAPITAL = 4.5
"""Height of capitals over the stroke's width, both on the stroke's middle line: openings stay a stroke wide."""

SQUEEZE = 0.62
"""Narrowest letters over their natural width."""


@dataclass(frozen=True, kw_only=True)
class Mark:
    """Strokes of a mark.

    Attributes
    ----------
    strokes : Polygon or MultiPolygon
        Ink with its low corner in the origin.
    width, height : float [mm]
        Of the ink.
    """

    strokes: Outline
    width: float
    height: float

    def at(self, x: float, y: float) -> Outline:
        """The strokes with their low corner at (x, y) [mm]."""
        return snap(affinity.translate(self.strokes, x, y))

    def upwards(self) -> Mark:
        """The mark turned counter-clockwise by 90 degrees, to read upwards."""
        turned = affinity.rotate(self.strokes, 90, origin=(0.0, 0.0))
        return Mark(
            strokes=snap(affinity.translate(turned, self.height, 0.0)), width=self.height, height=self.width
        )


@cache
def glyph(character: str) -> tuple[tuple[tuple[float, float], ...], ...]:
    """Strokes of one character, y up, baseline 0, left edge of the ink at 0, capitals 1 high.

    Raises
    ------
    JobError
        The font has no strokes for it.
    """
    lines = [[(float(x), 9.0 - float(y)) for x, y in s] for s in _font().strokes_for_text(character)]
    if not lines:
        raise JobError(f"the mark cannot show the character {character!r}; use letters, digits and hyphens")
    left = min(x for s in lines for x, _ in s)
    return tuple(tuple(((x - left) / FONT_HEIGHT, y / FONT_HEIGHT) for x, y in s) for s in lines)


@cache
def _font() -> Any:
    """The set of letters; unpacking it takes longer than drawing all marks."""
    from HersheyFonts import HersheyFonts

    font = HersheyFonts()
    font.load_default_font(FONT)
    return font


def ink_height(job: Job) -> float:
    """Height of a mark's ink [mm]."""
    return (CAPITAL + 1) * stroke_width(job)


def stroke_width(job: Job) -> float:
    """Width of an engraved stroke [mm]: never narrower than the bead."""
    return max(job.rules.mark_stroke, 1.1 * job.w)


def text_lines(text: str, capital: float, stroke: float, squeeze: float) -> list[list[LineString]]:
    """Middle lines of the text's strokes, letter by letter; the ink's low corner is the origin."""
    letters, x = [], stroke / 2
    for character in text.upper():
        strokes = glyph(character)
        letters.append(
            [
                LineString([(x + px * capital * squeeze, stroke / 2 + py * capital) for px, py in s])
                for s in strokes
            ]
        )
        x += max(px for s in strokes for px, _ in s) * capital * squeeze + 1.75 * stroke
    return letters


def arrow_lines(x: float, length: float, capital: float, stroke: float) -> list[LineString]:
    """An arrow to +x, `length` long on its middle line from x, its shaft at half the capitals' height."""
    y, tip, head = (stroke + capital) / 2, x + length, 0.36 * capital
    return [
        LineString([(x, y), (tip, y)]),
        LineString([(tip - head, y + head), (tip, y), (tip - head, y - head)]),
    ]


def ink(lines: list[LineString], stroke: float) -> Outline:
    """Strokes of that width along the lines, ends rounded."""
    drawn = shapely.union_all([line.buffer(stroke / 2, quad_segs=4) for line in lines])
    # Strokes that just miss each other leave slivers that no bead can print.
    return snap(drawn.simplify(0.01))  # type: ignore[arg-type]


def make_mark(job: Job, text: str, *, width: float, arrow: bool = True, stroke: float | None = None) -> Mark:
    """The id, and the arrow after it, in one line squeezed to fit `width` [mm].

    Raises
    ------
    JobError
        A character has no strokes, or the line does not fit.
    """
    stroke = stroke_width(job) if stroke is None else stroke
    for squeeze in (1.0, 0.9, 0.8, 0.7, SQUEEZE):
        mark = _line(text, stroke, squeeze, arrow)
        if mark.width <= width + 1e-6:
            return mark
    raise JobError(
        f"the mark {text!r} does not fit on {width:.1f} mm; use a shorter id, a narrower bead or a larger volume"
    )


def least_width(job: Job, text: str, *, arrow: bool = True) -> float:
    """Width of the mark [mm] when its letters are squeezed as far as they may be."""
    return _line(text, stroke_width(job), SQUEEZE, arrow).width


def make_arrow(job: Job, *, stroke: float | None = None, turn_deg: float = 0.0) -> Mark:
    """The arrow to +x alone, or turned counter-clockwise where what carries it will be turned back."""
    stroke = stroke_width(job) if stroke is None else stroke
    lines = arrow_lines(0.0, 0.85 * CAPITAL * stroke, CAPITAL * stroke, stroke)
    return _as_mark([affinity.rotate(line, turn_deg, origin=(0.0, 0.0)) for line in lines], stroke)


@lru_cache(maxsize=256)
def _line(text: str, stroke: float, squeeze: float, arrow: bool) -> Mark:
    """The line of ink; asked for again whenever a set is drawn, for its width and for itself."""
    capital = CAPITAL * stroke
    lines = [line for letter in text_lines(text, capital, stroke, squeeze) for line in letter]
    if arrow:
        end = max(line.bounds[2] for line in lines)
        lines += arrow_lines(end + 2.2 * stroke, 0.85 * capital, capital, stroke)
    return _as_mark(lines, stroke)


def _as_mark(lines: list[LineString], stroke: float) -> Mark:
    strokes = ink(lines, stroke)
    x0, y0, x1, y1 = strokes.bounds
    moved = snap(affinity.translate(strokes, -x0, -y0))
    return Mark(strokes=moved, width=round(x1 - x0, 6), height=round(y1 - y0, 6))
