"""Rough printers: what real ones do beside the error terms, one row an effect, for many printers at once.

An effect has sizes, drawn once per printer, and acts on every printing of it; what the error terms know of it goes
into the printer's true terms (`shift`), the rest into the readings (`act`). Ranges are common practice without a
source unless a row says otherwise. `unlisted_effects` holds what no budget of the interpreter was set for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.chain.span import WINDOW_MM
from fitassay.analysis.terms import INDEX
from fitassay.analysis.validation.jaw_contacts import Contacts, contacts_of, drive_states

Sizes = dict[str, np.ndarray]
# (rng, share, times): share (n,) of the range in a mix, nan outside one; times the usual size.
Draw = Callable[[np.random.Generator, np.ndarray, float], np.ndarray]

# In the typical mix each effect stands at up to this share of its range.
MIX_SHARE = 0.5
ORDINARY_MM = (5.0, 20.0)
"""Sizes of pegs, holes and blocks that parts are made of [mm]."""
REPRINTS = 8
# A blob is felt this far beside the jaw's flat; a corner's bulge dies along the flank over the other length.
BLOB_REACH_MM = 0.3
BULGE_DECAY_MM = 0.7


def span(low: float, high: float) -> Draw:
    """Even between two sizes; in a mix from nil to its share of the larger."""

    def draw(rng: np.random.Generator, share: np.ndarray, times: float) -> np.ndarray:
        even = rng.random(len(share))
        return times * np.where(np.isnan(share), low + (high - low) * even, high * share)

    return draw


def spread(sd: float) -> Draw:
    """Normal about nil."""

    def draw(rng: np.random.Generator, share: np.ndarray, times: float) -> np.ndarray:
        return times * sd * np.where(np.isnan(share), 1.0, share) * rng.standard_normal(len(share))

    return draw


def shape(low: float, high: float) -> Draw:
    """Even between two values whatever the effect's size: exponents, wavelengths, directions."""

    def draw(rng: np.random.Generator, share: np.ndarray, times: float) -> np.ndarray:
        return rng.uniform(low, high, len(share))

    return draw


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

    def per_coupon(self, values: np.ndarray) -> np.ndarray:
        """Values (n, coupons) for each column (n, m)."""
        return values[:, self.contacts.coupon]


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


def layer_shifts(p: Printing, sd: np.ndarray) -> np.ndarray:
    """Shift of every layer of every plate (n, plates + 1, layers, 2) [mm]."""
    c = p.contacts
    shape_ = (p.n, int(c.plate.max()) + 1, c.layers, 2)
    return sd[:, None, None, None] * p.rng.standard_normal(shape_)


def rests_on_outermost(p: Printing, shifts: np.ndarray) -> np.ndarray:
    """Change of the readings (n, m) where flat jaws rest on the layers that stand out most."""
    c = p.contacts
    outward = np.zeros((p.n, len(c.size), 2))
    for i in np.flatnonzero(~c.height):
        band = shifts[:, c.plate[i], c.first_layer[i] : c.last_layer[i]]
        outward[:, i] = (band @ c.flanks.side[i].T).max(axis=1)
    return c.stood_out(outward)


def _jitter(p: Printing, sizes: Sizes) -> np.ndarray:
    return rests_on_outermost(p, layer_shifts(p, sizes["sd"]))


def _blob(p: Printing, sizes: Sizes) -> np.ndarray:
    c = p.contacts
    outward = np.zeros((p.n, len(c.size), 2))
    for index, loop in enumerate(c.loops):
        seam = p.rng.integers(0, len(loop.points), p.n)
        for i, j in np.argwhere(c.flanks.loop == index):
            side = c.flanks.side[i, j]
            start = loop.points[c.flanks.move[i, j]]
            step = np.roll(loop.points, -1, axis=0)[c.flanks.move[i, j]] - start
            away = loop.points[seam] - (start + c.flanks.share[i, j] * step)
            across = np.abs(away @ np.array([-side[1], side[0]]))
            # A blob stands out over its own place, wherever that lies below the flat.
            under = (across < c.flanks.half_jaw[i] + BLOB_REACH_MM) & (np.abs(away @ side) < WINDOW_MM)
            felt = np.clip(sizes["height"] + away @ side, 0.0, sizes["height"])
            outward[:, i, j] = np.where(under, felt, 0.0)
    return c.stood_out(outward)


def _corners(p: Printing, sizes: Sizes) -> np.ndarray:
    c = p.contacts
    m = len(c.size)
    # Half of the variance is the printer's habit, half each corner's own.
    own = sizes["own"][:, None, None] * p.rng.standard_normal((p.n, m, 2))
    bulge = (sizes["habit"][:, None, None] + own) / np.sqrt(2)
    off = np.maximum(c.flanks.to_corner - c.flanks.half_jaw[:, None], 0.0)
    near = np.where(np.isfinite(off), np.exp(-np.where(np.isfinite(off), off, 0.0) / BULGE_DECAY_MM), 0.0)
    diagonal = (c.kind == "diagonal")[:, None]
    return c.stood_out(bulge * np.where(diagonal, 1.0, np.where(c.height[:, None], 0.0, near)))


def _elastic_shift(theta: np.ndarray, sizes: Sizes) -> None:
    for axis in ("x", "y"):
        theta[:, INDEX[f"backlash_{axis}"]] += sizes[f"friction_{axis}"]


def _elastic(p: Printing, sizes: Sizes) -> np.ndarray:
    states = drive_states(p.contacts, sizes["take_up"])
    settled = drive_states(p.contacts, np.full(p.n, 1e-3))
    part = np.stack([sizes["friction_x"], sizes["friction_y"]], axis=1) / 2
    return p.contacts.moved(-part[:, None, None] * (states - settled))


def _flare_shift(theta: np.ndarray, sizes: Sizes) -> None:
    theta[:, INDEX["first_layer_flare"]] += sizes["flare"] * np.exp(-0.1 / sizes["decay"])


def _flare(p: Printing, sizes: Sizes) -> np.ndarray:
    c = p.contacts
    left = sizes["flare"][:, None] * np.exp(-c.low / sizes["decay"][:, None])
    return 2 * c.sign * np.where(c.foot, 0.0, left)


def _shrinkage_shift(theta: np.ndarray, sizes: Sizes) -> None:
    """Scale means that of a 20 mm section."""
    for axis, name in enumerate(("scale_x", "scale_y", "scale_z")):
        theta[:, INDEX[name]] -= _fractions(sizes)[:, axis]


def _fractions(sizes: Sizes) -> np.ndarray:
    k, apart = sizes["fraction"], sizes["apart"]
    return np.stack([k * (1 + apart), k * (1 - apart), k], axis=1)


def _shrinkage(p: Printing, sizes: Sizes) -> np.ndarray:
    c = p.contacts
    more = (c.section / 20.0) ** sizes["power"][:, None] - 1
    k = _fractions(sizes)
    along = k[:, :1] * np.cos(c.angle) ** 2 + k[:, 1:2] * np.sin(c.angle) ** 2
    lift = sizes["lift"] * np.sign(sizes["way"])
    ends = np.where(c.height, c.lever**2, 0.0)
    return -np.where(c.height, k[:, 2:], along) * c.size * more + lift[:, None] * ends


def _closing_shift(theta: np.ndarray, sizes: Sizes) -> None:
    theta[:, INDEX["bore_closure"]] += sizes["bores"]


def _closing(p: Printing, sizes: Sizes) -> np.ndarray:
    c = p.contacts
    closure = p.theta[:, INDEX["bore_closure"], None]
    ratio = 3.0 / c.size
    bores = -closure * (ratio ** sizes["power"][:, None] - ratio)
    windows = -sizes["windows"][:, None] * (6.0 / c.size) ** sizes["window_power"][:, None]
    is_window = (c.family == "stepped-bore") & (c.kind == "inside") & ~c.round
    return np.where(c.round, bores, np.where(is_window, windows, 0.0))


def _push_out(p: Printing, sizes: Sizes) -> np.ndarray:
    c = p.contacts
    return 2 * np.where(c.solid, c.sign, 0.0) * sizes["push"][:, None]


def _second_plate(p: Printing, sizes: Sizes) -> np.ndarray:
    c = p.contacts
    more = -sizes["fraction"][:, None] * c.size + c.sign * sizes["bead"][:, None]
    return np.where(c.plate > 1, more, 0.0)


def _crosstalk(p: Printing, sizes: Sizes) -> np.ndarray:
    # The other axis has long taken up its play when it draws a flank across.
    states = drive_states(p.contacts, np.full(p.n, 1e-3))
    play = p.theta[:, [INDEX["backlash_x"], INDEX["backlash_y"]]] / 2
    share = np.stack([sizes["x_of_y"], sizes["y_of_x"]], axis=1)
    return p.contacts.moved(-share[:, None, None] * (play[:, None, None] * states)[..., ::-1])


EFFECTS: dict[str, Effect] = {
    e.name: e
    for e in (
        Effect(
            name="jitter",
            text="each layer shifts as a whole, by 0.01 to 0.04 mm",
            sizes={"sd": span(0.01, 0.04)},
            act=_jitter,
            varies=True,
        ),
        Effect(
            name="seam blob",
            text="loops begin at any vertex with a blob of 0.05 to 0.15 mm",
            sizes={"height": span(0.05, 0.15)},
            act=_blob,
            varies=True,
        ),
        Effect(
            name="corners",
            text="corners bulge or are cut, by 0.06 mm (standard deviation)",
            sizes={"habit": spread(0.06), "own": span(0.06, 0.06)},
            act=_corners,
            varies=True,
        ),
        Effect(
            name="elastic",
            text="0.05 to 0.2 mm of lost motion is wound up against friction over 0.3 to 3 mm of way",
            sizes={
                "friction_x": span(0.05, 0.2),
                "friction_y": span(0.05, 0.2),
                "take_up": shape(0.3, 3.0),
            },
            act=_elastic,
            shift=_elastic_shift,
        ),
        Effect(
            name="growing flare",
            text="0 to 0.2 mm per side at the bed, dying over 0.2 to 1.0 mm of height",
            sizes={"flare": span(0.0, 0.2), "decay": shape(0.2, 1.0)},
            act=_flare,
            shift=_flare_shift,
        ),
        Effect(
            name="shrinkage",
            text="0.1 to 0.6 %, more in large sections, x and y a third apart; ends lift by up to 0.15 mm",
            sizes={
                "fraction": span(0.001, 0.006),
                "apart": shape(-1 / 6, 1 / 6),
                "power": shape(0.2, 0.5),
                "lift": span(0.0, 0.15),
                "way": shape(-1, 1),
            },
            act=_shrinkage,
            shift=_shrinkage_shift,
        ),
        Effect(
            name="closing",
            text="bores close by another law of their size, windows by up to 0.06 mm",
            sizes={
                "bores": span(0.0, 0.1),
                "power": shape(0.5, 2.0),
                "windows": span(0.0, 0.06),
                "window_power": shape(0.0, 1.0),
            },
            act=_closing,
            shift=_closing_shift,
        ),
        Effect(
            name="push-out",
            text="dense filling pushes walls out, by up to 0.05 mm per side",
            sizes={"push": span(0.0, 0.05)},
            act=_push_out,
        ),
        Effect(
            name="second plate",
            text="the second plate shrinks 0.1 to 0.3 % more and its bead is 0.01 to 0.04 mm wider",
            sizes={"fraction": span(0.001, 0.003), "bead": span(0.01, 0.04)},
            act=_second_plate,
        ),
        Effect(
            name="crosstalk",
            text="the play of one axis shows up to 40 % in the other",
            sizes={"x_of_y": span(0.0, 0.4), "y_of_x": span(0.0, 0.4)},
            act=_crosstalk,
        ),
    )
}


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

    def sizes_on_average(self, rng: np.random.Generator, removed: np.ndarray | float = 0.0) -> np.ndarray:
        """Sizes (n, m) [mm] as flat jaws or a mating part see them, mean over printings; no caliper error.

        The jaws rest on what stands out most, as a mating part does, and that is what decides a fit.
        """
        theta = self.truth - removed
        theta[:, [INDEX["outside_bias"], INDEX["inside_bias"]]] = 0.0
        return self.walk.readings(theta) + self._roughness(rng, removed, REPRINTS)

    def _roughness(
        self, rng: np.random.Generator, removed: np.ndarray | float, printings: int = 1
    ) -> np.ndarray:
        """Change of the readings by all effects, mean over so many printings."""
        printing = Printing(contacts=self.contacts, theta=self.truth - removed, rng=rng)
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


def _recipes() -> tuple[Recipe, ...]:
    return (
        Recipe(name="ideal", text="as modelled"),
        Recipe(
            name="jitter 0.02",
            text="each layer shifts as a whole, by 0.02 mm",
            effects=(replace(EFFECTS["jitter"], sizes={"sd": span(0.02, 0.02)}),),
        ),
        *(Recipe(name=e.name, text=e.text, effects=(e,)) for e in EFFECTS.values()),
        Recipe(
            name="caliper and hand",
            text="jaws tilt, thin walls give, zero drifts, some round to 0.05 mm",
            noise="rough hand",
        ),
        Recipe(
            name="hand, three times",
            text="the same, each feature three times, up to 0.7 of the variance in common",
            noise="rough hand, three times",
        ),
        Recipe(
            name="mix",
            text="all of these, each at up to half of its range",
            effects=tuple(EFFECTS.values()),
            mixed=True,
            noise="half a rough hand",
        ),
    )


RECIPES: dict[str, Recipe] = {r.name: r for r in _recipes()}
"""The ideal printer and every effect of the list, alone and together."""
