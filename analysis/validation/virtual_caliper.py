"""The virtual caliper: how exact readings become what a person writes down, seeded, and how slips happen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from fitassay.analysis.validation.catalogue import by_name
from fitassay.analysis.validation.jaw_contacts import SINGLE_WALL, Contacts
from fitassay.coupons.machine import Machine

# Inside jaws touch with edges about this wide [mm].
INSIDE_EDGE_MM = 0.5
COARSE_STEP_MM = 0.05


@dataclass(frozen=True, kw_only=True)
class Hand:
    """What a person and a worn caliper add, even between two sizes from person to person.

    Attributes
    ----------
    tilt_deg : pair of float [degree]
        Standard deviation of the jaws' angle to the face.
    squeeze_mm : pair of float [mm]
        How much a single wall gives.
    drift_mm : float [mm]
        Standard deviation of how far zero moves from the first reading to the last.
    coarse : float
        Share of people who write down whole `COARSE_STEP_MM`.
    correlation : pair of float
        Share of one reading's variance that all repeats of a feature have in common.
    """

    tilt_deg: tuple[float, float] = (0.0, 0.0)
    squeeze_mm: tuple[float, float] = (0.0, 0.0)
    drift_mm: float = 0.0
    coarse: float = 0.0
    correlation: tuple[float, float] = (0.0, 0.0)


ROUGH_HAND = Hand(
    tilt_deg=(0.1, 0.5), squeeze_mm=(0.01, 0.03), drift_mm=0.02, coarse=0.25, correlation=(0.0, 0.7)
)
HALF_ROUGH_HAND = Hand(
    tilt_deg=(0.0, 0.25), squeeze_mm=(0.0, 0.015), drift_mm=0.01, coarse=0.125, correlation=(0.0, 0.35)
)


@dataclass(frozen=True, kw_only=True)
class Noise:
    """How readings come about.

    Attributes
    ----------
    name, text : str
    scatter : float
        Of one reading, in units of the caliper's stated repeatability.
    step : float
        Of the display, in units of the caliper's stated step; 0: exact.
    repeats : int
        Readings per feature, averaged.
    correlation : float
        Share of one reading's variance that all repeats of a feature have in common.
    slips : float
        Share of sets with one gross slip.
    hand : Hand
        Its share of the repeats' variance takes the place of `correlation` where it has any.
    """

    name: str
    text: str
    scatter: float = 1.0
    step: float = 1.0
    repeats: int = 1
    correlation: float = 0.0
    slips: float = 0.0
    hand: Hand = field(default_factory=Hand)


NOISES: dict[str, Noise] = by_name(
    Noise(name="normal", text="normal scatter as stated", step=0.0),
    Noise(name="rounded", text="the same, rounded to the caliper's step"),
    Noise(
        name="repeats",
        text="three repeats that share a quarter of their variance",
        repeats=3,
        correlation=0.25,
    ),
    Noise(name="slips", text="one gross slip in 5 % of sets", slips=0.05),
    Noise(name="rough hand", text="jaws tilt, thin walls give, zero drifts, some round", hand=ROUGH_HAND),
    Noise(
        name="rough hand, three times",
        text="the same, each feature three times with up to 0.7 of the variance in common",
        repeats=3,
        hand=ROUGH_HAND,
    ),
    Noise(name="half a rough hand", text="the same, half as much", hand=HALF_ROUGH_HAND),
)


@dataclass(frozen=True, kw_only=True)
class Sets:
    """Readings of n printers.

    Attributes
    ----------
    values : ndarray (n, m) [mm]
        Means of the repeats.
    u : ndarray (n, m) [mm]
        Standard uncertainties, from the repeats pooled with the stated repeatability where there are any.
    slipped : ndarray (n, m) of bool
    """

    values: np.ndarray
    u: np.ndarray
    slipped: np.ndarray


def read_sets(
    exact: np.ndarray,
    noise: Noise,
    machine: Machine,
    rng: np.random.Generator,
    contacts: Contacts | None = None,
) -> Sets:
    """What the owners of n printers write down, given exact readings (n, m) [mm].

    `contacts` tell a hand with an effect on them which readings are of what kind.
    """
    from fitassay.analysis.estimation.observations import STATED_DOF, repeats_share

    stated, step = machine["caliper.repeatability_mm"], machine["caliper.resolution_mm"]
    sd = noise.scatter * stated
    n, m = exact.shape
    if contacts is not None:
        exact = exact + _by_hand(noise.hand, contacts, n, rng)
    shared = np.full(n, noise.correlation)
    if noise.hand.correlation[1] > 0:
        shared = rng.uniform(*noise.hand.correlation, n)
    shared = shared[:, None, None]
    common = np.sqrt(shared) * rng.standard_normal((n, m, 1))
    own = np.sqrt(1 - shared) * rng.standard_normal((n, m, noise.repeats))
    shown = exact[:, :, None] + sd * (common + own)
    if noise.step > 0:
        steps = np.full(n, noise.step * step)
        if noise.hand.coarse > 0:
            steps[rng.random(n) < noise.hand.coarse] = COARSE_STEP_MM
        shown = np.round(shown / steps[:, None, None]) * steps[:, None, None]
    slipped = np.zeros((n, m), dtype=bool)
    hit = np.flatnonzero(rng.random(n) < noise.slips)
    slipped[hit, rng.integers(0, m, len(hit))] = True
    for i, j in np.argwhere(slipped):
        shown[i, j] = slip(shown[i, j], rng)
    values = shown.mean(axis=2)
    squares = np.sum((shown - values[:, :, None]) ** 2, axis=(1, 2))
    dof = m * (noise.repeats - 1)
    pooled = (STATED_DOF * stated**2 + squares) / (STATED_DOF + dof)
    common = repeats_share(machine, np.array(noise.repeats))
    u = np.sqrt(pooled[:, None] / noise.repeats + common**2 + step**2 / 12) * np.ones((n, m))
    return Sets(values=values, u=u, slipped=slipped)


def _by_hand(hand: Hand, contacts: Contacts, n: int, rng: np.random.Generator) -> np.ndarray:
    """Systematic errors of a session's readings (n, m) [mm].

    Jaws of engaged length t at an angle a to parallel faces L apart read L cos a + t sin a outside; edges of width t
    in an opening lie t sin a nearer (rectangle between two lines; derived here).
    """
    m = len(contacts.size)
    tilt = np.deg2rad(rng.uniform(*hand.tilt_deg, n))[:, None] * np.abs(rng.standard_normal((n, m)))
    engaged = np.where(contacts.sign < 0, -INSIDE_EDGE_MM, contacts.flank)
    off = contacts.size * (np.cos(tilt) - 1) + engaged * np.sin(tilt)
    off -= np.where(contacts.family == SINGLE_WALL, rng.uniform(*hand.squeeze_mm, n)[:, None], 0.0)
    # Zero walks at random over the session and ends this far from where it was.
    steps = rng.standard_normal((n, m)) / np.sqrt(m)
    return off + hand.drift_mm * np.cumsum(steps, axis=1)


def _misread(step: float) -> Callable[[np.ndarray, np.random.Generator], np.ndarray]:
    def by_step(values: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        sign = rng.choice([-1.0, 1.0])
        # A caliper shows nothing below zero.
        return values + step * (sign if np.min(values) > step else 1.0)

    return by_step


SLIPS: dict[str, Callable[[np.ndarray, np.random.Generator], np.ndarray]] = {
    "1 mm": _misread(1.0),
    "10 mm": _misread(10.0),
    "half a mm": _misread(0.5),
    "inch": lambda v, rng: np.round(v / 25.4, 3),
    "decimal point": lambda v, rng: v * rng.choice([0.1, 10.0]),
}
"""Gross slips of the readings of one feature, by name."""


def slip(values: np.ndarray, rng: np.random.Generator, kind: str = "") -> np.ndarray:
    """Readings of one feature with a gross slip, of a kind or of any."""
    chosen = SLIPS[kind] if kind else SLIPS[str(rng.choice(list(SLIPS)))]
    return chosen(values, rng)
