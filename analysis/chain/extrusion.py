"""How much plastic a printer with errors lays down, and what that tells of each error term."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.chain.backlash import printed_path
from fitassay.analysis.chain.loops import Loop
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.terms import TERMS, errors_of
from fitassay.coupons.cost import bead_area


def extruded(loops: tuple[Loop, ...], width: float, height: float, theta: np.ndarray) -> np.ndarray:
    """Plastic in one layer of these loops, ndarray (n,) [mm3]: cross-section of the bead times length of the path.

    Parameters
    ----------
    loops : tuple of Loop
    width, height : float [mm]
        Of the bead.
    theta : ndarray (n, terms)

    Notes
    -----
    Where the slicer puts the path is the file's business: the filament that it asks for holds that already, so the
    path's offset changes nothing here.
    """
    errors = errors_of(theta)
    errors.contour[:] = errors.closure[:] = 0.0
    length = np.zeros(errors.n)
    for loop in loops:
        moves = printed_path(loop, errors)
        length += np.linalg.norm(np.diff(moves, axis=2), axis=3).sum(axis=(1, 2))
    return length * np.array([bead_area(float(w), height) for w in width + errors.bead])


def extrusion_row(walk: SetWalk) -> np.ndarray:
    """d (plastic laid down / plastic of a perfect printer) / d term, ndarray (terms,).

    Walked along the single walls, which are what is best weighed; along all loops of a set without one.
    """
    walks = [w for w in walk.walks if w.coupon.single_wall] or list(walk.walks)
    loops = tuple(loop for w in walks for at in w.loops.values() for loop in at)
    steps = np.array([t.step for t in TERMS])
    theta = np.concatenate([np.zeros((1, len(TERMS))), np.diag(steps)])
    spent = extruded(loops, walk.manifest.line_width_mm, walk.manifest.layer_height_mm, theta)
    return (spent[1:] / spent[0] - 1) / steps
