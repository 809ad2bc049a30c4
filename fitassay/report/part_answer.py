"""The answer to `predict --part`: the features of the user's own parts, their joints and their pictures."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitassay.coupons.errors import InputError
from fitassay.terminal import note

if TYPE_CHECKING:
    from fitassay.analysis.parts.part_file import Part
    from fitassay.analysis.parts.sizes import State


def read_both(part: Path | None, other: Path | None, unit: str | None) -> tuple[Part, ...]:
    """The part and the one that it goes together with, all bodies of both files; none where none was named."""
    from fitassay.analysis.parts.part_file import check_size, read_parts

    if part is None:
        for given, name in ((other, "--with"), (unit, "--unit")):
            if given is not None:
                raise InputError("is said of a part; add --part FILE", name)
        return ()
    found: list[Part] = []
    said: list[str] = []
    for path in (part, other):
        if path is not None:
            bodies, notes = read_parts(path, unit)
            check_size(bodies, str(path))
            found += bodies
            said += notes
    for text in said:
        note(f"Note: {text}")
    return tuple(found)


def part_result(parts: tuple[Part, ...], state: State, folder: Path, flipped: bool | None) -> dict[str, Any]:
    """Features, joints and pictures; the pictures are written into `folder`."""
    from itertools import combinations

    from fitassay.analysis.parts.part_facing import facing
    from fitassay.analysis.parts.part_listing import PartListing
    from fitassay.coupons.files import write_atomic
    from fitassay.report.part_picture import part_picture
    from fitassay.report.part_text import BINDS, part_data

    listings = [PartListing(p, state.width) for p in parts]
    joints = tuple(j for a, b in combinations(listings, 2) for j in facing(a, b, state, flipped))
    bound = [j for j in joints if j.clearance.p_negative > BINDS]
    pictures = []
    for i, one in enumerate(listings, start=1):
        name = one.part.name
        marked = frozenset(
            number
            for j in bound
            for part, number in ((j.hollow_part, j.hollow.number), (j.filled_part, j.filled.number))
            if part == name
        )
        path = folder / f"part-{i}.svg"
        write_atomic(path, part_picture(one, one.printed(state), marked))
        pictures.append(path)
    return part_data(listings, state, joints, pictures)
