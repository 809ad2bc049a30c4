"""Tool paths of our own, read back by the project's reader and by a small one that shares nothing with it."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import shapely

from fitassay.analysis.gcode.frame import checked_start
from fitassay.analysis.gcode.own_path import drive_of, own_file, with_end
from fitassay.analysis.gcode.probes import Template
from fitassay.analysis.gcode.trace import trace_templates
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import CouponSet, build_set
from fitassay.coupons.sections import Slicer
from fitassay.coupons.toolpath.layers import Walls, plate_layers
from tests.own_starts import END, STARTS
from tests.pathwriter import bead_area, sections
from tests.plain_parser import Step, steps_of, strokes_of

# Bed and height, nozzle, bead, layer [mm].
MACHINES = {
    "45": (45.0, 0.2, 0.22, 0.1),
    "60": (60.0, 0.4, 0.45, 0.2),
    "100": (100.0, 0.6, 0.65, 0.3),
    "200": (200.0, 0.8, 0.9, 0.4),
}
# Walls side by side.
COUNTS = {"45": 2, "60": 3, "100": 2, "200": 3}
CASES = list(zip(MACHINES, STARTS, strict=False)) + [("100", "other scripts, ends relative")]
# The finest and the coarsest bead on every run, the others behind it.
OFTEN = [c if c[0] in ("45", "200") else pytest.param(*c, marks=pytest.mark.long) for c in CASES]


def machine_of(name: str) -> Machine:
    side, nozzle, width, layer = MACHINES[name]
    return Machine(
        values={
            **{f"volume.{axis}_mm": side for axis in "xyz"},
            "process.nozzle_mm": nozzle,
            "process.line_width_mm": width,
            "process.layer_height_mm": layer,
        }
    )


@cache
def quick_set(name: str) -> CouponSet:
    return build_set(machine_of(name), quick=True)


@cache
def written(name: str, manner: str) -> dict[int, tuple[str, float]]:
    """Text and minutes by plate."""
    return written_set(quick_set(name), name, manner)


def written_set(made: CouponSet, name: str, manner: str) -> dict[int, tuple[str, float]]:
    machine = machine_of(name)
    frame = with_end(checked_start(STARTS[manner], "start", as_is=manner == "macros"), END)
    slicers = {key: Slicer(solid) for key, solid in made.solids.items()}
    files = {}
    for plate in sorted({c.plate for c in made.manifest.coupons}):
        layers = plate_layers(made.manifest, slicers, plate, Walls(count=COUNTS[name]))
        file = own_file(layers, drive_of(machine), frame, machine, f"plate {plate}")
        files[plate] = file.text, file.minutes
    return files


def own_steps(text: str) -> list[Step]:
    """Moves of the path itself, without start and end."""
    lines = text.splitlines()
    begin, end = lines.index("; path") + 1, lines.index("; end") + 1
    return [s for s in steps_of(text) if begin < s.line < end]


def swept(strokes: list[list[Step]], width: float) -> shapely.Geometry:
    return shapely.union_all(
        [shapely.LineString([r[0].a[:2], *(s.b[:2] for s in r)]).buffer(width / 2) for r in strokes]
    )


def closed(strokes: list[list[Step]]) -> list[list[Step]]:
    return [r for r in strokes if math.dist(r[0].a[:2], r[-1].b[:2]) < 1e-9]


@pytest.mark.parametrize(("name", "manner"), OFTEN)
def test_walls_cover_what_they_are_for_and_spill_nothing(name, manner):
    """Section by manifold3d, beads swept by shapely; a bead cannot reach where no circle as wide as it fits."""
    made, w, h = quick_set(name), *MACHINES[name][2:]
    for plate, (text, _) in written(name, manner).items():
        by_layer: dict[int, list[list[Step]]] = {}
        for run in strokes_of(own_steps(text)):
            by_layer.setdefault(round(run[0].a[2] / h), []).append(run)
        for k in (1, 3, round(3.0 / h)):
            walls = swept(closed(by_layer[k]), w)
            zone, section = [], []
            for coupon in (c for c in made.manifest.coupons if c.plate == plate):
                pieces = sections(made.solids[coupon.id], (k - 0.5) * h)
                body = shapely.transform(
                    shapely.MultiPolygon(pieces), lambda p, c=coupon: p + np.array(c.origin_on_plate_mm)
                )
                section.append(body)
                for i in range(COUNTS[name]):
                    free = body.buffer(-i * w, join_style="mitre", mitre_limit=6)
                    wide = free.buffer(-w / 2 + 1e-6, join_style="mitre", mitre_limit=6).buffer(w / 2)
                    zone.append(wide.difference(body.buffer(-(i + 1) * w, join_style="mitre", mitre_limit=6)))
            zone, section = shapely.union_all(zone), shapely.union_all(section)
            assert walls.intersection(zone).area >= 0.985 * zone.area, k
            assert walls.difference(section.buffer(0.02)).area < 0.01 * walls.area, k


@pytest.mark.parametrize(("name", "manner"), OFTEN)
def test_the_outer_path_stands_half_a_bead_inside_the_outline(name, manner):
    made, w, h = quick_set(name), *MACHINES[name][2:]
    k = round(3.0 / h)
    for plate, (text, _) in written(name, manner).items():
        loops = [
            shapely.LineString([r[0].a[:2], *(s.b[:2] for s in r)])
            for r in closed(strokes_of(own_steps(text)))
            if round(r[0].a[2] / h) == k
        ]
        for coupon in (c for c in made.manifest.coupons if c.plate == plate):
            for piece in sections(made.solids[coupon.id], (k - 0.5) * h):
                body = shapely.Polygon(piece.exterior) if coupon.single_wall else piece
                inner = body.buffer(-w / 2, join_style="mitre", mitre_limit=6)
                for part in getattr(inner, "geoms", [inner]):
                    for ring in (part.exterior, *part.interiors):
                        there = shapely.transform(
                            ring, lambda p, c=coupon: p + np.array(c.origin_on_plate_mm)
                        )
                        assert min(shapely.hausdorff_distance(there, loop) for loop in loops) < 0.001


@pytest.mark.long
@pytest.mark.parametrize(("name", "manner"), OFTEN)
def test_plastic_is_what_the_beads_take_and_only_beads_feed(name, manner):
    side, _, w, h = MACHINES[name]
    for text, _ in written(name, manner).values():
        steps = own_steps(text)
        runs = strokes_of(steps)
        for run in runs:
            length = sum(s.length for s in run)
            fed = sum(s.fed for s in run) * math.pi / 4 * 1.75**2
            assert fed == pytest.approx(length * bead_area(w, h), rel=0.015)
        beads = {id(s) for run in runs for s in run}
        for step in steps:
            across = math.dist(step.a[:2], step.b[:2]) > 0
            assert not (step.word == "G0" and step.fed)
            assert not (step.fed > 0 and across and id(step) not in beads)
            assert not (across and step.a[2] < step.b[2] and step.fed > 0)


@pytest.mark.parametrize(("name", "manner"), OFTEN)
def test_nothing_leaves_the_volume_or_goes_through_what_is_printed(name, manner):
    side, _, w, h = MACHINES[name]
    for text, _ in written(name, manner).values():
        steps = own_steps(text)
        ends = np.array([s.b for s in steps][3:])
        assert ends[:, :2].min() >= 1.0 and ends[:, :2].max() <= side - 1.0
        assert ends[:, 2].min() >= h - 1e-9 and ends[:, 2].max() <= side
        top = 0.0
        for step in steps[3:]:
            assert min(step.a[2], step.b[2]) >= top - 1e-9
            if step.fed > 0 and math.dist(step.a[:2], step.b[:2]) > 0:
                top = step.b[2]


@pytest.mark.parametrize(("name", "manner"), OFTEN)
def test_the_rate_of_plastic_and_the_speed_keep_their_limits(name, manner):
    _, _, w, h = MACHINES[name]
    for text, _ in written(name, manner).values():
        for step in own_steps(text):
            assert step.feed <= 30.0
            if step.fed > 0 and step.length > 0:
                assert step.feed * bead_area(w, h) <= 8.0


@pytest.mark.long
@pytest.mark.parametrize(("name", "manner"), OFTEN)
def test_our_own_reader_finds_the_ideal_path(tmp_path, name, manner):
    for text, _ in written(name, manner).values():
        assert_ideal(text, quick_set(name), name, tmp_path)


@pytest.mark.long
def test_round_bores_too_are_begun_away_from_the_jaws(tmp_path):
    """The full set: the round openings, which have no corner, are on it alone."""
    made = build_set(machine_of("100"))
    for text, _ in written_set(made, "100", "inches").values():
        assert_ideal(text, made, "100", tmp_path)


def assert_ideal(text: str, made: CouponSet, name: str, folder: Path) -> None:
    """Our reader finds the path in its place, the bead as set, no seam under a jaw, gains of the ideal walk."""
    path = folder / "plate.gcode"
    path.write_bytes(text.encode())
    templates = {
        c.id: Template(c, made.solids[c.id], made.manifest.layer_height_mm) for c in made.manifest.coupons
    }
    trace = trace_templates(path, made.manifest, templates, machine_of(name))
    if trace.place is not None:  # a single wall alone shows no offset
        assert trace.offset_mm == pytest.approx(0.0, abs=5e-4)
    assert trace.bead is not None
    assert trace.bead.width == pytest.approx(MACHINES[name][2], abs=1e-3)
    assert (trace.bead.flow or 1.0) == pytest.approx(1.0, abs=0.002)
    assert all(p.wall in ("", "one bead") for p in trace.found.values())
    for feature in trace.features:
        assert feature.traced
        assert not feature.seam, feature.feature.id
        assert feature.gains == pytest.approx(feature.ideal_gains, abs=0.01), feature.feature.id


def test_the_quick_plate_takes_no_more_than_35_minutes():
    assert sum(minutes for _, minutes in written("60", "inches").values()) <= 35


def test_a_hollow_piece_is_filled_arm_by_arm():
    """The frame's rails lie far apart: the nozzle does not go to and fro between them for each row of filling."""
    machine = machine_of("100")
    made = build_set(machine, families=("corner-plate",))
    layers = plate_layers(made.manifest, {"frame": Slicer(made.solids["frame"])}, 1, Walls(count=2))
    text = own_file(
        layers, drive_of(machine), with_end(checked_start(STARTS["inches"], "start"), END), machine, ""
    )
    lengths = {True: 0.0, False: 0.0}
    for step in own_steps(text.text):
        lengths[step.fed > 0] += math.dist(step.a, step.b)
    assert lengths[False] < 0.5 * lengths[True]
