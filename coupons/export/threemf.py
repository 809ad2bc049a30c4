"""3MF plates: millimetres, named objects at their places, the same bytes on every run."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

from fitassay.coupons.solid import Solid
from fitassay.coupons.wording import as_text, trimmed

_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>'
    "</Types>\n"
)
_RELS = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Target="/3D/3dmodel.model" Id="model" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>'
    "</Relationships>\n"
)
_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"


@dataclass(frozen=True, kw_only=True)
class Item:
    """A named solid and where its origin lies on the bed [mm]."""

    name: str
    solid: Solid
    x: float
    y: float


def threemf_bytes(items: Sequence[Item], title: str) -> bytes:
    """One plate as a 3MF package (3MF core specification 1.x, unit millimetre)."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for name, text in (
            ("[Content_Types].xml", _TYPES),
            ("_rels/.rels", _RELS),
            ("3D/3dmodel.model", _model(items, title)),
        ):
            # A fixed date and system, so that the bytes depend on the plate alone.
            info = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            info.create_system = 0
            package.writestr(info, text)
    return out.getvalue()


def _model(items: Sequence[Item], title: str) -> str:
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<model unit="millimeter" xml:lang="en-US" xmlns="{_CORE}">',
        f'<metadata name="Title">{escape(as_text(title))}</metadata>',
        "<resources>",
    ]
    for i, item in enumerate(items, start=1):
        lines.append(f'<object id="{i}" type="model" name={quoteattr(as_text(item.name))}><mesh><vertices>')
        lines += [
            f'<vertex x="{_number(x)}" y="{_number(y)}" z="{_number(z)}"/>'
            for x, y, z in item.solid.vertices.tolist()
        ]
        lines.append("</vertices><triangles>")
        lines += [f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in item.solid.faces.tolist()]
        lines.append("</triangles></mesh></object>")
    lines.append("</resources><build>")
    lines += [
        f'<item objectid="{i}" transform="1 0 0 0 1 0 0 0 1 {_number(item.x)} {_number(item.y)} 0"/>'
        for i, item in enumerate(items, start=1)
    ]
    lines += ["</build>", "</model>", ""]
    return "\n".join(lines)


def _number(value: float) -> str:
    return trimmed(f"{value:.6f}")
