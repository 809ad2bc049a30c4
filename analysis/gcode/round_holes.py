"""Round holes that a file draws with so few corners that they are no circles any more."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.gcode.trace_data import Trace

FLAT_MM = 0.01
"""Where the sides' middles lie so much deeper than the corners, a hole is a polygon."""


def polygon_holes(trace: Trace) -> dict[float, tuple[int, float]]:
    """Holes of so few corners by diameter [mm]: how many corners, and how deep their sides' middles lie [mm]."""
    seen: dict[float, list[int]] = {}
    for paths in trace.found.values():
        for outer in paths.outer:
            bore = paths.rings[outer.height][outer.ring].bore()
            if bore is not None:
                seen.setdefault(round(bore[1], 2), []).append(len(outer.points))
    found = {}
    for diameter, counts in sorted(seen.items()):
        corners = int(np.median(counts))
        flat = diameter / 2 * (1 - np.cos(np.pi / corners))
        if flat > FLAT_MM:
            found[diameter] = (corners, float(flat))
    return found
