"""The guide's page on the error terms and its drawings, made from the table of terms by the virtual printer."""

from __future__ import annotations

import numpy as np

from fitassay.analysis import rounding
from fitassay.analysis.terms import INDEX, TERMS, Term, errors_of
from fitassay.coupons.machine import KINEMATICS
from fitassay.coupons.sections import Ring
from fitassay.coupons.wording import listed
from fitassay.gallery.drives import drive_files
from fitassay.gallery.public_names import PAGE, scripting_page
from fitassay.labels import setting_words
from fitassay.report.picture import Plan, plan_of, plan_svg, side_svg

WIDTH_MM, LAYER_MM = 0.45, 0.2
"""Bead drawn with [mm]."""

SIDE_MM, BORE_MM, HEIGHT_MM = 20.0, 8.0, 10.0
"""The square with a hole that every term is shown on [mm]."""

_STYLE = """<style>
svg { --ink: #13212b; --muted: #4a5964; --data: #0b5c8a; --soft: #d3e5ef; background: #fff;
  font-family: system-ui, "Noto Sans", "DejaVu Sans", sans-serif; }
path { vector-effect: non-scaling-stroke; }
.ideal { fill: none; stroke: var(--muted); stroke-width: 1.4px; stroke-dasharray: 5 3; }
.printed { fill: var(--soft); stroke: var(--data); stroke-width: 2px; fill-rule: evenodd; }
.thin { stroke: var(--ink); stroke-width: 1.4px; fill: none; }
.arrow { fill: var(--ink); }
</style>"""


def _rings() -> tuple[Ring, ...]:
    """A square, counter-clockwise, with a round bore, clockwise."""
    a = SIDE_MM
    square = np.array([[0.0, 0.0], [a, 0.0], [a, a], [0.0, a]])
    turn = np.linspace(0.0, -2 * np.pi, 180, endpoint=False)
    # Mean width of a regular polygon is its perimeter over pi.
    radius = BORE_MM / 2 * (np.pi / 180) / np.sin(np.pi / 180)
    bore = a / 2 + radius * np.column_stack([np.cos(turn), np.sin(turn)])
    return Ring(points=square), Ring(points=bore)


def theta_for(name: str) -> np.ndarray:
    """Terms (terms,) with `name` alone set to what the guide draws."""
    theta = np.zeros(len(TERMS))
    theta[INDEX[name]] = TERMS[INDEX[name]].example
    return theta


def drawing(term: Term) -> tuple[str, str]:
    """The drawing of one printer term as a file of SVG, and its caption."""
    theta = theta_for(term.name)
    value, unit = rounding.face(term.example, term.unit)
    plan = plan_of(_rings(), theta, WIDTH_MM, HEIGHT_MM / 2)
    if term.seen_from == "side":
        factor, svg = side_view(theta, term.label)
    else:
        factor, svg = plan.factor, plan_svg(plan, term.label)
    seen = "from the side" if term.seen_from == "side" else "from above"
    amount = rounding.with_unit(rounding.fixed(value, 2), unit)
    caption = f"{amount} of it, seen {seen}, drawn {factor} times as large as it is; dashed: as drawn."
    start = svg.index(">") + 1
    sized = svg[:start].replace("<svg ", '<svg width="420" height="420" ', 1)
    return sized + _STYLE + svg[start:] + "\n", caption


def side_view(theta: np.ndarray, title: str) -> tuple[int, str]:
    """The square with a hole from the side: width at each layer and height from the virtual printer."""
    foot, body = (plan_of(_rings(), theta, WIDTH_MM, z, 1) for z in (LAYER_MM / 2, HEIGHT_MM / 2))
    errors = errors_of(theta)
    height = float(HEIGHT_MM * errors.scale[0, 2] + errors.datum[0])
    moved = max(abs(height), *(abs(_span(p) - SIDE_MM) / 2 for p in (foot, body)))
    factor = max(f for f in (1, 2, 5, 10, 20) if f * moved <= 0.09 * SIDE_MM)
    top = HEIGHT_MM + factor * height
    grow_foot, grow_body = (factor * (_span(p) - SIDE_MM) / 2 for p in (foot, body))
    # The lowest layers are drawn as thick as the exaggeration makes their flare.
    lip = 3 * LAYER_MM
    profile = [
        (-grow_foot, 0.0), (SIDE_MM + grow_foot, 0.0), (SIDE_MM + grow_foot, lip), (SIDE_MM + grow_body, lip),
        (SIDE_MM + grow_body, top), (-grow_body, top), (-grow_body, lip), (-grow_foot, lip),
    ]  # fmt: skip
    drawn = [(0.0, 0.0), (SIDE_MM, 0.0), (SIDE_MM, HEIGHT_MM), (0.0, HEIGHT_MM)]
    return factor, side_svg(np.array(drawn), np.array(profile), title)


def _span(plan: Plan) -> float:
    """Width of the printed outline [mm]."""
    return float(max(np.ptp(outline[:, 0]) for outline in plan.printed))


def errors_page() -> str:
    """The guide's page on the error terms as Markdown."""
    lines = [
        "# The errors, one by one",
        "",
        "Each drawing shows a 20 mm square with an 8 mm hole, printed by the virtual printer with that one error",
        "and no other. This page is made from the program's own table of terms by `python -m fitassay.gallery`.",
        "",
    ]
    for term in TERMS:
        if term.kind != "printer":
            continue
        _, caption = drawing(term)
        setting = setting_words(term.setting) if term.setting else "none; mend the machine"
        lines += [
            f"## {term.label[0].upper()}{term.label[1:]} ({term.symbol})",
            "",
            f"![{term.label}: {caption}](term-{term.name}.svg)",
            "",
            f"{caption}",
            "",
            f"- What it does: {term.sentence}.",
            f"- Typical cause: {term.cause}.",
            f"- What removes it: {setting}.",
            *([_where(term)] if term.kinematics != KINEMATICS else []),
            f"- Taken beforehand as within {_prior(term)} (standard deviation): {_reason(term)}.",
            "",
        ]
    lines += ["## What belongs to the caliper, not to the printer", ""]
    for term in TERMS:
        if term.kind != "printer":
            width = f" Taken beforehand as within {_prior(term)}:" if term.prior_sd else " Taken beforehand:"
            what = f"{term.label[0].upper()}{term.label[1:]} ({term.symbol}): {term.sentence}"
            lines.append(f"- {what}.{width} {_reason(term)}.")
    lines += ["", "These are estimated with the rest and never blamed for the fit.", ""]
    return "\n".join(lines)


def _where(term: Term) -> str:
    """Which machines have the error."""
    kinds = listed(k for k in term.kinematics if k not in term.withheld)
    return f"- On what machines: {kinds} ([how the nozzle is driven](drives.md))."


def _reason(term: Term) -> str:
    """Why the prior is that wide, other terms called by their labels."""
    reason = term.prior_reason
    for other in TERMS:
        reason = reason.replace(other.name, f"for {other.label}")
    return reason


def _prior(term: Term) -> str:
    value, unit = rounding.face(term.prior_sd or 0.0, term.unit)
    return rounding.with_unit(rounding.exact(round(value, 2)), unit)


def guide_files() -> dict[str, bytes]:
    """Drawings and page, by file name within the gallery."""
    files = {"guide/errors.md": errors_page().encode(), PAGE: scripting_page().encode()}
    for term in TERMS:
        if term.kind == "printer":
            files[f"guide/term-{term.name}.svg"] = drawing(term)[0].encode()
    return {**files, **drive_files()}
