"""The wall chart: what is drawn as it says prints as it wishes, on printers walked by code of the tests' own."""

from __future__ import annotations

import io
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pypdf
import pytest

from fitassay.analysis.chain.mating import PathHabits
from fitassay.analysis.gcode.habits import path_habits
from fitassay.analysis.normal import Normal
from fitassay.analysis.parts.sizes import State
from fitassay.analysis.parts.wall_chart import BOUGHT, wall_chart
from fitassay.analysis.terms import INDEX, NAMES
from tests.fit_case import case, run, run_json

WIDTH = 0.45
WANTED_MM = {"press": -0.05, "push": 0.05, "slide": 0.15, "turn": 0.25, "loose": 0.5}
"""Clearance by which hands tell the fits apart: common practice of printed parts, no source."""


def state_of(*, alike: bool | None = False, sd: float = 1e-4, **terms: float) -> State:
    mean = np.zeros(len(NAMES))
    for name, value in terms.items():
        mean[INDEX[name]] = value
    cov = np.eye(len(NAMES)) * 1e-10
    cov[INDEX["contour_offset"], INDEX["contour_offset"]] = sd**2
    return State(posterior=Normal(mean=mean, cov=cov), width=WIDTH, habits=PathHabits(holes_alike=alike))


def test_without_play_every_fit_is_offset_and_bead_and_closing() -> None:
    """Derived here: hole less peg prints 2 e + 4 p + k 3 mm / D narrower, so that much more is drawn."""
    chart = wall_chart(state_of(bead_excess=0.04, contour_offset=0.05, bore_closure=0.1), 0.2, (3.0, 8.0))
    for (way, fit, i), drawn in chart.clearances.items():
        size = chart.sizes_mm[i]
        lost = 2 * 0.04 + 4 * 0.05 + (0.0 if way == "square" else 0.1 * 3.0 / (size + drawn.value_mm))
        assert drawn.value_mm == pytest.approx(WANTED_MM[fit] + lost, abs=0.015), (way, fit, size)
    assert chart.layer_gaps_mm == (0.2, 0.4)


def test_a_bought_part_asks_only_for_its_hole() -> None:
    chart = wall_chart(state_of(bead_excess=0.04, contour_offset=0.05), 0.2, (8.0,))
    for bought, drawn in chart.bought:
        wanted = bought.size_mm + bought.clearance_mm
        assert drawn.value_mm == pytest.approx(wanted + 0.04 + 2 * 0.05, abs=0.01), bought.name


def test_clearance_holes_of_screws_and_seat_of_the_bearing() -> None:
    """ISO 273:1979 medium series; ISO 15, 608: outside diameter 22. From memory."""
    passing = {b.name: b.size_mm for b in BOUGHT if b.use == "to pass"}
    assert passing == {
        "screw M2": 2.4,
        "screw M2.5": 2.9,
        "screw M3": 3.4,
        "screw M4": 4.5,
        "screw M5": 5.5,
        "screw M6": 6.6,
    }
    assert next(b.size_mm for b in BOUGHT if "608" in b.name) == 22.0
    # Tapping drills: pitches 0.45, 0.5, 0.7, 0.8 and 1 mm off the nominal diameters.
    tapped = {b.name: b.size_mm for b in BOUGHT if b.use == "to tap"}
    assert list(tapped.values()) == [2.05, 2.5, 3.3, 4.2, 5.0]
    names = [b.name for b in BOUGHT if b.name.startswith(("pin", "magnet"))]
    assert names == [f"pin {d} mm" for d in (2, 3, 4, 5, 6, 3, 5)] + [f"magnet {d} mm" for d in (5, 6, 8, 10)]
    assert all(b.size_mm == float(b.name.split()[1]) for b in BOUGHT if b.name in names)


def test_way_up_stands_apart_once_the_direction_is_known() -> None:
    """Backlash costs a peg put in as printed up to sqrt(bx^2 + by^2), and far less one that is turned over."""
    play = {"backlash_x": 0.15, "backlash_y": 0.15}
    apart = wall_chart(state_of(alike=False, **play), 0.2, (8.0,))
    assert apart.ways == ("as printed", "turned over", "square")
    as_printed, turned = (apart.clearances[way, "slide", 0].value_mm for way in apart.ways[:2])
    assert as_printed - turned > 0.08
    open_still = wall_chart(state_of(alike=None, **play), 0.2, (8.0,))
    assert open_still.ways == ("either way up", "square")
    assert (
        open_still.clearances["either way up", "slide", 0].u_mm
        > apart.clearances["as printed", "slide", 0].u_mm
    )


def test_a_joint_printed_in_place_stays_open_where_little_is_known() -> None:
    """1.96 u is added to the gap that must stay."""
    sharp, vague = (wall_chart(state_of(sd=sd), 0.2, (8.0,)).in_place[0] for sd in (0.001, 0.03))
    assert sharp.value_mm == pytest.approx(0.1, abs=0.02)
    assert vague.value_mm == pytest.approx(0.1 + 1.96 * vague.u_mm, abs=0.03)
    assert vague.value_mm > sharp.value_mm + 0.05


@pytest.mark.long
def test_the_command_writes_a_page_and_a_pdf_of_one_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = case(tmp_path)
    data = run_json("predict", folder, "--chart")
    pdf = pypdf.PdfReader(io.BytesIO(Path(data["pdf"]).read_bytes()))
    assert len(pdf.pages) == 1
    text = pdf.pages[0].extract_text()
    page = Path(data["page"]).read_text(encoding="utf-8")
    for block in data["fits"]:
        for _, cells in block["rows"]:
            for cell in cells:
                assert cell["value"] in text
                assert cell["value"] in page
    # What is grey is said to be.
    shaky = [cell["shaky"] for block in data["fits"] for _, cells in block["rows"] for cell in cells]
    assert any(shaky) and "Grey: known to no better than ± 0.1 mm" in " ".join(text.split())
    # One size will do for the words at the terminal.
    module = "fitassay.analysis.parts.wall_chart.wall_chart"
    monkeypatch.setattr(module, partial(wall_chart, sizes_mm=(8.0,)))
    code, out, err = run("predict", folder, "--chart")
    assert code == 0
    assert "chart.pdf" in out
    assert "which way the nozzle goes round holes" in " ".join(err.split())


@pytest.mark.parametrize(
    ("outlines", "openings", "alike"),
    [
        ({True}, {True}, False),
        ({False}, {False}, False),
        ({True}, {False}, True),
        ({True, False}, {True}, None),
    ],
)
def test_the_sliced_file_tells_which_way_round_holes_are_walked(
    outlines: set[bool], openings: set[bool], alike: bool | None
) -> None:
    """Material on the same hand, outside and inside: the holes are walked the other way round."""
    loops = [SimpleNamespace(opening=False, left=left) for left in outlines]
    loops += [SimpleNamespace(opening=True, left=left) for left in openings]
    paths = SimpleNamespace(coupon=SimpleNamespace(single_wall=False), outer=tuple(loops))
    trace: Any = SimpleNamespace(found={"boss": paths})
    assert path_habits(trace).holes_alike is alike


def test_nothing_is_known_without_a_sliced_file() -> None:
    assert path_habits(None).holes_alike is None
