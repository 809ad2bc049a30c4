"""The model's own error as an uncertainty budget: what real printers do beside the error terms, one row an effect.

    V = diag(u^2) + sum over rows of sd^2 v v',   readings are expected off by the sum of mean * v

with v the row's pattern over the readings. A row that is each reading's, coupon's or axis' own has a pattern for
each. Sizes are common practice without a source; the effects are those of `validation.listed_effects`.

The verdict allows for the same effects term by term (`diagnosis.allowance`). With this budget in the estimate both
would count, so commands do not give it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.terms import FLARE_BAND_MM

# Lost motion is taken up only in part on short travels: this share of the play, by each reading's own gain to it.
ELASTIC_SHARE = 0.06
# Jaws rest on what lies above this height, over which a growing flare dies [mm].
FLARE_DECAY_MM = 0.6
# A section of this size shrinks as the average does [mm].
SECTION_MM = 20.0
# The diameter at which the law of closing bores was set [mm].
BORE_SHARE = 0.35


@dataclass(frozen=True, kw_only=True)
class Layout:
    """What the patterns depend on, a row per reading.

    Attributes
    ----------
    kind : ndarray (m,) of str
    nominal, height : ndarray (m,) [mm]
        Size, and height of the lower contact over the bed.
    sign : ndarray (m,)
        +1 where more plastic reads more, -1 for openings, 0 for heights.
    axis : ndarray (m,) of str
        Measured along, as `Feature.axis`; "" for diagonals and heights.
    coupon : ndarray (m,) of str
    section : ndarray (m,) [mm]
        Largest side of the coupon in the plane.
    plate : ndarray (m,) of int
    foot, round, solid : ndarray (m,) of bool
        Read on the first layers; a round bore; no single wall.
    """

    kind: np.ndarray
    nominal: np.ndarray
    height: np.ndarray
    sign: np.ndarray
    axis: np.ndarray
    coupon: np.ndarray
    section: np.ndarray
    plate: np.ndarray
    foot: np.ndarray
    round: np.ndarray
    solid: np.ndarray


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
    reason : str
    """

    name: str
    pattern: Pattern
    sd: float
    mean: float = 0.0
    reason: str


def _each(where: Callable[[Layout], np.ndarray]) -> Pattern:
    return lambda o: np.diag(where(o).astype(float))


def _by(labels: Callable[[Layout], np.ndarray], size: Pattern) -> Pattern:
    """A column for each label."""

    def pattern(o: Layout) -> np.ndarray:
        own = labels(o)
        return np.stack([np.where(own == label, size(o), 0.0) for label in np.unique(own)], axis=1)

    return pattern


def _surface(o: Layout) -> np.ndarray:
    return np.where(o.foot, 0.0, o.sign)


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
        name="uneven surface",
        pattern=_surface,
        sd=0.035,
        mean=0.035,
        reason="jaws rest on the outermost layers",
    ),
    Effect(
        name="uneven surface, one axis",
        pattern=_by(lambda o: o.axis, _surface),
        sd=0.015,
        reason="layers shift more along one axis",
    ),
    Effect(
        name="solid push-out",
        pattern=lambda o: np.where(o.solid, o.sign, 0.0),
        sd=0.02,
        mean=0.02,
        reason="dense filling pushes walls out",
    ),
    Effect(
        name="coupon",
        pattern=_by(lambda o: o.coupon, lambda o: o.sign),
        sd=0.012,
        reason="pieces differ a little",
    ),
    Effect(
        name="reading", pattern=_each(lambda o: o.kind != "height"), sd=0.012, reason="blobs under the jaws"
    ),
    Effect(
        name="height", pattern=_each(lambda o: o.kind == "height"), sd=0.008, reason="top layers are uneven"
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
        pattern=lambda o: (o.kind == "thickness").astype(float),
        sd=0.008,
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
        pattern=lambda o: o.sign * np.exp(-o.height / FLARE_DECAY_MM),
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
        pattern=lambda o: np.isin(o.kind, ("outside", "thickness")).astype(float),
        sd=0.0,
        mean=0.006,
        reason="the hand",
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
    """

    rows: tuple[Effect, ...]
    covariances: dict[str, np.ndarray]
    shift: np.ndarray

    @property
    def cov(self) -> np.ndarray:
        """Of all rows together, ndarray (m, m) [mm2]."""
        return np.sum(list(self.covariances.values()), axis=0)


def layout_of(walk: SetWalk) -> Layout:
    """The layout of all features, in the order of ``walk.keys``."""
    coupons = [w.coupon for w in walk.walks for _ in w.coupon.features]
    features = walk.features
    kind = np.array([f.kind for f in features])
    low = np.array([min(f.contact_a_mm[2], f.contact_b_mm[2]) for f in features])
    axis = np.array([f.axis for f in features])
    flat = ~np.isin(kind, ("height", "diagonal"))
    return Layout(
        kind=kind,
        nominal=np.array([f.nominal_mm for f in features]),
        height=low,
        sign=np.where(kind == "height", 0.0, np.where(kind == "inside", -1.0, 1.0)),
        axis=np.where(flat, axis, ""),
        coupon=np.array([c.id for c in coupons]),
        section=np.array([max(c.size_mm[:2]) for c in coupons]),
        plate=np.array([c.plate for c in coupons]),
        foot=(low < FLARE_BAND_MM) & (kind != "height"),
        round=np.array(walk.round, dtype=bool),
        solid=np.array([not c.single_wall for c in coupons]),
    )


def model_error(walk: SetWalk, rows: tuple[Effect, ...] = BUDGET) -> ModelError:
    """The budget over all features of a set of coupons, in the order of ``walk.keys``."""
    o = layout_of(walk)
    covariances, shift = {}, np.zeros(len(o.kind))
    for row in rows:
        v = row.pattern(o).astype(float).reshape(len(o.kind), -1)
        covariances[row.name] = row.sd**2 * v @ v.T
        shift += row.mean * v.sum(axis=1)
    return ModelError(rows=rows, covariances=covariances, shift=shift)


def elastic_variance(play: np.ndarray, gains: np.ndarray) -> np.ndarray:
    """Variance (n, m) [mm2] for lost motion that is taken up only in part.

    Parameters
    ----------
    play : ndarray (n, 2) [mm]
        Estimates of both plays.
    gains : ndarray (m, 2)
        Sensitivities to them.
    """
    size = np.sum(play**2, axis=1, keepdims=True)
    return ELASTIC_SHARE**2 * size * np.sum(gains**2, axis=1)
