"""What real printers do beside the error terms, one row an effect: the list that the interpreter's budget is set for.

Ranges are common practice without a source. `unlisted_effects` holds what no budget was set for.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fitassay.analysis.chain.span import WINDOW_MM
from fitassay.analysis.terms import INDEX
from fitassay.analysis.validation.catalogue import by_name
from fitassay.analysis.validation.draws import shape, span, spread
from fitassay.analysis.validation.effect import Effect, Printing, Recipe, Sizes, rests_on_outermost
from fitassay.analysis.validation.jaw_contacts import drive_states

# A blob is felt this far beside the jaw's flat; a corner's bulge dies along the flank over the other length.
BLOB_REACH_MM = 0.3
BULGE_DECAY_MM = 0.7


def layer_shifts(p: Printing, sd: np.ndarray) -> np.ndarray:
    """Shift of every layer of every plate (n, plates + 1, layers, 2) [mm]."""
    c = p.contacts
    shape_ = (p.n, int(c.plate.max()) + 1, c.layers, 2)
    return sd[:, None, None, None] * p.rng.standard_normal(shape_)


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


EFFECTS: dict[str, Effect] = by_name(
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


def _recipes() -> tuple[Recipe, ...]:
    return (
        Recipe(name="ideal", text="as modelled"),
        Recipe(
            name="jitter 0.02",
            text="each layer shifts as a whole, by 0.02 mm",
            effects=(replace(EFFECTS["jitter"], sizes={"sd": span(0.02, 0.02)}),),
        ),
        *map(Recipe.alone, EFFECTS.values()),
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


RECIPES: dict[str, Recipe] = by_name(*_recipes())
"""The ideal printer and every effect of the list, alone and together."""
