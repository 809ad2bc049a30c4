"""A coupon's sliced path as a picture: the bead over the outline, seams, jaws, a lens on one flank, measured heights.

The piece as it lies on the bed, y upwards, is enlarged into a sheet of fixed width, so that words are of one size.
Colours are the page's own; a file that stands alone brings them along, dark and light.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import numpy as np

from fitassay.analysis.gcode.trace_drawing import Contact, PathDrawing
from fitassay.labels import minus, plain

WIDTH = 920.0
"""Of the sheet, in units of which a word's letters are 17 high."""

MARGIN, PLAN, LETTER, JAW = 24.0, 590.0, 17.0, 24.0
LENS_RADIUS, LENS_TIMES, LENS_X = 118.0, 6.0, 772.0
"""The lens enlarges the sheet so many times."""

DOT, OTHER_PLACE = 2.0, 40.0
"""How much a line's dot under a name weighs, and a place for it that is not the best, beside the sheet it hides."""

MARK = 6.5
"""Radius of a seam's mark."""

COLUMN_HEIGHT = 2 * LENS_RADIUS + 210.0
"""Lens, its words, and the heights under them."""

STYLE = """<style>
svg { --sheet: #ffffff; --ink: #13212b; --muted: #4a5964; --rule: #c8d1d4; --data: #0b5c8a; --soft: #d3e5ef;
  --softer: #e9f1f6; --seam: #ad3c0a; --jaw: #dfe5e7; background: #ffffff;
  font-family: system-ui, "Noto Sans", "DejaVu Sans", sans-serif; }
@media (prefers-color-scheme: dark) {
  svg { --sheet: #152028; --ink: #e9eff1; --muted: #a9b8c0; --rule: #354650; --data: #76c2ee; --soft: #1f4258;
    --softer: #1a2f3c; --seam: #ff9f61; --jaw: #2a3841; background: #152028; }
}
</style>"""
"""The page's colours, for a picture that stands alone."""

CLASSES = """<style>
.bead, .bead-in { fill: none; stroke-linejoin: round; stroke-linecap: round; }
.bead { stroke: var(--soft); } .bead-in { stroke: var(--softer); }
.path, .path-in, .outline { fill: none; stroke-linejoin: round; vector-effect: non-scaling-stroke; }
.path { stroke: var(--data); stroke-width: 2.6px; }
.path-in { stroke: var(--data); stroke-width: 1.4px; opacity: .75; }
.outline { stroke: var(--ink); stroke-width: 1.6px; stroke-dasharray: 6 3.5; }
.jaw, .body { fill: var(--jaw); stroke: var(--muted); stroke-width: 1px; }
.body { fill: var(--softer); }
.seam-mark { fill: var(--seam); stroke: var(--sheet); stroke-width: 1.5px; vector-effect: non-scaling-stroke; }
.joint-mark { fill: var(--sheet); stroke: var(--seam); stroke-width: 2.4px; vector-effect: non-scaling-stroke; }
.rim { fill: none; stroke: var(--ink); stroke-width: 1.8px; }
.lead { fill: none; stroke: var(--muted); stroke-width: 1px; }
.words, .faint { font-size: 17px; fill: var(--ink); paint-order: stroke; stroke: var(--sheet); stroke-width: 4px;
  stroke-linejoin: round; }
.faint { fill: var(--muted); } .large { font-size: 20px; font-weight: 600; }
.band { fill: var(--data); }
</style>"""


@dataclass(frozen=True, kw_only=True)
class _Sheet:
    """From the piece's millimetres to the sheet: enlarged `k` times, its corner at (x, y), y downwards."""

    k: float
    x: float
    y: float

    def at(self, point: np.ndarray) -> np.ndarray:
        return np.array([self.x + self.k * point[0], self.y - self.k * point[1]])


def picture(drawing: PathDrawing, title: str, alone: bool = False) -> str:
    """The picture as one SVG element.

    Parameters
    ----------
    drawing : PathDrawing
    title : str
        Read out for the picture.
    alone : bool
        True for a file of its own, which brings the colours along.
    """
    every = np.concatenate([*drawing.outlines, *drawing.outer])
    low, high = every.min(axis=0), every.max(axis=0)
    room = JAW + 1.6 * LETTER
    k = float(min((PLAN - 2 * room) / (high - low)[0], (PLAN - 2 * room) / (high - low)[1]))
    plan_height = k * float(high[1] - low[1]) + 2 * room
    height = max(plan_height, COLUMN_HEIGHT)
    sheet = _Sheet(
        k=k,
        x=MARGIN + (PLAN - k * float((high - low)[0])) / 2 - k * float(low[0]),
        y=MARGIN + (height - plan_height) / 2 + room + k * float(high[1]),
    )
    ident = "".join(c for c in drawing.coupon if c.isalnum() or c in "-_")
    parts = [
        *(_jaws(c, sheet) for c in drawing.contacts),
        f'<g id="plan-{ident}" transform="translate({sheet.x:.2f} {sheet.y:.2f}) scale({k:.5f})">',
        f"{_plan(drawing, k)}</g>",
        _names(drawing, sheet),
        _lens(ident, drawing, sheet),
        _heights(drawing, MARGIN + height),
        _legend(drawing, sheet, MARGIN + height + 34),
    ]
    total = height + MARGIN + 92
    size = f' width="{WIDTH:.0f}" height="{total:.0f}"' if alone else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg"{size} viewBox="0 0 {WIDTH:.0f} {total:.0f}" role="img" '
        f'aria-label="{_attribute(title)}">{STYLE if alone else ""}{CLASSES}{"".join(parts)}</svg>'
    )


def _plan(drawing: PathDrawing, k: float) -> str:
    """Beads, paths, outlines and seams, in millimetres."""
    bead = f'stroke-width="{drawing.bead_mm:.3f}"'
    inner, outer = _closed(drawing.inner), _closed(drawing.outer)
    seams = "".join(
        f'<circle class="seam-mark" cx="{p[0][0]:.3f}" cy="{-p[0][1]:.3f}" r="{MARK / k:.3f}"/>'
        for p in drawing.outer
    )
    joints = "".join(
        f'<circle class="joint-mark" cx="{p[0]:.3f}" cy="{-p[1]:.3f}" r="{5 / k:.3f}"/>'
        for p in drawing.joints
    )
    return (
        f'<path class="bead-in" {bead} d="{inner}"/><path class="bead" {bead} d="{outer}"/>'
        f'<path class="path-in" d="{inner}"/><path class="path" d="{outer}"/>'
        f'<path class="outline" d="{_closed(drawing.outlines)}"/>{joints}{seams}'
    )


def _jaws(contact: Contact, sheet: _Sheet) -> str:
    """The two jaws of one feature."""
    return "".join(
        f'<path class="jaw" d="M{"L".join(f"{x:.1f} {y:.1f}" for x, y in corners)}Z"/>'
        for corners in _corners(contact, sheet)
    )


def _corners(contact: Contact, sheet: _Sheet) -> list[np.ndarray]:
    """The two jaws of one feature, ndarrays (4, 2)."""
    a, b = sheet.at(np.array(contact.a)), sheet.at(np.array(contact.b))
    span = float(np.hypot(*(b - a)))
    along = (b - a) / max(span, 1e-9)
    across = np.array([-along[1], along[0]]) * sheet.k * contact.jaw_mm / 2
    inside = contact.kind == "inside"
    depth = min(JAW, 0.25 * span) if inside else JAW
    jaws = []
    for spot, way in ((a, -along), (b, along)):
        out = (-way if inside else way) * depth
        jaws.append(np.array([spot - across, spot + across, spot + across + out, spot - across + out]))
    return jaws


def _names(drawing: PathDrawing, sheet: _Sheet) -> str:
    """The features' names beside their jaws, where they hide least: each in the freest of a few places."""
    jaws = {c.feature: _corners(c, sheet) for c in drawing.contacts}
    taken = [(j.min(axis=0), j.max(axis=0)) for pair in jaws.values() for j in pair]
    taken.append((np.array([LENS_X - LENS_RADIUS - 6, 0.0]), np.array([WIDTH, 1e4])))
    if drawing.contacts:
        lens, reach = sheet.at(np.array(drawing.contacts[0].b)), LENS_RADIUS / LENS_TIMES
        taken.append((lens - reach, lens + reach))
    marks = [sheet.at(p[0]) for p in drawing.outer] + [sheet.at(p) for p in drawing.joints]
    taken += [(m - MARK, m + MARK) for m in marks]
    lines = np.concatenate([_dotted(o, sheet) for o in (*drawing.outer, *drawing.outlines)])
    holes: set[str] = set()
    drawn = []
    for contact in drawing.contacts:
        name = plain(contact.feature, 24)
        if contact.kind == "inside":
            name = name.removesuffix("-x").removesuffix("-y")
            if name in holes:
                continue  # a hole's two ways share its name
            holes.add(name)
        half = np.array([0.28 * LETTER * len(name), 0.5 * LETTER])

        def hides(spot: np.ndarray, half: np.ndarray = half) -> float:
            """What a name there would lie on: areas, and lines as so much for each of their dots."""
            low, high = spot - half, spot + half
            areas = (np.minimum(high, h) - np.maximum(low, l) for l, h in taken)
            beyond = np.minimum(low - 4, 0).sum() + np.minimum([WIDTH, np.inf] - high, 0).sum()
            dots = np.all((lines > low) & (lines < high), axis=1).sum()
            return sum(float(w * h) for w, h in areas if w > 0 and h > 0) + DOT * float(dots) - 1e3 * beyond

        places = _places_for(contact, jaws[contact.feature], sheet, half)
        cost = [hides(spot) + OTHER_PLACE * (i > 0) for i, spot in enumerate(places)]
        spot = places[int(np.argmin(cost))]
        taken.append((spot - half, spot + half))
        drawn.append(_text("words", spot[0], spot[1] + 0.35 * LETTER, name))
    return "".join(drawn)


def _places_for(
    contact: Contact, jaws: list[np.ndarray], sheet: _Sheet, half: np.ndarray
) -> list[np.ndarray]:
    """Where a name may stand, the best first: beyond a jaw, beside it; of openings in their middle or around."""
    gap = 0.25 * LETTER
    a, b = sheet.at(np.array(contact.a)), sheet.at(np.array(contact.b))
    if contact.kind == "inside":
        middle, reach = (a + b) / 2, np.abs(b - a) / 2
        down = np.array([0.0, max(reach) + half[1] + gap])
        return [middle, middle + 0.5 * down, middle - 0.5 * down, middle - down, middle + down]
    places = []
    upright = abs((b - a)[0]) < abs((b - a)[1])
    for jaw, way in ((jaws[1], b - a), (jaws[0], a - b)):
        centre, size = jaw.mean(axis=0), np.ptp(jaw, axis=0) / 2
        beyond = np.sign(way) * (size + half + gap) * ([0, 1] if upright else [1, 0])
        beside = (size + half + gap) * ([1, 0] if upright else [0, 1])
        places += [centre + beyond, centre - beside, centre + beside]
    # Both ends first.
    return [places[0], places[3], *places[1:3], *places[4:]]


def _dotted(outline: np.ndarray, sheet: _Sheet) -> np.ndarray:
    """A closed outline as dots on the sheet, ndarray (n, 2)."""
    from shapely import LinearRing

    points = np.column_stack([sheet.x + sheet.k * outline[:, 0], sheet.y - sheet.k * outline[:, 1]])
    return np.array(LinearRing(points).segmentize(LETTER / 4).coords)


def _lens(ident: str, drawing: PathDrawing, sheet: _Sheet) -> str:
    """A round window with the drawing enlarged about a contact, and what is seen there in words."""
    if not drawing.contacts:
        return ""
    times = LENS_TIMES
    spot = sheet.at(np.array(drawing.contacts[0].b))
    centre = np.array([LENS_X, MARGIN + LENS_RADIUS])
    # The plan's own transform comes along with it.
    shift = centre - times * spot
    place, away = _stands(drawing)
    way = (centre - spot) / max(float(np.hypot(*(centre - spot))), 1e-9)
    a, b = spot + way * LENS_RADIUS / times, centre - way * LENS_RADIUS
    rim = f'cx="{centre[0]:.1f}" cy="{centre[1]:.1f}" r="{LENS_RADIUS:g}"'
    below = centre[1] + LENS_RADIUS
    return (
        f'<clipPath id="lens-{ident}"><circle {rim}/></clipPath>'
        f'<path class="lead" d="M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}"/>'
        f'<circle class="rim" cx="{spot[0]:.1f}" cy="{spot[1]:.1f}" r="{LENS_RADIUS / times:.1f}"/>'
        f'<circle {rim} fill="var(--sheet)"/><g clip-path="url(#lens-{ident})"><use href="#plan-{ident}" '
        f'transform="translate({shift[0]:.2f} {shift[1]:.2f}) scale({times:g})"/></g><circle class="rim" {rim}/>'
        + _text("faint", LENS_X, below + 27, "the path stands")
        + _text("words large", LENS_X, below + 52, place)
        + _text("faint", LENS_X, below + 76, away)
    )


def _stands(drawing: PathDrawing) -> tuple[str, str]:
    """Where the path stands at the lens, in two lines: off the outline, and off its place."""
    if not np.isfinite(drawing.stands_mm):
        return "not seen there", ""
    opening = drawing.contacts[0].kind == "inside"
    # Outward of material is into an opening.
    side = "inside" if (drawing.stands_mm < 0) != opening else "outside"
    place = f"{abs(drawing.stands_mm):.3f} mm {side}" if abs(drawing.stands_mm) >= 0.0005 else "right on"
    moved = drawing.stands_mm + drawing.bead_mm / 2
    off = minus(f"off by {moved:+.3f} mm") if abs(moved) >= 0.0005 else "in its place"
    return place, f"the {'opening' if opening else 'outline'}, {off}"


def _heights(drawing: PathDrawing, bottom: float) -> str:
    """The piece from the side, with the layers that were read."""
    top, left, wide = MARGIN + 2 * LENS_RADIUS + 118, LENS_X - 110, 58.0
    tall = bottom - top - 6
    scale = tall / drawing.top_mm
    bands, last = [], float("inf")
    for low, high in sorted(drawing.bands, reverse=True):
        y0, y1 = (bottom - 6 - scale * z for z in (high, low))
        bands.append(
            f'<rect class="band" x="{left:.1f}" y="{y0:.1f}" width="{wide:.1f}" height="{max(y1 - y0, 2):.1f}"/>'
        )
        last = max((y0 + y1) / 2, last + LETTER if np.isfinite(last) else -np.inf)
        bands.append(
            _text(
                "words", left + wide + 12, last + 0.35 * LETTER, f"{low:.1f} to {high:.1f} mm", anchor="start"
            )
        )
    return (
        _text("faint", left, top - 10, f"layers read, of {drawing.top_mm:g} mm", anchor="start")
        + f'<rect class="body" x="{left:.1f}" y="{top:.1f}" width="{wide:.1f}" height="{tall:.1f}"/>{"".join(bands)}'
    )


def _legend(drawing: PathDrawing, sheet: _Sheet, y: float) -> str:
    """Scale bar and what the lines mean."""
    bar = next((b for b in (50.0, 20.0, 10.0, 5.0, 2.0, 1.0) if b * sheet.k <= 220), 1.0)
    x = MARGIN
    drawn = [
        f'<path class="rim" d="M{x} {y - 7}v14m0 -7h{bar * sheet.k:.1f}m0 -7v14"/>',
        _text("words", x + bar * sheet.k + 12, y + 6, f"{bar:g} mm", anchor="start"),
    ]
    items = [
        ('<path class="outline" d="M0 0H38"/>', "outline"),
        ('<path class="path" d="M0 0H38"/>', "outer wall"),
        ('<path class="path-in" d="M0 0H38"/>', "further walls"),
        (f'<circle class="seam-mark" cx="19" cy="0" r="{MARK}"/>', "seam"),
        ('<rect class="jaw" x="4" y="-8" width="30" height="16"/>', "jaw"),
    ]
    if len(drawing.joints):
        items.append(('<circle class="joint-mark" cx="19" cy="0" r="5"/>', "begins again"))
    for mark, words in items:
        drawn.append(f'<g transform="translate({x:.1f} {y + 36:.1f})">{mark}</g>')
        drawn.append(_text("words", x + 48, y + 42, words, anchor="start"))
        x += 48 + 0.54 * LETTER * len(words) + 28
    return "".join(drawn)


def _text(name: str, x: float, y: float, words: str, anchor: str = "middle") -> str:
    return f'<text class="{name}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words, quote=False)}</text>'


def _closed(outlines) -> str:
    return " ".join("M" + "L".join(f"{x:.3f} {-y:.3f}" for x, y in o) + "Z" for o in outlines)


def _attribute(text: str) -> str:
    return escape(plain(text))
