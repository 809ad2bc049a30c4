"""The distribution of a predicted length: equally likely printers in each way of walking, blurred by single parts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Each printer drawn stands for a normal this wide, in standard deviations of its way; all are drawn together so that
# the whole keeps its variance. Without it the ends of an interval would hang on two or three of the draws.
SMOOTH = 0.3
# Newton's steps at most, and when to stop [mm].
STEPS, CLOSE_MM = 40, 2e-5
# No quantile lies so many standard deviations beyond all centres.
FAR = 6.0


@dataclass(frozen=True, kw_only=True)
class Mixture:
    """Mixtures of normals, a row each.

    Attributes
    ----------
    centres, sd : ndarray (rows, k) [mm]
    weights : ndarray (k,)
        Their sum is 1.
    """

    centres: np.ndarray
    sd: np.ndarray
    weights: np.ndarray

    @classmethod
    def of(cls, values: np.ndarray, chances: np.ndarray, scatter: np.ndarray) -> Mixture:
        """From draws.

        Parameters
        ----------
        values : ndarray (rows, ways, n) [mm]
            Equally likely in each way.
        chances : ndarray (ways,)
            Of the ways.
        scatter : ndarray (rows,) [mm]
            Normal scatter of single parts about each draw.
        """
        rows, ways, n = values.shape
        middle = values.mean(axis=2, keepdims=True)
        own = values.std(axis=2, keepdims=True)
        centres = middle + (values - middle) * np.sqrt(1 - SMOOTH**2)
        sd = np.hypot(SMOOTH * own, scatter[:, None, None])
        return cls(
            centres=centres.reshape(rows, -1),
            sd=np.broadcast_to(sd, values.shape).reshape(rows, -1),
            weights=np.repeat(chances / n, n),
        )

    def mean(self) -> np.ndarray:
        """Means (rows,) [mm]."""
        return self.centres @ self.weights

    def sd_whole(self) -> np.ndarray:
        """Standard deviations (rows,) [mm]."""
        off = self.centres - self.mean()[:, None]
        return np.sqrt((off**2 + self.sd**2) @ self.weights)

    def below(self, x: np.ndarray) -> np.ndarray:
        """Probability of a value under x (rows,)."""
        from scipy.special import ndtr

        off = x[:, None] - self.centres
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(self.sd > 0, ndtr(off / self.sd), off > 0)
        return share @ self.weights

    def quantile(self, p: float) -> np.ndarray:
        """The p-quantile of each row [mm], by Newton's method on the normal scale, where it is nearly straight."""
        from scipy.special import ndtri

        whole = self.sd_whole()
        x = self.mean() + ndtri(p) * whole
        if not whole.any():
            return x
        # Between two ways there may be no density: what Newton throws out of the bracket is bisected.
        low = (self.centres - FAR * self.sd).min(axis=1)
        high = (self.centres + FAR * self.sd).max(axis=1)
        rest = self
        left = np.arange(len(x))  # rows not yet there
        for _ in range(STEPS):
            at = x[left]
            below = rest.below(at)
            low[left], high[left] = np.where(below < p, at, low[left]), np.where(below < p, high[left], at)
            z = ndtri(np.clip(below, 1e-12, 1 - 1e-12))
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                density = (
                    np.exp(-(((at[:, None] - rest.centres) / rest.sd) ** 2) / 2) / rest.sd @ rest.weights
                )
                new = at + (ndtri(p) - z) * np.exp(-(z**2) / 2) / density
            new = np.where((new > low[left]) & (new < high[left]), new, (low[left] + high[left]) / 2)
            x[left] = new
            going = np.abs(new - at) >= CLOSE_MM
            if not going.any():
                break
            left = left[going]
            rest = Mixture(centres=rest.centres[going], sd=rest.sd[going], weights=rest.weights)
        return x
