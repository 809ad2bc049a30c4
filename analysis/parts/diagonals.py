"""Crossed belts seen along their diagonals, where each axis has the play and the scale of one belt.

With u = (x + y) / sqrt 2 and v = (y - x) / sqrt 2, x and y turned by 45 degrees, belt a runs by sqrt 2 u and belt b
by -sqrt 2 v: play b of a belt is b / sqrt 2 along its diagonal, and a lean g stretches u by g / 2 and shortens v by
as much (and turns the part by g / 2, which no one sees). So seen, the machine is a cartesian one.
"""

from __future__ import annotations

import numpy as np

from fitassay.analysis.terms import INDEX, acting_on

_C = np.sqrt(0.5)
TURN = np.array([[_C, _C, 0.0], [-_C, _C, 0.0], [0.0, 0.0, 1.0]])
"""From x, y, z to u, v, z."""


def along_diagonals(theta: np.ndarray) -> np.ndarray:
    """Terms (terms,) of a machine with crossed belts as those of a cartesian one whose x and y are u and v."""
    out = np.array(theta, dtype=float)
    moved = ("backlash_a", "backlash_b", "scale_xy", "skew_xy")
    a, b, scale, lean = (float(out[INDEX[name]]) for name in moved)
    out[[INDEX[name] for name in moved]] = 0.0
    out[acting_on("scale x")[0]] += scale + lean / 2
    out[acting_on("scale y")[0]] += scale - lean / 2
    out[acting_on("play x")[0]] += a * _C
    out[acting_on("play y")[0]] += b * _C
    return out
