"""Sentences at the terminal: they agree with each other, and name what comes next."""

from __future__ import annotations

import re
from contextlib import chdir
from pathlib import Path

import pytest
from click.testing import CliRunner

from fitassay.analysis.notes import Note
from fitassay.cli import cli
from tests.fit_case import copied, fresh_case, run, run_json
from tests.pty_session import PtySession

ROOT = Path(__file__).parents[1]
LOOSE = (("init", "--yes", "--horizontal-size-compensation", "-0.15"), ("make", "--quick"))
START = "G21\nG90\nM82\nG28\nM140 S60\nM104 S200\nM190 S60\nM109 S200\nG1 Z5 F3000\n"
END = "M104 S0\nM140 S0\nG28 X0\nM84\n"
READ = ("simulate", "--path-offset", "-0.15", "--seed", "5")


def said(*args) -> str:
    code, out, err = run(*args)
    assert code == 0, err
    return " ".join(out.split())


def joints(place, *rows: str) -> None:
    (place / "joints.csv").write_text("\n".join(("name,peg_mm,hole_mm,motion", *rows)) + "\n", "utf-8")


@pytest.mark.parametrize("words", [(), ("--quick",), ("--minutes", "60")])
def test_the_minutes_of_the_coupons_add_up_to_what_stands_below_them(tmp_path, words):
    place = copied(tmp_path, ("init", "--yes", "--volume-x", "80", "--nozzle", "0.3"))
    code, out, err = run("make", place, *words)
    assert code == 0, err
    rows = re.findall(r"^\S+ +\d+ +\d+ +[\d.]+ +(\d+)  ", out, re.MULTILINE)
    (total,) = re.findall(r"^together +\d+ +[\d.]+ +(\d+)  ", out, re.MULTILINE)
    assert len(rows) >= 3 and sum(map(int, rows)) == int(total)


def test_whose_joints_the_coupons_are_chosen_for(tmp_path):
    place = copied(tmp_path, ("init", "--yes"))
    assert "most of ordinary joints' clearance" in " ".join(run("make", place, "--minutes", "60")[2].split())
    joints(place, "arm,6,6.2,turn")
    assert "most of your joints' clearance" in " ".join(run("make", place, "--minutes", "60")[2].split())


def test_joints_that_fit_end_the_evening(tmp_path):
    place = copied(tmp_path, *LOOSE, READ)
    joints(place, "arm,6,6.2,turn")
    before = said("diagnose", place)
    assert "turns (+" in before and "fit as drawn" not in before  # it rattles; there are changes to make
    assert "fitassay apply" in said_here(place)
    card = said("apply", place)
    # One step: nothing is said of others.
    assert "Set this in the printer" in card and "Where machine and slicing program lack it: " in card
    assert "the others" not in card
    run("simulate", place, "--seed", "6")
    after = said("diagnose", place)
    assert "Your joints fit as drawn, so you can stop here" in after
    assert "To print " not in after
    assert "Your joints fit as drawn" in said_here(place)
    # No steps: no column of what comes after them.
    plan = said("plan", place)
    assert "after the steps" not in plan and "sizes, mm now" in plan
    # One that binds is not passed over.
    joints(place, "arm,6,6.2,turn", "tight,6,6,turn")
    assert "fit as drawn" not in said("diagnose", place)
    # A press fit must bind.
    joints(place, "pin,6,6.2,press")
    assert "fit as drawn" not in said("diagnose", place)
    joints(place, "pin,6,5.5,press")
    assert "fit as drawn" in said("diagnose", place)


def said_here(place) -> str:
    """What a bare `fitassay` says in the case's folder."""
    with chdir(place):
        return said()


def test_a_safe_verdict_says_what_is_known_of_the_joints(tmp_path):
    families = [w for c in ("bore", "comb-x", "comb-y", "wall") for w in ("--family", c)]
    place = copied(tmp_path, LOOSE[0], ("make", *families))
    joints(place, "arm,6,6.2,turn", "pin,6,6.2,press")
    # Outside sizes a quarter of a millimetre small, on a sound wall.
    rows = (
        "comb-x,tooth8,7.76",
        "comb-x,stem6,5.74",
        "comb-x,stem6,5.74",
        "comb-y,stem6,5.75",
        "comb-y,head10,9.77",
    )
    rows = ("coupon,feature,reading_mm,note", *(f"{row}," for row in (*rows, "wall,wall-left,0.49")))
    (place / "prints" / "01" / "readings.csv").write_text("\n".join(rows) + "\n", "utf-8")
    out = CliRunner().invoke(cli, ["enter", str(place), "--guided"], input="q\n").stdout
    flat = " ".join(out.split())
    assert "The verdict is safe after" in flat
    assert "So far: arm turns (+0.59" in flat and "So far: pin falls out (+0." in flat
    assert "reversal card" not in flat


def test_a_proof_print_does_not_unsay_what_an_earlier_print_measured():
    data = {"terms": ["scale_z", "backlash_x", "bead_excess"]}
    assert Note("not-measured", data).text == (
        "Not measured by these readings, which does not mean fine: scale in z, backlash in x, bead width."
    )
    assert Note("not-measured", {**data, "kept": ["backlash_x", "bead_excess"]}).text == (
        "Not measured by these readings, which does not mean fine: scale in z. Not measured anew, so as earlier "
        "prints left it: backlash in x, bead width."
    )
    assert "does not mean fine" not in Note("not-measured", {"terms": ["scale_z"], "kept": ["scale_z"]}).text


def test_the_table_and_the_list_below_it_agree(tmp_path):
    """The proof print reads a boss alone; what its table calls measured is not called unmeasured below."""
    place = copied(tmp_path, *LOOSE, READ)
    joints(place, "arm,6,6.2,turn")
    run("apply", place)
    run("simulate", place, "--seed", "6")
    out = " ".join(run("diagnose", place)[1].split())
    unknown = re.search(r"does not mean fine: ([^.]*)\.", out)[1].split(", ")
    found = run_json("diagnose", place)["terms"]
    assert found["backlash_x"]["informed"] > 0.7 and "backlash in x" not in unknown
    assert found["scale_z"]["informed"] < 0.2 and "scale in z" in unknown
    assert "as earlier prints left it: " in out


def test_a_suspect_reading_comes_with_the_command_that_takes_it_anew(tmp_path):
    place = copied(tmp_path, ("init", "--yes"), ("make", "--quick"), ("simulate", "--seed", "1"))
    path = place / "prints" / "01" / "readings.csv"
    first = next(r for r in path.read_text("utf-8").splitlines() if ",stem" in r)
    coupon, feature, value, note = first.split(",")
    path.write_text(
        path.read_text("utf-8").replace(first, f"{coupon},{feature},{float(value) - 1:.2f},{note}"), "utf-8"
    )
    out = said("diagnose", place)
    command = re.search(r"To measure (\S+) again: fitassay enter (\S+) --at (\S+)", out)
    assert command[1] == command[3] == f"{coupon}/{feature}" and command[2] == str(place)
    s = PtySession("enter", str(place), "--at", command[3], cwd=tmp_path)
    s.expect(rf"{coupon} {feature} ")
    s.type("q")
    s.end()


def test_what_is_typed_one_question_too_early_is_no_material(tmp_path):
    s = PtySession("init", "orrery", cwd=tmp_path)
    s.expect(r"name \[orrery\]: ")
    s.type("")
    s.expect(r"material \[PLA\]: ")
    s.type("80 70 90")
    s.expect("no letters; type what stands on the spool")
    s.expect(r"material \[PLA\]: ")
    s.type("PETG")
    s.expect(r"flexible.*: ")
    s.press(b"\x03")
    s.end()


def test_a_joint_is_said_back_as_it_was_understood():
    from fitassay.reading_dialog.joints import _taken, joint_row

    assert _taken(joint_row("6 in 6.2", 1)) == "6 mm in 6.2 mm, round, to slide in"
    assert _taken(joint_row("10 in 10,3 square press", 2)) == "10 mm in 10.3 mm, square, to be pressed in"
    assert _taken(joint_row("6 6.2 turn", 3)) == "6 mm in 6.2 mm, round, to turn"


def test_a_bed_too_small_is_told_where_nothing_is_asked(tmp_path):
    assert "at least 40 mm a side; none will fit" in said("init", tmp_path / "a", "--yes", "--volume-y", "30")
    assert "none will fit" not in said("init", tmp_path / "b", "--yes", "--volume-y", "40")


def test_a_fit_that_is_not_held_is_answered(tmp_path):
    place = copied(tmp_path, ("init", "--yes"), ("make", "--quick"), ("simulate", "--seed", "1"))
    assert "The printer does not hold 6 H7/g6, which needs 0." in said(
        "plan", place, "--fit", "H7/g6", "--size", "6"
    )
    assert "does not hold" not in said("plan", place)


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (("next", "CASE", "--top", "0"), "'--top': must be at least 1 (got 0)"),
        (("path", "CASE", "--walls", "31"), "'--walls': must lie between 1 and 30 (got 31)"),
        (("simulate", "CASE", "--bead", "1"), "did you mean --bead-width?"),
        (("simulate", "CASE", "--bead-width", "9"), "'--bead-width': must lie between -3 and 3 mm"),
        (("predict", "CASE", "--pair", "0,6"), "a length is greater than 0"),
        (
            ("apply", "CASE", "lever"),
            "no setting is called 'lever'; diagnose lists the steps with their numbers",
        ),
        (("enter", "CASE", "--at", "lever"), "no such coupon or feature 'lever'; this print has "),
        (("path", "CASE"), "make a further one with: fitassay make CASE --new-print"),
    ],
)
def test_wrong_words_are_told_what_is_right(tmp_path, words, wanted):
    place = copied(tmp_path, ("init", "--yes"), ("make", "--quick"), ("simulate", "--seed", "1"))
    code, _, err = run(*(str(place) if w == "CASE" else w for w in words))
    assert code == 2
    assert wanted.replace("CASE", str(place)) in " ".join(err.split())


def test_options_name_the_unit_they_are_in():
    words = said("predict", "--help")
    for option in ("--clearance mm", "--ring mm", "--modulus MPa", "--yield MPa", "--rotation degree"):
        assert option in words
    assert "NUMBER" not in words and "--minutes min" in said("make", "--help")


@pytest.mark.parametrize("command", ["diagnose", "apply", "plan", "predict", "correct"])
def test_help_says_which_print_is_judged(command):
    """As they do: of the prints made, the newest that was read."""
    assert "the newest that holds readings unless given" in said(command, "--help")
    assert "the newest unless given" in said("enter", "--help")


def test_commands_that_are_named_can_be_copied(tmp_path):
    place = copied(tmp_path, ("init", "--yes"), ("make", "--quick"), ("simulate", "--seed", "1"))
    assert f"fitassay make {place} --new-print --family fit-ladder" in said(
        "predict", place, "--pair", "6,6.2", "--clearance", "0.2"
    )
    run("make", place, "--new-print", "--family", "height-stair")
    assert f"make the full set: fitassay make {place} --new-print" in said("enter", place, "--rims")


def test_after_a_change_nobody_is_sent_to_the_full_set_again():
    """Guide and README: the proof print comes from `apply`; what is made besides is named coupon by coupon."""
    pages = [ROOT / "README.md", *sorted((ROOT / "gallery" / "guide").glob("*.md"))]
    text = {
        page.name if page.parent == ROOT else f"guide/{page.name}": page.read_text("utf-8") for page in pages
    }
    for name, words in text.items():
        for made in re.findall(r"fitassay make \S+ --new-print(.*)", words):
            assert made.lstrip().startswith("--family"), name
    for name in ("README.md", "guide/first-print.md", "guide/verdict.md"):
        assert "fitassay apply myprinter" in text[name], name
    assert "smallest proof print" in text["README.md"]
    assert "smallest print that proves" in " ".join(text["guide/verdict.md"].split())


@pytest.mark.parametrize(("answer", "kept"), [("y", 15.67), ("k", 14.67)])
def test_a_millimetre_lost_on_a_printer_that_is_off_is_asked_about_at_once(tmp_path, answer, kept):
    """Every opening is a third of a millimetre small: 14.67 for 16 mm is not a millimetre off the drawn size."""
    place = fresh_case(tmp_path)
    typed = "\n".join(["5.67", "5.66", "9.67", "9.66", "14.67", answer, "q"]) + "\n"
    out = CliRunner().invoke(cli, ["enter", str(place), "--at", "bore"], input=typed).stdout
    flat = " ".join(out.split())
    assert flat.count("let expect") == 1
    assert (
        "14.67 mm is 1 mm less than like sizes of this print let expect; was the millimetre misread?" in flat
    )
    assert "Enter or y takes 15.67" in flat
    rows = (place / "prints" / "01" / "readings.csv").read_text("utf-8").splitlines()
    assert [float(r.split(",")[2]) for r in rows if r.startswith("bore,window16-x,")] == [kept]


def test_what_holds_nothing_to_trace_is_told(tmp_path):
    """A stair is measured on its steps alone, the card by eye: neither has walls to be found by."""
    place = copied(tmp_path, ("init", "--yes"), ("make", "--family", "height-stair"))
    frame = framed(tmp_path)
    assert run("path", place, *frame)[0] == 0
    assert run("path", place, "--card", *frame)[0] == 0
    stair, card = place / "prints/01/plate-1.gcode", place / "prints/02/card.gcode"
    code, _, err = run("trace", place, stair)
    assert code == 2
    assert "print 02: is the reversal card, whose path no slicing program draws; name a print" in err
    code, _, err = run("trace", place, card, "--print", "01")
    assert code == 2 and "holds none of this print's coupons" in err
    assert run("trace", place, stair, "--print", "01")[0] == 0


def framed(folder) -> tuple:
    """Options for a start and an end of a machine."""
    for name, text in (("start.g", START), ("end.g", END)):
        (folder / name).write_text(text, "utf-8")
    return ("--start", folder / "start.g", "--end", folder / "end.g", "--yes")


def test_help_at_the_card_is_about_pairs_and_not_about_a_caliper(tmp_path):
    place = copied(tmp_path, ("init", "--yes"))
    assert run("path", place, "--card", *framed(tmp_path))[0] == 0
    out = CliRunner().invoke(cli, ["enter", str(place)], input="?\nabc\n3.5\nq\n").stdout
    flat = " ".join(out.split())
    assert "Type the pair's number: 3, or 3.5 where 3 and 4 are equally good" in flat
    assert "caliper" not in flat and "'abc' is no pair's number; write it like 3, or none" in flat
    assert "1 read of 9; all saved" in flat


def test_plan_and_apply_agree_about_a_step_that_should_wait(tmp_path):
    """The card alone: backlash is known well, all else is open, and the joints are ordinary ones."""
    place = copied(tmp_path, ("init", "--yes"))
    assert run("path", place, "--card", *framed(tmp_path))[0] == 0
    run("simulate", place, "--backlash-y", "0.2")
    assert run_json("plan", place)["steps"][0]["held"]
    plan = said("plan", place)
    assert "not yet: backlash compensation of y, 0 -> 0.2" in plan and "Too much else is open" in plan
    # It is known to a tenth; no step is made, so none serves as it stands.
    assert "known too badly" not in plan and "serve as they stand" not in plan
    card = said("apply", place)
    assert "The plan would wait with the backlash compensation of y: too much else is open" in card
