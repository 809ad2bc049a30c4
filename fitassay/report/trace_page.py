"""The page of a sliced file: what it does to the coupons, drawn, and one picture a coupon as a file of its own."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from fitassay.analysis import rounding
from fitassay.coupons.files import write_atomic
from fitassay.labels import minus, plain
from fitassay.report.trace_section import caption_of, pictures_of

if TYPE_CHECKING:
    from fitassay.analysis.gcode.trace_data import Trace

PAGE = "sliced-file.html"
FOLDER = "sliced-file"


def write_trace_page(trace: Trace, folder: Path) -> Path:
    """Write the page and, beside it, one SVG a coupon.

    Parameters
    ----------
    folder : Path
        The print's.

    Returns
    -------
    Path
        The page.
    """
    from fitassay.analysis.gcode.trace_drawing import drawings_of
    from fitassay.report.path_svg import picture

    pictures = folder / FOLDER
    pictures.mkdir(exist_ok=True)
    for drawing in drawings_of(trace):
        write_atomic(
            pictures / f"{drawing.coupon}.svg", picture(drawing, caption_of(drawing), alone=True) + "\n"
        )
    # Drawn by an earlier trace, and in none of the files now.
    for key in trace.missing:
        (pictures / f"{key}.svg").unlink(missing_ok=True)
    page = folder / PAGE
    write_atomic(page, trace_html(trace))
    return page


def trace_html(trace: Trace) -> str:
    """The page as HTML that needs nothing else."""
    from fitassay.analysis.gcode.slicing_words import changes_of, slicing_sentences

    def signed(value: float) -> str:
        return f"{rounding.fixed(value, 3, signed=True)} mm"

    return (
        _template().render(
            file=plain(trace.file, 200),
            figures=_figures(trace),
            warnings=[plain(w, 600) for w in trace.warnings],
            pictures=pictures_of(trace),
            slicing=[plain(s, 400) for s in slicing_sentences(trace)],
            changes=[
                (c.what, *(signed(v) for v in (c.stands_mm, c.size_mm, c.per_side_mm, c.in_all_mm)))
                for c in changes_of(trace)
            ],
            features=[
                (
                    f.coupon,
                    f.feature.id,
                    signed(f.offset_mm) if np.isfinite(f.offset_mm) else "not seen",
                    "seam under a jaw" if f.seam else ("backlash counts otherwise" if f.changed else ""),
                )
                for f in trace.features
            ],
            missing=", ".join(trace.missing),
        )
        + "\n"
    )


def _figures(trace: Trace) -> list[tuple[str, str, str]]:
    """Headline figures: value, what it is, and a remark."""
    figures = []
    if trace.offset_mm is not None and trace.place is not None:
        stands = f"{rounding.fixed(trace.offset_mm, 3, signed=True)} mm"
        figures.append((stands, "path around outsides", "outward of its place, per side"))
        if any(o.opening for p in trace.found.values() if not p.coupon.single_wall for o in p.outer):
            opening = rounding.fixed(trace.offset_mm + trace.place.opening, 3, signed=True)
            figures.append((f"{opening} mm", "path around openings", "into the opening, per side"))
    if trace.bead is not None:
        figures.append(
            (
                f"{trace.bead.width:.3f} mm",
                "bead of outer walls",
                f"profile {rounding.exact(trace.bead.profile)} mm",
            )
        )
        if trace.bead.flow is not None:
            figures.append((f"{100 * trace.bead.flow:.1f} %", "flow", "of what such beads take"))
    figures.append((f"{trace.layer_height_mm:.3f} mm", "layer", f"first {trace.first_layer_mm:.3f} mm"))
    figures.append((f"{trace.filament_mm / 1000:.2f} m", "filament", "in all"))
    return figures


@cache
def _template() -> Any:
    from jinja2 import Environment, PackageLoader

    environment = Environment(
        loader=PackageLoader("fitassay.report"), autoescape=True, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["minus"] = minus
    return environment.get_template("trace.html.j2")
