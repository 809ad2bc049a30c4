"""From what is known of all errors to verdicts as numbers, n printers at a time.

Every error is drawn as often as it is probable; counted over the draws, one is the largest, none is larger than the
caliper can see, or one alone would be. An accusation must besides hold with its rivals taken for more common, and be
loud (`diagnosis.verdict` says why). Behind that, in this order: readings that contradict each other withhold any
verdict, nothing seen acquits, then come accusations, and sums of which only the whole is known.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np

from fitassay.analysis.diagnosis.chances import largest, posterior_draws
from fitassay.analysis.diagnosis.surface import SURFACE_OF, least_sure, sums_of
from fitassay.analysis.diagnosis.verdict import (
    ACQUIT,
    CLEAR_OF_SCATTER,
    COVERAGE_FACTOR,
    DOMINANT,
    LEADING,
    LOUD_SDS,
    RIVAL_FACTOR,
    STATUSES,
    SURE,
    SUREST,
    UNEVEN_MM,
    UNEXPLAINED_P,
    Judged,
    Reference,
)
from fitassay.analysis.normal import SMALLEST_SD, Normal
from fitassay.analysis.result import Status
from fitassay.analysis.terms import PRINTER, SHAPING, TERMS

CHUNK = 128
"""Posteriors whose draws are held in memory together."""


def expected_shares(mean: np.ndarray, covariance: np.ndarray, gains: np.ndarray) -> np.ndarray:
    """Share of each error that can be accused in the expected squared misfit.

    An error adds what its estimate does alone, and its part of what is open: its own variance, and its half of every
    covariance. So errors that readings tell only together count by what their sum leaves open.

        square of t = sum_f a_ft^2 m_t^2 + sum_f a_ft sum_u a_fu C_tu,   0 where that is negative

    Parameters
    ----------
    mean, covariance : ndarray (n, terms), (n, terms, terms)
    gains : ndarray (f, terms)
        Of the reference features.

    Returns
    -------
    ndarray (n, terms)
        Rows sum to 1, or are 0 where nothing has an effect.
    """
    joint = gains.T @ gains
    square = np.diag(joint) * mean**2 + np.einsum("ij,nij->ni", joint, covariance)
    square = np.where(PRINTER, np.maximum(square, 0.0), 0.0)
    total = square.sum(axis=1, keepdims=True)
    return np.where(total > 0, square / np.where(total > 0, total, 1.0), 0.0)


def with_rivals_common(
    mean: np.ndarray,
    covariance: np.ndarray,
    prior_sd: np.ndarray,
    accused: np.ndarray,
    factor: float = RIVAL_FACTOR,
) -> tuple[np.ndarray, np.ndarray]:
    """Posteriors (n, terms) with the priors of all printer errors but the accused one `factor` times as wide.

    The priors' precision is taken out of the posterior's and put back smaller; the readings' share stays.
    """
    scale = np.outer(prior_sd, prior_sd)
    precision = np.linalg.inv(covariance / scale)
    pull = np.einsum("nij,nj->ni", precision, mean / prior_sd)
    less = np.where(PRINTER, 1 - factor**-2, 0.0) * np.ones_like(mean)
    less[np.arange(len(mean)), accused] = 0.0
    wider = np.linalg.inv(precision - less[:, :, None] * np.eye(mean.shape[1]))
    return np.einsum("nij,nj->ni", wider, pull) * prior_sd, wider * scale


def judge_many(
    posterior: Normal,
    reference: Reference,
    visible_mm: np.ndarray,
    prior_sd: np.ndarray,
    p_value: np.ndarray,
    scatter_mm: np.ndarray,
) -> Judged:
    """Verdicts of n posteriors.

    Parameters
    ----------
    posterior : Normal
        n of them.
    reference : Reference
    visible_mm : ndarray (f,) [mm]
        From `visible_limits`.
    prior_sd : ndarray (terms,)
    p_value : ndarray (n,)
        Of the residuals.
    scatter_mm : ndarray (n,) [mm]
        The print's own scatter.
    """
    chunks = [slice(i, i + CHUNK) for i in range(0, len(posterior), CHUNK)]
    return _joined(
        _judge(Effects.of(posterior[some], reference, visible_mm, prior_sd), p_value[some], scatter_mm[some])
        for some in chunks
    )


def _joined(parts: Iterable[Judged]) -> Judged:
    parts = list(parts)
    return Judged(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Judged)})


@dataclass(frozen=True, kw_only=True)
class Effects:
    """What the errors of n printers do to the reference features, as draws.

    Attributes
    ----------
    posterior : Normal
        n of them.
    reference : Reference
    visible_mm : ndarray (f,) [mm]
    prior_sd : ndarray (terms,)
    shaping : ndarray (s,) of int
        Terms that change a size on this machine; what it does not have is zero for certain and needs no draws.
    draws : ndarray (n, s, DRAWS)
        Of these.
    """

    posterior: Normal
    reference: Reference
    visible_mm: np.ndarray
    prior_sd: np.ndarray
    shaping: np.ndarray
    draws: np.ndarray

    @classmethod
    def of(
        cls, posterior: Normal, reference: Reference, visible_mm: np.ndarray, prior_sd: np.ndarray
    ) -> Effects:
        """Drawn from these posteriors."""
        shaping = np.flatnonzero(SHAPING & (prior_sd > SMALLEST_SD))
        return cls(
            posterior=posterior,
            reference=reference,
            visible_mm=visible_mm,
            prior_sd=prior_sd,
            shaping=shaping,
            draws=posterior_draws(*_of_terms(posterior.mean, posterior.cov, shaping)),
        )

    @property
    def accusable(self) -> np.ndarray:
        """Of the shaping terms those that can be accused, ndarray (s,) of bool."""
        return PRINTER[self.shaping]

    @property
    def printer(self) -> np.ndarray:
        """The terms that can be accused, ndarray (k,) of int."""
        return self.shaping[self.accusable]

    @property
    def weights(self) -> np.ndarray:
        """Of these, ndarray (k,)."""
        return self.reference.weights[self.printer]

    @property
    def gains(self) -> np.ndarray:
        """Effect of each shaping term on each reference feature in units of what the caliper can see, (f, s)."""
        return (self.reference.gains[:, self.shaping] / self.visible_mm[:, None]).astype(np.float32)

    @property
    def reach(self) -> np.ndarray:
        """The largest such effect of each term on any feature, ndarray (terms,); 0 where none can be accused."""
        reach = np.zeros(len(TERMS), dtype=np.float32)
        reach[self.printer] = np.abs(self.gains[:, self.accusable]).max(axis=0, initial=0.0)
        return reach

    def largest(self) -> tuple[np.ndarray, np.ndarray]:
        """Probability that each accusable term is the largest, alone and with its surface effect, (n, k) each."""
        return self._largest(self.draws)

    def quiet(self) -> np.ndarray:
        """Probability that no reference size misses by more than the caliper can see, ndarray (n,)."""
        return np.mean(np.abs(self.gains @ self.draws).max(axis=1, initial=0.0) < 1, axis=1)

    def loud(self) -> np.ndarray:
        """Greatest probability, over the errors, that one alone misses a size by more than that, ndarray (n,)."""
        alone = np.abs(self.draws[:, self.accusable]) * self.reach[self.printer, None]
        return np.mean(alone > 1, axis=2).max(axis=1)

    def sturdy(self, term: np.ndarray, chance: np.ndarray) -> np.ndarray:
        """Chance of `term` with its rivals taken for more common; asked only where it would be accused."""
        sturdy = chance.copy()
        asked = np.flatnonzero(chance >= LEADING)
        if asked.size:
            alone, _ = self._largest_among_common(asked, term[asked])
            sturdy[asked] = alone
        return sturdy

    def known_sums(self, chances: np.ndarray, among: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The error that with its surface effect is the largest, how surely, and whether that sum may be told.

        Parameters
        ----------
        chances : ndarray (n, k)
            Of the sums, from `largest`.
        among : ndarray (n,) of bool
            Where no error is accused by itself.
        """
        term, chance = self.printer[np.argmax(chances, axis=1)], chances.max(axis=1)
        told = np.zeros(len(term), dtype=bool)
        asked = np.flatnonzero(among & np.isin(term, list(SURFACE_OF)) & (chance >= LEADING))
        if asked.size:
            _, sturdy = self._largest_among_common(asked, term[asked])
            chance[asked] = np.minimum(chance[asked], sturdy)
            value, sd = sums_of(self.posterior[asked], term[asked])
            loud = (np.abs(value) - LOUD_SDS * sd) * self.reach[term[asked]] > 1
            told[asked] = loud & (chance[asked] >= LEADING)
        return term, chance, told

    def _largest(self, draws: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        at = {int(t): row for row, t in enumerate(self.shaping)}
        # The case may have it that there is no such effect.
        surface = np.array([at.get(SURFACE_OF.get(int(t), -1), -1) for t in self.printer], dtype=int)
        return largest(draws, np.flatnonzero(self.accusable), surface, self.weights)

    def _largest_among_common(self, rows: np.ndarray, term: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Of some printers, chance of a term among rivals taken for more common, alone and with its surface."""
        posterior = self.posterior[rows]
        mean, cov = with_rivals_common(posterior.mean, posterior.cov, self.prior_sd, term)
        alone, summed = self._largest(posterior_draws(*_of_terms(mean, cov, self.shaping)))
        at = np.arange(len(rows)), np.searchsorted(self.printer, term)
        return alone[at], summed[at]


def _of_terms(mean: np.ndarray, cov: np.ndarray, terms: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Means and covariances (n, terms), (n, terms, terms) of these terms alone."""
    return mean[:, terms], cov[:, terms][:, :, terms]


def _judge(effects: Effects, p_value: np.ndarray, scatter_mm: np.ndarray) -> Judged:
    """Verdicts of one chunk."""
    posterior, reference = effects.posterior, effects.reference
    rows = np.arange(len(posterior))
    chances = np.zeros_like(posterior.mean)
    chances[:, effects.printer], of_sums = effects.largest()
    term = np.argmax(chances, axis=1)
    chance = chances[rows, term]
    sturdy = effects.sturdy(term, chance)
    sure = np.minimum(chance, sturdy)
    surely = least_sure(posterior, effects.prior_sd, LOUD_SDS)[rows, term]
    visible = surely * effects.reach[term] > 1
    accused = visible & (sure >= LEADING)
    summed, of_sum, sum_known = effects.known_sums(of_sums, ~accused)
    quiet, loud = effects.quiet(), effects.loud()
    calm = (quiet >= ACQUIT) & (loud < SURE) & (len(reference.gains) > 0)
    # Readings contradict each other, unless an accusation stands clear of that, or nothing of it could be seen.
    clear = accused & ~calm & _clear_of_scatter(posterior.mean[rows, term], reference, term, scatter_mm)
    hidden = calm & (scatter_mm < np.min(effects.visible_mm, initial=np.inf) / COVERAGE_FACTOR)
    unexplained = (p_value < UNEXPLAINED_P) & (scatter_mm >= UNEVEN_MM) & ~clear & ~hidden
    # The first that holds.
    holds: dict[Status, np.ndarray] = {
        "unexplained": unexplained,
        "within-noise": calm,
        "dominant": accused & (sure >= DOMINANT),
        "leading": accused,
        "sum-known": sum_known,
        "undetermined": np.ones(len(rows), dtype=bool),
    }
    status = np.select(list(holds.values()), [STATUSES.index(s) for s in holds])

    def is_(*names: Status) -> np.ndarray:
        return np.isin(status, [STATUSES.index(s) for s in names])

    rests_on = np.select(
        [is_("dominant", "leading"), is_("within-noise"), is_("sum-known")], [sure, quiet, of_sum], chance
    )
    return Judged(
        status=status,
        term=np.where(is_("sum-known"), summed, term),
        probability=np.minimum(rests_on, SUREST),
        chances=chances,
        shares=expected_shares(posterior.mean, posterior.cov, reference.gains),
        sturdy=sturdy,
        quiet=quiet,
        loud=loud,
        visible=visible,
    )


def _clear_of_scatter(
    value: np.ndarray, reference: Reference, term: np.ndarray, scatter_mm: np.ndarray
) -> np.ndarray:
    """Whether an error's effect, root mean square over the features it acts on, is far above the scatter."""
    seen = np.sqrt(reference.weights / np.maximum((reference.gains != 0).sum(axis=0), 1))
    return np.abs(value) * seen[term] >= CLEAR_OF_SCATTER * scatter_mm
