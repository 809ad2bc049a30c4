"""A tool path as a picture, drawn from the file itself: the beads of one layer and the ways between them."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from fitassay.analysis.gcode.moves import read_moves
from fitassay.coupons.machine import Machine

LEVEL_MM = 3.0
"""The layer shown stands about so high, where coupons are measured; lower pieces show their lowest one."""

PIXELS = 900
_STYLE = (
    ".bed{fill:#fff;stroke:#4a5964}.bead{stroke:#0b5c8a;fill:none;stroke-linecap:round;stroke-linejoin:round}"
    ".way{stroke:#b3491d;fill:none;stroke-width:.06}text{font:2.6px system-ui,sans-serif;fill:#13212b}"
)


def plate_svg(file: Path, machine: Machine, origin: tuple[float, float] = (0.0, 0.0)) -> str:
    """One layer of a file as SVG, x to the right, y to the back.

    Parameters
    ----------
    origin : tuple of 2 float [mm]
        Where the bed's front left corner lies.

    Raises
    ------
    InputError
        The file cannot be read for certain.
    """
    a, b, fed, z = _rows(file)
    beads = (fed > 0) & (np.linalg.norm(b - a, axis=1) > 0)
    heights = np.unique(np.round(z[beads], 3))
    shown = heights[np.argmin(np.abs(heights - LEVEL_MM))] if heights[-1] > LEVEL_MM / 2 else heights[0]
    here = np.abs(z - shown) < 1e-3
    wide, deep = machine.volume_mm[:2]
    place = np.array(origin)

    def lines(chosen: np.ndarray) -> str:
        start, end = a[chosen] - place, b[chosen] - place
        # Beads that go on where the last one ended are one line.
        parts, last = [], None
        for p, q in zip(start.tolist(), end.tolist(), strict=True):
            if p != last:
                parts.append(f"M{p[0]:.3f} {deep - p[1]:.3f}")
            parts.append(f"L{q[0]:.3f} {deep - q[1]:.3f}")
            last = q
        return "".join(parts)

    scale = PIXELS / max(wide, deep)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-1 -1 {wide + 2:g} {deep + 6:g}" '
        f'width="{wide * scale:.0f}" height="{(deep + 6) * scale:.0f}" role="img" '
        f'aria-label="Path of the layer at {shown:g} mm"><style>{_STYLE}</style>'
        f'<rect class="bed" width="{wide:g}" height="{deep:g}" stroke-width=".2"/>'
        f'<path class="bead" stroke-width="{machine.line_width_mm:g}" d="{lines(here & beads)}"/>'
        f'<path class="way" d="{lines(here & (fed == 0))}"/>'
        f'<text x="0" y="{deep + 3.6:g}">Layer at {shown:g} mm of {heights[-1]:g}, bed {wide:g} x {deep:g} mm; '
        "x to the right, y to the back</text></svg>\n"
    )


def _rows(file: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Start and end in the plane, filament fed, and height of every move."""
    parts = []
    for moves in read_moves(file):
        starts = np.concatenate([moves.start[None], moves.end[:-1]])
        level = np.where(starts[:, 2] == moves.end[:, 2], moves.end[:, 2], np.nan)
        parts.append(np.column_stack([starts[:, :2], moves.end[:, :2], moves.filament, level]))
    rows = np.concatenate(parts)
    return rows[:, :2], rows[:, 2:4], rows[:, 4], rows[:, 5]
