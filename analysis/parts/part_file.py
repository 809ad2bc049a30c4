"""The user's own part: read from STL or 3MF, checked to be closed, written back the same way."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fitassay.coupons.errors import InputError
from fitassay.coupons.export.stl import read_corners, stl_bytes
from fitassay.coupons.files import read_input, write_atomic
from fitassay.coupons.machine import FIGURES
from fitassay.coupons.solid import Solid, gaps_words, merge, open_edges
from fitassay.coupons.wording import shown

UNITS_MM: dict[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4, "micron": 0.001}
"""Millimetres in one unit of a file; the inch is 25.4 mm exactly."""

# A part whose largest side is shorter or longer than this is hardly meant in mm [mm].
PLAUSIBLE_MM = (2.0, 600.0)

# The largest build volume that a machine file may have [mm].
LARGEST_MM = max(f.high for f in FIGURES if f.section == "volume")

REMEDY = "export the part as STL or 3MF again"


@dataclass(frozen=True, eq=False, kw_only=True)
class Origin:
    """Where in a 3MF package a part comes from.

    Attributes
    ----------
    source : (str, str)
        Model part and id of its object.
    transform : ndarray (4, 3)
        How the object is placed, for row vectors, in the package's unit.
    factor : float
        Millimetres in that unit.
    index : ndarray (n,) of int
        The part's vertex at each of the object's.
    """

    source: tuple[str, str]
    transform: np.ndarray
    factor: float
    index: np.ndarray


@dataclass(frozen=True, eq=False, kw_only=True)
class Part(Solid):
    """A closed solid in the printer's axes, what to call it, and where it comes from."""

    name: str = "part"
    origin: Origin | None = None


def read_parts(path: Path, unit: str | None = None) -> tuple[tuple[Part, ...], tuple[str, ...]]:
    """Read the bodies of an STL or 3MF file.

    Parameters
    ----------
    path : Path
    unit : str, optional
        What the numbers of an STL mean, one of `UNITS_MM`; default mm. 3MF states its own.

    Returns
    -------
    parts : tuple of Part
    notes : tuple of str
        What was assumed, for the user.

    Raises
    ------
    InputError
        Not readable, not closed, or of a size that leaves its unit in doubt.
    """
    path = Path(path)
    raw = _bytes(path)
    if raw.startswith(b"PK\x03\x04"):
        if unit:
            raise InputError("a 3MF file states its own unit; leave the unit out", str(path))
        return _read_threemf(path), ()
    corners = read_corners(raw, str(path), REMEDY)
    factor, notes = _unit_factor(corners, unit, path)
    return (_part(corners.reshape(-1, 3), None, factor, path.stem, str(path))[0],), notes


ENDLESS = 1e12
"""No coordinate in any unit is as large; products of three are still numbers."""


def check_size(parts: tuple[Part, ...], place: str) -> None:
    """Refuse what no bed holds: its unit was mistaken, and its walls would take minutes to follow."""
    for part in parts:
        size = np.ptp(part.vertices, axis=0)
        if size.max() > LARGEST_MM:
            text = " x ".join(f"{s:.4g}" for s in size)
            raise InputError(
                f"measures {text} mm, more than any bed ({LARGEST_MM:g} mm); is its unit right?", place
            )


def write_parts(path: Path, parts: tuple[Part, ...], title: str) -> None:
    """Write as STL (one body, or all bodies in one file) or 3MF, by the name's ending; millimetres.

    Raises
    ------
    InputError
        Another ending.
    """
    ending = Path(path).suffix.lower()
    if ending == ".3mf":
        from fitassay.coupons.export.threemf import Item, threemf_bytes

        # A package should lie in the positive octant (3MF core 1.4, 2.3.1); the shift is carried by the item.
        low = np.minimum(np.min([p.vertices.min(axis=0) for p in parts], axis=0), 0.0)
        items = [
            Item(name=p.name, solid=Solid(p.vertices - [0, 0, low[2]], p.faces), x=-low[0], y=-low[1])
            for p in parts
        ]
        write_atomic(path, threemf_bytes(items, title))
    elif ending == ".stl":
        write_atomic(path, stl_bytes(*parts, header="fitassay corrected part, millimetres"))
    else:
        raise InputError("the name must end in .stl or .3mf", str(path))


def _bytes(path: Path) -> bytes:
    raw = read_input(path, "part", "does not exist; check the name")
    if not raw:
        raise InputError("is empty; export the part again", str(path))
    return raw


def _read_threemf(path: Path) -> tuple[Part, ...]:
    from fitassay.analysis.parts.threemf_reader import read_bodies

    parts = []
    for i, body in enumerate(read_bodies(path), start=1):
        name = body.name or f"{path.stem}-{i}"
        part, index = _part(body.vertices, body.faces, body.factor, name, f"{path}, body {name}")
        origin = Origin(source=body.source, transform=body.transform, factor=body.factor, index=index)
        parts.append(replace(part, origin=origin))
    return tuple(parts)


def _unit_factor(corners: np.ndarray, unit: str | None, path: Path) -> tuple[float, tuple[str, ...]]:
    """Millimetres per unit of the file, and the note on what was assumed."""
    if unit is not None:
        if unit not in UNITS_MM:
            raise InputError(f"unit {shown(unit)} is not known; use one of {', '.join(UNITS_MM)}", str(path))
        return UNITS_MM[unit], ()
    _check_finite(corners.reshape(-1, 3), True, str(path))
    size = np.ptp(corners.reshape(-1, 3), axis=0)
    text = " x ".join(f"{s:.4g}" for s in size)
    if not PLAUSIBLE_MM[0] <= size.max() <= PLAUSIBLE_MM[1]:
        raise InputError(
            f"measures {text} in its own unit, which an STL does not state; say which it is "
            f"({', '.join(UNITS_MM)})",
            str(path),
        )
    return 1.0, (f"{path.name} was taken to be in millimetres ({text} mm); an STL does not state its unit.",)


def _check_finite(points: np.ndarray, facets: bool, place: str) -> None:
    """Refuse coordinates that are no lengths; `facets` if three points in turn are a facet's corners."""
    lengths = (np.abs(points) < ENDLESS).all(axis=1)
    if not lengths.all():
        first = int(np.argmin(lengths))
        where = f"facet {first // 3 + 1}" if facets else f"vertex {first + 1}"
        what = "endlessly large" if np.isfinite(points[first]).all() else "not finite"
        raise InputError(f"holds coordinates that are {what}; export the part again", f"{place}, {where}")


def _part(
    points: np.ndarray, faces: np.ndarray | None, factor: float, name: str, place: str
) -> tuple[Part, np.ndarray]:
    """Merge equal corners, drop collapsed facets, check that the mesh is closed and turned outwards.

    Returns the part and the vertex that each point has become, ndarray (points,) of int.
    """
    _check_finite(points, faces is None, place)
    vertices, index = merge(points)
    faces = (index.reshape(-1, 3) if faces is None else index[faces]).astype(np.int64)
    collapsed = (faces == np.roll(faces, 1, axis=1)).any(axis=1)
    faces = faces[~collapsed]
    if len(faces) < 4:
        raise InputError("holds no body; export the part again", place)
    vertices = vertices.astype(float) * factor
    gaps = open_edges(faces, len(vertices))
    if len(gaps):
        raise InputError(
            f"is not closed: {gaps_words(vertices, gaps)}; mend the part in the program that drew it", place
        )
    a, b, c = np.moveaxis(vertices[faces] - vertices.mean(axis=0), 1, 0)
    if float(np.einsum("ij,ij->", a, np.cross(b, c))) < 0:
        raise InputError("is inside out; turn its facets outwards in the program that drew it", place)
    return Part(vertices=vertices, faces=faces, name=name), index
