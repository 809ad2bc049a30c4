"""The user's start and end around a path of ours: bad ones are refused or mended, each with one sentence."""

from __future__ import annotations

import json
import math
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from fitassay.analysis.gcode.frame import checked_start, refuse_end
from fitassay.analysis.gcode.likeness import read_likeness
from fitassay.cli import cli
from fitassay.coupons.errors import InputError
from tests.fit_case import copied
from tests.own_starts import ABSOLUTE, END, MACROS, SCRIPTS, STARTS
from tests.plain_parser import steps_of, strokes_of

GOOD = "G21\nG90\nM82\nM109 S200\nG28\nG1 Z5 F600\n"
REFUSED = {
    "no heat-up": (GOOD.replace("M109 S200\n", ""), "no heat-up of the nozzle"),
    "heat-up to nothing": (GOOD.replace("S200", "S0"), "no heat-up of the nozzle"),
    "no waiting": (GOOD.replace("M109", "M104"), "no word that waits until the nozzle is hot"),
    "no homing": (GOOD.replace("G28\n", ""), "no homing"),
    "a macro alone": (MACROS, "--start-as-is"),
    "fed cold": (
        "G21\nG90\nM82\nG28\nG1 E5 F100\nM109 S200\n",
        "line 5: feeds plastic before the nozzle is hot",
    ),
    "purged cold": (
        "G21\nG90\nM83\nG28\nG1 X5 Y5 Z0.3 F600\nG1 X40 E4\nM104 S200\nM109 S200\n",
        "line 6: feeds plastic before the nozzle is hot",
    ),
    "moved before homing": ("G21\nG90\nM82\nG1 X30 F900\nM109 S200\nG28\n", "line 4: moves the axes before"),
    "down before homing": ("G21\nG91\nG1 Z-2 F900\nM109 S200\nG28\n", "line 3: moves the axes before"),
    "ends the program": (GOOD + "M2\n", f"line {GOOD.count(chr(10)) + 1}: ends the program"),
    "polar": (GOOD + "G16\n", "polar"),
}
MENDED = {
    "unknown unit": (GOOD.replace("G21\n", ""), "names no unit; millimetres are taken"),
    "ends relative": (GOOD + "G91\n", "ends with relative moves"),
    "ends in inches": (GOOD + "G20\n", "ends in inches"),
    "numbered": ("N1 G21*1\nN2 M109 S200*2\nN3 G28*3\n", "numbers and checksums"),
    "moved origin": (GOOD + "G92 X10\n", "moves the origin"),
    "flow": (GOOD + "M221 S95\n", "sets the flow to 95 %"),
}
BAD_ENDS = {
    "homes all": ("M104 S0\nG28\n", "line 2: homes z"),
    "homes z": ("G28 Z\n", "line 1: homes z"),
    "homes z to a place": ("M104 S0\nG28 X0 Z0\n", "line 2: homes z"),
    "goes down": (
        "G91\nG1 Z5 F600\nG90\nG1 Z2 F600\n",
        "line 4: goes down to z 2 mm while the print is 8 mm high",
    ),
    "sinks": ("G91\nG1 Z-1 F600\n", "line 2: goes down"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_bad_start_is_refused_in_one_sentence(case):
    text, words = REFUSED[case]
    with pytest.raises(InputError) as caught:
        checked_start(text, "start.gcode")
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("case", MENDED)
def test_what_can_be_mended_is_mended_and_said(case):
    text, words = MENDED[case]
    notes = checked_start(text, "start.gcode").notes
    assert sum(words in note for note in notes) == 1


@pytest.mark.parametrize("case", BAD_ENDS)
def test_an_end_that_would_drive_into_the_print_is_refused(case):
    text, words = BAD_ENDS[case]
    with pytest.raises(InputError) as caught:
        refuse_end(text, "end.gcode", ("G21", "G90", "M82", "G92 E0"), 8.0)
    assert words in str(caught.value)
    refuse_end(text, "end.gcode", ("G21", "G90", "M82", "G92 E0"), 8.0, as_is=True)


def test_an_end_that_rises_and_parks_is_taken():
    refuse_end(END, "end.gcode", ("G21", "G90", "M82", "G92 E0"), 8.0)
    refuse_end("G1 Z12 F600\nG28 X0 Y0\n", "end.gcode", ("G21", "G90"), 8.0)


def sliced(start: str, relative: bool = False, layers: int = 12) -> str:
    """A small square tower as a slicing program may write it, in millimetres."""
    lines, e = [start, "M204 S700", "G0 X40 Y40 F7200"], 0.0
    lines.append(f"G1 E{1.5 if relative else 0} F2400")
    corners = ((60, 40), (60, 60), (40, 60), (40, 40))
    for k in range(1, layers + 1):
        lines += [f"G0 Z{0.2 * k:.2f} F600"]
        for x, y in corners:
            e += 0.7
            lines.append(f"G1 X{x} Y{y} E{0.7 if relative else e:.3f} F1500")
        if k == 2:
            lines.append("M106 S180")
        lines.append(f"G1 E{-1.5 if relative else e - 1.5:.3f} F2400")
        lines += ["G0 X41 Y41 F7200", "G0 X40 Y40"]
        lines.append(f"G1 E{1.5 if relative else e:.3f} F2400")
    return "\n".join(lines) + "\n" + END


def test_a_sliced_file_is_taken_apart_where_the_piece_begins_and_ends(tmp_path):
    path = tmp_path / "tower.gcode"
    path.write_text(sliced(ABSOLUTE))
    like = read_likeness(path, 1.75)
    # The purge line stays with the start, the way to the piece does not.
    assert like.start.strip().endswith("M204 S700")
    assert "G1 X3 Y38 E4 F900" in like.start
    assert like.end.strip().endswith(END.strip())
    assert "X40" not in like.end.replace("G0 X40 Y40", "")
    assert (like.retract_mm, like.retract_mm_s) == pytest.approx((1.5, 40))
    assert (like.travel_mm_s, like.print_mm_s) == pytest.approx((120, 25))
    assert like.feed_mm3_s == pytest.approx(0.7 * math.pi / 4 * 1.75**2 / 20 * 25)
    assert (like.fan, like.acceleration, like.middle) == ("M106 S180", "", False)
    assert like.end_modes[3] == "M82"
    assert checked_start(like.start, "start").retracted_mm == pytest.approx(1.5)


def run(*words: str, input: str = "") -> tuple[int, str]:
    result = CliRunner().invoke(cli, list(words), input=input)
    return result.exit_code, result.output


def unprinted(place):
    return copied(place, ("init", "--yes"), ("make", "--family", "comb-x", "--family", "single-wall"))


@pytest.fixture
def case(tmp_path):
    return unprinted(tmp_path)


@pytest.fixture(scope="module")
def drawn_once(tmp_path_factory):
    """The same with its path written; to be copied."""
    place = tmp_path_factory.mktemp("own")
    folder = unprinted(place)
    own_print(folder, place)
    return folder


@pytest.fixture
def drawn(drawn_once, tmp_path):
    return Path(shutil.copytree(drawn_once, tmp_path / "orrery"))


@pytest.fixture(scope="module")
def taken_once(tmp_path_factory):
    """The same with its path written after a file; to be copied."""
    place = tmp_path_factory.mktemp("taken")
    folder, like = unprinted(place), place / "tower.gcode"
    like.write_text(sliced(ABSOLUTE))
    assert run("path", str(folder), "--like", str(like), "--yes")[0] == 0
    return folder


@pytest.fixture
def taken(taken_once, tmp_path):
    return Path(shutil.copytree(taken_once, tmp_path / "orrery"))


def test_path_writes_plates_keeps_start_and_end_and_uses_them_again(case, tmp_path):
    like = tmp_path / "tower.gcode"
    like.write_text(sliced(ABSOLUTE))
    code, out = run("path", str(case), "--like", str(like), input="y\n")
    assert code == 0, out
    assert "Start, 16 lines:" in out and "hand at its switch" in out and "sealed files" in out
    first = (case / "prints/01/plate-1.gcode").read_text()
    assert "Drawn with 3 walls, filling 15 %." in out
    picture = (case / "prints/01/plate-1.svg").read_text()
    # Beads of one layer in the middle, drawn inside the bed.
    assert "Layer at 3 mm" in picture and 'stroke-width="0.45"' in picture
    places = [float(x) for x in re.findall(r"[ML]([\d.]+) ", picture.split('class="bead"')[1].split("/>")[0])]
    assert len(places) > 50 and 3 <= min(places) and max(places) <= 97
    (case / "start.gcode").write_text((case / "start.gcode").read_text().replace("S205", "S215"))
    code, out = run("path", str(case), "--json")
    assert code == 0, out
    again = (case / "prints/01/plate-1.gcode").read_text()
    assert again == first.replace("S205", "S215")
    assert json.loads(out)["files"][0]["minutes"] > 5
    # Nothing is faster than the user's own file, no temperature is ours, and E stands where the end expects it.
    steps = steps_of(again)
    assert max(s.feed for s in steps if s.fed > 0 and s.length > 0 and s.line > 30) <= 25
    assert max(s.feed for s in steps) <= 120
    own = again[again.index("; path") : again.index("; end")]
    assert not any(word in own for word in ("M104", "M109", "M140", "M190", "M204", "M906"))
    end = again[: again.index("; end")].count("\n")
    tail = [s for s in steps if s.line > end]
    assert [round(s.fed, 3) for s in tail if s.fed] == [-1.5, 1.5, -2.0][-len([s for s in tail if s.fed]) :]


def loops_at(text: str, z: float) -> int:
    """Closed strokes of one layer."""
    runs = [r for r in strokes_of(steps_of(text)) if abs(r[0].a[2] - z) < 1e-6]
    return sum(math.dist(r[0].a, r[-1].b) < 1e-6 for r in runs)


def test_walls_and_filling_are_the_machines_own_unless_asked_otherwise(drawn):
    """A comb of one outline, and the single wall, which stays one bead."""
    case = drawn
    path, plate = case / "machine.toml", case / "prints/01/plate-1.gcode"
    assert loops_at(plate.read_text(), 3.0) == 3 + 1
    path.write_text(
        path.read_text().replace("walls = 3", "walls = 2").replace("percent = 15", "percent = 60")
    )
    code, out = run("path", str(case))
    # Denser filling would press on the walls.
    assert code == 0 and "Drawn with 2 walls, filling 20 %." in out
    assert loops_at(plate.read_text(), 3.0) == 2 + 1
    assert run("path", str(case), "--walls", "1")[0] == 0
    assert loops_at(plate.read_text(), 3.0) == 1 + 1


MANNERS = [m if m == "numbered, M83" else pytest.param(m, marks=pytest.mark.long) for m in STARTS]


@pytest.mark.parametrize("manner", MANNERS)
def test_starts_of_five_manners_print_the_same_path(case, tmp_path, manner):
    (tmp_path / "s.txt").write_text(STARTS[manner])
    (tmp_path / "e.txt").write_text(END)
    words = ["path", str(case), "--start", str(tmp_path / "s.txt"), "--end", str(tmp_path / "e.txt"), "--yes"]
    code, out = run(*words)
    if manner == "macros":
        assert code == 2 and "no heat-up" in out and "no homing" in out
        assert not (case / "prints/01/plate-1.gcode").exists()
        code, out = run(*words, "--start-as-is")
    assert code == 0, out
    text = (case / "prints/01/plate-1.gcode").read_text()
    begin = text[: text.index("; path")].count("\n")
    beads = [r for r in strokes_of(steps_of(text)) if r[0].line > begin]
    assert len(beads) > 100
    assert min(s.b[2] for r in beads for s in r) == pytest.approx(0.2)
    # Kept in the case with what was allowed, so that it need not be said again.
    assert run("path", str(case), "--json")[0] == 0


@pytest.mark.parametrize("name", ["start.gcode", pytest.param("end.gcode", marks=pytest.mark.long)])
def test_zero_bytes_are_said_where_they_stand(case, tmp_path, name):
    like = tmp_path / "tower.gcode"
    like.write_text(sliced(ABSOLUTE))
    assert run("path", str(case), "--like", str(like), "--yes")[0] == 0
    text = (case / name).read_bytes()
    (case / name).write_bytes(text.replace(b"\n", b"\n\0", 1))
    code, out = run("path", str(case))
    assert code == 2 and f"{name}, line 2: holds zero bytes" in out


def test_what_is_missing_is_said(case, tmp_path):
    code, out = run("path", str(case))
    assert code == 2 and "--like FILE" in out and "sealed files" in out
    code, out = run("path", str(case), "--start", "x")
    assert code == 2 and "go together" in out
    like = tmp_path / "tower.gcode"
    like.write_text(sliced(SCRIPTS))
    code, out = run("path", str(case), "--like", str(like), input="n\n")
    assert code == 1 and "nothing was written" in out
    like.write_text(sliced(ABSOLUTE).replace("G28 X Y", "G28"))
    code, out = run("path", str(case), "--like", str(like), "--yes")
    assert code == 2 and "homes z" in out
    like.write_bytes(b"PK\x03\x04" + b"0" * 50)
    code, out = run("path", str(case), "--like", str(like), "--yes")
    assert code == 2 and "zip archive" in out


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("lift_mm_s =", "lift_mm_s = -1 #", r"line \d+, lift_mm_s: .* must be a number from 0.1 to 100"),
        ("travel_mm_s", "travelled", r"line \d+, travelled: is nothing that belongs in this file"),
        ("end_modes = [", 'end_modes = "M82" # [', r"line \d+, end_modes: must be a list"),
        ("start_as_is = false", "start_as_is = 1", r"line \d+, start_as_is: must be true or false"),
        ('acceleration = "', 'acceleration = 3 # "', r"line \d+, acceleration: .* one line of text"),
        ("lift_mm_s =", "lift_mm_s", r"line \d+, column \d+: expected '='"),
        ("# and how fast", "# \udcff", r"line \d+: holds letters that are not UTF-8"),
        ("lift_mm_s =", "lift_mm_s = " + "[" * 3000 + " #", r"line \d+: is not readable as TOML"),
        ("lift_mm_s =", "lift_mm_s = " + "9" * 5000 + " #", r"line \d+: is not readable as TOML"),
    ],
)
def test_what_is_wrong_with_the_figures_is_said_by_its_line(taken, old, new, says):
    figures = taken / "path.toml"
    good = figures.read_text("utf-8")
    line = good[: good.index(old)].count("\n") + 1
    figures.write_bytes(good.replace(old, new, 1).encode("utf-8", "surrogateescape"))
    code, out = run("path", str(taken))
    assert code == 2 and out.count("\n") == 1
    assert re.search(says.replace(r"line \d+", f"path.toml, line {line}"), out), out[:300]


def test_a_bed_with_its_origin_in_the_middle_is_kept(case, tmp_path):
    like = tmp_path / "tower.gcode"
    text = sliced(ABSOLUTE)
    for a in ("40", "60", "41"):
        for axis in "XY":
            text = text.replace(f"{axis}{a}", f"{axis}{int(a) - 50}")
    like.write_text(text)
    assert run("path", str(case), "--like", str(like), "--yes")[0] == 0
    beads = strokes_of(steps_of((case / "prints/01/plate-1.gcode").read_text()))[2:]
    xs = [s.b[0] for r in beads for s in r]
    assert -49 <= min(xs) < 0 < max(xs) <= 49


def own_print(case, tmp_path) -> None:
    (tmp_path / "s.txt").write_text(ABSOLUTE)
    (tmp_path / "e.txt").write_text(END)
    code, out = run(
        "path", str(case), "--start", str(tmp_path / "s.txt"), "--end", str(tmp_path / "e.txt"), "--yes"
    )
    assert code == 0, out


def diagnosed(case, *words: str) -> dict:
    code, out = run("diagnose", str(case), "--json", *words)
    assert code == 0, out
    return json.loads(out)


def test_a_print_drawn_by_a_path_of_our_own_has_no_offset_from_a_slicing_program(drawn):
    case = drawn
    assert run("simulate", str(case), "--backlash-x", "0.2", "--seed", "3")[0] == 0
    told = diagnosed(case)
    assert told["terms"]["contour_offset"]["estimate"] == pytest.approx(0.0, abs=0.03)
    assert told["terms"]["contour_offset"]["std_uncertainty"] < 0.025
    assert any("drawn by a path of our own" in note for note in told["notes"])
    # A file that was changed afterwards is no such path any more.
    plate = case / "prints/01/plate-1.gcode"
    plate.write_text(plate.read_text() + "; hand\n")
    told = diagnosed(case)
    assert any("not as it was written" in note for note in told["notes"])
    assert not any("drawn by a path of our own" in note for note in told["notes"])


@pytest.mark.long
def test_both_ways_tell_what_the_slicing_program_adds(case, tmp_path):
    """The same plate twice: by our path on a bare printer, by a slicing program that draws on the outline."""
    own_print(case, tmp_path)
    assert run("simulate", str(case), "--bead-excess", "0.03", "--seed", "3")[0] == 0
    made = ("make", str(case), "--family", "comb-x", "--family", "single-wall", "--new-print")
    assert run(*made)[0] == 0
    words = ("simulate", str(case), "--bead-excess", "0.03", "--contour-offset", "0.225", "--seed", "4")
    assert run(*words)[0] == 0
    # What the first print knows of the path's place does not hold for the second.
    told = diagnosed(case)
    assert not any("contradict" in note for note in told["notes"])
    assert told["terms"]["contour_offset"]["estimate"] == pytest.approx(0.225, abs=0.06)
    code, out = run("compare", str(case), "01", "02", "--json")
    assert code == 0, out
    data = json.loads(out)
    added = data["slicing_program_adds"]["contour_offset"]
    assert data["drawn_by_slicing_program"] == "02"
    assert added["difference"] == pytest.approx(0.225, abs=3 * added["difference_std_uncertainty"])
    assert added["difference_std_uncertainty"] < 0.06
    code, out = run("compare", str(case), "01", "02")
    assert "by your slicing program" in out and "to path offset" in out


def test_a_file_of_a_slicing_program_takes_the_place_of_our_path(drawn, tmp_path):
    case = drawn
    ours = case / "prints/01/plate-1.gcode"
    assert run("trace", str(case), str(ours))[0] == 0
    assert (case / "prints/01/path.json").exists()
    theirs = tmp_path / "theirs.gcode"
    theirs.write_text(ours.read_text().replace("; path", "; another"))
    assert run("trace", str(case), str(theirs))[0] == 0
    assert not (case / "prints/01/path.json").exists()


def test_what_only_a_slicing_program_does_is_not_in_force(case, tmp_path):
    machine = case / "machine.toml"
    machine.write_text(machine.read_text().replace("contour_mm = 0.0", "contour_mm = -0.1"))
    own_print(case, tmp_path)
    assert "contour_mm = 0.0" in (case / "prints/01/machine.toml").read_text()
    assert run("simulate", str(case), "--backlash-x", "0.3")[0] == 0
    code, out = run("path", str(case))
    assert code == 2 and "holds readings already" in out
    assert run("apply", str(case), "--no-proof")[0] == 0
    assert "contour_mm = -0.1" in machine.read_text()


@pytest.mark.parametrize("line", ["G1 X1 X2", "G0 G1 X1", "G1 X#5", "5 G1", "G1 X9999999", "G1 X1 }"])
def test_a_line_of_ones_own_is_to_be_mended_not_sliced(line):
    """The start and the end are the user's own texts: slicing mends nothing there."""
    for read in (
        lambda: checked_start(GOOD + line + "\n", "start.gcode"),
        lambda: refuse_end(line + "\n", "end.gcode", ("G21", "G90", "M82", "G92 E0"), 8.0),
        lambda: refuse_end("M84\n", "end.gcode", (line,), 8.0),
    ):
        with pytest.raises(InputError) as caught:
            read()
        assert str(caught.value).endswith("mend that line"), caught.value


@pytest.mark.parametrize("first", ["\ufeff", "; a\x0c5 b\n", "; a\u20285 b\n"])
def test_a_file_to_take_after_has_the_lines_that_its_reader_counts(tmp_path, first):
    """A mark of the encoding is no word, and a form feed or a separator within a comment ends no line."""
    plain, odd = tmp_path / "plain.gcode", tmp_path / "odd.gcode"
    plain.write_text("; a\n" * first.count("\n") + sliced(ABSOLUTE), encoding="utf-8")
    odd.write_text(first + sliced(ABSOLUTE), encoding="utf-8", newline="\n")
    a, b = read_likeness(plain, 1.75), read_likeness(odd, 1.75)
    assert b.end == a.end and b.end_modes == a.end_modes
    assert (
        checked_start(b.start, "start").start.splitlines()[-3:]
        == checked_start(a.start, "start").start.splitlines()[-3:]
    )
