"""The model's own error as an uncertainty budget: what real printers do beside the error terms, one row an effect.

    V = diag(u^2) + sum over rows of sd^2 v v',   readings are expected off by the sum of mean * v

with v the row's pattern over the readings. A row that is each reading's, coupon's or axis' own has a pattern for
each. Sizes are common practice without a source; the effects are those of `validation.listed_effects`.

What jaws and mating parts feel alike, uneven layers and push-out, is estimated with the terms (kind ``surface`` in
`analysis.terms`): only their sums with bead and path offset are known, and the sums are what decides a fit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.chain.uneven_surface import felt_share
from fitassay.analysis.terms import FLARE_BAND_MM, PLAYS
from fitassay.coupons.errors import InputError
from fitassay.coupons.family_names import COMB
from fitassay.coupons.feature import DEEP_MM
from fitassay.coupons.machine import Machine

# Lost motion is taken up only in part on short travels: this share of the play by each reading's own gain to it, and
# this one alike on all teeth and openings of an axis' comb.
ELASTIC_SHARE, ELASTIC_ALIKE = 0.06, 0.4
# Plays that differ by less share one covariance of the readings [mm].
PLAY_STEP_MM = 0.1
# Jaws rest on what lies above this height, over which a growing flare dies [mm].
FLARE_DECAY_MM = 0.6
# A section of this size shrinks as the average does [mm].
SECTION_MM = 20.0
# Measured bands begin this high [mm].
BAND_START_MM = 1.0
# The diameter at which the law of closing bores was set [mm].
BORE_SHARE = 0.35


@dataclass(frozen=True, kw_only=True)
class Layout:
    """What the patterns depend on, a row per reading.

    Attributes
    ----------
    kind : ndarray (m,) of str
    nominal, height : ndarray (m,) [mm]
        Size, and lowest height over the bed that the jaws touch.
    sign : ndarray (m,)
        +1 where more plastic reads more, -1 for openings, 0 for heights.
    axis : ndarray (m,) of str
        Measured along, as `Feature.axis`; "" for diagonals and heights.
    coupon : ndarray (m,) of str
    section : ndarray (m,) [mm]
        Largest side of the coupon in the plane.
    plate : ndarray (m,) of int
    felt : ndarray (m,)
        Share of uneven layers that the jaws feel, 0..1.
    flank : ndarray (m,)
        Engaged length of the jaws, in units of `DEEP_MM`.
    foot, round, wall : ndarray (m,) of bool
        Read on the first layers; a round bore; a single wall.
    """

    kind: np.ndarray
    nominal: np.ndarray
    height: np.ndarray
    sign: np.ndarray
    axis: np.ndarray
    coupon: np.ndarray
    section: np.ndarray
    plate: np.ndarray
    felt: np.ndarray
    flank: np.ndarray
    foot: np.ndarray
    round: np.ndarray
    wall: np.ndarray


Pattern = Callable[[Layout], np.ndarray]


@dataclass(frozen=True, kw_only=True)
class Effect:
    """One row of the budget.

    Attributes
    ----------
    name : str
    pattern : callable (Layout) -> ndarray (m,) or (m, r)
        v; several independent ones as columns.
    sd, mean : float [mm, or as the pattern has it]
    of_piece : bool
        Whether any printed size is off by as much, not the readings of a set of coupons alone.
    reason : str
    """

    name: str
    pattern: Pattern
    sd: float
    mean: float = 0.0
    of_piece: bool = False
    reason: str

    @property
    def key(self) -> str:
        """What it is called in machine.toml."""
        return self.name.replace(",", "").replace(" ", "_")

    def as_wide_as(self, sd: float) -> Effect:
        """With another width; an effect that is known not to be there has no mean either."""
        return replace(self, sd=sd, mean=self.mean * min(sd / self.sd, 1.0)) if self.sd else self


def _each(where: Callable[[Layout], np.ndarray]) -> Pattern:
    return lambda o: np.diag(where(o).astype(float))


def _by(labels: Callable[[Layout], np.ndarray], size: Pattern) -> Pattern:
    """A column for each label."""

    def pattern(o: Layout) -> np.ndarray:
        own = labels(o)
        return np.where(own[:, None] == np.unique(own), size(o)[:, None], 0.0)

    return pattern


def _surface(o: Layout) -> np.ndarray:
    return o.felt * o.sign


def _shrinks(o: Layout) -> np.ndarray:
    flat = np.where(o.kind == "height", 0.0, o.nominal)
    return -flat * (2 * o.section / (o.section + SECTION_MM) - 1)


def _end_heights(o: Layout) -> np.ndarray:
    heights = o.kind == "height"
    if not heights.any():
        return heights
    ends = (o.nominal == o.nominal[heights].min()) | (o.nominal == o.nominal[heights].max())
    return heights & ends


BUDGET: tuple[Effect, ...] = (
    Effect(
        name="uneven surface, one axis",
        pattern=_by(lambda o: o.axis, _surface),
        sd=0.015,
        reason="layers shift more along one axis",
    ),
    Effect(
        name="coupon",
        pattern=_by(lambda o: o.coupon, lambda o: o.sign),
        sd=0.012,
        of_piece=True,
        reason="pieces differ a little",
    ),
    Effect(
        name="reading",
        pattern=_each(lambda o: o.kind != "height"),
        sd=0.012,
        of_piece=True,
        reason="blobs under the jaws",
    ),
    Effect(
        name="height", pattern=_each(lambda o: o.kind == "height"), sd=0.008, reason="top layers are uneven"
    ),
    Effect(
        name="foot",
        pattern=_each(lambda o: o.foot),
        sd=0.02,
        reason="a foot is read on a layer or two, which may have shifted",
    ),
    Effect(
        name="second plate, bead",
        pattern=lambda o: np.where(o.plate > 1, o.sign, 0.0),
        sd=0.015,
        reason="plates are printed at different times",
    ),
    Effect(
        name="second plate, shrinkage",
        pattern=lambda o: np.where(o.plate > 1, o.nominal, 0.0),
        sd=0.0012,
        reason="likewise",
    ),
    Effect(
        name="shrinkage by section",
        pattern=_shrinks,
        sd=0.0015,
        mean=0.0015,
        reason="large sections shrink more",
    ),
    Effect(
        name="shrinkage by section, one axis",
        pattern=lambda o: _shrinks(o) * np.where(o.axis == "x", 1.0, np.where(o.axis == "y", -1.0, 0.0)),
        sd=0.0005,
        reason="x and y shrink differently",
    ),
    Effect(
        name="wall squeezed",
        pattern=lambda o: o.wall.astype(float),
        sd=0.012,
        mean=-0.01,
        reason="a thin wall gives under the jaws",
    ),
    Effect(
        name="closing of windows",
        pattern=lambda o: np.where((o.kind == "inside") & ~o.round, -6.0 / o.nominal, 0.0),
        sd=0.012,
        mean=0.01,
        reason="straight walls are dragged inward too",
    ),
    Effect(
        name="law of closing",
        pattern=lambda o: np.where(o.round, 3.0 / o.nominal - BORE_SHARE, 0.0),
        sd=0.05,
        reason="bores close by another law of their size",
    ),
    Effect(
        name="flare higher up",
        pattern=lambda o: np.where(o.foot, 0.0, o.sign * np.exp(-o.height / FLARE_DECAY_MM)),
        sd=0.06,
        mean=0.03,
        reason="a squashed foot reaches up",
    ),
    Effect(
        name="corners",
        pattern=_each(lambda o: o.kind == "diagonal"),
        sd=0.05,
        reason="each corner is filled otherwise",
    ),
    Effect(
        name="ends of the stair",
        pattern=_each(_end_heights),
        sd=0.03,
        mean=0.02,
        reason="ends lift, the lowest step is squashed",
    ),
    Effect(
        name="drift of the zero",
        pattern=lambda o: np.linspace(0.0, 1.0, len(o.kind)),
        sd=0.015,
        reason="the caliper's zero drifts while a sheet is read",
    ),
    Effect(
        name="tilted outside jaws",
        pattern=lambda o: np.where(np.isin(o.kind, ("outside", "thickness", "rim")), o.flank, 0.0),
        sd=0.008,
        mean=0.006,
        reason="a tilted caliper reads the more the deeper its jaws reach",
    ),
    Effect(
        name="tilted inside jaws",
        pattern=lambda o: (o.kind == "inside").astype(float),
        sd=0.0,
        mean=-0.003,
        reason="the hand",
    ),
)


@dataclass(frozen=True, kw_only=True)
class ModelError:
    """The budget over the readings of one layout.

    Attributes
    ----------
    rows : tuple of Effect
    covariances : dict of str to ndarray (m, m) [mm2]
        sd^2 v v', by name.
    shift : ndarray (m,) [mm]
        What the readings are expected off by.
    elastic : ndarray (m, plays) or None
        By how much the readings miss what 1 mm of lost motion of an axis or belt does where all of it is taken up,
        if none is on the combs' short ways. None: a drive that takes it up at once.
    """

    rows: tuple[Effect, ...]
    covariances: dict[str, np.ndarray]
    shift: np.ndarray
    elastic: np.ndarray | None

    @cached_property
    def cov(self) -> np.ndarray:
        """Of all rows together, ndarray (m, m) [mm2]."""
        none = np.zeros((len(self.shift), len(self.shift)))
        return sum(self.covariances.values(), none)


def layout_of(walk: SetWalk) -> Layout:
    """The layout of all features, in the order of ``walk.keys``."""
    coupons = [w.coupon for w in walk.walks for _ in w.coupon.features]
    features = walk.features
    kind = np.array([f.kind for f in features])
    low = np.array([min(f.contact_a_mm[2], f.contact_b_mm[2]) for f in features])
    flank = np.array([f.flank_mm for f in features])
    axis = np.array([f.axis for f in features])
    flat = ~np.isin(kind, ("height", "diagonal"))
    return Layout(
        kind=kind,
        nominal=np.array([f.nominal_mm for f in features]),
        height=np.maximum(low - flank / 2, BAND_START_MM),
        sign=np.where(kind == "height", 0.0, np.where(kind == "inside", -1.0, 1.0)),
        axis=np.where(flat, axis, ""),
        coupon=np.array([c.id for c in coupons]),
        section=np.array([max(c.size_mm[:2]) for c in coupons]),
        plate=np.array([c.plate for c in coupons]),
        felt=np.array([felt_share(f, walk.manifest.layer_height_mm) for f in features]),
        flank=flank / DEEP_MM,
        foot=(low < FLARE_BAND_MM) & (kind != "height"),
        round=np.array(walk.round, dtype=bool),
        wall=np.array([c.single_wall for c in coupons]),
    )


def model_error(
    walk: SetWalk, machine: Machine | None = None, rows: tuple[Effect, ...] = BUDGET
) -> ModelError:
    """The budget over all features of a set of coupons, in the order of ``walk.keys``.

    Parameters
    ----------
    walk : SetWalk
    machine : Machine, optional
        Whose own widths take the table's place.
    rows : tuple of Effect
    """
    if machine is not None:
        rows = _on(machine, rows)
    o = layout_of(walk)
    covariances, shift = {}, np.zeros(len(o.kind))
    for row in rows:
        v = row.pattern(o).astype(float)
        v = v[:, None] if v.ndim == 1 else v
        covariances[row.name] = row.sd**2 * v @ v.T
        shift += row.mean * v.sum(axis=1)
    return ModelError(
        rows=rows, covariances=covariances, shift=shift, elastic=_short_ways(walk) if rows else None
    )


def _short_ways(walk: SetWalk) -> np.ndarray:
    """`ModelError.elastic`: a comb's pieces are drawn after ways of a millimetre or two, its slots like outlines.

    With lost motion taken up over some way, stems and necks are less wide than after a whole reversal, heads and
    chambers less short, and plain teeth, which stand between ways of different length, short.
    """
    families = [w.coupon.family for w in walk.walks for _ in w.coupon.features]
    gains = walk.linearise()[1][:, PLAYS]
    out = np.zeros_like(gains)
    for i, (family, f) in enumerate(zip(families, walk.features, strict=True)):
        if family == COMB and f.kind in ("outside", "inside"):
            axis = "xyab".index(f.axis)
            gain = gains[i, axis]
            out[i, axis] = 1.0 if gain < -0.5 else -1.0 if gain > 0.5 or f.kind == "outside" else 0.0
    return out


WIDTH_NAMES = tuple(sorted({row.key for row in BUDGET if row.sd}))
"""Rows whose widths machine.toml may set."""


def _on(machine: Machine, rows: tuple[Effect, ...]) -> tuple[Effect, ...]:
    """The rows as wide as machine.toml has them."""
    for name in machine.model_error:
        if name not in WIDTH_NAMES:
            raise InputError(
                f"no row of the budget is called {name}; known: {', '.join(WIDTH_NAMES)}",
                "machine.toml, model_error",
            )
    return tuple(row.as_wide_as(machine.model_error.get(row.key, row.sd)) for row in rows)


def elastic_size(play: np.ndarray) -> np.ndarray:
    """Size (n,) [mm] of the plays (n, axes) that goes into `elastic_cov`, in steps."""
    return PLAY_STEP_MM * np.round(np.sqrt(np.sum(play**2, axis=1)) / PLAY_STEP_MM)


def elastic_cov(gains: np.ndarray, alike: np.ndarray) -> np.ndarray:
    """Covariance (m, m) of the readings for 1 mm of play, where lost motion is taken up only in part.

    Parameters
    ----------
    gains : ndarray (m, axes)
        Sensitivities to the plays.
    alike : ndarray (m, axes)
        `ModelError.elastic`.
    """
    return ELASTIC_SHARE**2 * np.diag(np.sum(gains**2, axis=1)) + ELASTIC_ALIKE**2 * alike @ alike.T


def piece_sd(machine: Machine) -> float:
    """Standard deviation [mm] by which one printed size differs from what the terms say, by the budget's own rows."""
    own = [row.sd for row in _on(machine, BUDGET) if row.of_piece]
    return float(np.sqrt(np.sum(np.square(own))))
