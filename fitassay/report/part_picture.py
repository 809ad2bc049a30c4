"""A part seen from above with a numbered balloon at every feature, as an SVG file that stands alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from fitassay.report.svg import DATA, INK, MUTED, RULE, SOFT, SUSPECT, Sheet

if TYPE_CHECKING:
    from fitassay.analysis.parts.part_listing import PartFeature, PartListing

Place = Callable[[np.ndarray], tuple[float, float]]

# The part's longer side on the drawing, and the columns left and right of it where balloons stand [px].
LARGEST_PX, COLUMN_PX, MARGIN_PX = 620.0, 90.0, 40.0
BALLOON_PX, APART_PX = 26.0, 34.0
SIDES = 72

STYLE = """<style>
:root { --paper: #ffffff; --ink: #13212b; --muted: #4a5964; --rule: #9fadb4; --data: #0b5c8a; --soft: #d3e5ef;
  --suspect: #8a1f5c; font-family: system-ui, "Noto Sans", "DejaVu Sans", sans-serif; background: var(--paper) }
@media (prefers-color-scheme: dark) { :root { --paper: #152028; --ink: #e9eff1; --muted: #a9b8c0; --rule: #5a6b75;
  --data: #76c2ee; --soft: #1f4258; --suspect: #f192c4 } }
</style>"""


def part_picture(
    listing: PartListing, features: Sequence[PartFeature], doubtful: frozenset[int] = frozenset()
) -> str:
    """The picture's text; features with no printed size are grey, balloons of `doubtful` ones stand out."""
    size = listing.part.bounds[1, :2] - listing.low[:2]
    scale = LARGEST_PX / float(size.max())
    balloons = _columns(features)
    reach = max((len(column) for column in balloons), default=0) * APART_PX
    height = max(float(size[1]) * scale, reach) + 2 * MARGIN_PX
    width = float(size[0]) * scale + 2 * COLUMN_PX
    sheet = Sheet(width, height)
    base = (height + float(size[1]) * scale) / 2

    def at(point: np.ndarray) -> tuple[float, float]:
        return COLUMN_PX + float(point[0]) * scale, base - float(point[1]) * scale

    for feature in features:
        _feature(sheet, feature, at)
    for left, column in ((True, balloons[0]), (False, balloons[1])):
        x = COLUMN_PX / 2 if left else width - COLUMN_PX / 2
        _balloons(sheet, column, x, height, at, doubtful)
    text = sheet.svg("part", f"{listing.part.name} seen from above, {len(features)} features numbered")
    return text.replace("</title>", f"</title>\n{STYLE}\n{_body(listing, at)}", 1) + "\n"


def _body(listing: PartListing, at: Place) -> str:
    """The part's shadow from above as an SVG path; openings through it stay open."""
    outlines = (
        "L".join(f"{x:.2f} {y:.2f}" for x, y in (at(p) for p in np.asarray(polygon)))
        for polygon in listing.slicer.body.project().to_polygons()
    )
    path = "".join(f"M{outline}Z" for outline in outlines)
    return f'<path d="{path}" fill="{SOFT}" fill-rule="evenodd" stroke="{RULE}" stroke-width="1.5"/>'


def _feature(sheet: Sheet, feature: PartFeature, at: Place) -> None:
    for one, two in _edges(feature):
        sheet.line(*at(one), *at(two), DATA if feature.printed else MUTED, 2.0)


def _edges(feature: PartFeature) -> list[tuple[np.ndarray, np.ndarray]]:
    """The feature's own lines seen from above [mm]."""
    from fitassay.analysis.parts.round_features import RoundFeature

    shape, centre = feature.shape, np.array(feature.shape.centre_mm[:2])
    if isinstance(shape, RoundFeature):
        if shape.upright:
            turn = np.linspace(0, 2 * np.pi, SIDES + 1)
            ring = centre + shape.diameter_mm / 2 * np.column_stack([np.cos(turn), np.sin(turn)])
            return list(zip(ring[:-1], ring[1:], strict=True))
        level = np.array(shape.axis)[:2]
        half = level * shape.length_mm / 2
        side = shape.diameter_mm / 2 * np.array([-level[1], level[0]]) / np.linalg.norm(level)
        return [(centre - half + s, centre + half + s) for s in (side, -side)]
    along = np.array([np.cos(shape.direction_rad), np.sin(shape.direction_rad)])
    across = np.array([-along[1], along[0]])
    closed = len(shape.sizes_mm) == 2
    reach = shape.sizes_mm[-1] / 2 if closed else max(shape.reach_mm / 2, 1.0)
    half = along * shape.sizes_mm[0] / 2
    lines = [(centre + s * half - across * reach, centre + s * half + across * reach) for s in (1, -1)]
    if closed:
        lines += [(lines[0][i], lines[1][i]) for i in (0, 1)]
    return lines


def _columns(features: Sequence[PartFeature]) -> tuple[list[PartFeature], list[PartFeature]]:
    """Features whose balloons stand left and right, from the top down; of those level, the farther one first."""
    by_x = sorted(features, key=lambda f: f.shape.centre_mm[0])
    left, right = by_x[: len(by_x) // 2], by_x[len(by_x) // 2 :]
    return (
        sorted(left, key=lambda f: (-f.shape.centre_mm[1], -_touched(f, -1.0, 0.0)[0])),
        sorted(right, key=lambda f: (-f.shape.centre_mm[1], _touched(f, 1.0, 0.0)[0])),
    )


def _apart(wanted: list[float], low: float, high: float) -> list[float]:
    """Places in rising order, `APART_PX` and more apart, as near the wanted ones as that lets them."""
    # Less their distances they need only not fall: neighbours that do share their mean.
    groups: list[list[float]] = []
    for i, y in enumerate(wanted):
        groups.append([y - i * APART_PX])
        while len(groups) > 1 and np.mean(groups[-2]) > np.mean(groups[-1]):
            groups[-2:] = [groups[-2] + groups[-1]]
    level = [float(np.mean(g)) for g in groups for _ in g]
    last = high - (len(wanted) - 1) * APART_PX
    return [min(max(y, low), max(last, low)) + i * APART_PX for i, y in enumerate(level)]


def _balloons(
    sheet: Sheet,
    column: list[PartFeature],
    x: float,
    height: float,
    at: Place,
    doubtful: frozenset[int],
) -> None:
    """Numbers in one column, each as near its feature's height as the others let it, with a leader."""
    centres = [at(np.array(f.shape.centre_mm[:2])) for f in column]
    places = _apart([y for _, y in centres], MARGIN_PX, height - MARGIN_PX)
    for feature, (from_x, from_y), y in zip(column, centres, places, strict=True):
        colour = SUSPECT if feature.number in doubtful else INK
        end = at(_touched(feature, x - from_x, from_y - y))
        sheet.line(x, y, *end, colour, 1.0)
        sheet.dot(*end, colour, 5.0)
        ring = np.linspace(0, 2 * np.pi, 37)[:-1]
        sheet.area(
            x + BALLOON_PX / 2 * np.cos(ring), y + BALLOON_PX / 2 * np.sin(ring), "var(--paper)", colour
        )
        sheet.text(x, y, str(feature.number), size=14, colour=colour, bold=True)


def _touched(feature: PartFeature, right: float, up: float) -> np.ndarray:
    """The point of a feature's lines that lies farthest towards its balloon [mm]."""
    points = np.array([p for edge in _edges(feature) for p in edge])
    return points[(points @ [right, up]).argmax()]
