"""Roughness that no budget of the interpreter was set for: does the verdict stay honest beyond its own list?

The ranges are common practice without a source. They were fixed before the interpreter was tried on them and are not
to be tuned to it.
"""

from __future__ import annotations

import numpy as np

from fitassay.analysis.validation.catalogue import by_name
from fitassay.analysis.validation.draws import shape, span, spread
from fitassay.analysis.validation.effect import Effect, Printing, Recipe, Sizes, rests_on_outermost
from fitassay.analysis.validation.listed_effects import EFFECTS
from fitassay.coupons.feature import DEEP_MM

# A bow is felt on pieces longer than this.
LONG_MM = 30.0
RING_DECAY_MM = 2.5
RING_WAVE_MM = 1.6
RING_POINTS = 5


def _bow(p: Printing, sizes: Sizes) -> np.ndarray:
    """A piece bowed by h over its length L has end faces 8 h / L out of parallel: jaws rest on their outer edges."""
    c = p.contacts
    long = np.isin(c.kind, ("outside", "diagonal")) & (c.size > LONG_MM)
    rise = sizes["rise"][:, None] * (c.size / 80.0) ** 2
    leaning = 8 * rise / np.maximum(c.size, 1.0) * DEEP_MM / 2
    ends = np.where(c.height, c.lever**2, 0.0) * sizes["rise"][:, None] * (30.0 / 80.0) ** 2
    return np.where(long, leaning, 0.0) + ends


def _ooze(p: Printing, sizes: Sizes) -> np.ndarray:
    """Faces towards one side of the bed carry a film, thickest where they face it squarely."""
    c = p.contacts
    towards = np.stack([np.cos(sizes["way"]), np.sin(sizes["way"])], axis=1)
    facing = np.maximum(np.einsum("mfa,na->nmf", np.nan_to_num(c.flanks.side), towards), 0.0)
    return c.stood_out(sizes["film"][:, None, None] * facing)


def _wobble(p: Printing, sizes: Sizes) -> np.ndarray:
    """Layers swing to and fro with the turn of the z screw."""
    c = p.contacts
    z = np.arange(c.layers) * c.layer_mm
    phase = sizes["phase"][:, None]
    swing = sizes["swing"][:, None] * np.sin(2 * np.pi * z / sizes["lead"][:, None] + phase)
    way = np.stack([np.cos(sizes["way"]), np.sin(sizes["way"])], axis=1)
    shifts = np.repeat((swing[:, :, None] * way[:, None])[:, None], int(c.plate.max()) + 1, axis=1)
    return rests_on_outermost(p, shifts)


def _belt_ripple(p: Printing, sizes: Sizes) -> np.ndarray:
    """Each axis runs fast and slow with the pitch of its belt's teeth and with the turn of its pulley."""
    place = np.nan_to_num(p.contacts.flanks.place)[None]
    off = np.zeros((p.n, *place.shape[1:]))
    for period, part in ((2.0, "tooth"), (32.0, "turn")):
        for axis in (0, 1):
            phase = sizes[f"{part}_phase_{axis}"][:, None, None]
            swing = np.sin(2 * np.pi * place[..., axis] / period + phase)
            off[..., axis] += sizes[part][:, None, None] * swing
    return p.contacts.moved(off)


def _ringing(p: Printing, sizes: Sizes) -> np.ndarray:
    """The nozzle overshoots at a corner and swings out along the face; the jaw rests on the crest below it."""
    c = p.contacts
    half = c.flanks.half_jaw[:, None]
    crest = np.full(c.flanks.since_corner.shape, -np.inf)
    for at in np.linspace(-1, 1, RING_POINTS):
        way = np.maximum(c.flanks.since_corner + at * half, 0.0)
        finite = np.where(np.isfinite(way), way, 1e3)
        crest = np.maximum(crest, np.exp(-finite / RING_DECAY_MM) * np.cos(2 * np.pi * finite / RING_WAVE_MM))
    felt = np.where((c.kind == "outside") | (c.kind == "inside"), 1.0, 0.0)[:, None]
    return c.stood_out(sizes["overshoot"][:, None, None] * np.nan_to_num(crest) * felt)


def _bead_by_way(p: Printing, sizes: Sizes) -> np.ndarray:
    """Faces drawn along x and along y have beads of different width, and so do the two ways along one axis."""
    c = p.contacts
    heading = np.nan_to_num(c.flanks.heading)
    axis = heading[..., 0] ** 2 - heading[..., 1] ** 2
    outward = sizes["axes"][:, None, None] / 4 * axis
    outward = outward + sizes["ways"][:, None, None] / 2 * (heading[..., 0] + heading[..., 1])
    return c.stood_out(outward)


def _warming(p: Printing, sizes: Sizes) -> np.ndarray:
    """Bead and shrinkage drift evenly from the first coupon to the last."""
    c = p.contacts
    age = (c.coupon / max(int(c.coupon.max()), 1) - 0.5)[None]
    return age * (sizes["bead"][:, None] * c.sign - sizes["fraction"][:, None] * c.size)


def _coarse_steps(p: Printing, sizes: Sizes) -> np.ndarray:
    """Both drives stop at whole steps only."""
    place = np.nan_to_num(p.contacts.flanks.place)[None]
    step = sizes["step"][:, None, None, None]
    origin = np.stack([sizes["origin_x"], sizes["origin_y"]], axis=1)[:, None, None] * step
    return p.contacts.moved(np.round((place + origin) / step) * step - origin - place)


TURN = 2 * np.pi

UNLISTED: dict[str, Effect] = by_name(
    Effect(
        name="bow",
        text="long pieces bow by 0.1 to 0.6 mm over 80 mm",
        sizes={"rise": span(0.1, 0.6)},
        act=_bow,
    ),
    Effect(
        name="ooze on one side",
        text="faces towards one side carry a film of 0.02 to 0.08 mm",
        sizes={"film": span(0.02, 0.08), "way": shape(0, TURN)},
        act=_ooze,
    ),
    Effect(
        name="screw wobble",
        text="layers swing by 0.01 to 0.05 mm with the z screw's turn of 2 to 8 mm",
        sizes={
            "swing": span(0.01, 0.05),
            "lead": shape(2.0, 8.0),
            "phase": shape(0, TURN),
            "way": shape(0, TURN),
        },
        act=_wobble,
    ),
    Effect(
        name="belt ripple",
        text="axes run fast and slow by 0.01 to 0.03 mm a tooth and 0.01 to 0.04 mm a pulley's turn",
        sizes={"tooth": span(0.01, 0.03), "turn": span(0.01, 0.04)}
        | {f"{part}_phase_{axis}": shape(0, TURN) for part in ("tooth", "turn") for axis in (0, 1)},
        act=_belt_ripple,
    ),
    Effect(
        name="ringing",
        text="the nozzle overshoots by 0.02 to 0.1 mm at corners and swings out over 2.5 mm",
        sizes={"overshoot": span(0.02, 0.1)},
        act=_ringing,
    ),
    Effect(
        name="bead by way",
        text="the bead is 0.03 mm (standard deviation) wider along one axis, 0.02 mm wider one way",
        sizes={"axes": spread(0.03), "ways": spread(0.02)},
        act=_bead_by_way,
    ),
    Effect(
        name="warming up",
        text="from first to last coupon the bead changes by 0.03 mm and shrinkage by 0.1 % (standard deviations)",
        sizes={"bead": spread(0.03), "fraction": spread(0.001)},
        act=_warming,
    ),
    Effect(
        name="coarse steps",
        text="drives stop at whole steps of 0.02 to 0.06 mm",
        sizes={"step": span(0.02, 0.06), "origin_x": shape(0, 1), "origin_y": shape(0, 1)},
        act=_coarse_steps,
    ),
)


def _recipes() -> tuple[Recipe, ...]:
    listed = tuple(EFFECTS.values())
    return (
        *map(Recipe.alone, UNLISTED.values()),
        Recipe(
            name="double push-out",
            text="dense filling pushes walls out by up to 0.1 mm per side",
            effects=(EFFECTS["push-out"],),
            times=2.0,
        ),
        Recipe(
            name="jitter and a half",
            text="each layer shifts as a whole, by 0.015 to 0.06 mm",
            effects=(EFFECTS["jitter"],),
            times=1.5,
        ),
        Recipe(
            name="double mix",
            text="all effects of the list at up to their full range",
            effects=listed,
            times=2.0,
            mixed=True,
            noise="rough hand",
        ),
    )


RECIPES: dict[str, Recipe] = by_name(*_recipes())
"""Populations outside the list."""
