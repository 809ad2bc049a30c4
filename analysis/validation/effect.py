"""How an effect of roughness is written: its sizes from printer to printer, and what it does to the readings.

An effect has sizes, drawn once per printer, and acts on every printing of it; what the error terms know of it goes
into the printer's true terms (`shift`), the rest into the readings (`act`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from fitassay.analysis.validation.draws import MIX_SHARE, Draw
from fitassay.analysis.validation.jaw_contacts import Contacts

Sizes = dict[str, np.ndarray]


@dataclass(frozen=True, kw_only=True)
class Printing:
    """One printing of n printers.

    Attributes
    ----------
    contacts : Contacts
    theta : ndarray (n, terms)
        True terms.
    rng : Generator
        Of this printing.
    """

    contacts: Contacts
    theta: np.ndarray
    rng: np.random.Generator

    @property
    def n(self) -> int:
        return len(self.theta)


def _no_shift(theta: np.ndarray, sizes: Sizes) -> None:
    return None


@dataclass(frozen=True, kw_only=True)
class Effect:
    """One way of being rough.

    Attributes
    ----------
    name, text : str
    sizes : mapping of str to draw
        What differs from printer to printer.
    act : callable (Printing, sizes) -> ndarray (n, m) [mm]
        Change of the exact readings beyond what the terms explain.
    shift : callable (theta, sizes) -> None
        Adds to the true terms, in place, what of the effect they mean.
    varies : bool
        Whether one printing differs from the next.
    """

    name: str
    text: str
    sizes: Mapping[str, Draw]
    act: Callable[[Printing, Sizes], np.ndarray]
    shift: Callable[[np.ndarray, Sizes], None] = field(default=_no_shift)
    varies: bool = False

    def draw(self, rng: np.random.Generator, n: int, times: float = 1.0, mixed: bool = False) -> Sizes:
        """Sizes of n printers; `times` the usual, or in a mix at up to `MIX_SHARE` of that."""
        share = rng.uniform(0, MIX_SHARE, n) if mixed else np.full(n, np.nan)
        return {name: draw(rng, share, times) for name, draw in self.sizes.items()}


def rests_on_outermost(p: Printing, shifts: np.ndarray) -> np.ndarray:
    """Change of the readings (n, m) where flat jaws rest on the layers that stand out most."""
    c = p.contacts
    outward = np.zeros((p.n, len(c.size), 2))
    for i in np.flatnonzero(~c.height):
        band = shifts[:, c.plate[i], c.first_layer[i] : c.last_layer[i]]
        outward[:, i] = (band @ c.flanks.side[i].T).max(axis=1)
    return c.stood_out(outward)


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """Which effects a population of printers has, and how much.

    Attributes
    ----------
    name, text : str
    effects : tuple of Effect
    times : float
        Of the usual sizes.
    mixed : bool
        All at once, each at up to `MIX_SHARE` of its range.
    noise : str
        How it is read, of `virtual_caliper.NOISES`.
    """

    name: str
    text: str
    effects: tuple[Effect, ...] = ()
    times: float = 1.0
    mixed: bool = False
    noise: str = "rounded"

    @classmethod
    def alone(cls, effect: Effect) -> Recipe:
        """One effect and nothing beside it."""
        return cls(name=effect.name, text=effect.text, effects=(effect,))
