"""Everyday files by a second path writer: each read right within the bounds, or warned of with the true reason.

Bounds: places of outsides and openings 0.005 mm, bead 1.5 %, flow 1 %, seams 0.1 mm. Derived here.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitassay.analysis.gcode.slicing_words import slicing_sentences
from fitassay.analysis.gcode.trace import trace_templates
from fitassay.analysis.gcode.trace_data import Trace
from fitassay.coupons.machine import Machine
from tests.path_author import Authored, author
from tests.path_job import Job, everyday
from tests.test_trace import SPOTS, TURN_TEXT, full_set, templates

PLATES = (
    ("boss", "bore"),
    ("comb-x", "comb-y"),
    ("bore", "comb-y"),
    ("boss",),
    ("bore",),
    ("boss", "comb-x", "bore"),
)
OFFSET_MM, BEAD, FLOW, SEAM_MM = 0.005, 0.015, 0.01, 0.1
# What must not be said where nothing of the sort is done.
NEVER = ("raft", "enlarged", "skewed", "degrees counter-clockwise; lay", "ends at", "uneven", "of their own")


def made_with(job: Job, ids: tuple[str, ...], seed: int) -> Authored:
    made = full_set()
    coupons = [
        (replace(c, origin_on_plate_mm=SPOTS[c.id]), made.solids[c.id])
        for c in made.manifest.coupons
        if c.id in ids
    ]
    return author(coupons, job, seed)


def wrong_in(tmp_path, seed: int) -> tuple[dict[str, object], Job, Trace]:
    """What is neither right nor told, by name."""
    rng = np.random.default_rng([41, seed])
    job, ids = everyday(rng), PLATES[int(rng.integers(len(PLATES)))]
    made = made_with(job, ids, seed)
    path = tmp_path / f"authored-{seed}.txt"
    path.write_text(made.text)
    trace = trace_templates(path, full_set().manifest, templates(), Machine())
    return judged(trace, made, job, ids), job, trace


def judged(trace: Trace, made: Authored, job: Job, ids: tuple[str, ...]) -> dict[str, object]:
    wrong: dict[str, object] = {}
    if set(trace.found) != set(ids):
        wrong["found"] = sorted(trace.found)
    if any(p.place.turn.text != TURN_TEXT[job.turn] for p in trace.found.values()):
        wrong["turn"] = [p.place.turn.text for p in trace.found.values()]
    said = " ".join((*trace.warnings, *slicing_sentences(trace)))
    false = [word for word in NEVER if word in said]
    if false:
        wrong["false reasons"] = false
    bead, place = trace.bead, trace.place
    assert bead is not None and place is not None and trace.offset_mm is not None
    # A hole with few corners has no one place.
    loose = job.chord / 2 if "drawn with few corners" in said else 0.0
    if not any(
        _fits(trace, job, ids, w, f, loose)
        for w, f in [(bead.width, bead.flow), *((a.width, a.flow) for a in bead.others)]
    ):
        wrong["bead"] = (trace.offset_mm, place.opening, bead.width, bead.flow, bead.others)
    if abs(trace.layer_height_mm / job.layer - 1) > 0.01:
        wrong["layer"] = trace.layer_height_mm
    first = trace.first_layer
    if first is not None and first.outward is not None:
        shown = (job.width - job.first_width) / 2 - job.foot
        if abs(first.outward - shown) > 0.03:
            wrong["first layer"] = (first.outward, shown)
    for key, paths in trace.found.items():
        seams = np.array(made.seams[key])
        off = max(float(np.hypot(*(seams - loop.seam - paths.place.shift).T).min()) for loop in paths.outer)
        if off > SEAM_MM:
            wrong[f"seams of {key}"] = off
        if any(loop.left == job.clockwise for loop in paths.outer):
            wrong[f"direction of {key}"] = not job.clockwise
    if job.copies and "on the plate 2 times" not in said:
        wrong["copies"] = "unsaid"
    return wrong


def _fits(
    trace: Trace, job: Job, ids: tuple[str, ...], width: float, flow: float | None, loose: float
) -> bool:
    """True where one account is the truth."""
    assert trace.offset_mm is not None and trace.place is not None and trace.bead is not None
    offset = trace.offset_mm + (width - trace.bead.width) / 2
    fits = abs(width / job.width - 1) < BEAD and abs(offset - job.sides) < OFFSET_MM
    if "bore" in ids:
        fits &= abs(offset + trace.place.opening - job.sides - job.holes) < OFFSET_MM + loose
    written = job.flow * (1.75 / job.filament) ** 2
    return fits and flow is not None and abs(flow / written - 1) < FLOW


@pytest.mark.long
@pytest.mark.parametrize("seed", [1, *(pytest.param(n, marks=pytest.mark.long) for n in (0, *range(2, 20)))])
def test_an_everyday_file(tmp_path, seed):
    wrong, job, trace = wrong_in(tmp_path, seed)
    assert not wrong, (wrong, job, trace.warnings)
