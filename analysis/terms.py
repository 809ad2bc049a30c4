"""The error terms: one table row each, with what it does to a print and what removes it.

The printed outline follows from the commanded path by, in this order:

    path      p(t) + n(t) * (contour + flare) + c(t) * closure      n outward from material, c into the bore
    scale     x * (1 + s_x),  y * (1 + s_y)
    play      per axis, total width b: the axis trails its command by b/2 after each reversal
    shear     x += g * y
    bead      swept along the path, width w + e
    reading   caliper span + what the instrument or the layer datum adds

All signed; zero is a perfect printer. Lengths mm, angles rad.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fitassay.coupons.feature import Feature

BORE_REFERENCE_MM = 3.0
"""Bore diameter at which `bore_closure` is stated [mm]."""

FLARE_BAND_MM = 0.5
"""Below this height a flank is taken to belong to the flared first layers [mm]."""

TermKind = Literal["printer", "instrument", "form"]


class Errors:
    """Values of all terms for n printers at once, sorted by what they act on.

    Each row of `TERMS` adds its share in `Term.act`; the toolpath walk reads the totals.

    Attributes
    ----------
    contour, flare, closure, bead : ndarray (n,) [mm]
        Outward shift per side; the same for the lowest layers only; loss on a 3 mm bore's diameter; bead
        excess.
    scale : ndarray (n, 3)
        Fractions for x, y, z.
    play : ndarray (n, 2) [mm]
        Total play of x and y.
    shear : ndarray (n,) [rad]
        x gained per y.
    datum : ndarray (n,) [mm]
        Added to every height.
    added : dict of str to ndarray (n,) [mm]
        Added to readings of one feature kind.
    """

    def __init__(self, n: int) -> None:
        self.n = n
        self.contour = np.zeros(n)
        self.flare = np.zeros(n)
        self.closure = np.zeros(n)
        self.bead = np.zeros(n)
        self.scale = np.zeros((n, 3))
        self.play = np.zeros((n, 2))
        self.shear = np.zeros(n)
        self.datum = np.zeros(n)
        self.added: dict[str, np.ndarray] = {}

    def add(self, kinds: tuple[str, ...], value: np.ndarray) -> None:
        """Add `value` to all readings of these feature kinds."""
        for kind in kinds:
            self.added[kind] = self.added.get(kind, np.zeros(self.n)) + value


@dataclass(frozen=True, kw_only=True)
class Term:
    """One error term.

    Attributes
    ----------
    name, symbol, unit : str
        As in diagnosis.json; the unit is ``mm``, ``rad`` or ``1`` (a fraction).
    prior_sd : float [unit]
        Standard deviation of the zero-mean normal prior; None: taken from the caliper.
    prior_reason : str
        Why that wide.
    kind : {"printer", "instrument", "form"}
        Only printer terms can be accused; ``instrument`` terms belong to the caliper, ``form`` terms absorb
        what the model does not claim to know.
    label : str
        In words, for sentences ("backlash in y").
    cause : str
        Typical cause.
    setting : str
        The figure of machine.toml that removes it; empty where a hand must (frame, instrument).
    sentence : str
        What it does to a part.
    step : float [unit]
        Step for numeric derivatives; for play more than a jaw's flat hides in a small bore.
    act : callable (Errors, ndarray) -> None
        Adds n values of the term to the batch.
    """

    name: str
    symbol: str
    unit: str
    prior_sd: float | None
    prior_reason: str
    kind: TermKind
    label: str
    cause: str
    setting: str
    sentence: str
    step: float
    act: Callable[[Errors, np.ndarray], None]


def _scale(axis: int) -> Callable[[Errors, np.ndarray], None]:
    def act(e: Errors, v: np.ndarray) -> None:
        e.scale[:, axis] += v

    return act


def _play(axis: int) -> Callable[[Errors, np.ndarray], None]:
    def act(e: Errors, v: np.ndarray) -> None:
        e.play[:, axis] += v

    return act


def _field(name: str) -> Callable[[Errors, np.ndarray], None]:
    def act(e: Errors, v: np.ndarray) -> None:
        getattr(e, name).__iadd__(v)

    return act


def _reading(*kinds: str) -> Callable[[Errors, np.ndarray], None]:
    def act(e: Errors, v: np.ndarray) -> None:
        e.add(kinds, v)

    return act


OUTSIDE_KINDS = ("outside", "thickness", "height", "diagonal")

TERMS: tuple[Term, ...] = (
    Term(
        name="scale_x",
        symbol="s_x",
        unit="1",
        prior_sd=0.005,
        kind="printer",
        step=1e-5,
        act=_scale(0),
        prior_reason="belts, screws and shrinkage of common plastics stay within about 1 %",
        label="scale in x",
        cause="steps per mm off, or even shrinkage of the plastic",
        setting="settings.steps_per_mm_x",
        sentence="long sizes along x are off in proportion to their length",
    ),
    Term(
        name="scale_y",
        symbol="s_y",
        unit="1",
        prior_sd=0.005,
        kind="printer",
        step=1e-5,
        act=_scale(1),
        prior_reason="as scale_x",
        label="scale in y",
        cause="steps per mm off, or even shrinkage of the plastic",
        setting="settings.steps_per_mm_y",
        sentence="long sizes along y are off in proportion to their length",
    ),
    Term(
        name="scale_z",
        symbol="s_z",
        unit="1",
        prior_sd=0.005,
        kind="printer",
        step=1e-5,
        act=_scale(2),
        prior_reason="as scale_x",
        label="scale in z",
        cause="steps per mm off, or even shrinkage of the plastic",
        setting="settings.steps_per_mm_z",
        sentence="heights are off in proportion to their height",
    ),
    Term(
        name="backlash_x",
        symbol="b_x",
        unit="mm",
        prior_sd=0.3,
        kind="printer",
        step=0.05,
        act=_play(0),
        prior_reason="a loose belt or a weak motor on a small machine loses up to some tenths of a mm",
        label="backlash in x",
        cause="loose belt or screw, or a weak motor against friction",
        setting="settings.backlash_x_mm",
        sentence="pegs and holes alike come out short along x",
    ),
    Term(
        name="backlash_y",
        symbol="b_y",
        unit="mm",
        prior_sd=0.3,
        kind="printer",
        step=0.05,
        act=_play(1),
        prior_reason="as backlash_x",
        label="backlash in y",
        cause="loose belt or screw, or a weak motor against friction",
        setting="settings.backlash_y_mm",
        sentence="pegs and holes alike come out short along y",
    ),
    Term(
        name="bead_excess",
        symbol="e",
        unit="mm",
        prior_sd=0.1,
        kind="printer",
        step=1e-3,
        act=_field("bead"),
        prior_reason="filament of 1.80 for 1.75 mm makes a 0.45 mm bead 0.024 wider; feed errors go to 25 %",
        label="bead width",
        cause="flow, filament diameter or feed",
        setting="settings.flow_percent",
        sentence="outside sizes grow and inside sizes shrink, by one bead excess",
    ),
    Term(
        name="contour_offset",
        symbol="p",
        unit="mm",
        prior_sd=0.15,
        kind="printer",
        step=1e-3,
        act=_field("contour"),
        prior_reason="a path drawn on the outline stands half a bead, 0.2 to 0.25 mm, out of its place",
        label="path offset",
        cause="the slicer draws on the outline, or its size compensation is off",
        setting="settings.contour_mm",
        sentence="outside sizes grow and inside sizes shrink, by twice the offset",
    ),
    Term(
        name="skew_xy",
        symbol="g",
        unit="rad",
        prior_sd=0.01,
        kind="printer",
        step=1e-5,
        act=_field("shear"),
        prior_reason="a frame set up by eye is square within about half a degree",
        label="squareness of x and y",
        cause="frame out of square",
        setting="settings.skew_deg",
        sentence="squares become diamonds: one diagonal long, the other short",
    ),
    Term(
        name="bore_closure",
        symbol="k",
        unit="mm",
        prior_sd=0.15,
        kind="printer",
        step=1e-3,
        act=_field("closure"),
        prior_reason="3 mm holes are commonly 0.1 to 0.3 mm tight beyond what straight walls explain",
        label="closing of round bores",
        cause="plastic dragged inward on tight curves",
        setting="settings.hole_mm",
        sentence="round holes come out small, small ones most",
    ),
    Term(
        name="layer_datum",
        symbol="z0",
        unit="mm",
        prior_sd=0.15,
        kind="printer",
        step=1e-3,
        act=_field("datum"),
        prior_reason="a nozzle gap set with paper is good to about a tenth of a mm, squashed feet to more",
        label="first-layer gap",
        cause="nozzle stands too high or too low over the bed",
        setting="settings.bed_gap_mm",
        sentence="all heights are off by one and the same amount",
    ),
    Term(
        name="first_layer_flare",
        symbol="f",
        unit="mm",
        prior_sd=0.15,
        kind="printer",
        step=1e-3,
        act=_field("flare"),
        prior_reason="a squashed first layer stands out by up to half a bead",
        label="first-layer flare",
        cause="first layer squeezed too hard",
        setting="settings.first_layer_mm",
        sentence="the foot of the part is wider than the part",
    ),
    Term(
        name="outside_bias",
        symbol="u_o",
        unit="mm",
        prior_sd=None,
        kind="instrument",
        step=1e-3,
        act=_reading(*OUTSIDE_KINDS),
        prior_reason="the caliper's error limit over sqrt(3)",
        label="the caliper's outside zero",
        cause="instrument",
        setting="",
        sentence="every outside reading is off by one and the same amount",
    ),
    Term(
        name="inside_bias",
        symbol="u_i",
        unit="mm",
        prior_sd=None,
        kind="instrument",
        step=1e-3,
        act=_reading("inside"),
        prior_reason="the caliper's error limit for inside jaws over sqrt(3)",
        label="the caliper's inside zero",
        cause="instrument",
        setting="",
        sentence="every inside reading is off by one and the same amount",
    ),
    Term(
        name="corner_form",
        symbol="q",
        unit="mm",
        prior_sd=0.2,
        kind="form",
        step=1e-3,
        act=_reading("diagonal"),
        prior_reason="how full a sharp corner prints is not modelled; only the difference of diagonals is",
        label="fullness of sharp corners",
        cause="bead rounds the corner, pressure fills it",
        setting="",
        sentence="both diagonals over corners are off alike",
    ),
)

NAMES: tuple[str, ...] = tuple(t.name for t in TERMS)
INDEX: dict[str, int] = {t.name: i for i, t in enumerate(TERMS)}
PRINTER: np.ndarray = np.array([t.kind == "printer" for t in TERMS])


def errors_of(theta: np.ndarray) -> Errors:
    """The batch of errors for term values `theta`, ndarray (n, len(TERMS)), columns as in `TERMS`."""
    theta = np.atleast_2d(np.asarray(theta, dtype=float))
    errors = Errors(len(theta))
    for j, term in enumerate(TERMS):
        term.act(errors, theta[:, j])
    return errors


def is_flared(feature: Feature) -> bool:
    """True where the feature's contacts lie in the flared first layers."""
    return min(feature.contact_a_mm[2], feature.contact_b_mm[2]) < FLARE_BAND_MM
