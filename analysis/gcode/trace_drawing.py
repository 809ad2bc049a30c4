"""Drawings of a trace: each coupon's outline against its path, with the jaws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.trace_data import Trace


@dataclass(frozen=True, kw_only=True)
class PathDrawing:
    """One coupon's outline against its path, for a picture; all in the frame of the piece as it lies on the bed.

    Attributes
    ----------
    coupon : str
    height : float [mm]
    outlines : tuple of ndarray (m, 2) [mm]
        Closed, the first point not repeated.
    outer, inner : tuple of ndarray (m, 2) [mm]
        Outer walls from their seams on, and further walls; closed.
    contacts : tuple of (feature id, a, b)
        Where the jaws go, (x, y) [mm] each, at this height.
    bead_mm : float [mm]
    """

    coupon: str
    height: float
    outlines: tuple[np.ndarray, ...]
    outer: tuple[np.ndarray, ...]
    inner: tuple[np.ndarray, ...]
    contacts: tuple[tuple[str, tuple[float, float], tuple[float, float]], ...]
    bead_mm: float


def drawings_of(trace: Trace) -> tuple[PathDrawing, ...]:
    """A drawing per coupon, at the height where most of it is measured."""
    drawings = []
    width = trace.bead.width if trace.bead else trace.walk.manifest.line_width_mm
    for key, paths in trace.found.items():
        heights = [z for z in paths.rings if any(o.height == z for o in paths.outer)]
        if not heights:
            continue
        at = {
            z: [f for f in paths.coupon.asked if f.kind != "height" and f.contact_height == z]
            for z in heights
        }
        z = max(heights, key=lambda h: len(at[h]))
        layer = next(o.layer for o in paths.outer if o.height == z)
        drawings.append(
            PathDrawing(
                coupon=key,
                height=z,
                outlines=tuple(r.points for r in paths.rings[z]),
                outer=tuple(o.points for o in paths.outer if o.height == z and o.layer is layer),
                inner=paths.others.get(z, ()),
                contacts=tuple((f.id, f.contact_a_mm[:2], f.contact_b_mm[:2]) for f in at[z]),
                bead_mm=width,
            )
        )
    return tuple(drawings)
