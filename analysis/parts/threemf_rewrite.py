"""A 3MF package written again with its bodies moved: colours, materials, names and metadata stay as they are."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping
from pathlib import Path
from xml.parsers import expat

import numpy as np

from fitassay.analysis.parts.part_file import Part
from fitassay.analysis.parts.threemf_reader import BROKEN, unreadable
from fitassay.coupons.files import open_input

_COORDINATE = re.compile(rb"(?<=\s)([xyz])(\s*=\s*)(\"[^\"]*\"|'[^']*')")


def rewritten(path: Path, parts: tuple[Part, ...]) -> bytes | None:
    """The package at `path` with every body of it as in `parts`.

    Parameters
    ----------
    path : Path
        The 3MF file that the parts were read from.
    parts : tuple of Part
        All its bodies, their vertices moved and their facets unchanged.

    Returns
    -------
    bytes or None
        None where one object is placed more than once, so that it would have to be several, or where the file's
        text is not in an encoding that its numbers can be replaced in.
    """
    moved: dict[str, dict[str, np.ndarray]] = {}
    for part in parts:
        origin = part.origin
        if origin is None:
            return None
        model, name = origin.source
        if name in moved.setdefault(model, {}):
            return None
        placed = part.vertices[origin.index] / origin.factor
        moved[model][name] = (placed - origin.transform[3]) @ np.linalg.inv(origin.transform[:3])
    with open_input(path, "part") as stream:
        try:
            with zipfile.ZipFile(stream) as package:
                return _with_moved(package, moved)
        except BROKEN as exc:  # in a file that the bodies need not
            raise unreadable(path, exc) from exc


def _with_moved(package: zipfile.ZipFile, moved: Mapping[str, Mapping[str, np.ndarray]]) -> bytes | None:
    """The package with other vertices in its model parts; None where they cannot be replaced."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as written:
        for entry in package.infolist():
            content = package.read(entry)
            vertices = moved.get(entry.filename.lstrip("/").casefold())
            if vertices:
                replaced = _with_vertices(content, vertices)
                if replaced is None:
                    return None
                content = replaced
            info = zipfile.ZipInfo(entry.filename, date_time=(1980, 1, 1, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            info.create_system = 0
            written.writestr(info, content)
    return out.getvalue()


def _with_vertices(content: bytes, vertices: Mapping[str, np.ndarray]) -> bytes | None:
    """A model part with other coordinates (n, 3) of the objects named; None where they cannot be replaced."""
    tags: list[tuple[int, str, int]] = []
    parser = expat.ParserCreate(namespace_separator="}")
    current, count = "", 0

    def begin(tag: str, attributes: dict[str, str]) -> None:
        nonlocal current, count
        tag = tag.rpartition("}")[2]
        if tag == "object":
            current, count = attributes["id"], 0
        elif tag == "vertex" and current in vertices:
            tags.append((parser.CurrentByteIndex, current, count))
            count += 1

    parser.StartElementHandler = begin
    parser.Parse(content, True)
    pieces, at = [], 0
    for start, name, i in tags:
        end = content.find(b">", start)
        values: dict[bytes, float] = dict(zip((b"x", b"y", b"z"), vertices[name][i], strict=True))
        tag, replaced = _COORDINATE.subn(
            lambda m, values=values: m[1] + m[2] + b'"%.9g"' % values[m[1]],
            content[start:end],
        )
        if replaced != 3:
            return None
        pieces += [content[at:start], tag]
        at = end
    return b"".join([*pieces, content[at:]])
