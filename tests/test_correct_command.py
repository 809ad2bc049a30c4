"""`fitassay correct` as a user or a program meets it."""

import re

import numpy as np
import pytest

from fitassay.analysis.parts.part_file import read_parts, write_parts
from fitassay.analysis.terms import INDEX, NAMES
from fitassay.coupons.machine import Machine
from tests.fit_case import ERRORS, case, run, run_json
from tests.parts import box, drawn, part_of
from tests.test_correct import errors

W = Machine().line_width_mm


def saved(tmp_path, name="bracket", ending=".stl"):
    path = tmp_path / f"{name}{ending}"
    write_parts(path, (drawn(name).part,), name)
    return path


def truth():
    theta = np.zeros(len(NAMES))
    for name, value in ERRORS.items():
        theta[INDEX[name.replace("-", "_")]] = value
    return theta


@pytest.mark.parametrize("ending", [".stl", pytest.param(".3mf", marks=pytest.mark.long)])
def test_corrected_file_prints_right_on_the_machine_that_was_measured(tmp_path, ending):
    path, out = saved(tmp_path, ending=ending), tmp_path / f"out{ending}"
    got = run_json("correct", case(tmp_path), path, "-o", out)
    (body,) = got["bodies"]
    virtual = body["virtual_print"]
    assert virtual["corrected"]["mean_mm"] < 0.4 * virtual["as_drawn"]["mean_mm"]
    assert virtual["corrected"]["mean_mm"] < virtual["scaled_only"]["mean_mm"]
    # Printed by the true machine, not by the estimate.
    before = np.abs(errors("bracket", drawn("bracket").part, truth())).mean()
    (part,), _ = read_parts(out)
    after = np.abs(errors("bracket", part, truth())).mean()
    assert after < 0.2 * before
    assert 0.05 < body["largest_move_mm"] < 0.5


def test_words_for_the_user(tmp_path):
    code, out, err = run("correct", case(tmp_path), saved(tmp_path), "-o", tmp_path / "out.stl")
    assert code == 0
    assert "taken to be in millimetres" in err
    for words in ("as drawn", "scaled alone", "corrected", "not turned and not scaled"):
        assert words in " ".join(out.split())
    told = " ".join(out.split())
    alright = r"none is expected to miss by more than its own uncertainty; the most is [\d.]+ mm, of "
    left = r"still expected to miss by more than their own uncertainty, in mm: dimension .* u [─ ]+"
    place = r"[a-z]+ \d+ \(\d+\.\d\d mm (in [xy]|at [\d.]+ degrees)\)"
    assert re.search(f"({alright}|{left}){place}", told), told


def test_left_out_errors_are_not_corrected(tmp_path):
    out = tmp_path / "out.stl"
    terms = ["bead_excess", "contour_offset", "bore_closure", "skew_xy", "scale_x", "scale_y", "backlash_y"]
    terms += ["uneven_layers", "push_out"]
    leave = [a for name in terms for a in ("--leave", name)]
    block = tmp_path / "block.stl"
    write_parts(block, (part_of(box(0, 0, 30, 20, 0, 8)),), "block")
    run_json("correct", case(tmp_path), block, "-o", out, *leave)
    (part,), _ = read_parts(out)
    size = np.ptp(part.bounds, axis=0)
    assert size[0] == pytest.approx(30 + ERRORS["backlash-x"], abs=0.04)
    assert size[1] == pytest.approx(20, abs=1e-5)


@pytest.mark.parametrize(
    "args, words",
    [
        (("none.stl", "-o", "out.stl"), "does not exist"),
        (("{part}", "-o", "{part}"), "is the part itself"),
        (("{part}", "-o", "{tmp}/there.stl"), "is there already"),
        (("{part}", "-o", "out.obj"), "must end in .stl or .3mf"),
        (("{part}", "-o", "out.stl", "--unit", "furlong"), "use one of mm"),
        (("{part}", "-o", "out.stl", "--leave", "bead"), "did you mean bead width"),
    ],
)
def test_bad_requests(tmp_path, args, words):
    part = saved(tmp_path)
    (tmp_path / "there.stl").write_bytes(b"x")
    filled = [a.format(part=part, tmp=tmp_path) for a in args]
    code, out, err = run("correct", case(tmp_path), *filled)
    assert code == 2
    assert words in err and out == "" and "Traceback" not in err
    assert (tmp_path / "there.stl").read_bytes() == b"x"


def test_refusal_names_the_place_and_writes_nothing(tmp_path):
    rib = tmp_path / "rib.stl"
    write_parts(rib, (part_of(box(0, 0, 30, 20, 0, 2) + box(8, 5, 20, 5.5, 1.9, 8)),), "rib")
    out, place = tmp_path / "out.stl", case(tmp_path)
    code, _, err = run("correct", place, rib, "-o", out)
    assert code == 1
    assert "rib at (" in err and "thinner than one bead" in err
    assert not out.exists()
    assert run("correct", place, rib, "-o", out, "--thin")[0] == 0


def test_a_part_longer_than_any_bed_is_refused_at_once(tmp_path):
    """A unit that was mistaken: nine metres of walls would take minutes to follow."""
    part = saved(tmp_path)
    code, _, err = run("correct", case(tmp_path), part, "-o", tmp_path / "o.stl", "--unit", "m")
    assert code == 2
    assert part.name in err and "more than any bed (2000 mm)" in err


def test_a_body_that_cannot_be_corrected_is_named_with_its_file(tmp_path):
    """A wall thinner than what a correction takes off it."""
    thin = tmp_path / "thin.3mf"
    write_parts(thin, (part_of(box(0, 0, 30, 0.2, 0, 8)),), "thin")
    code, _, err = run("correct", case(tmp_path), thin, "-o", tmp_path / "out.3mf")
    assert code == 2
    assert " ".join(err.split()).startswith(f"fitassay: {thin}, body "), err


def test_what_is_refused_is_not_noted_first(tmp_path):
    """One sentence says why; that millimetres were taken is of no use to who gets nothing."""
    thin = tmp_path / "thin.stl"
    write_parts(thin, (part_of(box(0, 0, 30, 0.2, 0, 8)),), "thin")
    code, _, err = run("correct", case(tmp_path), thin, "-o", tmp_path / "out.stl")
    assert code == 2
    assert "Note:" not in err
