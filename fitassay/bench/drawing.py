"""Outlines of a coupon for the page: from above at the jaws' height, and from the side for heights.

Coordinates of the picture: mm, u to the right, v downwards (v = -y from above, v = -z from the side).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from fitassay.coupons.feature import Coupon, Feature

# What a screen can show; keeps a 14 mm bore at some 60 points.
SIMPLIFY_MM = 0.005
# Edges seen from above are cut this far under each level of the mesh.
UNDER_LEVEL_MM = 0.02
MOST_LEVELS = 12

# Rotations that look along +y (x to the right) and along -x (y to the right), z up in the picture.
FROM_FRONT = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])
FROM_RIGHT = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]])


def coupon_drawing(coupon: Coupon, folder: Path) -> dict[str, Any]:
    """What the page needs to draw `coupon`, as plain data.

    Parameters
    ----------
    coupon : Coupon
    folder : Path
        Where the manifest stands; the coupon's STL is looked for in it and nowhere else.

    Returns
    -------
    dict
        ``views``: by name ``bounds`` [mm], ``base`` (silhouette), ``cuts`` and ``edges`` as path data;
        ``features``: by id the view, the number of its cut or None, whether it is a round bore, and both contacts
        in the view [mm].

    Raises
    ------
    InputError
        No such file, or not a closed mesh.
    """
    from fitassay.coupons.export.stl import read_coupon
    from fitassay.coupons.sections import Ring, body_of, bore_at, rings_of

    mesh = read_coupon(coupon, folder)
    solid = body_of(mesh.vertices, mesh.faces, coupon.file)
    cuts: dict[float, str] = {}
    rings: dict[float, tuple[Ring, ...]] = {}
    views: dict[str, dict[str, Any]] = {}
    features: dict[str, dict[str, Any]] = {}
    for feature in coupon.features:
        if feature.kind == "height":
            view = side_of(coupon)
            if view not in views:
                turn = FROM_FRONT if view == "front" else FROM_RIGHT
                turned = body_of(mesh.vertices @ turn.T, mesh.faces, coupon.file)
                views[view] = _view(turned.project(), [], "")
            features[feature.id] = {"view": view, "cut": None, "round": False, **_contacts(feature, view)}
            continue
        z = feature.contact_height
        if z not in cuts:
            section = solid.slice(z)
            cuts[z], rings[z] = _path(section), rings_of(section)
        features[feature.id] = {
            "view": "plan",
            "cut": list(cuts).index(z),
            "round": bore_at(feature, rings[z]) is not None,
            **_contacts(feature, "plan"),
        }
    if cuts:
        edges = _edges(solid, mesh.vertices[:, 2], min(cuts))
        views["plan"] = _view(solid.project(), list(cuts.values()), edges)
    return {"views": views, "features": features}


def side_of(coupon: Coupon) -> str:
    """``front`` or ``right``: the side from which the steps of a stair stand beside each other."""
    tops = np.array([f.contact_b_mm[:2] for f in coupon.features if f.kind == "height"])
    spread = np.ptp(tops, axis=0) if len(tops) > 1 else np.array(coupon.size_mm[:2])
    return "front" if spread[0] >= spread[1] else "right"


def _contacts(feature: Feature, view: str) -> dict[str, list[float]]:
    a, b = feature.contact_a_mm, feature.contact_b_mm
    if feature.pairs is not None:
        # The whole row.
        middle = np.add(a, b)[:2] / 2
        ends = (feature.pairs.first, feature.pairs.last)
        a, b = (middle + n * feature.pairs.pitch_mm * np.array(feature.direction) for n in ends)
    if view == "plan":
        return {"a": [a[0], -a[1]], "b": [b[0], -b[1]]}
    axis = 0 if view == "front" else 1
    # The jaws stand under the step that is measured: one line, whatever the manifest says of the foot.
    return {"a": [b[axis], -a[2]], "b": [b[axis], -b[2]]}


def _path(section) -> str:
    """Path data of a manifold3d CrossSection, v downwards."""
    parts = []
    for ring in section.simplify(SIMPLIFY_MM).to_polygons():
        points = " ".join(f"{x:.3f},{0.0 - y:.3f}" for x, y in ring)
        parts.append(f"M{points}Z")
    return "".join(parts)


def _view(silhouette, cuts: list[str], edges: str) -> dict[str, Any]:
    x0, y0, x1, y1 = silhouette.bounds()
    return {"bounds": [x0, -y1, x1, -y0], "base": _path(silhouette), "cuts": cuts, "edges": edges}


def _edges(solid, heights: np.ndarray, above: float) -> str:
    """Outlines just under each level of the mesh over the lowest cut: steps, and the engraved mark."""
    levels, counts = np.unique(np.round(heights, 3), return_counts=True)
    upper = levels > above
    levels, counts = levels[upper], counts[upper]
    kept = np.sort(levels[np.argsort(-counts, kind="stable")[:MOST_LEVELS]])
    return "".join(_path(solid.slice(float(z) - UNDER_LEVEL_MM)) for z in kept)
