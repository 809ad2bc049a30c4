"""The table of error terms: one row each, with what it does to a print and what removes it.

The printed outline follows from the commanded path by, in this order:

    path      p(t) + n(t) * (contour + flare) + c(t) * closure      n outward from material, c into the bore
    scale     x * (1 + s_x),  y * (1 + s_y)
    play      per axis, total width b: the axis trails its command by b/2 after each reversal
    shear     x += g * y
    bead      swept along the path, width w + e
    reading   caliper span + what the instrument or the layer datum adds

All signed; zero is a perfect printer. Lengths mm, angles rad. A term is added by a row here and nowhere else; what
the columns mean stands in `analysis.term`.
"""

from __future__ import annotations

import numpy as np

from fitassay.analysis.controls import Control, Flow, Steps, per_degree
from fitassay.analysis.term import Errors, Quantity, Term, TermKind, Varies

BORE_REFERENCE_MM = 3.0
"""Bore diameter at which `bore_closure` is stated [mm]."""

FLARE_BAND_MM = 0.5
"""Below this height a flank is taken to belong to the flared first layers [mm]."""

OUTSIDE_KINDS = ("outside", "thickness", "height", "diagonal", "rim")
"""Feature kinds that are read with the outside jaws."""

# Changes go from mechanics, which move all that comes after, by way of the gap to bead, path, bores and feet; scale
# comes last, since it is read off sizes that the others have shifted (`change_rank`). Of terms that act alike the one
# is changed that acts on sizes alone (`alias_rank`).
TERMS: tuple[Term, ...] = (
    Term(
        name="scale_x",
        symbol="s_x",
        unit="1",
        prior_sd=0.005,
        quantity="scale x",
        kind="printer",
        example=0.01,
        step=1e-5,
        prior_reason="belts, screws and shrinkage of common plastics stay within about 1 %",
        allowance=0.001,
        drift_sd=0.0002,
        varies=(Varies("material", own=0.0007, alike=0.004),),
        label="scale in x",
        cause="steps per mm off, or even shrinkage of the plastic",
        control=Steps("settings.steps_per_mm_x"),
        change_rank=8,
        alias_rank=7,
        sentence="long sizes along x are off in proportion to their length",
    ),
    Term(
        name="scale_y",
        symbol="s_y",
        unit="1",
        prior_sd=0.005,
        quantity="scale y",
        kind="printer",
        example=0.01,
        step=1e-5,
        prior_reason="as scale_x",
        allowance=0.001,
        drift_sd=0.0002,
        varies=(Varies("material", own=0.0007, alike=0.004),),
        label="scale in y",
        cause="steps per mm off, or even shrinkage of the plastic",
        control=Steps("settings.steps_per_mm_y"),
        change_rank=8,
        alias_rank=7,
        sentence="long sizes along y are off in proportion to their length",
    ),
    Term(
        name="scale_z",
        symbol="s_z",
        unit="1",
        prior_sd=0.005,
        quantity="scale z",
        kind="printer",
        example=0.01,
        seen_from="side",
        step=1e-5,
        prior_reason="as scale_x",
        drift_sd=0.0003,
        varies=(Varies("material", own=0.0007, alike=0.004),),
        label="scale in z",
        cause="steps per mm off, or even shrinkage of the plastic",
        control=Steps("settings.steps_per_mm_z"),
        change_rank=8,
        alias_rank=7,
        sentence="heights are off in proportion to their height",
    ),
    Term(
        name="backlash_x",
        symbol="b_x",
        unit="mm",
        prior_sd=0.3,
        quantity="play x",
        kind="printer",
        example=0.2,
        step=0.05,
        prior_reason="a loose belt or a weak motor on a small machine loses up to some tenths of a mm",
        allowance=0.012,
        drift_sd=0.008,
        varies=(Varies("speed", own=0.03, alike=0.03),),
        label="backlash in x",
        cause="loose belt or screw, or a weak motor against friction",
        control=Control("settings.backlash_x_mm", -1.0),
        change_rank=2,
        alias_rank=3,
        sentence="pegs and holes alike come out short along x",
    ),
    Term(
        name="backlash_y",
        symbol="b_y",
        unit="mm",
        prior_sd=0.3,
        quantity="play y",
        kind="printer",
        example=0.2,
        step=0.05,
        prior_reason="as backlash_x",
        allowance=0.012,
        drift_sd=0.008,
        varies=(Varies("speed", own=0.03, alike=0.03),),
        label="backlash in y",
        cause="loose belt or screw, or a weak motor against friction",
        control=Control("settings.backlash_y_mm", -1.0),
        change_rank=2,
        alias_rank=3,
        sentence="pegs and holes alike come out short along y",
    ),
    Term(
        name="bead_excess",
        symbol="e",
        unit="mm",
        prior_sd=0.1,
        quantity="bead",
        kind="printer",
        example=0.1,
        step=1e-3,
        prior_reason="filament of 1.80 for 1.75 mm makes a 0.45 mm bead 0.024 wider; feed errors go to 25 %",
        allowance=0.045,
        allowance_mean=0.035,
        drift_sd=0.008,
        varies=(Varies("material", own=0.03), Varies("speed", own=0.03)),
        label="bead width",
        cause="flow, filament diameter or feed",
        control=Flow("settings.flow_percent"),
        least_change=0.03,
        change_rank=4,
        alias_rank=6,
        sentence="outside sizes grow and inside sizes shrink, by one bead excess",
    ),
    Term(
        name="contour_offset",
        symbol="p",
        unit="mm",
        prior_sd=0.15,
        quantity="contour",
        kind="printer",
        example=0.1,
        step=1e-3,
        prior_reason="a path drawn on the outline stands half a bead, 0.2 to 0.25 mm, out of its place",
        allowance=0.012,
        allowance_mean=0.01,
        drift_sd=0.003,
        label="path offset",
        cause="the slicer draws on the outline, or its size compensation is off",
        control=Control("settings.contour_mm"),
        change_rank=5,
        alias_rank=1,
        sentence="outside sizes grow and inside sizes shrink, by twice the offset",
    ),
    Term(
        name="skew_xy",
        symbol="g",
        unit="rad",
        prior_sd=0.01,
        quantity="shear",
        kind="printer",
        example=0.015,
        step=1e-5,
        prior_reason="a frame set up by eye is square within about half a degree",
        drift_sd=0.0002,
        label="squareness of x and y",
        cause="frame out of square",
        control=per_degree("settings.skew_deg"),
        change_rank=1,
        alias_rank=8,
        judged_on="squareness",
        sentence="squares become diamonds: one diagonal long, the other short",
    ),
    Term(
        name="bore_closure",
        symbol="k",
        unit="mm",
        prior_sd=0.15,
        quantity="closure",
        kind="printer",
        example=0.2,
        step=1e-3,
        prior_reason="3 mm holes are commonly 0.1 to 0.3 mm tight beyond what straight walls explain",
        allowance=0.05,
        drift_sd=0.015,
        varies=(Varies("material", own=0.08), Varies("speed", own=0.04)),
        label="closing of round bores",
        cause="plastic dragged inward on tight curves",
        control=Control("settings.hole_mm", -1.0),
        change_rank=6,
        alias_rank=2,
        sentence="round holes come out small, small ones most",
    ),
    Term(
        name="layer_datum",
        symbol="z0",
        unit="mm",
        prior_sd=0.15,
        quantity="datum",
        kind="printer",
        example=0.15,
        seen_from="side",
        step=1e-3,
        prior_reason="a nozzle gap set with paper is good to about a tenth of a mm, squashed feet to more",
        allowance=0.02,
        drift_sd=0.03,
        label="first-layer gap",
        cause="nozzle stands too high or too low over the bed",
        control=Control("settings.bed_gap_mm"),
        change_rank=3,
        alias_rank=4,
        sentence="all heights are off by one and the same amount",
    ),
    Term(
        name="first_layer_flare",
        symbol="f",
        unit="mm",
        prior_sd=0.15,
        quantity="flare",
        kind="printer",
        example=0.15,
        seen_from="side",
        step=1e-3,
        prior_reason="a squashed first layer stands out by up to half a bead",
        allowance=0.03,
        allowance_mean=-0.017,
        drift_sd=0.03,
        varies=(Varies("material", own=0.08),),
        label="first-layer flare",
        cause="first layer squeezed too hard",
        control=Control("settings.first_layer_mm"),
        change_rank=7,
        alias_rank=5,
        judged_on="foot",
        sentence="the foot of the part is wider than the part",
    ),
    Term(
        name="outside_bias",
        symbol="u_o",
        unit="mm",
        prior_limit="caliper.error_limit_mm",
        reads=OUTSIDE_KINDS,
        kind="instrument",
        step=1e-3,
        prior_reason="the caliper's error limit over sqrt(3)",
        label="the caliper's outside zero",
        cause="instrument",
        sentence="every outside reading is off by one and the same amount",
    ),
    Term(
        name="inside_bias",
        symbol="u_i",
        unit="mm",
        prior_limit="caliper.inside_error_limit_mm",
        reads=("inside",),
        kind="instrument",
        step=1e-3,
        prior_reason="the caliper's error limit for inside jaws over sqrt(3)",
        label="the caliper's inside zero",
        cause="instrument",
        sentence="every inside reading is off by one and the same amount",
    ),
    Term(
        name="corner_form",
        symbol="q",
        unit="mm",
        prior_sd=0.2,
        reads=("diagonal",),
        kind="form",
        step=1e-3,
        prior_reason="how full a sharp corner prints is not modelled; only the difference of diagonals is",
        label="fullness of sharp corners",
        cause="bead rounds the corner, pressure fills it",
        sentence="both diagonals over corners are off alike",
    ),
)


def acting_on(quantity: Quantity, table: tuple[Term, ...] | None = None) -> tuple[int, ...]:
    """Columns of the terms that add to that quantity of `Errors`."""
    return tuple(i for i, t in enumerate(table or TERMS) if t.quantity == quantity)


def derived(table: tuple[Term, ...]) -> dict[str, object]:
    """Everything below that follows from a table of terms, by its name in this module."""
    return {
        "NAMES": tuple(t.name for t in table),
        "INDEX": {t.name: i for i, t in enumerate(table)},
        "PRINTER": np.array([t.kind == "printer" for t in table]),
        "BEAD": acting_on("bead", table)[0],
        "PATH": acting_on("contour", table)[0],
        "PLAYS": (acting_on("play x", table)[0], acting_on("play y", table)[0]),
    }


NAMES: tuple[str, ...]
INDEX: dict[str, int]
PRINTER: np.ndarray
"""Terms that shape a part; the others belong to the caliper or to the model."""

BEAD: int
PATH: int
"""Columns of the bead's width and of the path's offset, which a feed test and a sliced file tell of by themselves."""

PLAYS: tuple[int, int]
"""Columns of the two plays, the only terms whose effect has a kink at zero."""

globals().update(derived(TERMS))


def errors_of(theta: np.ndarray) -> Errors:
    """The batch of errors for term values `theta`, ndarray (n, len(TERMS)), columns as in `TERMS`."""
    theta = np.atleast_2d(np.asarray(theta, dtype=float))
    errors = Errors(len(theta))
    for j, term in enumerate(TERMS):
        errors.add(term, theta[:, j])
    return errors


__all__ = [
    "BEAD",
    "BORE_REFERENCE_MM",
    "FLARE_BAND_MM",
    "INDEX",
    "NAMES",
    "OUTSIDE_KINDS",
    "PATH",
    "PLAYS",
    "PRINTER",
    "TERMS",
    "Errors",
    "Term",
    "TermKind",
    "acting_on",
    "errors_of",
]
