"""Shaded isometric pictures of coupons and plates: a small depth buffer on numpy, saved by pillow.

Isometric, so that x, y and z share one scale and the scale bar holds along all three. No light falls by
chance: the same meshes give the same pixels.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

# Camera in front, to the right, above: columns are the directions right, up and away on the screen.
_RIGHT = np.array([1.0, 1.0, 0.0]) / np.sqrt(2)
_UP = np.array([-1.0, 1.0, 2.0]) / np.sqrt(6)
_AWAY = np.array([-1.0, 1.0, -1.0]) / np.sqrt(3)
_LIGHT = np.array([0.12, -0.62, 0.78])

PAPER = (255, 255, 255)
INK = (19, 33, 43)
MUTED = (120, 135, 145)
PLASTIC = np.array([150.0, 196.0, 219.0])

FINE = 3
"""Pixels are drawn this much finer in either direction, then averaged."""

CREASE_COS = 0.966
"""Faces that meet at more than 15 degrees show an edge; facets of a circle do not."""

PARALLEL_COS = 0.99999
STEP_MM = 0.05
"""Parallel faces farther apart than this show an edge: raised marks would vanish otherwise [mm]."""

GAP_MM = 1.0
"""So does any jump in distance larger than this [mm]."""

TALLEST = 0.9
"""Height of a picture at most, as a share of its width."""

MOST_PIXELS = 4_000_000
"""Candidate pixels handled at once; bounds the memory."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Body:
    """One mesh to draw.

    Attributes
    ----------
    vertices : ndarray (n, 3) [mm]
    faces : ndarray (m, 3) of int
        Counter-clockwise seen from outside.
    """

    vertices: np.ndarray
    faces: np.ndarray


def project(points: np.ndarray) -> np.ndarray:
    """Points (..., 3) [mm] as right, up and away on the isometric screen, (..., 3) [mm]."""
    return np.stack([points @ _RIGHT, points @ _UP, points @ _AWAY], axis=-1)


def render_png(
    bodies: Sequence[Body],
    *,
    width: int = 1000,
    bed_mm: tuple[float, float] | None = None,
    label: str = "",
) -> bytes:
    """An isometric picture with scale bar and +x arrow as PNG.

    Parameters
    ----------
    bodies : sequence of Body
    width : int [pixels]
        Of the whole picture; its height follows from what is drawn.
    bed_mm : tuple of 2 float [mm], optional
        Draw the outline of a bed of this size under the bodies.
    label : str
        Name in the corner.
    """
    from PIL import Image

    corners = np.concatenate([b.vertices[b.faces] for b in bodies])
    ground = _ground(corners, bed_mm)
    view = _View.around(np.concatenate([corners.reshape(-1, 3), ground]), width * FINE)
    under = Image.new("RGB", (view.width, view.height), PAPER)
    _draw_ground(under, view, corners, bed_mm, label)
    face, depth = rasterise(view.pixels(corners), view.width, view.height)
    picture = _shade(np.asarray(under), face, depth, corners, view)
    small = Image.fromarray(picture).reduce(FINE)
    buffer = io.BytesIO()
    small.quantize(96, dither=Image.Dither.NONE).save(buffer, format="PNG", optimize=True)
    return buffer.getvalue()


@dataclass(frozen=True, kw_only=True)
class _View:
    """Where millimetres of the screen lie in pixels."""

    left: float
    top: float
    scale: float
    width: int
    height: int

    @classmethod
    def around(cls, points: np.ndarray, width: int) -> _View:
        """A view that holds all points with a margin of 4 % of the width; tall things make it narrower."""
        flat = project(points)[:, :2]
        low, high = flat.min(axis=0), flat.max(axis=0)
        margin = 0.04 * width
        across, up = (float(d) for d in high - low)
        scale = min((width - 2 * margin) / across, (TALLEST * width - 2 * margin) / up)
        pixels = [int(np.ceil((d * scale + 2 * margin) / FINE)) * FINE for d in (across, up)]
        return cls(
            left=float(low[0]) - margin / scale,
            top=float(high[1]) + margin / scale,
            scale=scale,
            width=pixels[0],
            height=pixels[1],
        )

    def pixels(self, points: np.ndarray) -> np.ndarray:
        """Points (..., 3) [mm] as column and row [pixels] and distance away [mm]."""
        flat = project(points)
        out = np.empty_like(flat)
        out[..., 0] = (flat[..., 0] - self.left) * self.scale
        out[..., 1] = (self.top - flat[..., 1]) * self.scale
        out[..., 2] = flat[..., 2]
        return out


def rasterise(triangles: np.ndarray, width: int, height: int) -> tuple[np.ndarray, np.ndarray]:
    """Which triangle is nearest in each pixel.

    Parameters
    ----------
    triangles : ndarray (m, 3, 3)
        Corners as column, row (at pixel centres + 0.5) and distance.
    width, height : int [pixels]

    Returns
    -------
    face : ndarray (height, width) of int
        Index of the triangle, -1 where there is none.
    depth : ndarray (height, width)
        Its distance, inf where there is none.
    """
    depth = np.full(width * height, np.inf)
    face = np.full(width * height, -1)
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (c[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1])
    # Rows run downwards, so a triangle that faces the camera has a negative area here.
    for index, pixel, away in _candidates(triangles, np.flatnonzero(area < -1e-9), width, height):
        before = depth[pixel]
        np.minimum.at(depth, pixel, away)
        nearest = (away == depth[pixel]) & (away < before)
        face[pixel[nearest]] = index[nearest]
    return face.reshape(height, width), depth.reshape(height, width)


def _candidates(
    triangles: np.ndarray, visible: np.ndarray, width: int, height: int
) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Triangle, pixel and distance of every pixel centre inside each visible triangle, in parts."""
    rows = triangles[visible, :, 1]
    first = np.clip(np.ceil(rows.min(axis=1) - 0.5), 0, height).astype(int)
    last = np.clip(np.floor(rows.max(axis=1) - 0.5), -1, height - 1).astype(int)
    spans = np.maximum(last - first + 1, 0)
    tri = np.repeat(visible, spans)
    row = np.arange(spans.sum()) - np.repeat(np.cumsum(spans) - spans, spans) + np.repeat(first, spans)
    low, high = _row_ends(triangles[tri], row + 0.5)
    start = np.clip(np.ceil(low - 0.5), 0, width).astype(int)
    count = np.maximum(np.clip(np.floor(high - 0.5), -1, width - 1).astype(int) - start + 1, 0)
    total = np.cumsum(count)
    cuts = np.searchsorted(total, np.arange(MOST_PIXELS, total[-1] if len(total) else 0, MOST_PIXELS))
    for part in np.split(np.arange(len(tri)), cuts):
        n = count[part]
        index = np.repeat(tri[part], n)
        column = np.arange(n.sum()) - np.repeat(np.cumsum(n) - n, n) + np.repeat(start[part], n)
        line = np.repeat(row[part], n)
        yield index, line * width + column, _plane(triangles[index], column + 0.5, line + 0.5)


def _row_ends(corners: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Leftmost and rightmost point of each triangle (k, 3, 3) on its row y (k,)."""
    start, end = corners, np.roll(corners, -1, axis=1)
    dy = end[:, :, 1] - start[:, :, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (y[:, None] - start[:, :, 1]) / dy
    x = start[:, :, 0] + np.where(np.isfinite(t), t, 0.0) * (end[:, :, 0] - start[:, :, 0])
    crossed = (dy != 0) & (t >= 0) & (t <= 1)
    return np.where(crossed, x, np.inf).min(axis=1), np.where(crossed, x, -np.inf).max(axis=1)


def _plane(corners: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Distance of each triangle's plane at (x, y)."""
    a, u, v = corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = u[:, 0] * v[:, 1] - v[:, 0] * u[:, 1]
    dx, dy = x - a[:, 0], y - a[:, 1]
    return (
        a[:, 2] + ((dx * v[:, 1] - dy * v[:, 0]) * u[:, 2] + (dy * u[:, 0] - dx * u[:, 1]) * v[:, 2]) / area
    )


def _shade(
    under: np.ndarray, face: np.ndarray, depth: np.ndarray, corners: np.ndarray, view: _View
) -> np.ndarray:
    """Colours of all pixels: flat shading, and ink where planes change."""
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    offset = np.einsum("ij,ij->i", normal, corners[:, 0])
    bright = 0.45 + 0.55 * np.clip(normal @ (_LIGHT / np.linalg.norm(_LIGHT)), 0.0, 1.0)
    colour = np.clip(PLASTIC * bright[:, None] * 1.13, 0, 255).astype(np.uint8)
    out = np.array(under)
    solid = face >= 0
    out[solid] = colour[face[solid]]
    edge = np.zeros(face.shape, dtype=bool)
    for here, there in ((np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1, :], np.s_[1:, :])):
        both = (face[here] >= 0) & (face[there] >= 0)
        gap = np.abs(np.subtract(depth[here], depth[there], out=np.zeros(both.shape), where=both))
        differs = _differs(face[here], face[there], gap, normal, offset)
        # The nearer side carries the line, so that outlines keep their place.
        near = depth[here] <= depth[there]
        edge[here] |= differs & near
        edge[there] |= differs & ~near
    wide = edge.copy()
    wide[1:] |= edge[:-1]
    wide[:, 1:] |= edge[:, :-1]
    out[wide] = INK
    return out


def _differs(
    p: np.ndarray, q: np.ndarray, gap: np.ndarray, normal: np.ndarray, offset: np.ndarray
) -> np.ndarray:
    """Where two neighbouring pixels lie on planes that an eye tells apart."""
    out = (p < 0) != (q < 0)
    both = (p != q) & (p >= 0) & (q >= 0)
    i, j = p[both], q[both]
    cosine = np.einsum("ij,ij->i", normal[i], normal[j])
    step = (cosine > PARALLEL_COS) & (np.abs(offset[i] - offset[j]) > STEP_MM)
    out[both] = (cosine < CREASE_COS) | step | (gap[both] > GAP_MM)
    return out


def _bar_length(size: float) -> float:
    return next((b for b in (100.0, 50.0, 20.0, 10.0, 5.0, 2.0) if b <= 0.5 * size), 1.0)


def _ground(corners: np.ndarray, bed_mm: tuple[float, float] | None) -> np.ndarray:
    """Points on the ground that the view must hold besides the bodies: the bed, the scale bar."""
    low, high = _footprint(corners, bed_mm)
    gap = 0.12 * float(max(high - low))
    return np.array([[x, y, 0.0] for x in (low[0], high[0]) for y in (low[1] - gap, high[1])])


def _footprint(corners: np.ndarray, bed_mm: tuple[float, float] | None) -> tuple[np.ndarray, np.ndarray]:
    if bed_mm is not None:
        return np.zeros(2), np.array(bed_mm)
    flat = corners.reshape(-1, 3)[:, :2]
    return flat.min(axis=0), flat.max(axis=0)


def _draw_ground(
    image: Any, view: _View, corners: np.ndarray, bed_mm: tuple[float, float] | None, label: str
) -> None:
    """Bed, scale bar along x and the arrow to +x, drawn on the ground; the name in the corner."""
    from PIL import ImageDraw, ImageFont

    draw = ImageDraw.Draw(image)
    size = int(0.022 * max(view.width, view.height))
    font = ImageFont.load_default(size)
    line = max(max(view.width, view.height) // 600, FINE)
    low, high = _footprint(corners, bed_mm)

    def at(x: float, y: float) -> tuple[float, float]:
        column, row, _ = view.pixels(np.array([x, y, 0.0]))
        return float(column), float(row)

    if bed_mm is not None:
        ring = [at(0, 0), at(bed_mm[0], 0), at(*bed_mm), at(0, bed_mm[1]), at(0, 0)]
        draw.line(ring, fill=MUTED, width=line, joint="curve")
    reach = float(max(high - low))
    bar = _bar_length(float(high[0] - low[0]))
    y = float(low[1]) - 0.09 * reach
    x0, tick = float(low[0]), 0.018 * reach
    draw.line([at(x0, y), at(x0 + bar, y)], fill=INK, width=line)
    for x in (x0, x0 + bar):
        draw.line([at(x, y - tick), at(x, y + tick)], fill=INK, width=line)
    column, row = at(x0 + bar / 2, y)
    draw.text((column - 0.2 * size, row + 0.5 * size), f"{bar:g} mm", fill=INK, font=font, anchor="rt")
    # The arrow: shaft, filled head, name.
    x1, x2 = x0 + bar + 0.07 * reach, x0 + bar + 0.17 * reach
    draw.line([at(x1, y), at(x2, y)], fill=INK, width=line)
    draw.polygon([at(x2 + 0.04 * reach, y), at(x2, y - tick), at(x2, y + tick)], fill=INK)
    column, row = at(x2 + 0.05 * reach, y)
    draw.text((column - 0.2 * size, row + 0.4 * size), "+x", fill=INK, font=font, anchor="rt")
    if label:
        draw.text((0.6 * size, 0.6 * size), label, fill=INK, font=font, anchor="lt")
