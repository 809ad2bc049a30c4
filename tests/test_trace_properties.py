"""What must not matter to the reading of a sliced file: how the same printing moves are written down.

Of each way of writing the seed draws some; the answers are compared with those of the plain file. Bound 0.003 mm,
derived here: three decimals round by 0.0005 mm, and offsets come from many flanks.
"""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from fitassay.analysis.gcode.trace import trace_templates
from fitassay.analysis.gcode.trace_data import Trace
from fitassay.coupons.machine import Machine
from tests.path_twists import Manner, Ops, arced, crumbs, mapped, parsed, quarter_turned, split_moves, written
from tests.pathwriter import INCH, Style
from tests.test_trace import drawn, full_set, templates

BOUND_MM = 0.003
PLAY_MM = 0.1
PLATES = (("bore",), ("boss", "comb-y"))
STYLES = (
    Style(decimals=6, walls=2, hole_offset=0.05),
    Style(decimals=6, walls=3, offset=-0.08, infill=False, seam="vertex", outer_first=True),
    Style(decimals=6, walls=2, flow=0.94, inner_width=0.5, infill=False),
)


@cache
def plain(style: int, plate: int) -> tuple[Ops, Trace]:
    ops = parsed(drawn(STYLES[style], PLATES[plate]).text)
    return ops, read(written(ops))


def read(text: str) -> Trace:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plate.txt"
        path.write_text(text)
        return trace_templates(path, full_set().manifest, templates(), Machine())


def answers(trace: Trace, turned: bool, moved: np.ndarray) -> dict[str, float]:
    """Everything that is said in millimetres; backlash gains by what a play of 0.1 mm makes of them."""
    assert trace.place is not None and trace.offset_mm is not None and trace.bead is not None
    said = {
        "offset": trace.offset_mm,
        "opening": trace.place.opening,
        "bead": trace.bead.width,
        "fed": trace.bead.fed,
        "pitch": trace.bead.pitch or 0.0,
        "first layer": trace.first_layer_mm,
        "layer": trace.layer_height_mm,
        **{f"bore {d}": v for d, v in trace.place.bores.items()},
    }
    for f in trace.features:
        gains = f.gains[::-1] if turned else f.gains
        name = f"{f.coupon} {f.feature.id}"
        said |= {name: f.offset_mm, f"{name} a": gains[0] * PLAY_MM, f"{name} b": gains[1] * PLAY_MM}
    for key, paths in trace.found.items():
        middle = paths.place.shift + paths.place.middle - moved
        x, y = (middle[1], -middle[0]) if turned else middle
        said |= {f"{key} x": float(x), f"{key} y": float(y)}
    return said


def check(seed: int) -> None:
    rng = np.random.default_rng([31, seed])
    ops, trace = plain(int(rng.integers(len(STYLES))), int(rng.integers(len(PLATES))))

    def by_chance(share: float = 0.5) -> bool:
        return bool(rng.random() < share)

    if by_chance():
        ops = arced(ops)
    if by_chance():
        ops = split_moves(ops, int(rng.integers(2, 5)))
    if by_chance():
        ops = crumbs(ops, int(rng.integers(3, 40)), feeds=by_chance())
    turned = by_chance()
    if turned:
        ops = quarter_turned(ops)
    moved = rng.uniform(-200, 200, 2) if by_chance() else np.zeros(2)
    ops = mapped(ops, lambda p: p + [*moved, 0.0])
    inches = by_chance(0.3)
    manner = Manner(
        decimals=3 + inches + int(by_chance()),
        unit=INCH if inches else 1.0,
        absolute_e=by_chance(),
        resets=int(rng.integers(20, 400)) if by_chance() else 0,
        travel="G1" if by_chance(0.3) else "G0",
    )
    other = read(written(ops, manner))
    assert set(other.found) == set(trace.found)
    expected, seen = answers(trace, False, np.zeros(2)), answers(other, turned, moved)
    off = {k: round(seen[k] - v, 4) for k, v in expected.items() if not abs(seen[k] - v) < BOUND_MM}
    assert not off, (off, seed, manner)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(1))
def test_manners_of_writing_do_not_matter(seed):
    check(seed)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(1, 10))
def test_further_manners_of_writing_do_not_matter(seed):
    check(seed)


@pytest.mark.calibration
def test_sixty_manners_of_writing_do_not_matter():
    for seed in range(100, 160):
        check(seed)
