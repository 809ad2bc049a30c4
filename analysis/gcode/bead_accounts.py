"""Which bead a program meant: accounts of the walls' distance and of the filament, weighed by how usual they are.

A program lays beads of width w and height h at a pitch of w, or of w - h (1 - pi/4) where it counts their round ends,
and feeds w h for them, or (w - h) h + pi h^2/4, times a flow percentage. Pitch and filament leave several such
accounts open. Each is weighed by the density of what is seen under it: people set round widths, mostly that of the
profile, mostly 100 % or whole percents, and mostly no size compensation or one of whole hundredths of a millimetre
(common practice, no source; the shares are ours). Accounts that nothing tells apart are all reported.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.gcode.first_layer import ROUND_ENDS

SAME_FLOW = 0.005
FINE_MM = 1.5e-4
"""Widths and places are read no finer than this."""
FINE_FLOW = 2e-4
AS_LIKELY = 0.03
"""An account with at least this share of the best one's weight is reported beside it."""
SAME_WIDTH = 0.003
"""Accounts whose widths differ by a smaller share are one."""

# Mixtures of spikes, grids and a floor: (share, first, last, step) each; one value where step is 0.
_WIDTHS = ((0.35, 0.2, 1.2, 0.05), (0.25, 0.2, 1.2, 0.01))
_COMPENSATIONS = ((0.6, 0.0, 0.0, 0.0), (0.2, -0.3, 0.3, 0.01))
_FULL_FLOW, _SCALED, _OTHER_FILAMENT = 0.4, 0.06, 0.04
_PERCENTS, _ANY_FLOW = 0.2, 0.3
_SCALED_BY = 0.005
"""Heights scaled behind the slicing move a flow of 100 % by about so much."""
_FILAMENTS_MM = (1.75, 2.85)
"""Usual filament; a program that counts with another one than the machine's feeds by the square of their ratio."""
_FLOW_RANGE = 0.06
"""Flows other than 100 % lie about so far from it (mean); whole percents among them, and others."""
_PROFILE = 0.3
_ON_OUTLINE = 0.1
_FLOOR = 0.1
_OWN_MANNER = 0.8
"""So often inner walls overlap as the outer two do."""


@dataclass(frozen=True, kw_only=True)
class Account:
    """One reading of pitch and filament.

    Attributes
    ----------
    width : float [mm]
        Of the outer walls' bead.
    flow : float or None
        1 at 100 %; None where nothing tells it.
    inner, inner_flow : float or None
        The second wall's width [mm] and flow.
    square : bool
        True where the program counts beads with square ends.
    weight : float
        Against other accounts.
    """

    width: float
    flow: float | None
    inner: float | None = None
    inner_flow: float | None = None
    square: bool = False
    weight: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What the outer walls show.

    Attributes
    ----------
    area : float [mm2]
        Cross-section that the filament fills.
    height : float [mm]
        Of the layers.
    pitch, third : float or None [mm]
        Distance of the second wall from the outer one, and of the third from the second.
    offset : float or None [mm]
        Of the outer path from the outline, outward.
    share : float
        Filament per length of the second wall's bead, as a share of the outer one's.
    profile : float [mm]
        The bead that the coupons were made for.
    pitch_u, area_u : float
        Standard uncertainties: of the pitches [mm], of the area relative to it.
    """

    area: float
    height: float
    pitch: float | None
    third: float | None
    offset: float | None
    share: float
    profile: float
    pitch_u: float = FINE_MM
    area_u: float = FINE_FLOW

    @property
    def fed(self) -> float:
        """Width of a bead with round ends that spends the filament [mm]."""
        return self.area / self.height + self.height * ROUND_ENDS


def accounts_of(seen: Seen) -> tuple[Account, ...]:
    """The likeliest account, and behind it those that are nearly as likely and differ from it."""
    found = sorted(_accounts(seen), key=lambda a: (-a.weight, a.square))
    kept: list[Account] = []
    for account in found:
        if not any(_same(account, other) for other in kept):
            kept.append(account)
    return tuple(a for a in kept if a.weight >= AS_LIKELY * kept[0].weight)


def _same(one: Account, other: Account) -> bool:
    alike = abs(one.width / other.width - 1) < SAME_WIDTH
    if one.flow is not None and other.flow is not None:
        alike &= abs(one.flow - other.flow) < SAME_FLOW
    return alike


def _accounts(seen: Seen) -> Iterator[Account]:
    ends = seen.height * ROUND_ENDS
    if seen.pitch is None:
        yield from _of_one_wall(seen)
        return
    alike = abs(seen.share - 1) < SAME_FLOW
    for overlap in (0.0, ends):
        for square in (False, True):
            # Inner bead's cross-section against the outer one's.
            for widths in (1.0,) if alike else (seen.share, 1.0):
                less = 0.0 if square else ends
                # The mean of both beads belongs to the pitch.
                width = 2 * (seen.pitch + overlap - less) / (1 + widths) + less
                inner = (width - less) * widths + less
                if width <= less or inner <= less:
                    continue
                flow = seen.area / ((width - less) * seen.height)
                own = flow * seen.share / widths
                weight = _width(width, seen) * _flow(flow, seen) * _compensation(width, seen)
                if not alike:
                    weight *= _width(inner, seen) if widths != 1.0 else _flow(own, seen)
                if seen.third is not None:
                    weight *= _third(inner, overlap, ends, seen)
                yield Account(
                    width=width, flow=flow, inner=inner, inner_flow=own, square=square, weight=weight
                )


def _of_one_wall(seen: Seen) -> Iterator[Account]:
    """Without a pitch: at 100 % the filament tells the width, without compensation the path's place does."""
    ends = seen.height * ROUND_ENDS
    for square in (False, True):
        less = 0.0 if square else ends
        width = seen.area / seen.height + less
        yield Account(
            width=width,
            flow=None,
            square=square,
            weight=_width(width, seen) * _FULL_FLOW * _compensation(width, seen),
        )
        if seen.offset is not None and seen.offset < -less / 2:
            width = -2 * seen.offset
            flow = seen.area / ((width - less) * seen.height)
            weight = _width(width, seen) * _COMPENSATIONS[0][0] * _flow(flow, seen) / width
            yield Account(width=width, flow=flow, square=square, weight=weight)


def _width(width: float, seen: Seen) -> float:
    at_profile = _PROFILE * _normal(width - seen.profile, seen.pitch_u)
    return at_profile + _mixture(width, seen.pitch_u, _WIDTHS)


def _flow(flow: float, seen: Seen) -> float:
    u = float(np.hypot(seen.area_u, seen.pitch_u / seen.profile))
    near = float(np.exp(-abs(flow - 1) / _FLOW_RANGE)) / (2 * _FLOW_RANGE)
    percents = 0.01 * _normal((flow + 0.005) % 0.01 - 0.005, min(u, 0.003))
    full = _FULL_FLOW * _normal(flow - 1, u) + _SCALED * _normal(flow - 1, float(np.hypot(u, _SCALED_BY)))
    ratio = (_FILAMENTS_MM[0] / _FILAMENTS_MM[1]) ** 2
    other = _OTHER_FILAMENT * max(_normal(flow - ratio, u * ratio), _normal(flow - 1 / ratio, u / ratio))
    return full + other + (_PERCENTS * percents + _ANY_FLOW) * near + 1e-9


def _compensation(width: float, seen: Seen) -> float:
    if seen.offset is None:
        return 1.0
    u = float(np.hypot(seen.pitch_u, FINE_MM))
    on_outline = _ON_OUTLINE * _normal(seen.offset, u)
    return on_outline + _mixture(seen.offset + width / 2, u, _COMPENSATIONS)


def _third(inner: float, overlap: float, ends: float, seen: Seen) -> float:
    """Density of the third wall's distance, which two inner beads share."""
    assert seen.third is not None
    other = ends - overlap
    told = _OWN_MANNER * _normal(seen.third - inner + overlap, 2 * seen.pitch_u)
    told += (1 - _OWN_MANNER) * _normal(seen.third - inner + other, 2 * seen.pitch_u)
    return told + 1e-3


def _mixture(value: float, u: float, parts: tuple[tuple[float, float, float, float], ...]) -> float:
    """Density of a value seen with standard uncertainty u under spikes, grids and a floor."""
    density = _FLOOR
    for share, first, last, step in parts:
        if step == 0:
            density += share * _normal(value - first, u)
        elif first - step / 2 < value < last + step / 2:
            off = (value - first + step / 2) % step - step / 2
            density += share * step / (last - first) * _normal(off, min(u, step / 3))
    return density


def _normal(off: float, u: float) -> float:
    return float(np.exp(-((off / u) ** 2) / 2) / (u * np.sqrt(2 * np.pi)))
