"""How far the path stands from its place, told apart from scale and from openings treated differently.

A probe on a flank with outward direction n at the local place x sees the path at

    r = d + a [opening] + n.t + n.(s x)

from the outline: d common, a extra for openings, t the coupon's shift, s scale. The simplest of a ladder of such
accounts that leaves hardly more than the fullest one is reported; round bores, which programs like to treat apart,
are compared with it afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace

import numpy as np

from fitassay.analysis.gcode.robust import cauchy_fit

ENOUGH_MM, ENOUGH_SHARE, EXACT_MM = 0.002, 0.5, 3e-4
"""A simpler account may leave this much more than the fullest one (root mean square); where that leaves little, this
share of it more. Below the last nothing is told apart."""

ROBUST_MM = 0.01
LONG_FLANK = 6
"""So many probes stand on a flank that is no piece of a rounded corner."""

MAD_TO_SD = 1.4826
"""Standard deviation of what scatters normally, by its median distance from the middle."""


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What the probes of all coupons see.

    Attributes
    ----------
    offset : ndarray (n,) [mm]
        Path's distance from the outline at scale 1.
    outward : ndarray (n, 2)
    local : ndarray (n, 2) [mm]
        Place from the coupon's middle, in bed directions.
    coupon : ndarray (n,) of int
    opening : ndarray (n,) of bool
    bore : ndarray (n,) of int
        Index of the bore's size; -1 elsewhere.
    flank : ndarray (n,) of int
        Probes of one straight flank or one bore share a number.
    """

    offset: np.ndarray
    outward: np.ndarray
    local: np.ndarray
    coupon: np.ndarray
    opening: np.ndarray
    bore: np.ndarray
    flank: np.ndarray


@dataclass(frozen=True, kw_only=True)
class PathPlace:
    """The path's place.

    Attributes
    ----------
    offset, u : float [mm]
        Common distance d of path and outline, outward from material, and its standard uncertainty.
    opening : float [mm]
        Extra of openings (outward from material: a smaller opening).
    bores : dict of float to float [mm]
        Extra of round bores by diameter, on top of `opening`; positive: a smaller bore.
    scale : ndarray (2,)
        Enlargement along the bed's x and y beyond the drawing.
    spread : float [mm]
        Root mean square of what is left.
    wavers : float [mm]
        How far the path strays from a smooth one along the flanks, the usual amount to either side.
    axes : tuple of two (mean, spread) [mm]
        Offsets of flanks facing x and facing y, scale taken off.
    account : str
        What was needed beyond a common offset: ``scale`` or ``scale xy``, ``openings``.
    """

    offset: float
    u: float
    opening: float
    bores: dict[float, float]
    scale: np.ndarray
    spread: float
    axes: tuple[tuple[float, float], tuple[float, float]]
    account: tuple[str, ...] = field(default_factory=tuple)
    wavers: float = 0.0


# Accounts from simple to full: extra columns.
_LADDER: tuple[tuple[str, ...], ...] = (
    (),
    ("scale",),
    ("openings",),
    ("scale xy",),
    ("scale", "openings"),
    ("scale xy", "openings"),
)


def place_of(seen: Seen, bores: tuple[float, ...]) -> PathPlace:
    """The simplest account of what the probes see.

    Parameters
    ----------
    seen : Seen, at least one probe
    bores : tuple of float [mm]
        Diameters that `Seen.bore` refers to.
    """
    straight = _part(seen, seen.bore < 0) if (seen.bore < 0).any() else seen
    fits = [_fit(straight, account) for account in _LADDER]
    fullest = fits[-1][0].spread
    enough = fullest + min(ENOUGH_MM, ENOUGH_SHARE * fullest + EXACT_MM)
    place, shift = next(f for f in fits if f[0].spread <= enough)
    extra = {}
    for k, diameter in enumerate(bores):
        part = _part(seen, seen.bore == k)
        known = place.offset + place.opening
        known += np.sum(part.outward * (part.local * place.scale + shift[part.coupon]), axis=1)
        if len(part.offset) and straight is not seen:
            extra[diameter] = float(np.median(part.offset - known))
    return replace(place, bores=extra)


def _part(seen: Seen, mask: np.ndarray) -> Seen:
    return Seen(**{f.name: getattr(seen, f.name)[mask] for f in fields(Seen)})


def _columns(seen: Seen, account: tuple[str, ...]) -> tuple[np.ndarray, list[str]]:
    n = len(seen.offset)
    names = ["offset"]
    columns = [np.ones(n)]
    moved = seen.outward * seen.local
    if "scale" in account:
        names.append("scale")
        columns.append(moved.sum(axis=1))
    if "scale xy" in account:
        names += ["scale x", "scale y"]
        columns += [moved[:, 0], moved[:, 1]]
    if "openings" in account:
        names.append("opening")
        columns.append(seen.opening.astype(float))
    for k in np.unique(seen.coupon).tolist():
        names += [f"shift {k} x", f"shift {k} y"]
        columns += [seen.outward[:, j] * (seen.coupon == k) for j in (0, 1)]
    return np.column_stack(columns), names


def _fit(seen: Seen, account: tuple[str, ...]) -> tuple[PathPlace, np.ndarray]:
    """One account, and the coupons' shifts under it, ndarray (coupons, 2) [mm].

    Each flank counts once, however many probes stand on it, with the median of what they see; flanks on which another
    path than theirs is seen pull little (Cauchy loss).
    """
    a, names = _columns(seen, account)
    _, flank = np.unique(seen.flank, return_inverse=True)
    count = np.bincount(flank)
    rows = np.column_stack([np.bincount(flank, weights=column) / count for column in a.T])
    order = np.lexsort((seen.offset, flank))
    middle = np.cumsum(count) - (count + 1) // 2
    right = seen.offset[order][middle]
    # What nothing tells apart stays at nothing.
    start = np.linalg.lstsq(rows, right, rcond=1e-6)[0]
    x = cauchy_fit(rows, right, ROBUST_MM, start)
    left = seen.offset - a @ x
    weight = 1 / count[flank] / (1 + (left / ROBUST_MM) ** 2)
    spread = float(np.sqrt(np.sum(weight * left**2) / np.sum(weight)))
    noise = spread * np.sqrt(len(count) / max(len(count) - a.shape[1], 1))
    inverse = np.linalg.pinv(a.T @ (a * weight[:, None]), rcond=1e-12, hermitian=True)
    value = dict(zip(names, x.tolist(), strict=True))
    both = value.get("scale", 0.0)
    own = left + x[0]
    shift = np.zeros((int(seen.coupon.max()) + 1, 2))
    for k in np.unique(seen.coupon).tolist():
        shift[k] = value[f"shift {k} x"], value[f"shift {k} y"]
    place = PathPlace(
        offset=float(x[0]),
        u=float(noise * np.sqrt(max(inverse[0, 0], 0.0))),
        opening=value.get("opening", 0.0),
        bores={},
        scale=np.array([value.get("scale x", both), value.get("scale y", both)]),
        spread=spread,
        axes=(_facing(seen, own, weight, 0), _facing(seen, own, weight, 1)),
        account=account,
        wavers=_wavering(left[count[flank] >= LONG_FLANK]),
    )
    return place, shift


def _wavering(left: np.ndarray) -> float:
    return MAD_TO_SD * float(np.median(np.abs(left))) if len(left) else 0.0


def _facing(seen: Seen, own: np.ndarray, weight: np.ndarray, axis: int) -> tuple[float, float]:
    facing = np.abs(seen.outward[:, axis]) > 0.99
    if not facing.any():
        return float("nan"), float("nan")
    w = weight[facing]
    mean = float(np.average(own[facing], weights=w))
    return mean, float(np.sqrt(np.average((own[facing] - mean) ** 2, weights=w)))
