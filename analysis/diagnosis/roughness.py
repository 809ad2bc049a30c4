"""Signs of roughness that readings show: uneven layers, and lost motion that short ways take up in part."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.chain.uneven_surface import mean_range
from fitassay.analysis.estimation.fit import Fit
from fitassay.analysis.estimation.model_error import ELASTIC_ALIKE, ModelError
from fitassay.analysis.notes import Note
from fitassay.analysis.terms import BEAD, INDEX, PLAYS, TERMS
from fitassay.coupons.feature import DEEP_MM

# A sign counts from this many standard uncertainties on, and from an effect that a caliper sees [mm].
SURE_SDS, SEEN_MM = 2.5, 0.03
# Uneven layers are told by themselves where readings leave no more than this share of the prior's width.
KNOWN_SHARE = 0.6
LAYERS, FLARE = INDEX["uneven_layers"], INDEX["first_layer_flare"]


def roughness_notes(done: Fit, budget: ModelError, prior_sd: np.ndarray) -> tuple[Note, ...]:
    """What the readings say of layers and of elastic lost motion."""
    return (*_layers(done, prior_sd), *_elastic(done, budget))


def wound_up_plays(notes: tuple[Note, ...]) -> frozenset[int]:
    """Columns of the plays that such notes say are taken up in part only."""
    return frozenset(INDEX[note.data["term"]] for note in notes if note.code == "elastic-play")


def _layers(done: Fit, prior_sd: np.ndarray) -> tuple[Note, ...]:
    """Layers known to be uneven, by rims and the like; or a foot smaller than the body, which a wide bead is not."""
    known = done.posterior
    layers = round(DEEP_MM / done.layer_mm)
    shift = float(known.mean[LAYERS]) / mean_range(max(2, layers))
    told = known.sd[LAYERS] < KNOWN_SHARE * prior_sd[LAYERS]
    if told and known.mean[LAYERS] > max(SURE_SDS * known.sd[LAYERS], SEEN_MM):
        return (Note("uneven-layers", {"shift_mm": shift}),)
    foot, sd = known.mean[FLARE], known.sd[FLARE]
    if foot < -SURE_SDS * sd and -2 * foot > SEEN_MM and known.mean[BEAD] + known.mean[LAYERS] > SEEN_MM:
        return (Note("foot-smaller", {"by_mm": float(-2 * foot)}),)
    return ()


def _elastic(done: Fit, budget: ModelError) -> tuple[Note, ...]:
    """Axes whose combs show less of the play than larger pieces do, by the share that is missing."""
    o = done.observations
    own = np.flatnonzero((o.column >= 0) & ~done.outliers)
    if budget.elastic is None or not own.size:
        return ()
    at = np.searchsorted(np.flatnonzero(o.column >= 0), own)
    gains = o.gains[own]
    cov = gains @ done.prior.cov @ gains.T + done.noise[np.ix_(at, at)]
    residual = o.y[own] - done.estimate.base[own] - gains @ done.prior.mean
    for column, play in enumerate(PLAYS):
        lost = float(done.posterior.mean[play])
        pattern = budget.elastic[o.column[own], column] * lost
        weights = ELASTIC_ALIKE**2 * np.linalg.solve(cov, pattern)
        share = float(weights @ residual)
        sd = float(np.sqrt(max(ELASTIC_ALIKE**2 * (1 - weights @ pattern), 0.0)))
        if lost > 0 and share > SURE_SDS * sd and share * lost > SEEN_MM:
            return (Note("elastic-play", {"term": TERMS[play].name, "share": share}),)
    return ()
