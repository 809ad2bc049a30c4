"""Rough printers: many at once, printed as often as wanted, with what their terms and their sizes truly are."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.terms import INDEX
from fitassay.analysis.validation.effect import Printing, Recipe
from fitassay.analysis.validation.jaw_contacts import Contacts, contacts_of

ORDINARY_MM = (5.0, 20.0)
"""Sizes of pegs, holes and blocks that parts are made of [mm]."""
REPRINTS = 8


class RoughPrinters:
    """n printers with terms `theta`, rough by a recipe; printed as often as wanted.

    Parameters
    ----------
    walk : SetWalk
    theta : ndarray (n, terms)
        As drawn; what the effects add to it is in `truth`.
    recipe : Recipe
    rng : Generator

    Attributes
    ----------
    truth : ndarray (n, terms)
        What the terms truly are, the effects' share included.
    """

    def __init__(self, walk: SetWalk, theta: np.ndarray, recipe: Recipe, rng: np.random.Generator) -> None:
        self.walk = walk
        self.contacts = contacts_of(walk)
        self.recipe = recipe
        self.truth = np.array(theta, dtype=float)
        self.sizes = [e.draw(rng, len(theta), recipe.times, recipe.mixed) for e in recipe.effects]
        for effect, sizes in zip(recipe.effects, self.sizes, strict=True):
            effect.shift(self.truth, sizes)

    def printed(self, rng: np.random.Generator, removed: np.ndarray | float = 0.0) -> np.ndarray:
        """Exact readings (n, m) [mm] of one printing, with terms less `removed` (n, terms)."""
        return self.walk.readings(self.truth - removed) + self._roughness(rng, removed)

    def printed_and_rims(self, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Exact readings (n, m) [mm] of one printing, with deep jaws and over the rims of the same pieces."""
        seed = int(rng.integers(2**63))
        ideal = self.walk.readings(self.truth)
        deep, rim = (
            ideal + self._roughness(np.random.default_rng(seed), 0.0, contacts=contacts)
            for contacts in (self.contacts, self.contacts.at_rim())
        )
        return deep, rim

    def sizes_on_average(self, rng: np.random.Generator, removed: np.ndarray | float = 0.0) -> np.ndarray:
        """Sizes (n, m) [mm] as flat jaws or a mating part see them, mean over printings; no caliper error.

        The jaws rest on what stands out most, as a mating part does, and that is what decides a fit.
        """
        theta = self.truth - removed
        theta[:, [INDEX["outside_bias"], INDEX["inside_bias"]]] = 0.0
        return self.walk.readings(theta) + self._roughness(rng, removed, REPRINTS)

    def _roughness(
        self,
        rng: np.random.Generator,
        removed: np.ndarray | float,
        printings: int = 1,
        contacts: Contacts | None = None,
    ) -> np.ndarray:
        """Change of the readings by all effects, mean over so many printings."""
        touched = self.contacts if contacts is None else contacts
        printing = Printing(contacts=touched, theta=self.truth - removed, rng=rng)
        off = np.zeros((printing.n, len(self.walk.keys)))
        for effect, sizes in zip(self.recipe.effects, self.sizes, strict=True):
            times = printings if effect.varies else 1
            off += np.mean([effect.act(printing, sizes) for _ in range(times)], axis=0)
        return off


def ordinary_columns(contacts: Contacts) -> np.ndarray:
    """Columns of pegs, blocks, holes and windows of ordinary size (m,) of bool: closed outlines and openings."""
    low, high = ORDINARY_MM
    on_part = np.isin(contacts.family, ("stepped-boss", "stepped-bore", "plain-block"))
    sized = (contacts.size >= low) & (contacts.size <= high)
    return on_part & sized & (contacts.sign != 0) & contacts.solid & ~contacts.foot
