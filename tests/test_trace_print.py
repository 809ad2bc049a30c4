"""A print with its sliced file at hand: readings along the real path, the verdict, and the commands."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.estimation.known import Known
from fitassay.analysis.gcode.trace_data import Trace
from fitassay.analysis.gcode.traced_print import diagnose_traced, known_from, print_traced, traced_walk
from fitassay.analysis.result import Diagnosis
from fitassay.coupons.export.manifest import read_manifest
from fitassay.coupons.export.stl import read_stl
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import write_set
from tests.fit_case import quick_case
from tests.pathwriter import Style, write
from tests.test_cli import run
from tests.test_trace import full_set, templates, traced

NOISE_MM = 0.02


def ideal_walk(ids: tuple[str, ...]) -> SetWalk:
    coupons = tuple(c for c in full_set().manifest.coupons if c.id in ids)
    return SetWalk(
        replace(full_set().manifest, coupons=coupons), {c.id: templates()[c.id].slicer for c in coupons}
    )


def both_ways(
    tmp_path, style: Style, ids: tuple[str, ...], errors: dict[str, float], seed: int
) -> tuple[Diagnosis, Diagnosis, Trace]:
    """A virtual print of the file, diagnosed along an ideal path and along the file's; both know its path offset."""
    trace, _ = traced(tmp_path, style, ids)
    theta = print_traced(trace, theta_of(errors))
    readings = simulate(trace.walk, theta, noise_mm=NOISE_MM, seed=seed)
    known = known_from(trace)
    blind = interpret(ideal_walk(ids), readings, Machine(), Known(facts=known.facts))
    seeing = interpret(trace.walk, readings, Machine(), known)
    return blind, seeing, trace


@pytest.mark.parametrize(
    "seed", [1, pytest.param(2, marks=pytest.mark.long), pytest.param(4, marks=pytest.mark.long)]
)
@pytest.mark.parametrize(
    ("term", "seam"),
    [
        ("backlash_x", (1000.0, 1000.0)),
        pytest.param("backlash_y", (1000.0, -1000.0), marks=pytest.mark.long),
    ],
)
def test_seams_at_the_worst_place(tmp_path, term, seam, seed):
    # One wall, drawn the other way round, its seam beside the measured flanks, with travel from the far side: the
    # flanks of bosses and windows are no longer reached from opposite ways, and backlash hides.
    style = Style(seam_at=seam, walls=1, reverse=True, infill=False)
    blind, seeing, trace = both_ways(tmp_path, style, ("boss", "bore", "stair"), {term: 0.25}, seed)
    assert sum(f.changed for f in trace.features) >= 5
    # Along the file's path the right term is named, its size right, no reading accused.
    assert (seeing.verdict.status, seeing.verdict.term) == ("dominant", term)
    assert not seeing.suspects
    estimate = seeing.term(term)
    assert abs(estimate.estimate - 0.25) < 3 * estimate.std_uncertainty < 0.13
    # Along an ideal path the verdict is wrong or weaker, and the readings seem to contradict each other: some are
    # accused, or all taken for an uneven print.
    assert (blind.verdict.status, blind.verdict.term) != ("dominant", term)
    assert blind.suspects or blind.extra["scatter_mm"] > 2 * NOISE_MM
    assert abs(blind.term(term).estimate - 0.25) > 0.05 or blind.suspects


def test_path_offset_is_read_not_guessed(tmp_path):
    style = Style(offset=0.225, infill=False)
    trace, _ = traced(tmp_path, style, ("boss",))
    readings = simulate(
        trace.walk, print_traced(trace, theta_of({"bead_excess": 0.06})), noise_mm=NOISE_MM, seed=4
    )
    alone = interpret(ideal_walk(("boss",)), readings, Machine())
    informed = interpret(trace.walk, readings, Machine(), known_from(trace))
    # Outside sizes alone see e + 2p; the file tells them apart.
    assert alone.term("contour_offset").std_uncertainty > 0.04
    assert informed.term("contour_offset").std_uncertainty < 0.025
    assert informed.term("contour_offset").estimate == pytest.approx(0.225, abs=0.05)
    assert informed.verdict.term == "contour_offset"
    assert {(f.coupon, f.feature) for f in informed.fits} == {(r.coupon, r.feature) for r in readings}


def test_a_seam_under_the_jaws_weighs_less(tmp_path):
    trace, _ = traced(tmp_path, Style(seam_at=(21.0, 0.0), walls=1), ("boss",))
    spoilt = {f.feature.id for f in trace.features if f.seam}
    assert "step22-y" in spoilt and "step22-x" not in spoilt
    known = known_from(trace)
    readings = simulate(trace.walk, theta_of({}), noise_mm=NOISE_MM, seed=1)
    fits = {f.feature: f.std_uncertainty_mm for f in interpret(trace.walk, readings, Machine(), known).fits}
    assert fits["step22-y"] > 2 * fits["step22-x"]
    assert any("step22-y on boss" in note.text for note in known.notes)


def test_readings_follow_a_turned_piece(tmp_path):
    trace, _ = traced(tmp_path, Style(turn="90", infill=False), ("boss",))
    theta = theta_of({"scale_x": 0.01})
    walk = trace.walk
    values = walk.readings(np.stack([np.zeros_like(theta), theta]))
    grown = dict(zip(walk.keys, values[1] - values[0], strict=True))
    # The machine's x runs along the piece's y; half a bead on either side does not scale.
    assert grown["boss", "step22-y"] == pytest.approx(0.01 * (22 - 0.45), abs=1e-3)
    assert grown["boss", "step22-x"] == pytest.approx(0.0, abs=1e-6)


def test_virtual_print_of_a_file_reads_what_the_file_draws(tmp_path):
    trace, _ = traced(tmp_path, Style(offset=-0.1, scale=1.002, infill=False), ("boss",))
    values = dict(
        zip(trace.walk.keys, trace.walk.readings(print_traced(trace, theta_of({}))[None])[0], strict=True)
    )
    # The outline is enlarged, then drawn 0.1 mm inside on either side.
    assert values["boss", "step22-x"] == pytest.approx(22 * 1.002 - 0.2, abs=2e-3)
    assert values["boss", "step8-y"] == pytest.approx(8 * 1.002 - 0.2, abs=2e-3)


def test_coupons_that_are_not_in_the_file_keep_ideal_paths(tmp_path):
    write_set(full_set(), tmp_path)
    trace, _ = traced(tmp_path, Style(infill=False), ("boss",))
    walk = traced_walk(trace, full_set().manifest, tmp_path)
    assert walk.keys == ideal_walk(tuple(c.id for c in full_set().manifest.coupons)).keys
    readings = simulate(walk, theta_of({"backlash_y": 0.2}), noise_mm=NOISE_MM, seed=2)
    diagnosis = diagnose_traced(trace, full_set().manifest, tmp_path, readings, Machine())
    assert diagnosis.verdict.term == "backlash_y"
    assert any("Not in that file" in n.text for n in diagnosis.notes)
    told = diagnosis.as_json()["sliced_file"]["contour_offset"]
    assert told["in_file_mm"] + told["left_to_machine_mm"] == pytest.approx(
        diagnosis.term("contour_offset").estimate
    )


def test_another_file_than_the_one_printed_is_noticed(tmp_path):
    trace, _ = traced(tmp_path, Style(infill=False), ("boss", "bore", "wall"))
    theta = theta_of({"contour_offset": 0.225})
    readings = simulate(trace.walk, theta, noise_mm=NOISE_MM, seed=5)
    diagnosis = diagnose_traced(trace, trace.walk.manifest, tmp_path, readings, Machine())
    # Nobody typed that row, so no reading is suspected for it.
    assert not diagnosis.suspects
    assert any("was it printed" in n.text for n in diagnosis.notes)
    assert diagnosis.term("contour_offset").estimate == pytest.approx(0.225, abs=0.03)


# At the command line


@pytest.fixture
def case(tmp_path) -> Path:
    """A fresh copy of a case with the quick set."""
    return quick_case(tmp_path)


def sliced(case: Path, style: Style) -> Path:
    folder = case / "prints" / "01"
    manifest = read_manifest(folder / "coupons.json")
    path = case / "plate.txt"
    path.write_text(write([(c, read_stl(folder / c.file)) for c in manifest.coupons], style).text)
    return path


def diagnosed(case: Path) -> dict:
    code, out, err = run("diagnose", str(case), "--json")
    assert code == 0, err
    return json.loads(out)


@pytest.mark.long
def test_trace_simulate_diagnose(case):
    path = sliced(case, Style(offset=0.225))
    code, out, _ = run("trace", str(case), str(path))
    assert code == 0
    assert "+0.2250 ± 0.0010 mm" in out and "drawn on the outline" in " ".join(out.split())
    assert max(map(len, out.split("\n"))) <= 110
    answer = json.loads(run("trace", str(case), str(path), "--json")[1])
    assert answer["path"]["offset_mm"] == pytest.approx(0.225, abs=0.005)
    assert [c["id"] for c in answer["coupons"]] == ["comb-x", "comb-y", "wall"]
    kept = json.loads((case / "prints" / "01" / "trace.json").read_text())
    assert [s["path"] for s in kept["sources"]] == [str(path.resolve())]

    assert run("simulate", str(case), "--trace", str(path), "--noise", "0.01", "--seed", "3")[0] == 0
    diagnosis = diagnosed(case)
    assert diagnosis["verdict"]["term"] == "contour_offset"
    assert diagnosis["sliced_file"]["contour_offset"]["in_file_mm"] == pytest.approx(0.225, abs=0.005)
    assert "plate.txt" in (case / "prints" / "01" / "report.html").read_text()


def test_a_file_that_changed_or_went_is_not_used(case):
    path = sliced(case, Style())
    assert run("trace", str(case), str(path))[0] == 0
    assert run("simulate", str(case), "--backlash-x", "0.2")[0] == 0
    path.write_text(path.read_text() + "G1 X0\n")
    told = diagnosed(case)
    assert "sliced_file" not in told and any("not the one traced before" in n for n in told["notes"])
    path.unlink()
    told = diagnosed(case)
    assert "sliced_file" not in told and any("is gone" in n for n in told["notes"])
    (case / "prints" / "01" / "trace.json").write_text("{")
    assert any("cannot be read" in n for n in diagnosed(case)["notes"])


@pytest.mark.long
def test_one_file_a_plate(case):
    folder = case / "prints" / "01"
    manifest = read_manifest(folder / "coupons.json")
    plates = []
    for keys, offset in ((("comb-x",), 0.225), (("comb-y", "wall"), 0.225)):
        path = case / f"{keys[0]}.txt"
        pieces = [(c, read_stl(folder / c.file)) for c in manifest.coupons if c.id in keys]
        path.write_text(write(pieces, Style(offset=offset, infill=False)).text)
        plates.append(path)
    together = json.loads(run("trace", str(case), *map(str, plates), "--json")[1])
    assert [c["id"] for c in together["coupons"]] == ["comb-x", "comb-y", "wall"]
    assert together["path"]["offset_mm"] == pytest.approx(0.225, abs=0.005)
    # One after the other is the same: the first stays remembered.
    (folder / "trace.json").unlink()
    for path in plates:
        assert run("trace", str(case), str(path))[0] == 0
    kept = json.loads((folder / "trace.json").read_text())
    assert [Path(s["path"]).name for s in kept["sources"]] == ["comb-x.txt", "comb-y.txt"]
    assert (
        run("simulate", str(case), "--trace", str(plates[0]), "--trace", str(plates[1]), "--seed", "3")[0]
        == 0
    )
    told = diagnosed(case)
    assert told["sliced_file"]["file"] == "comb-x.txt and comb-y.txt"
    assert told["verdict"]["term"] == "contour_offset"
    # Plates of different settings are noticed.
    pieces = [(c, read_stl(folder / c.file)) for c in manifest.coupons if c.id == "comb-x"]
    plates[0].write_text(write(pieces, Style(infill=False)).text)
    warnings = json.loads(run("trace", str(case), *map(str, plates), "--json")[1])["warnings"]
    assert any("paths stand at different places" in w for w in warnings)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "feeds no plastic"),
        (b"PK\x03\x04", "zip archive"),
        (b"G1 X10 Y10 E1\nG1 X1.2.3\n", "plate.txt, line 2: 'X1.2.3'"),
        (bytes(range(256)) * 50, "zero bytes"),
    ],
)
def test_bad_files_end_with_a_sentence(case, content, message):
    path = case / "plate.txt"
    path.write_bytes(content)
    for words in (["trace", str(case), str(path)], ["simulate", str(case), "--trace", str(path)]):
        code, _, err = run(*words)
        assert code == 2
        assert message in err and err.count("\n") == 1
