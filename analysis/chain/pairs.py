"""What rows of pairs read on a printer with errors: the nozzle walked to the beads of pair 0.

Of a vernier, offset(i) = upper - lower = offset(0) + k i c along the row, with k = 1 where the lower beads stand
closer, -1 where the upper ones do; the pair that lines up, times c, is -k offset(0). Of closing gaps,
light(i) = light(0) + i c between the beads; they open at -light(0).
"""

from __future__ import annotations

import numpy as np

from fitassay.analysis.chain.backlash import with_play
from fitassay.analysis.terms import NAMES, Errors, errors_of
from fitassay.coupons.feature import Feature, Pairs

# Steps for derivatives; nothing of it bends but play, whose effect on a reversal is straight.
STEP = 1e-3


def pair_value(feature: Feature, errors: Errors, width: float) -> np.ndarray:
    """Where the row lines up, or opens, as pair number times step, ndarray (n,) [mm].

    Parameters
    ----------
    feature : Feature
        Of a kind in `coupons.feature.BY_EYE`.
    errors : Errors for n printers
    width : float [mm]
        Commanded bead width.
    """
    pairs = feature.pairs
    if pairs is None:
        raise ValueError(f"{feature.id} has no pairs")
    along = np.array(feature.direction)
    a, b = (
        _bead(np.array(contact[:2]), way, along, pairs, errors) @ along
        for contact, way in zip((feature.contact_a_mm, feature.contact_b_mm), pairs.ways, strict=True)
    )
    scale = 1 + errors.scale[:, :2] @ along**2
    if feature.kind == "gap":
        return -(b - a - (width + errors.bead)) / scale
    return -pairs.ways[1] * (b - a) / scale


def _bead(end: np.ndarray, way: int, along: np.ndarray, pairs: Pairs, errors: Errors) -> np.ndarray:
    """Where a bead's end comes to lie, ndarray (n, 2) [mm]: from the bead before it over the lead to its rail."""
    rail = end + pairs.tick_mm * np.array([-along[1], along[0]])
    path = np.array([end - way * pairs.pitch_mm * along, rail - way * pairs.lead_mm * along, rail, end])
    commanded = path * (1 + errors.scale[:, None, :2])
    point = with_play(commanded, errors, np.arange(len(path) - 1))[:, -1, -1].copy()
    point[:, 0] += errors.shear * point[:, 1]
    return point


def pair_row(feature: Feature, width: float) -> tuple[float, np.ndarray]:
    """What a row shows on a perfect printer [mm], and d reading / d term, ndarray (terms,)."""
    theta = np.concatenate([np.zeros((1, len(NAMES))), STEP * np.eye(len(NAMES))])
    values = pair_value(feature, errors_of(theta), width)
    return float(values[0]), (values[1:] - values[0]) / STEP
