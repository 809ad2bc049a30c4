"""Sliced files against the coupons: what a general path writer drew must be read back."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from analysis.outline import Template
from analysis.toolpath import Mesh
from analysis.trace import Trace, trace_file, trace_templates
from coupons.errors import InputError
from coupons.machine import Machine
from coupons.make import CouponSet, build_set, write_set
from tests.pathwriter import Drawn, Style, write

TURN_TEXT = {
    "as drawn": "",
    "90": "turned by 90 degrees counter-clockwise",
    "180": "turned by 180 degrees",
    "270": "turned by 90 degrees clockwise",
    "mirrored": "mirrored left to right",
    "mirrored 90": "mirrored, x and y exchanged",
}
IDS = ("boss", "bore", "comb-x", "comb-y", "wall", "frame", "stair")


@cache
def full_set() -> CouponSet:
    return build_set(Machine())


@cache
def templates() -> dict[str, Template]:
    made = full_set()
    return {c.id: Template(c, _mesh(made, c.id), made.manifest.layer_height_mm) for c in made.manifest.coupons}


def _mesh(made: CouponSet, key: str) -> Mesh:
    return Mesh(vertices=made.solids[key].vertices, faces=made.solids[key].faces)


def drawn(style: Style, ids: tuple[str, ...], seed: int = 0) -> Drawn:
    made = full_set()
    coupons = [(replace(c, origin_on_plate_mm=SPOTS[c.id]), _mesh(made, c.id)) for c in made.manifest.coupons]
    return write([item for item in coupons if item[0].id in ids], style, seed)


# Where the tests put the pieces on one wide bed.
SPOTS = {
    "boss": (10.0, 10.0),
    "bore": (60.0, 10.0),
    "comb-x": (10.0, 60.0),
    "comb-y": (70.0, 60.0),
    "wall": (100.0, 60.0),
    "stair": (110.0, 10.0),
    "frame": (10.0, 110.0),
}


def traced(tmp_path, style: Style, ids: tuple[str, ...], seed: int = 0) -> tuple[Trace, Drawn]:
    made = drawn(style, ids, seed)
    path = tmp_path / "plate.txt"
    path.write_bytes(made.text.encode())
    return trace_templates(path, full_set().manifest, templates(), Machine()), made


# What the combination test draws from; everything that is not geometry must not matter.
def random_style(rng: np.random.Generator) -> Style:
    def pick(*values):
        return values[int(rng.integers(len(values)))]

    width = pick(0.45, 0.45, 0.42, 0.5)
    inches = bool(rng.random() < 0.2)
    return Style(
        width=width,
        offset=pick(0.0, width / 2, -0.1, 0.03),
        scale=pick(1.0, 1.0, 1.002),
        turn=pick(*TURN_TEXT),
        shift=(float(rng.uniform(-50, 200)), float(rng.uniform(-50, 200))),
        walls=pick(1, 2, 3),
        outer_first=bool(rng.random() < 0.5),
        reverse=bool(rng.random() < 0.5),
        seam=pick("sharpest", "random", "vertex"),
        seam_gap=pick(0.0, 0.0, 0.1),
        infill=bool(rng.random() < 0.7),
        skirt=bool(rng.random() < 0.5),
        brim=pick(0, 0, 5),
        first_layer=pick(None, None, 0.3),
        relative_feed=bool(rng.random() < 0.5),
        relative_moves=bool(rng.random() < 0.3),
        inches=inches,
        arcs=pick("", "", "I", "R"),
        blanks=bool(rng.random() < 0.7),
        lower=bool(rng.random() < 0.3),
        numbered=bool(rng.random() < 0.3),
        comments=pick("", ";", "("),
        end=pick("\n", "\r\n"),
        decimals=pick(3, 4),
        offset_origin=bool(rng.random() < 0.3),
        retract=bool(rng.random() < 0.7),
        one_by_one=bool(rng.random() < 0.2),
    )


def check_combination(tmp_path, seed: int) -> None:
    rng = np.random.default_rng([20, seed])
    style = random_style(rng)
    ids = tuple(rng.choice(IDS, size=int(rng.integers(1, 3)), replace=False, p=(0.2, 0.15, 0.15, 0.15, 0.2, 0.1, 0.05)))
    trace, made = traced(tmp_path, style, ids, seed)
    assert set(trace.found) == set(ids), (style, ids)
    for key, paths in trace.found.items():
        # A comb looks like the other one turned, but for its mark; the mark decides.
        assert paths.place.turn.text == TURN_TEXT[style.turn], (key, style)
        assert paths.wall == ("one bead" if key == "wall" else "")
        for loop in paths.outer:
            if not (key == "wall" and loop.opening):
                assert loop.left != style.reverse, (key, loop.height, style)
            if key != "wall":
                assert loop.walls >= style.walls or loop.opening
                assert loop.outer_first in (None, style.outer_first)
            at = loop.seam + paths.place.shift + ((5, -3) if style.offset_origin else (0, 0))
            seams = [s for (name, _), spots in made.seams.items() if name == key for s in spots]
            assert min(np.hypot(*(np.array(seams) - at).T)) < 0.02, (key, style)
    assert trace.bead is not None and trace.bead.width == pytest.approx(style.width, rel=0.01)
    if ids == ("wall",):
        assert trace.offset_mm is None
    else:
        assert trace.offset_mm == pytest.approx(style.offset, abs=0.005), (ids, style)
        assert trace.place is not None
        assert trace.place.scale == pytest.approx(style.scale - 1, abs=5e-4)
    if style.walls > 1 and ids != ("wall",):
        expected = "outer wall first" if style.outer_first else "inner walls first"
        assert trace.as_json()["order"] == expected


@pytest.mark.parametrize("seed", range(40))
def test_whatever_the_style(tmp_path, seed):
    check_combination(tmp_path, seed)


@pytest.mark.calibration
@pytest.mark.parametrize("chunk", range(10))
def test_whatever_the_style_at_scale(tmp_path, chunk):
    for seed in range(100 + 50 * chunk, 150 + 50 * chunk):
        check_combination(tmp_path, seed)
