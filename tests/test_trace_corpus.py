"""A seeded corpus of sliced files as they really come: each read right, or refused or warned with the true reason.

The path writer knows the truth and shares no code with the reader. Bounds: offsets of outsides and of openings 0.005
mm, bead 1.5 %, flow 1 %, seams 0.1 mm.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from fitassay.analysis.gcode.trace import trace_templates
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine
from tests.pathwriter import Style
from tests.test_trace import drawn, full_set, templates

OFFSET_MM, BEAD, FLOW, SEAM_MM = 0.005, 0.015, 0.01, 0.1
PLATES = (("boss", "bore"), ("comb-x", "comb-y", "bore"), ("boss", "bore", "comb-x", "comb-y"))


@dataclass(frozen=True)
class Kind:
    """One sort of file: what the program does, and what must be said of it (one of the texts; none: nothing)."""

    style: dict[str, Any]
    said: tuple[str, ...] = field(default_factory=tuple)


KINDS: dict[str, Kind] = {
    "plain": Kind({}),
    "openings smaller": Kind({"hole_offset": 0.07}, ("Openings are drawn 0.140 mm smaller",)),
    "openings larger": Kind({"hole_offset": -0.2}, ("Openings are drawn 0.400 mm larger",)),
    "outsides smaller": Kind({"offset": -0.1, "hole_offset": 0.1}, ("stands 0.100 mm inside",)),
    "outsides larger": Kind({"offset": 0.1, "hole_offset": -0.1}, ("stands 0.100 mm outside",)),
    "on the outline": Kind({"offset": 0.225}, ("drawn on the outline",)),
    "crumbs": Kind({"crumbs": True, "decimals": 3}),
    "coasting 1.6": Kind({"coast": 1.6}),
    "coasting 2.5": Kind({"coast": 2.5}),
    "ends short 1.2": Kind({"coast": 1.2, "coast_moves": False}),
    "drawn in two": Kind({"split": True}),
    "scarf rising": Kind({"scarf": 20.0}),
    "scarf level": Kind({"scarf": 10.0, "scarf_rising": False}),
    "wipe": Kind({"wipe": 2.0}),
    "by volume": Kind({"by_volume": True}),
    "by volume, wide": Kind({"by_volume": True, "width": 0.5}, ("commanded bead is 0.500 mm",)),
    "flow 95 %": Kind({"flow": 0.95}, ("95.0 % of what that takes",)),
    "flow 108 %": Kind({"flow": 1.08}, ("108.0 % of what that takes",)),
    "round pitch": Kind({"pitch": "rounded"}),
    "flow word": Kind({"words": ("M221 S90",), "written_flow": 0.9}, ("(M221 S90) changes the flow",)),
    "steps word": Kind({"words": ("M92 X80.5",)}, ("(M92 X80.5) changes the steps per millimetre",)),
    "nozzle height word": Kind({"words": ("M290 Z0.05",)}, ("changes the height of the nozzle",)),
    "rotation word": Kind({"words": ("G68 X0 Y0 R10",)}, ("coordinate rotation",)),
    "z scaled": Kind({"z_scale": 1.005}, ("Heights are enlarged by +0.50 %",)),
    "tower": Kind({"tower": 30.0}),
    "other part": Kind({"other_part": True}),
    "copies": Kind({"twice": ("bore",)}, ("Coupon bore is on the plate 2 times",)),
    "purge high up": Kind({"purge_z": 60.0}),
    "relative, unsaid": Kind({"declared": False}, ("Nothing in the file says how E counts",)),
    "deletes a file": Kind({"words": ("M30 orrery.txt",)}),
    "lines lost": Kind({"numbered": True, "number_gap": True}, ("Line numbers are missing",)),
    "five walls": Kind({"walls": 5}),
    "askew a little": Kind({"angle_deg": 0.08}, ("turned by +0.08 degrees",)),
}


def check(tmp_path, name: str, seed: int) -> str:
    """Read one file of a kind; the answer is ``right`` or ``refused``."""
    rng = np.random.default_rng([7, seed])
    kind = KINDS[name]
    ids = PLATES[seed % len(PLATES)]
    changed = {k: v for k, v in kind.style.items() if k != "written_flow"}
    style = replace(
        Style(
            walls=int(rng.integers(2, 4)),
            outer_first=bool(rng.random() < 0.5),
            reverse=bool(rng.random() < 0.5),
            infill=bool(rng.random() < 0.5),
            shift=(float(rng.uniform(-20, 60)), float(rng.uniform(-20, 60))),
            seam=str(rng.choice(["sharpest", "vertex"])),
        ),
        **changed,
    )
    made = drawn(style, ids, seed)
    path = tmp_path / "plate.txt"
    path.write_text(made.text)
    try:
        trace = trace_templates(path, full_set().manifest, templates(), Machine())
    except InputError as exc:
        assert kind.said and any(text in str(exc) for text in kind.said), exc
        return "refused"
    for text in kind.said:
        assert any(text in w for w in trace.warnings), (text, trace.warnings)
    assert set(trace.found) == set(ids)
    assert all(p.place.turn.text == "" for p in trace.found.values())
    assert trace.offset_mm == pytest.approx(style.offset, abs=OFFSET_MM)
    assert trace.place is not None and trace.bead is not None
    if "bore" in ids:
        assert trace.offset_mm + trace.place.opening == pytest.approx(
            style.offset + style.hole_offset, abs=OFFSET_MM
        )
        assert all(abs(v) < OFFSET_MM for v in trace.place.bores.values())
    assert trace.bead.width == pytest.approx(style.width, rel=BEAD)
    assert trace.bead.flow == pytest.approx(style.flow * kind.style.get("written_flow", 1.0), rel=FLOW)
    for key, paths in trace.found.items():
        seams = np.array([s for (owner, _), spots in made.seams.items() if owner == key for s in spots])
        for loop in paths.outer:
            assert np.hypot(*(seams - loop.seam - paths.place.shift).T).min() < SEAM_MM, (key, loop.height)
    return "right"


@pytest.mark.parametrize("name", KINDS)
def test_each_kind_once(tmp_path, name):
    check(tmp_path, name, list(KINDS).index(name))


@pytest.mark.calibration
@pytest.mark.parametrize("name", KINDS)
def test_each_kind_ten_times(tmp_path, name):
    for seed in range(10):
        check(tmp_path, name, seed)
