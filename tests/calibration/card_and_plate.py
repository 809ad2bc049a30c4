"""The reversal card and the quick plate, both by a path of our own, on the rough machines of `acceptance`.

A path of our own leaves out what a slicing program does to the path's place. The card is the written file, printed by
`tests.virtual_card` and counted by its eye, which takes a neighbour in one row of ten; the plate is read with the
caliper.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.estimation.by_eye import eye_facts
from fitassay.analysis.estimation.known import with_facts
from fitassay.analysis.estimation.model_error import model_error, piece_sd
from fitassay.analysis.estimation.observations import hold_sd
from fitassay.analysis.estimation.priors import prior
from fitassay.analysis.gcode.frame import checked_start
from fitassay.analysis.gcode.own_path import drive_of, own_file, with_end
from fitassay.analysis.gcode.traced_print import known_of_own_path
from fitassay.analysis.prints.mixed_model import drift_sds
from fitassay.analysis.readings.reading import Reading
from fitassay.analysis.terms import BEAD, INDEX, PATH, PRINTER, SHAPING, TERMS
from fitassay.analysis.validation.interpret_many import interpret_many
from fitassay.analysis.validation.population import MIXES, draw_printers
from fitassay.analysis.validation.rough_printer import RoughPrinters
from fitassay.analysis.validation.virtual_caliper import NOISES, read_sets
from fitassay.coupons.feature import Manifest
from fitassay.coupons.toolpath.card_set import card_path, card_set
from tests.calibration.acceptance import (
    HEADER,
    LISTED,
    MACHINES,
    OUTSIDE,
    Cell,
    cell_of,
    line,
    row_of_cells,
)
from tests.calibration.study import MACHINE, reference, set_walk
from tests.own_starts import ABSOLUTE, END
from tests.virtual_card import PrintedCard, first_open, gaps, nearest_pair, offsets

PLAYS = [INDEX["backlash_x"], INDEX["backlash_y"]]
SEEN = [*PLAYS, BEAD]
"""Terms that the card tells of."""

TICK_MM = 0.01
"""Scatter of a tick's end."""

LARGE_MM = 0.08
"""Effect over the reference features, root mean square: 0.15 mm on a 20 mm part, with room for gains below 1."""


@cache
def card_manifest() -> Manifest:
    """Drawn once: each printer's counts are judged by it."""
    return card_set(MACHINE).manifest


@cache
def card_file() -> str:
    (coupon,) = card_manifest().coupons
    frame = with_end(checked_start(ABSOLUTE, "start"), END)
    return own_file(
        card_path(MACHINE, coupon.origin_on_plate_mm), drive_of(MACHINE), frame, MACHINE, "card"
    ).text


def size_of(printers: RoughPrinters, effect: str, size: str) -> np.ndarray:
    """One size of one effect (n,); nil where the recipe has none."""
    for e, sizes in zip(printers.recipe.effects, printers.sizes, strict=True):
        if e.name == effect:
            return sizes[size]
    return np.zeros(len(printers.truth))


def counted(printers: RoughPrinters, rng: np.random.Generator) -> dict[str, list[float | None]]:
    """The card of each printer printed and counted: pair numbers by row."""
    (coupon,) = card_manifest().coupons
    truth = printers.truth
    take_up = np.maximum(size_of(printers, "elastic", "take_up"), 1e-3)
    springy = np.stack([size_of(printers, "elastic", f"friction_{axis}") for axis in "xy"], axis=1)
    scale = truth[:, [INDEX["scale_x"], INDEX["scale_y"]]]
    printed = PrintedCard(
        card_file(), truth[:, PLAYS], scale, truth[:, INDEX["skew_xy"]], springy=springy, take_up=take_up
    )
    # The other axis draws upper ticks one way and lower ones the other.
    aside = {
        "x": size_of(printers, "crosstalk", "x_of_y") * truth[:, PLAYS[1]],
        "y": size_of(printers, "crosstalk", "y_of_x") * truth[:, PLAYS[0]],
    }
    rows: dict[str, list[float | None]] = {}
    h, w = MACHINE.layer_height_mm, MACHINE.line_width_mm
    for f in coupon.features:
        assert f.pairs is not None
        if f.kind == "vernier":
            off = offsets(printed, coupon, f, h) + aside[f.id[0]][:, None]
            off += TICK_MM * math.sqrt(2) * rng.standard_normal(off.shape)
            rows[f.id] = [float(v) for v in nearest_pair(off, f.pairs.first, rng)]
        else:
            light = gaps(printed, coupon, f, 2 * h, w) - (w + truth[:, BEAD])[:, None]
            light += TICK_MM * math.sqrt(2) * rng.standard_normal(light.shape)
            rows[f.id] = first_open(light, f.pairs.first, rng)  # type: ignore[assignment]
    return rows


@cache
def told_by(rows: tuple[tuple[str, float | None], ...], term: int) -> tuple[float, float]:
    """What these rows of one card tell of their own term: value and standard uncertainty."""
    manifest, table, row = card_manifest(), prior(MACHINE), np.eye(len(TERMS))[term]
    readings = tuple(
        Reading(
            coupon="card", feature=key, reading_mm=None, pair=v, fit="" if v is not None else "none lines up"
        )
        for key, v in rows
    )
    known = with_facts(table, eye_facts(manifest, readings, MACHINE.line_width_mm, table)[0])
    (mean, sd), (old_mean, old_sd) = known.linear(row), table.linear(row)
    alone = max(float(sd) ** -2 - float(old_sd) ** -2, 1e-6)
    return (float(mean) / float(sd) ** 2 - float(old_mean) / float(old_sd) ** 2) / alone, alone**-0.5


def card_facts(
    rows: dict[str, list[float | None]], n: int
) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """What the cards tell of each term, the drift to the next print with it: row, values (n,), u (n,)."""
    facts = []
    for term, letter in zip(SEEN, "xyg", strict=True):
        own = [key for key in rows if key.startswith(letter)]
        told = [told_by(tuple((key, rows[key][i]) for key in own), term) for i in range(n)]
        row = np.eye(len(TERMS))[term]
        values, u = np.array(told).T
        facts.append((row, values, np.hypot(u, np.sqrt(row**2 @ drift_sds() ** 2))))
    return facts


def card_cell(recipe: str, machines: str, n: int, seed: int = 70) -> Cell:
    """As `acceptance.run_cell`, with the card's counts and the quick plate in place of the full set."""
    full, quick = set_walk("full"), set_walk("quick")
    made = {**LISTED, **OUTSIDE}[recipe]
    rng = np.random.default_rng([seed, sorted(MIXES).index(machines)])
    theta = without_path(draw_printers(MIXES[machines], 2 * n, MACHINE, reference("full").weights, rng), n)
    whole = RoughPrinters(full, theta, made, rng)
    plate = RoughPrinters(quick, theta, made, rng)
    plate.sizes, plate.truth = whole.sizes, whole.truth
    path = known_of_own_path().facts[0]
    facts = [*card_facts(counted(whole, rng), n), (path.row, np.full(n, path.value), np.full(n, path.u))]
    sets = read_sets(plate.printed(rng), NOISES[made.noise], MACHINE, rng, plate.contacts)
    u = np.hypot(sets.u, [hold_sd(f) for f in quick.features])
    found = interpret_many(quick, sets.values, MACHINE, u=u, facts=facts)
    return cell_of(
        recipe,
        machines,
        "card",
        whole,
        found,
        lambda columns: sizes_of(full, found.settled.posterior, columns),
        rng,
        judged_by="quick",
    )


def without_path(theta: np.ndarray, n: int) -> np.ndarray:
    """n printers without a path offset; those whose culprit it was come last, since they would have none."""
    effects = np.abs(theta) * np.sqrt(reference("full").weights)
    culprit = np.argmax(np.where(PRINTER, effects, 0.0), axis=1) == PATH
    kept = theta[np.argsort(culprit, kind="stable")][:n]
    kept[:, PATH] = 0.0
    return kept


def sizes_of(w: SetWalk, known, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sizes of features that were not printed here, and their standard uncertainties (n, columns) [mm]."""
    base, gains = w.linearise()
    gains = np.where(SHAPING, gains, 0.0)[columns]
    mean, sd = known.linear(gains)
    return (base + model_error(w, MACHINE).shift)[columns] + mean, np.hypot(sd, piece_sd(MACHINE))


def within_reach(cell: Cell) -> np.ndarray:
    """Printers whose largest error is a large one that the card and the quick plate are for (n,) of bool."""
    effects = np.abs(cell.truth) * np.sqrt(reference("full").weights)
    effects[:, ~PRINTER] = 0.0
    return np.isin(np.argmax(effects, axis=1), SEEN) & (effects.max(axis=1) >= LARGE_MM)


def main() -> None:
    """Print the table: ``python -m tests.calibration.card_and_plate [printers a mix [roughness ...]]``."""
    import sys

    n = int(sys.argv[1]) if len(sys.argv) > 1 else 125
    print(HEADER + "  within reach")
    for name in sys.argv[2:] or LISTED:
        cells = {m: card_cell(name, m, n) for m in MACHINES}
        culprit = cells["one-culprit"]
        near = within_reach(culprit)
        found = np.mean((culprit.accused & culprit.right)[near])
        print(f"{line(row_of_cells(cells))}  {found:.3f} of {near.sum()}", flush=True)


if __name__ == "__main__":
    main()
