"""The measuring sheet's paper: pages, fonts, the scale bar on each page, text set into boxes."""

from __future__ import annotations

import importlib.util
import io
import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Literal

from reportlab import rl_config
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

from fitassay.coupons.errors import JobError

Paper = Literal["a4", "letter"]
SIZES_MM: dict[str, tuple[float, float]] = {
    "a4": (210.0, 297.0),  # ISO 216
    "letter": (215.9, 279.4),  # ANSI/ASME Y14.1 size A
}
MARGIN = 15.0
TOP = 21.0
FOOT = 17.0
BAR_MM = 50.0
POINT_MM = 25.4 / 72
FONTS = {False: ("sheet", "DejaVuSans.ttf"), True: ("sheet bold", "DejaVuSans-Bold.ttf")}
"""Name and file of the plain and of the bold letters."""
BLACK, WHITE = 0, 255
EVEN_ODD = 0  # reportlab's number for this rule

# A quarter smaller than with its streams written out as letters.
rl_config.useA85 = 0

Points = Iterable[Sequence[float]]


class SheetPdf:
    """A document that looks the same, byte for byte, whenever it is made from the same input.

    Places are in mm from the page's upper left corner, y down; grey levels from 0, black, to 255.

    Parameters
    ----------
    paper : "a4" or "letter"
    kind : str
        What the document is; stands at the top of every page.

    Attributes
    ----------
    w, h, epw : float [mm]
        The page's width and height, and the width between its margins.
    known : frozenset of int
        Code points that can be shown.
    heading : str
        Stands at the top of every page.
    """

    def __init__(self, paper: Paper, kind: str = "Measuring sheet") -> None:
        self.kind = kind
        self.w, self.h = SIZES_MM[paper]
        self.epw = self.w - 2 * MARGIN
        self._out = io.BytesIO()
        size = (self.w / POINT_MM, self.h / POINT_MM)
        # Invariant: a real time of making would change every copy.
        self._canvas = Canvas(self._out, pagesize=size, pageCompression=1, invariant=1, lang="en")
        folder = _font_folder()
        self._fonts: dict[bool, Any] = {bold: TTFont(n, folder / file) for bold, (n, file) in FONTS.items()}
        for font in self._fonts.values():
            pdfmetrics.registerFont(font)
        self.known = frozenset.intersection(*(frozenset(f.face.charToGlyph) for f in self._fonts.values()))
        self.heading = ""
        self._pages = 0

    def add_page(self) -> None:
        """Begin a page: the sheet's name above, scale bar and number below."""
        if self._pages:
            self._canvas.showPage()
        self._pages += 1
        self._canvas.setLineCap(2)
        self._header()
        self._footer()

    def output(self) -> bytes:
        """The finished document."""
        # Only now it is known how many pages there are.
        for page in range(1, self._pages + 1):
            self._canvas.beginForm(_foot(page))
            self.put(self.w - MARGIN, self.h - 12.0, f"page {page} of {self._pages}", 7.0, align="right")
            self._canvas.endForm()
        self._canvas.save()
        return self._out.getvalue()

    def name_document(self, title: str) -> None:
        """Set what a reader shows in its window and what stands at the top of every page; `title` is safe."""
        self.heading = title
        self._canvas.setTitle(f"{self.kind}: {title}")

    @property
    def low(self) -> float:
        """Lowest usable height on the page [mm from the top]."""
        return self.h - FOOT - 4.0

    def _header(self) -> None:
        """Name of the sheet, and a line below it."""
        self.put(MARGIN, 13.0, self.fitted(self.heading, self.epw - 40.0, 8.0), 8.0)
        self.put(self.w - MARGIN, 13.0, self.kind, 8.0, align="right")
        self.stroke(0.25)
        self.line(MARGIN, 15.0, self.w - MARGIN, 15.0)

    def _footer(self) -> None:
        """Scale bar, and room for the page's number."""
        y = self.h - 13.0
        self.stroke(0.35)
        self.line(MARGIN, y, MARGIN + BAR_MM, y)
        self.stroke(0.18)
        for k in range(6):
            tick = 2.4 if k in (0, 5) else 1.2
            self.line(MARGIN + 10.0 * k, y - tick / 2, MARGIN + 10.0 * k, y + tick / 2)
        self.put(MARGIN + BAR_MM + 3.0, y + 1.0, f"{BAR_MM:.0f} mm: if not, print again at 100 %", 7.0)
        self._canvas.doForm(_foot(self._pages))

    def stroke(self, width: float) -> None:
        """Line width [mm] from now on."""
        self._canvas.setLineWidth(width / POINT_MM)

    def line(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """A straight line."""
        self.polyline([(x0, y0), (x1, y1)])

    def rect(self, x: float, y: float, width: float, height: float) -> None:
        """A rectangle's outline, (x, y) its upper left corner."""
        self.outline([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])

    def polyline(self, points: Points) -> None:
        """An open line through the points."""
        self._canvas.drawPath(self._path([points], closed=False))

    def outline(self, points: Points) -> None:
        """A closed line through the points."""
        self._canvas.drawPath(self._path([points]))

    def area(self, rings: Iterable[Points], grey: int = BLACK, edged: bool = False) -> None:
        """What the rings enclose by the even-odd rule, filled, with or without a line along its edges."""
        self._canvas.setFillGray(grey / 255)
        self._canvas.drawPath(self._path(rings), stroke=int(edged), fill=1, fillMode=EVEN_ODD)

    def disc(self, x: float, y: float, radius: float, grey: int = WHITE) -> None:
        """A filled circle with a line around it."""
        self._canvas.setFillGray(grey / 255)
        self._canvas.circle(*self._place(x, y), radius / POINT_MM, stroke=1, fill=1)

    def _path(self, lines: Iterable[Points], closed: bool = True) -> PDFPathObject:
        path = self._canvas.beginPath()
        for line in lines:
            first, *rest = (self._place(x, y) for x, y in line)
            path.moveTo(*first)
            for place in rest:
                path.lineTo(*place)
            if closed:
                path.close()
        return path

    def _place(self, x: float, y: float) -> tuple[float, float]:
        """The document's own coordinates: points, y up."""
        return float(x) / POINT_MM, (self.h - float(y)) / POINT_MM

    def width_of(self, text: str, size: float, bold: bool = False) -> float:
        """Width of one line [mm]."""
        return self._fonts[bold].stringWidth(text, size) * POINT_MM

    def put(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        bold: bool = False,
        align: Literal["left", "centre", "right"] = "left",
        *,
        grey: int = BLACK,
        turn: float = 0.0,
    ) -> None:
        """One line of text with its baseline at `y`, turned counter-clockwise about (x, y) by `turn` [rad]."""
        name, _ = FONTS[bold]
        shift = {"left": 0.0, "centre": 0.5, "right": 1.0}[align]
        written = self._canvas.beginText()
        written.setFont(name, size)
        written.setFillGray(grey / 255)
        left, base = self._place(x - shift * self.width_of(text, size, bold), y)
        cos, sin = math.cos(turn), math.sin(turn)
        written.setTextTransform(cos, sin, -sin, cos, left, base)
        written.textOut(text)
        self._canvas.drawText(written)

    def fitted(self, text: str, width: float, size: float, bold: bool = False) -> str:
        """`text`, cut with an ellipsis where it is wider than `width` [mm]."""
        if self.width_of(text, size, bold) <= width:
            return text
        low, high = 0, len(text)
        while low < high:
            middle = (low + high + 1) // 2
            if self.width_of(text[:middle].rstrip() + "…", size, bold) <= width:
                low = middle
            else:
                high = middle - 1
        return text[:low].rstrip() + "…"

    def wrapped(self, text: str, width: float, size: float, bold: bool = False) -> list[str]:
        """`text` broken into lines no wider than `width` [mm]; a longer word is broken anywhere."""
        space = self.width_of(" ", size, bold)
        lines, used = [""], 0.0
        for word in text.split(" "):
            wide = self.width_of(word, size, bold)
            if lines[-1] and used + space + wide > width:
                lines.append("")
                used = 0.0
            while wide > width and len(word) > 1:
                fit = next(
                    n
                    for n in range(len(word), 0, -1)
                    if n == 1 or self.width_of(word[:n], size, bold) <= width
                )
                lines[-1], word = word[:fit], word[fit:]
                lines.append("")
                wide = self.width_of(word, size, bold)
            used += wide + (space if lines[-1] else 0.0)
            lines[-1] += (" " if lines[-1] else "") + word
        return lines

    def lines(self, x: float, y: float, lines: list[str], size: float, bold: bool = False) -> float:
        """Write lines below each other, the first with its top at `y`; the height used [mm]."""
        step = line_step(size)
        for k, line in enumerate(lines):
            self.put(x, y + step * k + 0.78 * step, line, size, bold)
        return step * len(lines)


def _foot(page: int) -> str:
    return f"foot{page}"


def line_step(size: float) -> float:
    """Distance of baselines for a font size [pt -> mm]."""
    return size * POINT_MM * 1.24


def _font_folder() -> Path:
    """Where matplotlib keeps the freely licensed fonts that come with it; matplotlib itself is not imported."""
    spec = importlib.util.find_spec("matplotlib")
    for place in (spec.submodule_search_locations or []) if spec else []:
        folder = Path(place) / "mpl-data" / "fonts" / "ttf"
        if (folder / "DejaVuSans.ttf").is_file() and (folder / "DejaVuSans-Bold.ttf").is_file():
            return folder
    raise JobError("the sheet's fonts, which come with matplotlib, are missing; install matplotlib again")
