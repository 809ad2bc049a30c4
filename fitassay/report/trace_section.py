"""The report's section on the sliced file: where its paths stand, with a drawing of outline against path."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fitassay.analysis import rounding
from fitassay.coupons.wording import listed
from fitassay.report.section import Picture, Section

if TYPE_CHECKING:
    from fitassay.analysis.gcode.trace_data import Trace, TracedFeature
    from fitassay.analysis.gcode.trace_drawing import PathDrawing

FINEST_MM = 5e-4
"""Files write coordinates to a thousandth of a millimetre; nothing read from them is surer than this [mm]."""


def trace_section(trace: Trace) -> Section:
    """What a traced file says, as a section of the report."""
    return Section(
        id="sliced-file",
        title="What the sliced file does",
        text=(
            "Read from the file's own moves and matched to the coupons by their shape. Where the path is known, its "
            "true approach to every measured flank was used in place of the ideal one."
        ),
        sentences=(*_figures(trace), *trace.warnings),
        pictures=pictures_of(trace),
        heads=("Feature", "path stands outward", f"gain to {_plays(trace)}: ideal", "in this file", "remark"),
        rows=tuple(_row(f) for f in trace.features if f.traced and (f.changed or f.seam)),
    )


def _plays(trace: Trace) -> str:
    """What the gains are to."""
    belts = bool(trace.features) and trace.features[0].axes == ("a", "b")
    return "play of belts a, b" if belts else "backlash x, y"


def _figures(trace: Trace) -> list[str]:
    """The file's figures as sentences."""
    from fitassay.analysis.gcode.slicing_words import slicing_sentences

    said = [f"File {trace.file}: {trace.layers} layers of {rounding.fixed(trace.layer_height_mm, 3)} mm."]
    if trace.offset_mm is not None and trace.place is not None:
        offset = rounding.plus_minus(trace.offset_mm, max(trace.offset_u_mm, FINEST_MM), "mm")
        said.append(f"The path stands {offset} (k = 2) outward of half a bead inside the outline.")
    if trace.bead is not None:
        width, profile = rounding.fixed(trace.bead.width, 3), rounding.exact(trace.bead.profile)
        said.append(f"The bead commanded is {width} mm wide, the profile says {profile} mm.")
    said += slicing_sentences(trace)
    if trace.missing:
        said.append(f"Not in the file: {', '.join(trace.missing)}.")
    return said


def pictures_of(trace: Trace) -> tuple[Picture, ...]:
    """A picture per coupon of its path over its outline, with a caption."""
    from markupsafe import Markup

    from fitassay.analysis.gcode.trace_drawing import drawings_of
    from fitassay.report.path_svg import picture

    pictures = []
    for drawing in drawings_of(trace):
        caption = caption_of(drawing)
        pictures.append(Picture(svg=Markup(picture(drawing, caption)), caption=caption))
    return tuple(pictures)


def caption_of(drawing: PathDrawing) -> str:
    """What a picture shows."""
    heights = listed(rounding.exact(round(z, 3)) for z in drawing.heights)
    return (
        f"Coupon {drawing.coupon} as it lies on the bed, at height {heights} mm: dashed the outline, on it the bead "
        "as wide as it is commanded, grey the jaws where they go, dots the seams."
    )


def _row(traced: TracedFeature) -> tuple[str, ...]:
    offset = "not seen"
    if np.isfinite(traced.offset_mm):
        offset = f"{rounding.fixed(traced.offset_mm, 3, signed=True)} mm"
    remark = "seam under a jaw" if traced.seam else "reached from another side than assumed"
    return (
        f"{traced.coupon} / {traced.feature.id}",
        offset,
        _gains(traced.ideal_gains),
        _gains(traced.gains),
        remark,
    )


def _gains(gains: tuple[float, float]) -> str:
    return ", ".join(rounding.fixed(g, 2, signed=True) for g in gains)
