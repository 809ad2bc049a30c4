"""`fitassay enter`: readings one by one at the terminal, each on disk before the next is asked for."""

from __future__ import annotations

from pathlib import Path

import pytest

from fitassay.analysis.readings.book import ReadingsBook
from fitassay.analysis.readings.file import blank_readings, read_readings
from fitassay.coupons.machine import Machine
from fitassay.reading_dialog import sitting
from fitassay.reading_dialog.typed import typed_values
from tests.faults import full_disk
from tests.prints import MANIFEST, small_case
from tests.pty_session import PtySession
from tests.test_cli import run


def on_disk(target: Path) -> dict[tuple[str, str], list[float | None]]:
    found: dict[tuple[str, str], list[float | None]] = {}
    for r in read_readings(target / "readings.csv", MANIFEST):
        found.setdefault((r.coupon, r.feature), []).append(r.reading_mm)
    return found


def enter(case: Path, *lines: str, args: tuple[str, ...] = ()) -> tuple[int, str]:
    code, out, err = run("enter", str(case), *args, stdin="".join(f"{line}\n" for line in lines))
    assert err == ""
    return code, out


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("20.31", [20.31]),
        ("20,31", [20.31]),
        (" 20.31 mm ", [20.31]),
        ("20.31 20.29 20.30", [20.31, 20.29, 20.3]),
        ("20,31 20,29", [20.31, 20.29]),
        ("20.31, 20.29", [20.31, 20.29]),
        ("20.31;20.29", [20.31, 20.29]),
        ("20.31 mm 20.29 mm", [20.31, 20.29]),
        ("20,31mm; 20,29mm", [20.31, 20.29]),
    ],
)
def test_several_values_in_a_line_are_repeats(text, values):
    assert typed_values(text) == values


@pytest.mark.parametrize(
    "text", ["", "abc", "20.31 abc", "0.8 in", "nan", "-1", "20.3 1e308", "goes", "1.020,31"]
)
def test_what_is_no_reading_is_refused(text):
    with pytest.raises(ValueError, match=r"\w"):
        typed_values(text)


def test_the_walk_follows_the_sheet_and_says_where(tmp_path):
    target = small_case(tmp_path)
    code, out = enter(tmp_path, "20.31", "20.4", "8.1", "5.9", "5.8", "7.9")
    assert code == 0
    assert on_disk(target) == {
        ("boss", "x20"): [20.31],
        ("boss", "y20"): [20.4],
        ("boss", "x8"): [8.1],
        ("comb-x", "stem6"): [5.9],
        ("comb-x", "neck6"): [5.8],
        ("ladder", "rung1"): [7.9],
    }
    assert "1 of 6   boss x20   drawn 20.00 mm   outside jaws, along x" in out
    assert "2 of 6   boss y20   drawn 20.00 mm   outside jaws, along y" in out
    assert "comb-x neck6   drawn 6.00 mm   inside jaws, along x" in out
    assert "Jaws on stem6." in out
    assert out.count("Take up coupon") == 3
    assert "Take up coupon comb-x, from plate 2" in out
    assert "6 read of 6; all saved." in out
    assert "Now: fitassay diagnose" in out


def test_it_goes_on_where_it_was_left(tmp_path):
    target = small_case(tmp_path)
    enter(tmp_path, "20.31", "20.4", "q")
    assert len(on_disk(target)) == 2
    code, out = enter(tmp_path, "8.1")
    assert code == 0
    assert "2 read of 6 features" in out
    assert "1 of 6" not in out
    assert "3 of 6   boss x8" in out
    assert "Go on with: fitassay enter" in out


def test_repeats_skip_back_replace_and_keep(tmp_path):
    target = small_case(tmp_path)
    _, out = enter(
        tmp_path,
        "20.31 20.29",  # x20
        "s",  # y20
        "b",  # x8: back
        "20.4",  # y20 after all
        "b",  # x8: back
        "b",  # y20: back
        "20.30",  # x20: replaces both
        "b",  # x8: back to y20
        "+20.42",  # y20: one more
        "b",
        "",  # y20: kept
        "q",
    )
    assert on_disk(target) == {("boss", "x20"): [20.3], ("boss", "y20"): [20.4, 20.42]}
    assert "has 20.31, 20.29; Enter keeps, a new one replaces" in out


def test_replacing_leaves_a_reading_that_another_window_added(tmp_path, monkeypatch):
    """It was not in the prompt, so it is not what the new reading stands in for."""
    target = small_case(tmp_path)
    asked = sitting.ask

    def ask(prompt: str) -> str:
        book = ReadingsBook(target / "readings.csv", MANIFEST)
        if "reading" in prompt and book.values("boss", "x20") == (20.31,):
            waiting.append(prompt)
            if len(waiting) == 2:  # back at x20, its one reading on the screen
                book.add("boss", "x20", 20.29)
        return asked(prompt)

    waiting: list[str] = []
    monkeypatch.setattr(sitting, "ask", ask)
    enter(tmp_path, "20.31", "b", "20.40", "q")
    assert len(waiting) == 2
    assert sorted(on_disk(target)["boss", "x20"]) == [20.29, 20.4]


def test_skipped_features_are_come_back_to_at_the_end(tmp_path):
    target = small_case(tmp_path)
    _, out = enter(tmp_path, "s", "20.4", "8.1", "5.9", "5.8", "7.9")
    assert "5 read, 1 skipped of 6" in out
    _, out = enter(tmp_path, "20.3")
    assert "1 of 6   boss x20" in out
    assert on_disk(target)["boss", "x20"] == [20.3]
    code, out = enter(tmp_path)
    assert code == 0
    assert "reading:" not in out


def test_back_at_the_first_feature_stays_there(tmp_path):
    small_case(tmp_path)
    _, out = enter(tmp_path, "b", "q")
    assert "This is the first one." in out


def test_an_unlikely_value_is_asked_about_before_it_is_saved(tmp_path):
    target = small_case(tmp_path)
    _, out = enter(tmp_path, "2.031", "20.31", "0.79", "k", "9.0", "n", "8.1", "q")
    assert "was 20.31 meant?" in out
    assert "in inches?" in out
    assert "1 mm off" in out
    found = on_disk(target)
    assert found["boss", "x20"] == [20.31]
    assert found["boss", "y20"] == [0.79]
    assert found["boss", "x8"] == [8.1]


@pytest.mark.parametrize("answer", ["y", ""], ids=["y", "Enter"])
def test_yes_to_a_suspected_slip_takes_what_is_suggested(tmp_path, answer):
    target = small_case(tmp_path)
    # The decimal point, a whole millimetre, and inches.
    enter(tmp_path, "2.031", answer, "19.02", answer, "0.315", answer, "q")
    found = on_disk(target)
    assert found["boss", "x20"] == [20.31]
    assert found["boss", "y20"] == [20.02]
    assert found["boss", "x8"] == [8.0]


def test_a_suspected_slip_may_be_kept_or_typed_again(tmp_path):
    target = small_case(tmp_path)
    _, out = enter(tmp_path, "2.031", "k", "2.031", "n", "20.05", "q")
    assert "is not a number" not in out  # n is an answer, no reading
    assert on_disk(target) == {("boss", "x20"): [2.031], ("boss", "y20"): [20.05]}


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("abc", "'abc' is not a number"),
        ("0.8in", "write 20.32"),
        ("-20.3", "greater than 0"),
        ("nan", "is not a number"),
        ("1e308", "longer than any caliper"),
        ("?", "s   skip this feature"),
        ("", "s   skip this feature"),
        ("r around 3", "outside:10.000"),
    ],
)
def test_what_cannot_be_a_reading_is_asked_for_again(tmp_path, typed, told):
    target = small_case(tmp_path)
    code, out = enter(tmp_path, typed, "20.3", "q")
    assert code == 0
    assert told in out.replace("\n", " ")
    assert on_disk(target) == {("boss", "x20"): [20.3]}


def test_pieces_of_known_size(tmp_path):
    target = small_case(tmp_path)
    enter(
        tmp_path,
        *("10.01 10.02 10.01", "20.3", "r inside 8", "8.02", "", "20.4", "q"),
        args=("--reference", "outside:10"),
    )
    assert on_disk(target) == {
        ("boss", "x20"): [20.3],
        ("boss", "y20"): [20.4],
        ("reference", "outside:10.000"): [10.01, 10.02, 10.01],
        ("reference", "inside:8.000"): [8.02],
    }
    code, _, err = run("enter", str(tmp_path), "--reference", "block")
    assert code == 2
    assert "--reference: 'block' names no piece of known size" in err


def test_pieces_of_known_size_within_each_other_as_often_as_one_likes(tmp_path):
    target = small_case(tmp_path)
    pieces = ["r outside 10", "r inside 8"] * 200
    code, _ = enter(tmp_path, *pieces, "8.01", "", "10.02", "q")
    assert code == 0
    assert on_disk(target) == {
        ("reference", "inside:8.000"): [8.01],
        ("reference", "outside:10.000"): [10.02],
    }


def test_where_pegs_are_tried_words_do(tmp_path):
    target = small_case(tmp_path)
    _, out = enter(tmp_path, "Does not go", args=("--at", "ladder"))
    assert "goes (g), sticks (st), does not go (d)" in out
    enter(tmp_path, "+g", args=("--at", "ladder"))
    path = target / "readings.csv"
    assert [r.fit for r in read_readings(path, MANIFEST)] == ["does not go", "goes"]
    _, out = enter(tmp_path, "st", args=("--at", "ladder"))
    assert "has does not go, goes; Enter keeps" in out
    enter(tmp_path, "", args=("--at", "ladder"))
    assert [r.fit for r in read_readings(path, MANIFEST)] == ["sticks"]
    enter(tmp_path, "7.9", args=("--at", "ladder"))
    assert on_disk(target) == {("ladder", "rung1"): [7.9]}


def test_it_can_begin_anywhere(tmp_path):
    target = small_case(tmp_path)
    enter(tmp_path, "5.8", "q", args=("--at", "comb-x/neck6"))
    enter(tmp_path, "5.9", "q", args=("--at", "comb-x"))
    assert on_disk(target) == {("comb-x", "neck6"): [5.8], ("comb-x", "stem6"): [5.9]}
    code, _, err = run("enter", str(tmp_path), "--at", "comb-x/neck")
    assert code == 2
    assert "did you mean comb-x/neck6?" in err


@pytest.mark.parametrize("at", ["neck6", "comb-x/neck6", "5"])
def test_a_feature_may_be_named_by_the_sheet(tmp_path, at):
    target = small_case(tmp_path)
    enter(tmp_path, "5.8", "q", args=("--at", at))
    assert on_disk(target) == {("comb-x", "neck6"): [5.8]}


@pytest.mark.parametrize("at", ["0", "7", "neck", "comb-x/", ""])
def test_a_place_that_is_none_is_told(tmp_path, at):
    small_case(tmp_path)
    code, _, err = run("enter", str(tmp_path), "--at", at)
    assert code == 2
    assert "--at: no such coupon or feature" in err


def test_a_doubted_reading_may_be_skipped_or_gone_back_from(tmp_path):
    target = small_case(tmp_path)
    _, out = enter(tmp_path, "20.3", "2.04", "b", "20.31", "2.04", "s", "8.1", "q")
    assert "Enter or y takes 20.4" in out and "k keeps 2.04; n types again" in out
    assert on_disk(target) == {("boss", "x20"): [20.31], ("boss", "x8"): [8.1]}
    assert "2 read, 1 skipped" in out


def test_soft_plastic_is_told_to_be_touched_lightly(tmp_path):
    small_case(tmp_path, Machine(soft=True))
    assert "on light only" in enter(tmp_path, "q")[1]


def test_rows_and_notes_by_hand_stay(tmp_path):
    target = small_case(tmp_path)
    path = target / "readings.csv"
    path.write_text(
        blank_readings(MANIFEST).replace("boss,x20,,", "boss,x20,,seam cut off") + "gear,t1,3.2,mine\n"
    )
    enter(tmp_path, "20.31", "q")
    assert "boss,x20,20.31,seam cut off\n" in path.read_text()
    assert path.read_text().endswith("gear,t1,3.2,mine\n")


def test_a_readings_file_that_is_none_is_told_and_left_alone(tmp_path):
    target = small_case(tmp_path)
    (target / "readings.csv").write_bytes(b"PK\x03\x04")
    code, out, err = run("enter", str(tmp_path), stdin="20.3\n")
    assert code == 2
    assert "spreadsheet's own format" in err
    assert (target / "readings.csv").read_bytes() == b"PK\x03\x04"


def test_a_full_disk_is_told_and_what_was_saved_stays(tmp_path, monkeypatch):
    target = small_case(tmp_path)
    enter(tmp_path, "20.31", "q")
    before = (target / "readings.csv").read_bytes()

    with monkeypatch.context() as m:
        m.setattr("os.fsync", full_disk)
        code, _, err = run("enter", str(tmp_path), stdin="20.4\n")
    assert code == 2
    assert "readings.csv: cannot be written (No space left on device)" in err
    assert "Traceback" not in err
    assert (target / "readings.csv").read_bytes() == before


def test_an_interrupt_at_a_real_terminal_loses_nothing(tmp_path):
    target = small_case(tmp_path / "orrery")
    s = PtySession("enter", "orrery", cwd=tmp_path)
    s.expect("piece of known size: ")
    s.type("outside 10")
    s.expect("reading: ")
    s.type("10.01")
    s.expect("has 10.01(?s:.*)reading: ")
    s.type("")
    s.expect("boss x20.*(?s:.*)reading: ")
    # Saved before the next is asked for: the prompt is there, so the value must be.
    assert on_disk(target) == {("reference", "outside:10.000"): [10.01]}
    s.type("20,31")
    s.expect("boss y20.*(?s:.*)reading: ")
    assert on_disk(target)["boss", "x20"] == [20.31]
    s.press(b"20.")  # half typed
    s.press(b"\x03")
    s.expect("Stopped; nothing is lost: 1 read of 6")
    assert s.end() == 2
    assert "Traceback" not in s.text
    assert on_disk(target) == {("reference", "outside:10.000"): [10.01], ("boss", "x20"): [20.31]}
    assert sorted(p.name for p in target.iterdir()) == ["coupons.json", "readings.csv"]

    s = PtySession("enter", "orrery", cwd=tmp_path, columns=60)
    s.expect("2 of 6   boss y20")  # neither the piece nor the first feature is asked for again
    s.expect("reading: ")
    s.press(b"\x04")
    s.expect("1 read of 6; all saved")
    assert s.end() == 0
    assert max(len(line) for line in s.text.split("\n")) <= 60


def test_keys_that_features_understand_work_at_the_piece_of_known_size(tmp_path):
    target = small_case(tmp_path / "orrery")
    s = PtySession("enter", "orrery", cwd=tmp_path)
    s.expect("piece of known size: ")
    s.type("?")
    s.expect("s or Enter does without, q quits(?s:.*)piece of known size: ")
    s.type("b")
    s.expect("This is the first one(?s:.*)piece of known size: ")
    s.type("block")
    s.expect("names no piece of known size(?s:.*)piece of known size: ")
    s.type("s")
    s.expect("boss x20(?s:.*)reading: ")
    s.type("q")
    s.expect("0 read of 6; all saved")
    assert s.end() == 0

    s = PtySession("enter", "orrery", cwd=tmp_path)
    s.expect("piece of known size: ")
    s.type("q")
    s.expect("0 read of 6; all saved")
    assert s.end() == 0
    assert "boss x20" not in s.text
    assert not (target / "readings.csv").exists()


def test_a_killed_program_leaves_what_was_accepted(tmp_path):
    target = small_case(tmp_path / "orrery")
    s = PtySession("enter", "orrery", cwd=tmp_path)
    s.expect("piece of known size: ")
    s.type("")
    s.expect("reading: ")
    s.type("20.31")
    s.expect("boss y20.*(?s:.*)reading: ")
    s.process.kill()
    s.end()
    assert on_disk(target) == {("boss", "x20"): [20.31]}


def test_a_piece_of_known_size_is_read_three_times(tmp_path):
    target = small_case(tmp_path)
    _, out = enter(tmp_path, "10.01", "10.02", "10.00", "20.3", "q", args=("--reference", "outside:10.000"))
    assert "Read it 3 times" in out
    assert on_disk(target) == {("reference", "outside:10.000"): [10.01, 10.02, 10.0], ("boss", "x20"): [20.3]}


def test_a_piece_of_known_size_may_be_read_less_often(tmp_path):
    target = small_case(tmp_path)
    enter(tmp_path, "10.01", "", "20.3", "q", args=("--reference", "outside:10.000"))
    assert on_disk(target) == {("reference", "outside:10.000"): [10.01], ("boss", "x20"): [20.3]}


def test_skipped_features_are_offered_again_in_the_same_sitting(tmp_path):
    target = small_case(tmp_path)
    _, out = enter(tmp_path, "s", "20.4", "8.1", "5.9", "5.8", "7.9", "", "20.3")
    assert "1 feature skipped; Enter goes through them once more" in out
    assert on_disk(target)["boss", "x20"] == [20.3]
