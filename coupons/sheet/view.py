"""What a drawing of a coupon shows: plan and side views with the places that are measured."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fitassay.coupons.feature import Coupon, Feature
from fitassay.coupons.sheet.section import Face, Piece, notch_tips, touched_face
from fitassay.coupons.sheet.words import dimension_text

# Below this height the first layers' flare and the base chamfer stand, not a measured outline.
BASE_MM = 1.0


@dataclass(frozen=True, kw_only=True)
class Place:
    """One feature as it lies in a view.

    Attributes
    ----------
    number : int
        On the whole sheet, in measuring order.
    text : str
        Above the dimension line.
    a, b : ndarray (2,) [mm]
        Contacts in the view's coordinates, a on the low side.
    angle : float [rad]
        Measured direction in the view.
    into_opening : bool
        The jaws stand in an opening and press outward.
    face_a, face_b : Face
        Outline touched by the jaws.
    """

    number: int
    text: str
    a: np.ndarray
    b: np.ndarray
    angle: float
    into_opening: bool
    face_a: Face
    face_b: Face


@dataclass(frozen=True, kw_only=True)
class View:
    """One drawing.

    Attributes
    ----------
    caption : str
        From where the piece is seen.
    axes : tuple of 2 str
        Names of the axes to the right and upward.
    regions : tuple of tuple of ndarray [mm]
        Areas of material, each a set of outlines filled by the even-odd rule.
    outlines : tuple of ndarray [mm]
        Cut outlines, drawn heavier than the regions' edges.
    places : tuple of Place
    notches : tuple of (ndarray (2,), ndarray (2,))
        Tip [mm] and unit vector to the mouth of each seam notch.
    pointers : tuple of (ndarray (2,), ndarray (2,), int)
        Where a feature that is measured square to this view stands out of the outline [mm], a unit vector away
        from the piece, and the feature's number.
    """

    caption: str
    axes: tuple[str, str]
    regions: tuple[tuple[np.ndarray, ...], ...]
    outlines: tuple[np.ndarray, ...]
    places: tuple[Place, ...]
    notches: tuple[tuple[np.ndarray, np.ndarray], ...] = ()
    pointers: tuple[tuple[np.ndarray, np.ndarray, int], ...] = ()

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top of what is drawn of the piece [mm]."""
        points = np.concatenate([*self.outlines, *(ring for region in self.regions for ring in region)])
        low, high = points.min(axis=0), points.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def views(
    coupon: Coupon, piece: Piece, numbers: dict[tuple[str, str], int], *, split: bool = False
) -> tuple[View, ...]:
    """The drawings of one coupon: a plan and, where heights are measured, a side view.

    Parameters
    ----------
    coupon : Coupon
    piece : Piece
    numbers : dict
        The sheet's number of each coupon's and feature's id.
    split : bool
        A plan for each measured direction instead of one, for a piece with many sizes.
    """
    flat = [f for f in coupon.asked if f.kind != "height"]
    tall = [f for f in coupon.asked if f.kind == "height"]
    drawn: list[View] = []
    for caption, group in _plan_groups(flat, split):
        drawn.append(_plan(coupon, piece, numbers, group, caption))
    if tall:
        drawn.append(_side(coupon, piece, numbers, tall))
    return tuple(drawn)


def cross_checks(coupon: Coupon, piece: Piece, numbers: dict[tuple[str, str], int]) -> View | None:
    """The plan of a coupon with its cross-checks alone; None where it has none."""
    features = [f for f in coupon.features if f.cross_check]
    return _plan(coupon, piece, numbers, features, "seen from above") if features else None


def _plan_groups(features: list[Feature], split: bool) -> list[tuple[str, list[Feature]]]:
    """Features of each plan, with its caption."""
    directions: dict[int, list[Feature]] = {}
    for feature in features:
        directions.setdefault(round(feature.direction_deg) % 180, []).append(feature)
    if len(directions) <= 1 or not split:
        return [("seen from above", features)]
    names = {0: "along x", 90: "along y"}
    return [
        (f"seen from above, sizes {names.get(angle, f'at {angle}°')}", group)
        for angle, group in directions.items()
    ]


def _plan(
    coupon: Coupon, piece: Piece, numbers: dict[tuple[str, str], int], features: list[Feature], caption: str
) -> View:
    low, high = piece.box[2], piece.box[5]
    heights = sorted({_inside(f.contact_a_mm[2], low, high) for f in features} or {(low + high) / 2})
    sections = {z: piece.section(z) for z in heights}
    shown = [z for z in heights if z >= BASE_MM] or heights
    regions = tuple(tuple(region) for region in piece.tops) or tuple(tuple(sections[z]) for z in shown)
    places = []
    for feature in features:
        rings = sections[_inside(feature.contact_a_mm[2], low, high)]
        a, b = np.array(feature.contact_a_mm[:2]), np.array(feature.contact_b_mm[:2])
        places.append(_place(coupon, feature, numbers, a, b, math.radians(feature.direction_deg), rings))
    return View(
        caption=caption,
        axes=("x", "y"),
        regions=regions,
        outlines=tuple(ring for z in shown for ring in sections[z]),
        places=tuple(places),
        notches=tuple(tip for z in shown for tip in notch_tips(sections[z])),
    )


def _side(coupon: Coupon, piece: Piece, numbers: dict[tuple[str, str], int], features: list[Feature]) -> View:
    """The silhouette that tells the measured heights apart best."""
    spots = np.array([f.contact_b_mm for f in features])
    spread = spots.max(axis=0) - spots.min(axis=0)
    axis = "y" if spread[0] >= spread[1] else "x"
    across = 0 if axis == "y" else 1
    rings = piece.silhouette(axis)
    places = []
    for feature in features:
        a = np.array([feature.contact_a_mm[across], feature.contact_a_mm[2]])
        b = np.array([feature.contact_b_mm[across], feature.contact_b_mm[2]])
        places.append(_place(coupon, feature, numbers, a, b, math.pi / 2, rings))
    return View(
        caption="seen from the front" if axis == "y" else "seen from the right",
        axes=("x" if axis == "y" else "y", "z"),
        regions=(tuple(rings),),
        outlines=tuple(rings),
        places=tuple(places),
        pointers=tuple(_feet(coupon, numbers, rings)),
    )


def _feet(
    coupon: Coupon, numbers: dict[tuple[str, str], int], rings: list[np.ndarray]
) -> list[tuple[np.ndarray, np.ndarray, int]]:
    """Where the first layers that a plan's jaws go across stand out at the left of a side view."""
    feet = []
    for feature in coupon.asked:
        z = feature.contact_a_mm[2]
        if feature.kind == "height" or z >= BASE_MM:
            continue
        points = np.concatenate(rings)
        left = float(points[points[:, 1] < BASE_MM][:, 0].min())
        feet.append((np.array([left, z]), np.array([-1.0, 0.0]), numbers[coupon.id, feature.id]))
    return feet


def _inside(z: float, low: float, high: float) -> float:
    """A height at which a section exists, `z` itself where it lies within the piece."""
    return round(min(max(z, low + 1e-3), high - 1e-3), 6)


def _place(
    coupon: Coupon,
    feature: Feature,
    numbers: dict[tuple[str, str], int],
    a: np.ndarray,
    b: np.ndarray,
    angle: float,
    rings: list[np.ndarray],
) -> Place:
    direction = np.array([math.cos(angle), math.sin(angle)])
    face_a, face_b = touched_face(rings, a, direction), touched_face(rings, b, direction)
    return Place(
        number=numbers[coupon.id, feature.id],
        text=dimension_text(feature, face_a.round_shape and face_b.round_shape),
        a=a,
        b=b,
        angle=angle,
        into_opening=feature.kind == "inside",
        face_a=face_a,
        face_b=face_b,
    )
