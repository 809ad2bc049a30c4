"""The guide's drawings of how a nozzle is driven over the bed: one motor an axis, or two whose belts cross."""

from __future__ import annotations

Point = tuple[float, float]

SIDE = 200.0
"""Of the frame as drawn, from corner to corner of the belts."""

HEAD: Point = (118.0, 92.0)
"""Where the head stands, x to the right and y to the back."""

_A, _B, _INK, _MUTED, _PALE = "#0b5c8a", "#a8401a", "#13212b", "#4a5964", "#e9eef1"
# The two belts lie one above the other; drawn apart so that both are seen.
_APART = 6.0
_MARGIN = 46.0


def drive_files() -> dict[str, bytes]:
    """Both drawings, by file name within the gallery."""
    return {
        "guide/drive-cartesian.svg": _cartesian().encode(),
        "guide/drive-crossed-belts.svg": _crossed().encode(),
    }


def _cartesian() -> str:
    x, y = HEAD
    parts = [*_frame(), *_beam()]
    # y's belt runs beside the frame and takes the beam along; x's runs on the beam and takes the head along.
    side, back = -16.0, SIDE + 4.0
    parts += [
        _belt([(side - 5, -4), (side - 5, back), (side + 5, back), (side + 5, -4)], _B, closed=True),
        _line((side + 5, y), (0, y), _INK, 3.0),
        _belt([(8, y + 9), (SIDE - 8, y + 9), (SIDE - 8, y + 17), (8, y + 17)], _A, closed=True),
        _motor((side, back), _B),
        _motor((SIDE - 4, y + 13), _A),
        _text((side, SIDE + 33), "motor y", _B, "middle"),
        _text((SIDE - 4, y - 22), "motor x", _A, "middle"),
        *_head(),
        *_arrow((x, y - 26), (x + 36, y - 26), _A, "x", (x + 14, y - 44)),
        *_arrow((x - 30, y + 28), (x - 30, y + 66), _B, "y", (x - 24, y + 46)),
    ]
    return _svg(parts, "One motor moves the head along x, another moves the beam with it along y")


def _crossed() -> str:
    x, y = HEAD
    parts = [*_frame(), *_beam(), _belt(_belt_a(x, y), _A), _belt(_belt_b(x, y), _B, dashed=True), *_head()]
    corners = [(0.0, SIDE), (SIDE, SIDE), (0.0, 0.0), (SIDE, 0.0), (0.0, y), (SIDE, y)]
    parts += [_pulley(p) for p in corners]
    parts += [
        _motor((SIDE, SIDE), _A),
        _motor((0.0, SIDE), _B),
        _text((SIDE, SIDE + 33), "motor a", _A, "middle"),
        _text((0.0, SIDE + 33), "motor b", _B, "middle"),
        *_arrow((x - 4, y + 24), (x + 30, y + 58), _A, "a alone", (x - 36, y + 60)),
        *_arrow((x - 4, y - 24), (x + 30, y - 58), _B, "b alone", (x - 40, y - 66)),
    ]
    return _svg(
        parts,
        "Two motors with crossed belts: a alone moves the head along the rising diagonal, b alone along "
        "the falling one",
    )


def _belt_a(x: float, y: float) -> list[Point]:
    """From the head by the right end of the beam to motor a, over the back, round the left and to the head again."""
    o = _APART / 2
    return [
        (x, y + o), (SIDE - o, y + o), (SIDE - o, SIDE + o), (-o, SIDE + o), (-o, -o), (o, -o), (o, y - o),
        (x, y - o),
    ]  # fmt: skip


def _belt_b(x: float, y: float) -> list[Point]:
    """The same with left and right exchanged."""
    o = _APART * 1.5
    return [
        (x, y + o), (o, y + o), (o, SIDE - o), (SIDE + o, SIDE - o), (SIDE + o, -o), (SIDE - o, -o),
        (SIDE - o, y - o), (x, y - o),
    ]  # fmt: skip


def _frame() -> list[str]:
    return [
        f'<rect x="-26" y="{-SIDE - 26:g}" width="{SIDE + 52:g}" height="{SIDE + 52:g}" rx="6" fill="none" '
        f'stroke="{_MUTED}" stroke-width="1.5"/>',
        f'<rect x="30" y="{-SIDE + 30:g}" width="{SIDE - 60:g}" height="{SIDE - 60:g}" fill="{_PALE}"/>',
        _text((SIDE / 2, -20), "front", _MUTED, "middle"),
    ]


def _beam() -> list[str]:
    y = HEAD[1]
    return [f'<rect x="-6" y="{-y - 7:g}" width="{SIDE + 12:g}" height="14" rx="3" fill="#c9d3da"/>']


def _head() -> list[str]:
    x, y = HEAD
    return [
        f'<rect x="{x - 15:g}" y="{-y - 15:g}" width="30" height="30" rx="4" fill="#fff" stroke="{_INK}" '
        'stroke-width="1.8"/>',
        f'<circle cx="{x:g}" cy="{-y:g}" r="3.5" fill="{_INK}"/>',
    ]


def _belt(points: list[Point], colour: str, *, closed: bool = False, dashed: bool = False) -> str:
    path = "M" + "L".join(f"{x:g} {-y:g}" for x, y in points) + ("Z" if closed else "")
    dash = ' stroke-dasharray="9 3"' if dashed else ""
    return (
        f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="2.4" stroke-linejoin="round"{dash}/>'
    )


def _line(a: Point, b: Point, colour: str, width: float) -> str:
    return f'<path d="M{a[0]:g} {-a[1]:g}L{b[0]:g} {-b[1]:g}" stroke="{colour}" stroke-width="{width:g}"/>'


def _pulley(p: Point) -> str:
    return f'<circle cx="{p[0]:g}" cy="{-p[1]:g}" r="6" fill="#fff" stroke="{_MUTED}" stroke-width="1.5"/>'


def _motor(p: Point, colour: str) -> str:
    return (
        f'<rect x="{p[0] - 11:g}" y="{-p[1] - 11:g}" width="22" height="22" rx="3" fill="{colour}"/>'
        f'<circle cx="{p[0]:g}" cy="{-p[1]:g}" r="4" fill="#fff"/>'
    )


def _arrow(a: Point, b: Point, colour: str, text: str, at: Point) -> list[str]:
    """From both ends, since a motor turns both ways."""
    length = ((b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2) ** 0.5
    ux, uy = (b[0] - a[0]) / length, (b[1] - a[1]) / length
    tip = " ".join(
        f"{b[0] + f * ux + s * uy:g},{-(b[1] + f * uy - s * ux):g}"
        for f, s in ((8.0, 0.0), (-3.0, 5.0), (-3.0, -5.0))
    )
    return [
        _line(a, b, colour, 2.6),
        f'<polygon points="{tip}" fill="{colour}"/>',
        _text(at, text, colour, "start"),
    ]


def _text(p: Point, text: str, colour: str, anchor: str) -> str:
    return (
        f'<text x="{p[0]:g}" y="{-p[1]:g}" fill="{colour}" text-anchor="{anchor}" font-size="13" '
        f'font-weight="600">{text}</text>'
    )


def _svg(parts: list[str], title: str) -> str:
    low, size = -_MARGIN - 34, SIDE + 2 * _MARGIN + 68
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="420" height="{420 * (SIDE + 2 * _MARGIN) / size:.0f}" '
        f'viewBox="{low:g} {-SIDE - _MARGIN:g} {size:g} {SIDE + 2 * _MARGIN:g}" role="img" style="background:#fff" '
        f'font-family="system-ui, Noto Sans, DejaVu Sans, sans-serif"><title>{title}</title>{"".join(parts)}</svg>\n'
    )
