"""A printer over all its prints: control charts of its errors, carried to one set of settings.

Charts for individual values with moving ranges, as in ISO 7870-2 (from memory; the constants 2.66 = 3 / 1.128 and
3.267 are those of its tables for ranges of two): centre line the mean, limits mean +- 2.66 x mean moving range. With
few prints the moving range is itself uncertain, so the limits are never narrower than three standard uncertainties
of one print, the caliper's own error left out: it is in all prints alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.prints.mixed_model import INFORMED, PrintResult
from fitassay.analysis.prints.setting_changes import errors_after
from fitassay.analysis.terms import NAMES, PRINTER, TERMS, told_on

# d2 of ranges of two (ISO 7870-2, tables of factors; also SciPy-checkable: 2 / sqrt(pi)).
D2 = 1.128
# So many prints on one side of the centre line in a row are a shift (ISO 7870-2, supplementary tests; from memory).
RUN = 9
# Limits need so many prints.
FEWEST = 3


@dataclass(frozen=True, kw_only=True)
class Chart:
    """The control chart of one term.

    Attributes
    ----------
    name, unit : str
    prints : tuple of str
        Those that measured the term.
    values, uncertainties : ndarray (n,) [unit]
        Under the settings of the first print, without what goes with material or speed.
    in_force : ndarray (n,) [unit]
        Under the settings of each print itself: what its parts suffered.
    centre, lower, upper : float [unit]
        nan where there are fewer than `FEWEST` prints.
    outside : tuple of str
        Prints beyond the limits.
    shifted : bool
        True where `RUN` prints in a row lie on one side of the centre.
    """

    name: str
    unit: str
    prints: tuple[str, ...]
    values: np.ndarray
    uncertainties: np.ndarray
    in_force: np.ndarray
    centre: float
    lower: float
    upper: float
    outside: tuple[str, ...]
    shifted: bool

    @property
    def stable(self) -> bool | None:
        """Whether the process is in control; None where there are too few prints to say."""
        if not np.isfinite(self.centre):
            return None
        return not self.outside and not self.shifted


def charts(results: tuple[PrintResult, ...], effects: np.ndarray | None = None) -> tuple[Chart, ...]:
    """Control charts of all printer terms that at least one print measured.

    Parameters
    ----------
    results : tuple of PrintResult
    effects : ndarray (prints, terms), optional
        What goes with the material or speed of each print and is no instability; taken off.
    """
    effects = np.zeros((len(results), len(TERMS))) if effects is None else effects
    out = []
    for i, term in enumerate(TERMS):
        if not PRINTER[i] or not all(told_on(r.machine.kinematics)[i] for r in results):
            continue
        rows = [j for j, r in enumerate(results) if r.informed[i] >= INFORMED]
        seen = [results[j] for j in rows]
        if seen:
            values = np.array(
                [errors_after(r.posterior.mean, r.machine, results[0].machine)[i] for r in seen]
            )
            values -= effects[rows, i]
            u = np.array([r.posterior.sd[i] for r in seen])
            apart = np.array([apart_sd(r)[i] for r in seen])
            own = np.array([r.posterior.mean[i] for r in seen])
            out.append(_chart(NAMES[i], term.unit, tuple(r.name for r in seen), values, u, apart, own))
    return tuple(out)


def apart_sd(result: PrintResult) -> np.ndarray:
    """Standard uncertainties (terms,) without the caliper's own error, which all prints share."""
    inner, rest = np.flatnonzero(~PRINTER), np.flatnonzero(PRINTER)
    cov = result.posterior.cov
    out = result.posterior.sd.copy()
    given = cov[np.ix_(rest, inner)] @ np.linalg.solve(cov[np.ix_(inner, inner)], cov[np.ix_(inner, rest)])
    out[rest] = np.sqrt(np.maximum(np.diag(cov)[rest] - np.diag(given), 0.0))
    return out


def limits(values: np.ndarray, uncertainties: np.ndarray) -> tuple[float, float, float]:
    """Centre line, lower and upper limit of individual values.

    Parameters
    ----------
    values, uncertainties : ndarray (n,)
    """
    if len(values) < FEWEST:
        return float("nan"), float("nan"), float("nan")
    centre = float(values.mean())
    sigma = float(np.abs(np.diff(values)).mean()) / D2
    reach = 3 * max(sigma, float(np.sqrt(np.mean(uncertainties**2))))
    return centre, centre - reach, centre + reach


def longest_run(values: np.ndarray, centre: float) -> int:
    """Length of the longest run of values on one side of the centre."""
    best = length = 0
    side = 0.0
    for s in np.sign(values - centre):
        length = length + 1 if s == side and s != 0 else int(s != 0)
        side = s
        best = max(best, length)
    return best


def _chart(
    name: str,
    unit: str,
    prints: tuple[str, ...],
    values: np.ndarray,
    u: np.ndarray,
    apart: np.ndarray,
    own: np.ndarray,
) -> Chart:
    centre, lower, upper = limits(values, apart)
    beyond = (
        ()
        if np.isnan(centre)
        else tuple(p for p, v in zip(prints, values, strict=True) if not lower <= v <= upper)
    )
    return Chart(
        name=name,
        unit=unit,
        prints=prints,
        values=values,
        uncertainties=u,
        in_force=own,
        centre=centre,
        lower=lower,
        upper=upper,
        outside=beyond,
        shifted=not np.isnan(centre) and longest_run(values, centre) >= RUN,
    )
