"""Drawings as SVG text: lines, dots, outlines and words, coloured by the page's own light or dark palette.

The text is the same for the same numbers. Colours are the page's CSS variables, so that one drawing serves light,
dark and print.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import Literal

INK, MUTED, RULE, DATA, SOFT, ACCUSED, SUSPECT = (
    f"var(--{name})" for name in ("ink", "muted", "rule", "data", "soft", "accused", "suspect")
)

FONT_SIZE = 12.0
# From the middle of digits and capitals to their foot, as a share of the font's size; fonts differ little in it.
_HALF_HEIGHT = 0.36

Side = Literal["start", "middle", "end"]


class Sheet:
    """A drawing measured in pixels from its upper left corner.

    Marks of one kind are collected into one element: thousands of elements would make a page slow.
    """

    def __init__(self, width: float, height: float) -> None:
        self.size = (width, height)
        self._lines: dict[tuple[str, float], list[str]] = {}
        self._areas: list[str] = []
        self._dots: dict[str, list[str]] = {}
        self._texts: list[str] = []

    def line(self, x0: float, y0: float, x1: float, y1: float, colour: str, width: float) -> None:
        """A straight line; the first colour and width used lie below the later ones."""
        path = f"M{_number(x0)} {_number(y0)}L{_number(x1)} {_number(y1)}"
        self._lines.setdefault((colour, width), []).append(path)

    def area(self, x: Iterable[float], y: Iterable[float], fill: str, edge: str) -> None:
        """A filled outline above all lines."""
        path = "L".join(f"{_number(a)} {_number(b)}" for a, b in zip(x, y, strict=True))
        self._areas.append(f'<path d="M{path}Z" fill="{fill}" stroke="{edge}" stroke-width="2"/>')

    def dot(self, x: float, y: float, colour: str, size: float) -> None:
        """A filled circle of diameter `size` above all lines and outlines."""
        circle = f'<circle cx="{_number(x)}" cy="{_number(y)}" r="{_number(size / 2)}"/>'
        self._dots.setdefault(colour, []).append(circle)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        side: Side = "middle",
        size: float = FONT_SIZE,
        colour: str = INK,
        bold: bool = False,
        upright: bool = False,
    ) -> None:
        """Words whose middle, start or end stands at x, centred about y; `upright` reads from bottom to top."""
        if not text:
            return
        down = _HALF_HEIGHT * size
        look = f'text-anchor="{side}" font-size="{size:g}" fill="{colour}"'
        look += ' font-weight="bold"' if bold else ""
        if upright:
            look += f' transform="rotate(-90 {_number(x)} {_number(y)})"'
        self._texts.append(
            f'<text x="{_number(x)}" y="{_number(y + down)}" {look}>{escape(text, quote=False)}</text>'
        )

    def svg(self, name: str, title: str) -> str:
        """The drawing as one inline element.

        Parameters
        ----------
        name : str
            Unique on the page; its ids begin with it.
        title : str
            Read out for the drawing; escaped here.
        """
        width, height = (_number(v) for v in self.size)
        lines = (
            f'<path d="{"".join(paths)}" fill="none" stroke="{colour}" stroke-width="{width_px:g}"/>'
            for (colour, width_px), paths in self._lines.items()
        )
        dots = (f'<g fill="{colour}">{"".join(circles)}</g>' for colour, circles in self._dots.items())
        return "\n".join(
            (
                f'<svg class="plot" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
                f'style="width:{width}px" role="img" aria-labelledby="{name}-title">',
                f'<title id="{name}-title">{escape(title, quote=False)}</title>',
                *lines,
                *self._areas,
                *dots,
                *self._texts,
                "</svg>",
            )
        )


def _number(value: float) -> str:
    """A pixel to a hundredth, without trailing zeros."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
