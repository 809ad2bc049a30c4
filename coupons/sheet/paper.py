"""The measuring sheet's paper: pages, fonts, the scale bar on each page, text set into boxes."""

from __future__ import annotations

import datetime
import importlib.util
from pathlib import Path
from typing import Any, Literal

from fpdf import FPDF

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
FONT = "sheet"
POINT_MM = 25.4 / 72


class SheetPdf(FPDF):
    """A document that looks the same, byte for byte, whenever it is made from the same input.

    Parameters
    ----------
    paper : "a4" or "letter"

    Attributes
    ----------
    known : frozenset of int
        Code points that can be shown.
    heading : str
        Stands at the top of every page.
    """

    def __init__(self, paper: Paper) -> None:
        super().__init__(unit="mm", format=SIZES_MM[paper])
        # A real time of making would change every copy.
        self.set_creation_date(datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC))
        self.set_margins(MARGIN, TOP, MARGIN)
        self.set_auto_page_break(False)
        self.c_margin = 0.0
        folder = _font_folder()
        self.add_font(FONT, "", folder / "DejaVuSans.ttf")
        self.add_font(FONT, "B", folder / "DejaVuSans-Bold.ttf")
        self.alias_nb_pages("{n}")
        fonts: Any = self.fonts
        self.known = frozenset(fonts[FONT].cmap) & frozenset(fonts[FONT + "B"].cmap)
        self.heading = ""

    def __enter__(self) -> SheetPdf:
        return self

    def __exit__(self, *_: object) -> None:
        """Close the font files, which otherwise only a finished document does."""
        fonts: Any = self.fonts
        for font in fonts.values():
            font.ttfont.close()

    def name_document(self, title: str) -> None:
        """Set what a reader shows in its window and what stands at the top of every page; `title` is safe."""
        self.heading = title
        self.set_title("Measuring sheet: " + title)
        self.set_lang("en")

    @property
    def low(self) -> float:
        """Lowest usable height on the page [mm from the top]."""
        return self.h - FOOT - 4.0

    def header(self) -> None:
        """Name of the sheet, and a line below it."""
        self.put(MARGIN, 13.0, self.fitted(self.heading, self.epw - 40.0, 8.0), 8.0)
        self.put(self.w - MARGIN, 13.0, "Measuring sheet", 8.0, align="right")
        self.stroke(0.25)
        self.line(MARGIN, 15.0, self.w - MARGIN, 15.0)

    def footer(self) -> None:
        """Scale bar, and the page's number."""
        y = self.h - 13.0
        self.stroke(0.35)
        self.line(MARGIN, y, MARGIN + BAR_MM, y)
        self.stroke(0.18)
        for k in range(6):
            tick = 2.4 if k in (0, 5) else 1.2
            self.line(MARGIN + 10.0 * k, y - tick / 2, MARGIN + 10.0 * k, y + tick / 2)
        self.put(MARGIN + BAR_MM + 3.0, y + 1.0, f"{BAR_MM:.0f} mm: if not, print again at 100 %", 7.0)
        # Only a cell replaces the number of pages once it is known.
        self.font(7.0)
        self.set_xy(self.w - MARGIN - 20.0, y - 1.5)
        self.cell(20.0, 3.0, f"page {self.page_no()} of {{n}}", align="R")

    def stroke(self, width: float, grey: int = 0) -> None:
        """Line width [mm] and grey level (0 black) from now on."""
        self.set_line_width(width)
        self.set_draw_color(grey)

    def font(self, size: float, bold: bool = False) -> None:
        """Font size [pt] from now on."""
        self.set_font(FONT, "B" if bold else "", size)  # type: ignore[arg-type]

    def width_of(self, text: str, size: float, bold: bool = False) -> float:
        """Width of one line [mm]."""
        self.font(size, bold)
        return float(self.get_string_width(text))

    def put(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        bold: bool = False,
        align: Literal["left", "centre", "right"] = "left",
    ) -> None:
        """One line of text with its baseline at `y`."""
        self.font(size, bold)
        shift = {"left": 0.0, "centre": 0.5, "right": 1.0}[align]
        self.text(x - shift * self.get_string_width(text) if shift else x, y, text)

    def fitted(self, text: str, width: float, size: float, bold: bool = False) -> str:
        """`text`, cut with an ellipsis where it is wider than `width` [mm]."""
        self.font(size, bold)
        if self.get_string_width(text) <= width:
            return text
        low, high = 0, len(text)
        while low < high:
            middle = (low + high + 1) // 2
            if self.get_string_width(text[:middle].rstrip() + "…") <= width:
                low = middle
            else:
                high = middle - 1
        return text[:low].rstrip() + "…"

    def wrapped(self, text: str, width: float, size: float, bold: bool = False) -> list[str]:
        """`text` broken into lines no wider than `width` [mm]; a longer word is broken anywhere."""
        self.font(size, bold)
        space = self.get_string_width(" ")
        lines, used = [""], 0.0
        for word in text.split(" "):
            wide = self.get_string_width(word)
            if lines[-1] and used + space + wide > width:
                lines.append("")
                used = 0.0
            while wide > width and len(word) > 1:
                fit = next(n for n in range(len(word), 0, -1) if n == 1 or self._wide(word[:n]) <= width)
                lines[-1], word = word[:fit], word[fit:]
                lines.append("")
                wide = self._wide(word)
            used += wide + (space if lines[-1] else 0.0)
            lines[-1] += (" " if lines[-1] else "") + word
        return lines

    def _wide(self, text: str) -> float:
        return float(self.get_string_width(text))

    def lines(self, x: float, y: float, lines: list[str], size: float, bold: bool = False) -> float:
        """Write lines below each other, the first with its top at `y`; the height used [mm]."""
        step = line_step(size)
        for k, line in enumerate(lines):
            self.put(x, y + step * k + 0.78 * step, line, size, bold)
        return step * len(lines)


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
