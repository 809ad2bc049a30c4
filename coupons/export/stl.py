"""STL, the one reader and writer: binary with unit normals, the same bytes on every run; text is read too."""

from __future__ import annotations

import struct
from io import BytesIO
from pathlib import Path

import numpy as np

from fitassay.coupons.errors import InputError
from fitassay.coupons.feature import Coupon
from fitassay.coupons.files import read_input
from fitassay.coupons.solid import Solid, merge

HEADER = "fitassay coupon, millimetres"
"""Fixed, without a date; readers take a file that begins with the word 'solid' for a text file."""

REMEDY = "make the coupons again"

_START = 84
"""Bytes before the first facet: the header and the number of facets."""
_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])


def stl_bytes(*solids: Solid, header: str = HEADER) -> bytes:
    """The solids as one binary STL file."""
    corners = np.concatenate([s.corners for s in solids]).astype(np.float32)
    facets = np.zeros(len(corners), dtype=_FACET)
    facets["corners"] = corners
    a, b, c = np.moveaxis(corners.astype(np.float64), 1, 0)
    normals = np.cross(b - a, c - a)
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    # Float32 may have laid two corners of a sliver on each other.
    facets["normal"] = normals / np.where(length > 0, length, 1.0)
    return header.encode().ljust(80, b" ") + struct.pack("<I", len(facets)) + facets.tobytes()


def read_coupon(coupon: Coupon, folder: Path | str) -> Solid:
    """The coupon's solid, from its file beside the manifest and from nowhere else.

    Raises
    ------
    InputError
        The manifest names a file elsewhere, or it is missing or no STL.
    """
    if Path(coupon.file).name != coupon.file:
        raise InputError("must be a file beside the manifest, without a folder", f"coupon {coupon.id}, file")
    return read_stl(Path(folder) / coupon.file)


def read_stl(path: Path, remedy: str = REMEDY) -> Solid:
    """The solid in an STL file, equal corners merged.

    Raises
    ------
    InputError
        The file is missing, cannot be read or is no STL; `remedy` says what to do.
    """
    raw = read_input(Path(path), "coupon", f"is missing; {remedy}")
    vertices, index = merge(read_corners(raw, str(path), remedy).reshape(-1, 3))
    with np.errstate(invalid="ignore"):  # a damaged file may hold NaNs that complain when they are widened
        return Solid(vertices.astype(float), index.reshape(-1, 3))


def read_corners(raw: bytes, place: str, remedy: str = REMEDY) -> np.ndarray:
    """Corners of the facets in an STL file's bytes, ndarray (m, 3, 3) of float32, in the file's own unit.

    Raises
    ------
    InputError
        The bytes are no STL, or not all of one.
    """
    if _is_text(raw):
        return _text_corners(raw, place, remedy)
    if len(raw) < _START:
        raise InputError(f"is no STL file; {remedy}", place)
    count = struct.unpack_from("<I", raw, _START - 4)[0]
    there = (len(raw) - _START) // _FACET.itemsize
    if count == 0 or there < count:
        raise InputError(f"is no whole STL: {count} facets are announced, {there} are there; {remedy}", place)
    return np.ascontiguousarray(np.frombuffer(raw, dtype=_FACET, count=count, offset=_START)["corners"])


def _is_text(raw: bytes) -> bool:
    """Whether an STL is text: by its size first, since some binary files begin with the word solid too."""
    if len(raw) >= _START:
        count = struct.unpack_from("<I", raw, _START - 4)[0]
        if len(raw) == _START + _FACET.itemsize * count:
            return False
    return raw[:512].lstrip().lower().startswith(b"solid") and b"\0" not in raw[:2048]


def _text_corners(raw: bytes, place: str, remedy: str) -> np.ndarray:
    from stl import Mode
    from stl.mesh import Mesh

    try:
        corners = Mesh.from_file("", fh=BytesIO(raw), calculate_normals=False, mode=Mode.ASCII).vectors
    except Exception as exc:  # numpy-stl raises bare Exceptions, AssertionErrors and RuntimeErrors
        raise InputError(f"is no readable text STL ({exc}); {remedy}", place) from exc
    if not len(corners):
        raise InputError(f"holds no facet; {remedy}", place)
    return corners
