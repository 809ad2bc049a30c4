"""Sliced files against the coupons: what a general path writer drew must be read back."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fitassay.analysis.gcode.probes import Template
from fitassay.analysis.gcode.trace import trace_file, trace_templates
from fitassay.analysis.gcode.trace_data import Trace
from fitassay.analysis.gcode.trace_json import trace_json
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import CouponSet, build_set, write_set
from fitassay.coupons.solid import Solid
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
    return {
        c.id: Template(c, _mesh(made, c.id), made.manifest.layer_height_mm) for c in made.manifest.coupons
    }


def _mesh(made: CouponSet, key: str) -> Solid:
    return made.solids[key]


@cache
def drawn(style: Style, ids: tuple[str, ...], seed: int = 0) -> Drawn:
    """What the writer makes of some coupons; the same for every test that asks for the same."""
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


_TRACED: dict[tuple[Style, tuple[str, ...], int], Trace] = {}


def traced(tmp_path, style: Style, ids: tuple[str, ...], seed: int = 0) -> tuple[Trace, Drawn]:
    """A drawn file as read by the default machine; read once, by the first test that asks for it."""
    made = drawn(style, ids, seed)
    key = (style, ids, seed)
    path = tmp_path / "plate.txt"
    path.write_bytes(made.text.encode())
    if key not in _TRACED:
        _TRACED[key] = trace_templates(path, full_set().manifest, templates(), Machine())
    return _TRACED[key], made


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
        seam_gap=pick(0.0, 0.0, 0.1, 0.6),
        seam_overlap=pick(0.0, 0.0, 2.0),
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
    ids = tuple(
        rng.choice(
            IDS, size=int(rng.integers(1, 3)), replace=False, p=(0.2, 0.15, 0.15, 0.15, 0.2, 0.1, 0.05)
        )
    )
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
                order = "outer wall first" if style.outer_first else "inner walls first"
                assert loop.order in ("one wall only", order)
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
        assert trace_json(trace)["order"] == expected


@pytest.mark.parametrize("seed", [0, *(pytest.param(n, marks=pytest.mark.long) for n in range(1, 10))])
def test_whatever_the_style(tmp_path, seed):
    check_combination(tmp_path, seed)


@pytest.mark.calibration
@pytest.mark.parametrize("chunk", range(10))
def test_whatever_the_style_at_scale(tmp_path, chunk):
    for seed in range(100 + 50 * chunk, 150 + 50 * chunk):
        check_combination(tmp_path, seed)


# One thing at a time, and what is said about it


def test_plain_file_has_nothing_to_warn_of(tmp_path):
    trace, _ = traced(tmp_path, Style(), ("boss", "comb-x", "comb-y", "wall"))
    assert trace.warnings == ()
    assert trace.missing == ("bore", "frame", "stair")
    answer = trace_json(trace)
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer
    assert answer["order"] == "inner walls first" and answer["walls"] == 2
    assert answer["direction"].startswith("material on the left")
    assert answer["layer_height_mm"] == pytest.approx(0.2) and answer["first_layer_mm"] == pytest.approx(0.2)
    for traced_feature in trace.features:
        assert traced_feature.offset_mm == pytest.approx(0.0, abs=1e-3)
        assert traced_feature.gains == pytest.approx(traced_feature.ideal_gains, abs=1e-6)


def test_gains_of_the_reversal_comb_from_the_file(tmp_path):
    # Stem +1, head -1, plain tooth 0: what a play operator does to a loop that reverses in an undercut.
    trace, _ = traced(tmp_path, Style(turn="90", infill=False), ("comb-x",))
    gains = {f.feature.id: f.gains for f in trace.features}
    # The comb lies along the machine's y now, and its readings with it.
    assert all(f.feature.direction_deg == 90 for f in trace.features)
    assert gains["stem10"] == pytest.approx((0, 1), abs=1e-6)
    assert gains["head10"] == pytest.approx((0, -1), abs=1e-6)
    assert gains["tooth8"] == pytest.approx((0, 0), abs=1e-6)


@pytest.mark.parametrize(
    ("ids", "change", "warnings"),
    [
        (
            ("boss",),
            {"offset": 0.225, "scale": 1.002, "turn": "90"},
            (
                "drawn on the outline, 0.225 mm outside its place",
                "enlarged by +0.20 % in x and +0.20 % in y",
                "boss is turned by 90 degrees counter-clockwise",
            ),
        ),
        (
            ("boss", "wall"),
            {"single": "two", "raft": 4},
            ("single wall of coupon wall is drawn as more than one bead", "on a raft of 0.80 mm"),
        ),
        (
            ("boss", "comb-x"),
            {"turn": "mirrored", "width": 0.6},
            (
                "boss, comb-x are mirrored left to right",
                "commanded bead is 0.600 mm wide, the profile says 0.45 mm",
            ),
        ),
        (
            ("boss",),
            {"offset": -0.1, "layer": 0.3},
            (
                "stands 0.100 mm inside its place",
                "Layers are 0.300 mm high, the coupons were made for 0.2 mm",
            ),
        ),
        (("boss", "bore"), {"hole_offset": 0.03}, ("Openings are drawn 0.060 mm smaller",)),
        (("bore",), {"bore_offset": -0.04}, ("compensated on the diameter: 5 mm by +0.080 mm",)),
        (
            ("boss",),
            {"seam_at": (21.0, 0.0), "walls": 1},
            ("The seam lies under the jaws of step22-y on boss",),
        ),
    ],
)
def test_all_that_is_odd_in_a_file_is_warned_of(tmp_path, ids, change, warnings):
    trace, _ = traced(tmp_path, Style(**change), ids)
    for warning in warnings:
        assert any(warning in w for w in trace.warnings), trace.warnings
    assert all(w.endswith(".") for w in trace.warnings)


@pytest.mark.long
@pytest.mark.parametrize(
    ("ids", "change", "warning"),
    [
        (("boss",), {"offset": 0.225}, "drawn on the outline, 0.225 mm outside its place"),
        (("boss",), {"offset": -0.1}, "stands 0.100 mm inside its place"),
        (("boss", "wall"), {"single": "two"}, "single wall of coupon wall is drawn as more than one bead"),
        (("boss",), {"scale": 1.002}, "enlarged by +0.20 % in x and +0.20 % in y"),
        (("boss",), {"turn": "90"}, "boss is turned by 90 degrees counter-clockwise"),
        (("boss", "comb-x"), {"turn": "mirrored"}, "boss, comb-x are mirrored left to right"),
        (("boss",), {"width": 0.6}, "commanded bead is 0.600 mm wide, the profile says 0.45 mm"),
        (("boss",), {"layer": 0.3}, "Layers are 0.300 mm high, the coupons were made for 0.2 mm"),
        (("boss",), {"raft": 4}, "on a raft of 0.80 mm"),
    ],
)
def test_each_of_them_alone(tmp_path, ids, change, warning):
    trace, _ = traced(tmp_path, Style(**change), ids)
    assert any(warning in w for w in trace.warnings), trace.warnings
    assert all(w.endswith(".") for w in trace.warnings)


@pytest.mark.parametrize(
    ("offset", "told", "warning"),
    [
        (-0.1, -0.1, None),
        (-0.1, 0.0, "does not tell (it says 0 mm)"),
        (0.0, -0.1, "the path does not show it"),
        pytest.param(0.0, 0.0, None, marks=pytest.mark.long),
    ],
)
def test_compensation_as_told_is_nothing_to_warn_of(tmp_path, offset, told, warning):
    path = tmp_path / "plate.txt"
    path.write_text(drawn(Style(offset=offset, infill=False), ("boss",)).text)
    machine = Machine(values={"settings.contour_mm": told})
    trace = trace_templates(path, full_set().manifest, templates(), machine)
    assert trace.offset_mm == pytest.approx(offset, abs=0.005)
    if warning is None:
        assert trace.warnings == ()
    else:
        assert any(warning in w for w in trace.warnings)


def test_a_single_wall_left_out(tmp_path):
    trace, _ = traced(tmp_path, Style(single="none", infill=False), ("boss", "comb-x", "comb-y", "wall"))
    assert "wall" in trace.missing
    assert any("wall was not found though others of its plate were" in w for w in trace.warnings)


def test_an_endless_wall(tmp_path):
    trace, _ = traced(tmp_path, Style(spiral=True), ("wall",))
    assert trace.found["wall"].wall == "one bead"
    assert trace.bead is not None and trace.bead.width == pytest.approx(0.45, rel=0.01)
    assert trace.layer_height_mm == pytest.approx(0.2, rel=0.01)


def test_feed_counted_by_volume(tmp_path):
    # E in mm3 of plastic: as if the filament had a cross-section of 1 mm2.
    trace, _ = traced(tmp_path, Style(filament=2 / np.sqrt(np.pi)), ("boss",))
    assert trace.bead is not None and trace.bead.by_volume
    assert trace.bead.width == pytest.approx(0.45, rel=0.01)


@pytest.mark.parametrize(
    ("key", "angle"),
    [
        ("boss", 0.3),
        ("bore", 44.0),
        ("comb-x", -20.0),
        *(pytest.param(*v, marks=pytest.mark.long) for v in (("bore", 1.0), ("boss", 7.0), ("comb-x", 30.0))),
    ],
)
def test_askew_is_refused(tmp_path, key, angle):
    with pytest.raises(InputError, match=rf"coupon {key} is turned by .* degrees"):
        traced(tmp_path, Style(angle_deg=angle, infill=False), (key,))


@pytest.mark.parametrize("scale", [0.9, 1.05, 1.5])
def test_much_enlarged_is_refused(tmp_path, scale):
    with pytest.raises(InputError, match="is sliced at about .* % of its size") as caught:
        traced(tmp_path, Style(scale=scale, infill=False), ("comb-x",))
    percent = float(re.search(r"about ([\d.]+) %", str(caught.value))[1])
    assert percent == pytest.approx(100 * scale, abs=2)


def test_loops_that_enclose_nothing_are_no_coupons(tmp_path):
    path = tmp_path / "other.txt"
    layers = [
        f"G0 X10 Y10 Z{0.2 * n:.1f} F1200\nG1 X30 E0.7\nG1 X50 E0.7\nG1 X20 E1\nG1 X10 E0.4"
        for n in range(1, 60)
    ]
    path.write_text("\n".join(["G21\nG90\nM83", *layers]) + "\n")
    with pytest.raises(InputError, match="holds none of this print's coupons"):
        trace_templates(path, full_set().manifest, templates(), Machine())


def test_a_file_without_our_coupons(tmp_path):
    path = tmp_path / "other.txt"
    path.write_text("G21\nM83\nG1 X10 Y10 Z0.2 F1200\nG1 X30 E1\nG1 Y30 E1\nG1 X10 E1\nG1 Y10 E1\n")
    with pytest.raises(InputError, match="holds none of this print's coupons"):
        trace_templates(path, full_set().manifest, templates(), Machine())
    path.write_text("G21\nG1 X10 Y10 Z0.2 F1200\nG1 X30\n")
    with pytest.raises(InputError, match="feeds no plastic"):
        trace_templates(path, full_set().manifest, templates(), Machine())


def test_prism_in_one_wall_mode(tmp_path):
    made = build_set(Machine(), families=("single-wall",), wall="prism")
    write_set(made, tmp_path)
    coupon = made.manifest.coupons[0]
    path = tmp_path / "wall.txt"
    mesh = _mesh(made, coupon.id)
    path.write_text(write([(coupon, mesh)], Style(spiral=True)).text)
    assert trace_file(path, made.manifest, tmp_path, Machine()).found["wall"].wall == "one bead"
    solid = replace(coupon, single_wall=False)
    path.write_text(write([(solid, mesh)], Style(walls=2)).text)
    assert trace_file(path, made.manifest, tmp_path, Machine()).found["wall"].wall == "doubled"


def test_damage_is_told_by_line(tmp_path):
    made = drawn(Style(numbered=True), ("boss",)).text.split("\n")
    made[500] = made[500].replace("X", "X.")
    path = tmp_path / "plate.txt"
    path.write_text("\n".join(made))
    with pytest.raises(InputError, match=re.escape("plate.txt, line 501: ")):
        trace_templates(path, full_set().manifest, templates(), Machine())
