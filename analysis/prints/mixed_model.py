"""Several prints of one printer read together: what is common to them, and what goes with material or speed.

Every print i has its own errors

    theta_i = base + sum over factors of deviation[factor, level of i] + drift_i

all normal, about the table's means, with the prior spreads of `FACTORS`; the caliper's own terms are in the base
alone, since the same caliper read all prints. What one print's readings say enters as its information matrix and
vector, taken back out of its posterior (C its covariance, P its prior, m its mean):

    Lambda_i = C^-1 - P^-1        h_i = C^-1 m        both about the prior's mean

(the textbook normal mixed model with known variances). Prints under other settings are first carried to the settings
of the first one, means and information alike: `prints.setting_changes.change_of_errors`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from fitassay.analysis.estimation.known import Fact, Scattered, without_facts
from fitassay.analysis.estimation.priors import prior_means
from fitassay.analysis.normal import Normal
from fitassay.analysis.prints.setting_changes import change_of_errors
from fitassay.analysis.tails import normal_below
from fitassay.analysis.terms import INDEX, NAMES, SHAPING, TERMS, estimated_on
from fitassay.coupons.machine import Kinematics, Machine


@dataclass(frozen=True, kw_only=True)
class PrintResult:
    """What one print said.

    Attributes
    ----------
    name : str
    posterior : Normal
        Of its terms.
    prior_sd : ndarray (terms,)
    machine : Machine
        Settings in force when it was printed, material and speed.
    misfit_p : float
        p-value of its own fit quality.
    facts : tuple of Fact
        Known beside the readings, and part of the posterior.
    own_path : bool
        True where a path of our own drew it, False where a slicing program did.
    jumps, as_read, scattered
        As `TransferredPrior` has them, this print's manner and scatter with them.
    """

    name: str
    posterior: Normal
    prior_sd: np.ndarray
    machine: Machine
    misfit_p: float = 1.0
    facts: tuple[Fact, ...] = ()
    own_path: bool = False
    jumps: float | None = None
    as_read: tuple[Normal, ...] = ()
    scattered: Scattered = Scattered()

    def apart_from(self, facts: Iterable[Fact]) -> PrintResult:
        """Without what it shares of these facts, for a sum in which they are counted already."""
        known = {f.identity for f in facts}
        shared = tuple(f for f in self.facts if f.identity in known)
        return replace(
            self,
            posterior=without_facts(self.posterior, shared),
            facts=tuple(f for f in self.facts if f.identity not in known),
        )

    @property
    def informed(self) -> np.ndarray:
        """1 - posterior sd / prior sd, (terms,)."""
        return 1 - self.posterior.sd / self.prior_sd


@dataclass(frozen=True, kw_only=True, eq=False)
class Factor:
    """Something that differs between prints and may go with some errors.

    Attributes
    ----------
    name : str
    level : callable (Machine) -> str
        Which level a print has.
    reason : str
    parts : tuple of Factor
        Factors that it stands for, since they always changed together; empty for a factor by itself.
    """

    name: str
    level: Callable[[Machine], str]
    reason: str

    parts: tuple[Factor, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Its own, or those of the factors that it stands for."""
        return tuple(f.name for f in self.parts) or (self.name,)

    @property
    def terms(self) -> tuple[str, ...]:
        """All terms that it may touch."""
        return tuple(t.name for t in TERMS if any(v.factor in self.names for v in t.varies))

    def spread(self, kinematics: Kinematics = "cartesian") -> np.ndarray:
        """Prior covariance of one level's deviation (terms, terms), on such a machine."""
        out = np.zeros((len(TERMS), len(TERMS)))
        for name in self.names:
            own, alike = np.zeros(len(TERMS)), np.zeros(len(TERMS))
            for i, term in enumerate(TERMS):
                for v in term.varies:
                    if v.factor == name and kinematics in term.kinematics:
                        own[i], alike[i] = v.own, v.alike
            out += np.diag(own**2) + np.outer(alike, alike)
        return out


# No factor is named by mistake with more than this probability, all terms and factors tried together.
NAMED_WRONGLY = 0.05
# Nothing is claimed that moves no size by what a caliper shows, over a length for fractions and angles [mm].
SEEN_MM, LONG_MM = 0.01, 60.0
# A term measured less than this share of its prior says nothing about factors.
INFORMED = 0.3


FACTORS: tuple[Factor, ...] = (
    Factor(
        name="material",
        level=lambda m: m.material,
        reason="plastics shrink alike along all axes by 0.2 to 1 %, and flow and drag differently",
    ),
    Factor(
        name="speed",
        level=lambda m: f"{m['process.speed_mm_s']:g} mm/s",
        reason="fast reversals stretch belts and lose steps, and melt comes late",
    ),
)
"""Names as in the terms' `varies`."""


def told_apart(factors: tuple[Factor, ...], results: tuple[PrintResult, ...]) -> list[Factor]:
    """Factors in which the prints differ; those that always changed together stand as one."""
    groups: dict[tuple[int, ...], list[Factor]] = {}
    for factor in factors:
        levels = [factor.level(r.machine) for r in results]
        pattern = tuple(levels.index(level) for level in levels)
        if len(set(pattern)) > 1:
            groups.setdefault(pattern, []).append(factor)
    return [group[0] if len(group) == 1 else _joined(tuple(group)) for group in groups.values()]


def _joined(parts: tuple[Factor, ...]) -> Factor:
    return Factor(
        name=" and ".join(f.name for f in parts),
        level=lambda machine: ", ".join(f.level(machine) for f in parts),
        reason="; ".join(f.reason for f in parts),
        parts=parts,
    )


def drift_sds(kinematics: Kinematics = "cartesian") -> np.ndarray:
    """How much such a printer changes by itself from print to print, one standard deviation (terms,)."""
    return np.where(estimated_on(kinematics), [t.drift_sd for t in TERMS], 0.0)


def information(result: PrintResult) -> tuple[np.ndarray, np.ndarray]:
    """Information matrix and vector of a print's readings alone, in units of the priors.

    Returns
    -------
    matrix : ndarray (terms, terms)
        S Lambda S with S = diag(prior sd); no negative eigenvalues.
    vector : ndarray (terms,)
        S h, about the prior's mean.
    """
    scale = result.prior_sd
    covariance = result.posterior.cov / np.outer(scale, scale)
    inverse = np.linalg.inv(covariance)
    values, vectors = np.linalg.eigh((inverse + inverse.T) / 2 - np.eye(len(scale)))
    matrix = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return matrix, inverse @ ((result.posterior.mean - prior_means(scale)) / scale)


@dataclass(frozen=True, kw_only=True)
class Together:
    """The joint posterior of several prints.

    Attributes
    ----------
    names : tuple of str
        The prints.
    errors : Normal
        Of every print under its own settings, all prints' terms one after the other, named as "01 scale_x".
    base : Normal
        What is common to all, under the first print's settings.
    effects : dict of str to Effect
        By factor.
    """

    names: tuple[str, ...]
    errors: Normal
    base: Normal
    effects: dict[str, Effect] = field(default_factory=dict)

    def of(self, i: int) -> Normal:
        """The errors of one print."""
        own = self.errors.marginal(self.errors.names[i * len(NAMES) : (i + 1) * len(NAMES)])
        return replace(own, names=NAMES)


@dataclass(frozen=True, kw_only=True)
class Effect:
    """What goes with one factor.

    Attributes
    ----------
    factor : Factor
    levels : tuple of str
    at : tuple of int
        Level of each print.
    deviations : ndarray (levels, terms)
    covariance : ndarray (levels, terms, levels, terms)
    error_rate : float
        Probability with which any of its terms may be named by mistake.
    """

    factor: Factor
    levels: tuple[str, ...]
    at: tuple[int, ...]
    deviations: np.ndarray
    covariance: np.ndarray
    error_rate: float

    def contrast(self, term: str, a: int = 1, b: int = 0) -> tuple[float, float]:
        """Difference of level a from level b in one term, and its standard uncertainty."""
        i = INDEX[term]
        c = self.covariance[:, i][:, :, i]
        value = float(self.deviations[a, i] - self.deviations[b, i])
        return value, float(np.sqrt(max(c[a, a] + c[b, b] - 2 * c[a, b], 0.0)))

    def significant(self) -> tuple[str, ...]:
        """Terms in which some level differs from the first by more than chance, and by what a caliper sees.

        By Holm's procedure (S. Holm, 1979; from memory), so that with all terms and levels tried none is named by
        mistake but with probability `error_rate`.
        """
        tests = [(name, a) for name in self.factor.terms for a in range(1, len(self.levels))]
        found = [(*self.contrast(name, a), name) for name, a in tests]
        ranked = sorted(((2 * normal_below(-abs(v) / u), v, name) for v, u, name in found if u > 0))
        named: set[str] = set()
        for i, (p, value, name) in enumerate(ranked):
            if p > self.error_rate / (len(tests) - i):
                break
            length = 1.0 if TERMS[INDEX[name]].unit == "mm" else LONG_MM
            if abs(value) * length >= SEEN_MM:
                named.add(name)
        return tuple(n for n in self.factor.terms if n in named)


def read_together(
    results: tuple[PrintResult, ...],
    *,
    factors: tuple[Factor, ...] = FACTORS,
    drift_scale: float | np.ndarray = 1.0,
) -> Together:
    """Estimate all prints at once.

    Parameters
    ----------
    results : tuple of PrintResult
    factors : tuple of Factor
        Only those are used in which the prints differ.
    drift_scale : float or ndarray (terms,)
        Multiplies `drift_sds`; infinity lets every print have errors of its own. Where all are infinite the prints
        share the caliper alone, and no factor is asked about.
    """
    # A fact that several prints hold is the last one's.
    results = tuple(
        r.apart_from(f for later in results[i + 1 :] for f in later.facts) for i, r in enumerate(results)
    )
    k, n = len(NAMES), len(results)
    first = results[0]
    scale = first.prior_sd
    times = np.broadcast_to(np.asarray(drift_scale, dtype=float), (k,))
    apart = ~np.isfinite(times)
    used = [] if apart.all() else told_apart(factors, results)
    base_prior = np.diag(np.where(SHAPING & apart, 0.0, 1.0))
    drift = drift_sds(first.machine.kinematics)
    drift_prior = np.diag(
        np.where(apart, np.where(SHAPING, 1.0, 0.0), (drift * np.where(apart, 0.0, times) / scale) ** 2)
    )
    blocks = [base_prior]
    columns: list[tuple[Factor, str]] = []
    for factor in used:
        for level in dict.fromkeys(factor.level(r.machine) for r in results):
            columns.append((factor, level))
            blocks.append(factor.spread(first.machine.kinematics) / np.outer(scale, scale))
    blocks += [drift_prior] * n
    design = np.zeros((n, len(blocks)))
    for i, result in enumerate(results):
        design[i, 0] = 1
        design[i, 1 + len(columns) + i] = 1
        for j, (factor, level) in enumerate(columns):
            design[i, 1 + j] = factor.level(result.machine) == level
    mean, covariance = _solve(results, first, design, blocks)
    return _sorted_out(results, first, design, columns, mean, covariance)


def _solve(
    results: tuple[PrintResult, ...], first: PrintResult, design: np.ndarray, blocks: list[np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Posterior of all stacked effects, in units of the first print's priors.

    C = S - S X'L (I + L'X S X'L)^-1 L'X S with Lambda = L L', which needs no inverse of S: some blocks are singular.
    """
    k, n = len(NAMES), len(results)
    x = np.kron(design, np.eye(k))
    prior = np.zeros((k * len(blocks),) * 2)
    for j, block in enumerate(blocks):
        prior[j * k : (j + 1) * k, j * k : (j + 1) * k] = block
    root = np.zeros((n * k, n * k))
    vector = np.zeros(n * k)
    for i, result in enumerate(results):
        matrix, h = information(result)
        # In the first print's settings and priors: x = slope t + offset, in units of the own prior.
        slope, offset = change_of_errors(first.machine, result.machine)
        h = h - matrix @ (offset / result.prior_sd)
        ratio = slope * first.prior_sd / result.prior_sd
        matrix, h = matrix * np.outer(ratio, ratio), h * ratio
        values, vectors = np.linalg.eigh(matrix)
        at = slice(i * k, (i + 1) * k)
        root[at, at] = vectors * np.sqrt(np.maximum(values, 0.0))
        vector[at] = h
    gain = prior @ x.T @ root
    inner = np.eye(n * k) + root.T @ x @ gain
    covariance = prior - gain @ np.linalg.solve(inner, gain.T)
    covariance = (covariance + covariance.T) / 2
    return covariance @ (x.T @ vector), covariance


def _sorted_out(
    results: tuple[PrintResult, ...],
    first: PrintResult,
    design: np.ndarray,
    columns: list[tuple[Factor, str]],
    mean: np.ndarray,
    covariance: np.ndarray,
) -> Together:
    k, n = len(NAMES), len(results)
    s = first.prior_sd
    x = np.kron(design, np.eye(k))
    table = prior_means(s)
    stacked = (x @ mean).reshape(n, k) * s + table
    joint = x @ covariance @ x.T * np.outer(np.tile(s, n), np.tile(s, n))
    changes = [change_of_errors(first.machine, r.machine) for r in results]
    own = np.array([slope * t + offset for t, (slope, offset) in zip(stacked, changes, strict=True)])
    slopes = np.concatenate([slope for slope, _ in changes])
    joint = joint * np.outer(slopes, slopes)
    effects = {}
    for factor in dict.fromkeys(f for f, _ in columns):
        at = [1 + j for j, (f, _) in enumerate(columns) if f is factor]
        rows = np.concatenate([np.arange(a * k, (a + 1) * k) for a in at])
        c = covariance[np.ix_(rows, rows)].reshape(len(at), k, len(at), k)
        levels = tuple(columns[a - 1][1] for a in at)
        effects[factor.name] = Effect(
            factor=factor,
            levels=levels,
            at=tuple(levels.index(factor.level(r.machine)) for r in results),
            error_rate=NAMED_WRONGLY / len({f.name for f, _ in columns}),
            deviations=mean[rows].reshape(len(at), k) * s,
            covariance=c * s[None, :, None, None] * s,
        )
    return Together(
        names=tuple(r.name for r in results),
        errors=Normal(
            mean=own.ravel(), cov=joint, names=tuple(f"{r.name} {name}" for r in results for name in NAMES)
        ),
        base=Normal(mean=table + mean[:k] * s, cov=covariance[:k, :k] * np.outer(s, s)),
        effects=effects,
    )


def factor_effects(results: tuple[PrintResult, ...], together: Together) -> np.ndarray:
    """What goes with the factors of each print, against those of the first, ndarray (prints, terms).

    Only terms in which a factor's levels differ significantly; zero elsewhere.
    """
    out = np.zeros((len(results), len(NAMES)))
    for effect in together.effects.values():
        for term in effect.significant():
            for i, level in enumerate(effect.at):
                out[i, INDEX[term]] += effect.contrast(term, level, 0)[0]
    return out
