"""Does a piece hold still under the jaws: plane elasticity on a grid, for every feature measured across it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import shapely

from fitassay.coupons.families import FAMILIES
from tests.coupon_cases import drafts, slab_at

# PLA, printed solid; a light touch of the jaws is about a newton.
MODULUS = 3000.0  # N/mm2
POISSON = 0.35
CELL_MM = 0.9
GIVES_MM_PER_N = 0.01
"""A touch that varies by a newton then changes a reading by half its own scatter of 0.02 mm at most."""


def element() -> np.ndarray:
    """Stiffness of a bilinear square in plane stress, unit thickness, 2 x 2 Gauss points (any textbook), (8, 8)."""
    d = MODULUS / (1 - POISSON**2)
    law = d * np.array([[1, POISSON, 0], [POISSON, 1, 0], [0, 0, (1 - POISSON) / 2]])
    k = np.zeros((8, 8))
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    for x, y in corners / np.sqrt(3):
        slope = np.array([[a * (1 + b * y), b * (1 + a * x)] for a, b in corners]) / 4 * 2 / CELL_MM
        b = np.zeros((3, 8))
        b[0, 0::2], b[1, 1::2] = slope[:, 0], slope[:, 1]
        b[2, 0::2], b[2, 1::2] = slope[:, 1], slope[:, 0]
        k += b.T @ law @ b * CELL_MM**2 / 4
    return k


def plate(outline, thick):
    """Nodes of the cells whose middle is in the outline, and a solver of its stiffness."""
    from scipy.sparse import coo_matrix, identity
    from scipy.sparse.linalg import splu

    x0, y0, x1, y1 = outline.bounds
    nx, ny = round((x1 - x0) / CELL_MM), round((y1 - y0) / CELL_MM)
    i, j = (a.ravel() for a in np.meshgrid(np.arange(nx), np.arange(ny), indexing="ij"))
    middle_x, middle_y = x0 + (i + 0.5) * (x1 - x0) / nx, y0 + (j + 0.5) * (y1 - y0) / ny
    inside = shapely.contains_xy(outline, middle_x, middle_y)
    i, j = i[inside], j[inside]
    corners = np.stack([i, i + 1, i + 1, i], 1) * (ny + 1) + np.stack([j, j, j + 1, j + 1], 1)
    used, cells = np.unique(corners, return_inverse=True)
    cells = cells.reshape(corners.shape)
    dof = np.stack([2 * cells, 2 * cells + 1], 2).reshape(len(cells), 8)
    values = np.broadcast_to(element() * thick, (len(dof), 8, 8))
    rows, columns = np.repeat(dof, 8, axis=1).ravel(), np.tile(dof, (1, 8)).ravel()
    k = coo_matrix((values.ravel(), (rows, columns)), shape=(2 * len(used),) * 2).tocsc()
    # Loads balance; the softest of springs to the ground keep the whole from floating away.
    solve = splu((k + 1e-4 * identity(k.shape[0])).tocsc()).solve
    nodes = np.stack([x0 + used // (ny + 1) * (x1 - x0) / nx, y0 + used % (ny + 1) * (y1 - y0) / ny], axis=1)
    return nodes, solve


@cache
def section(family: str, job: str, index: int, z: float):
    draft = drafts(family, job)[index]
    return plate(slab_at(draft, z).outline, draft.size[2])


def gives(nodes, solve, load) -> float:
    """Work of unit loads on the displacement they cause [mm/N]."""
    # The nodes loaded need not face each other exactly; what would turn or shift the whole is not the jaws' doing.
    rigid = np.zeros((len(load), 3))
    rigid[0::2, 0] = rigid[1::2, 1] = 1.0
    rigid[0::2, 2], rigid[1::2, 2] = -nodes[:, 1], nodes[:, 0]
    load = load - rigid @ np.linalg.lstsq(rigid, load, rcond=None)[0]
    return float(load @ solve(load))


def compliance(family: str, job: str, index: int, feature) -> float:
    """How much the span gives to a newton between the jaws [mm/N]."""
    nodes, solve = section(family, job, index, feature.contact_a_mm[2])
    a, b = np.array(feature.contact_a_mm[:2]), np.array(feature.contact_b_mm[:2])
    along = (b - a) / np.linalg.norm(b - a)
    load = np.zeros(2 * len(nodes))
    for contact, push in ((a, along), (b, -along)):
        near = np.argsort(np.linalg.norm(nodes - contact, axis=1), kind="stable")[:4]
        load[2 * near], load[2 * near + 1] = push / 4
    return gives(nodes, solve, load)


# The wall is gripped locally, the stair stands under its own jaws, rungs are tried and not gripped.
FLAT = [f for f in FAMILIES if f not in ("single-wall", "height-stair", "fit-ladder")]


def test_the_grid_knows_a_bar_under_load():
    """A plain bar pulled at its ends: F L / (E A)."""
    long, wide, thick = 27.0, 5.4, 3.0
    nodes, solve = plate(shapely.box(0, 0, long, wide), thick)
    load = np.zeros(2 * len(nodes))
    for x, push in ((0.0, -1.0), (long, 1.0)):
        end = np.flatnonzero(np.isclose(nodes[:, 0], x))
        edge = np.isclose(nodes[end, 1], 0) | np.isclose(nodes[end, 1], wide)
        load[2 * end] = push * np.where(edge, 0.5, 1.0) / (len(end) - 1)
    assert gives(nodes, solve, load) == pytest.approx(long / (MODULUS * wide * thick), rel=1e-3)


@pytest.mark.parametrize("family", FLAT)
def test_no_piece_gives_under_the_jaws(family):
    for index, draft in enumerate(drafts(family, "default")):
        for feature in draft.features:
            give = compliance(family, "default", index, feature)
            assert give < GIVES_MM_PER_N, f"{draft.id} {feature.id}: gives {give:.4f} mm to a newton"
