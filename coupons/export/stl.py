"""Binary STL: millimetres, unit normals, the same bytes on every run."""

from __future__ import annotations

import struct

import numpy as np
from stl.base import BaseMesh

from fitassay.coupons.solid import Solid

HEADER = b"fitassay coupon, millimetres"
"""Fixed, without a date; readers take a file that begins with the word 'solid' for a text file."""


def stl_bytes(solid: Solid) -> bytes:
    """The solid as a binary STL file."""
    records = np.zeros(len(solid.faces), dtype=BaseMesh.dtype)
    corners = solid.corners.astype(np.float32)
    records["vectors"] = corners
    a, b, c = np.moveaxis(corners.astype(np.float64), 1, 0)
    normals = np.cross(b - a, c - a)
    records["normals"] = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    return HEADER.ljust(80, b" ") + struct.pack("<I", len(records)) + records.tobytes()
