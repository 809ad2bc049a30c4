"""Plates: which coupon lies where on which print bed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import rectpack

from fitassay.coupons.errors import JobError


@dataclass(frozen=True, kw_only=True)
class Place:
    """Plate number from 1, and the coupon's low corner on the bed [mm]."""

    plate: int
    x: float
    y: float


def place(
    sizes: Sequence[tuple[float, float]], bed: tuple[float, float], *, edge: float, gap: float
) -> list[Place]:
    """Places for rectangles of those sizes [mm], in the same order, none turned.

    Parameters
    ----------
    sizes : sequence of (float, float) [mm]
    bed : tuple of float [mm]
        Width and depth of the bed.
    edge : float [mm]
        Free rim of the bed.
    gap : float [mm]
        Room between pieces.

    Raises
    ------
    JobError
        A piece is larger than the bed inside its rim.
    """
    # Whole micrometres: the packer compares for equality. Pieces carry their gap to the right and back.
    room = tuple(_micro(b - 2 * edge + gap) for b in bed)
    boxes = [(_micro(x + gap), _micro(y + gap)) for x, y in sizes]
    packer = rectpack.PackerBBF(pack_algo=rectpack.MaxRectsBssf, sort_algo=rectpack.SORT_AREA, rotation=False)
    for i, (x, y) in enumerate(boxes):
        packer.add_rect(x, y, rid=i)
    packer.add_bin(*room, count=max(1, len(boxes)))
    packer.pack()
    # The packer leaves out what does not fit without a word.
    found = {rid: (plate, x, y) for plate, x, y, _, _, rid in packer.rect_list()}
    missing = [i for i in range(len(boxes)) if i not in found]
    if missing:
        x, y = sizes[missing[0]]
        raise JobError(
            f"a piece of {x:g} x {y:g} mm does not fit on a bed of {bed[0]:g} x {bed[1]:g} mm "
            f"with a rim of {edge:g} mm"
        )
    order = {
        old: new for new, old in enumerate(dict.fromkeys(found[i][0] for i in range(len(boxes))), start=1)
    }
    places = [
        Place(plate=order[p], x=x / 1000, y=y / 1000) for p, x, y in (found[i] for i in range(len(boxes)))
    ]
    return _centred(places, sizes, bed)


def _centred(
    places: list[Place], sizes: Sequence[tuple[float, float]], bed: tuple[float, float]
) -> list[Place]:
    """Each plate's group in the middle of the bed, where it is flattest."""
    out = list(places)
    for plate in {p.plate for p in places}:
        group = [i for i, p in enumerate(places) if p.plate == plate]
        shift = []
        for low, size, axis in (
            ([places[i].x for i in group], [sizes[i][0] for i in group], 0),
            ([places[i].y for i in group], [sizes[i][1] for i in group], 1),
        ):
            span = max(a + b for a, b in zip(low, size, strict=True)) - min(low)
            shift.append((bed[axis] - span) / 2 - min(low))
        for i in group:
            out[i] = Place(
                plate=plate, x=round(places[i].x + shift[0], 3), y=round(places[i].y + shift[1], 3)
            )
    return out


def _micro(size: float) -> int:
    return round(size * 1000)
