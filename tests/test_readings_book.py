"""Taking readings: on disk before the call returns, nothing typed by hand ever lost, two writers at once."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fitassay.analysis.readings.file import ReadingsBook, blank_readings, read_readings
from fitassay.coupons.errors import InputError, InputErrors, JobError
from fitassay.coupons.lock import locked
from tests.faults import full_disk
from tests.prints import FEATURES, MANIFEST

HEADER = "coupon,feature,reading_mm,note\n"
BY_HAND = (
    HEADER
    + "boss,x20,20.31,warm piece\n"
    + "boss,y20,,look at the seam\n"
    + "gear,tooth1,3.2,from another print\n"
    + '  comb-x ,"stem6",,"two\nlines"\n'
    + ",,,gloves on\n"
    + "boss,x8,not sure,\n"
)


def values_on_disk(path: Path) -> dict[tuple[str, str], list[float | None]]:
    found: dict[tuple[str, str], list[float | None]] = {}
    for r in read_readings(path, MANIFEST):
        found.setdefault((r.coupon, r.feature), []).append(r.reading_mm)
    return found


def left_over(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir() if p.name != "readings.csv")


@pytest.fixture
def path(tmp_path) -> Path:
    return tmp_path / "readings.csv"


@pytest.fixture
def book(path) -> ReadingsBook:
    path.write_text(blank_readings(MANIFEST), "utf-8")
    return ReadingsBook(path, MANIFEST)


def test_each_change_is_on_disk_when_the_call_returns(book, path):
    book.add("boss", "x20", 20.31)
    assert values_on_disk(path) == {("boss", "x20"): [20.31]}
    book.add("boss", "x20", 20.29, "20,3")
    assert values_on_disk(path) == {("boss", "x20"): [20.31, 20.29, 20.3]}
    book.replace("boss", "x20", 20.28)
    assert values_on_disk(path) == {("boss", "x20"): [20.28]}
    assert book.remove("boss", "x20", 20.28)
    assert not book.remove("boss", "x20", 20.28)
    assert values_on_disk(path) == {}
    book.skip("boss", "y20")
    assert "boss,y20,,skipped\n" in path.read_text()
    assert left_over(path.parent) == []


def test_repeats_stand_together_in_measuring_order(book, path):
    book.add("comb-x", "neck6", 5.8, 5.81)
    book.add("boss", "x20", 20.3)
    book.add("comb-x", "neck6", 5.79)
    rows = [line.split(",")[:3] for line in path.read_text().split("\n")[1:-1]]
    assert [r[:2] for r in rows if r[2]] == [["boss", "x20"], *[["comb-x", "neck6"]] * 3]
    assert [tuple(r[:2]) for r in rows if r[2] == "" or r[2] in ("20.30", "5.80")] == FEATURES


def test_a_missing_file_is_begun(path):
    book = ReadingsBook(path, MANIFEST)
    assert not path.exists()
    book.add("boss", "y20", 20.4)
    assert values_on_disk(path) == {("boss", "y20"): [20.4]}
    assert len(path.read_text().split("\n")) == len(FEATURES) + 2


def test_what_remains_and_what_was_skipped(book):
    assert [(c.id, f.id) for c, f in book.remaining()] == FEATURES
    book.add("boss", "x20", 20.3)
    book.skip("boss", "y20")
    assert [(c.id, f.id) for c, f in book.remaining()] == FEATURES[2:]
    assert book.skipped("boss", "y20")
    book.add("boss", "y20", 20.4)
    assert not book.skipped("boss", "y20")
    book.skip("boss", "y20")
    assert book.values("boss", "y20") == (20.4,)
    assert not book.skipped("boss", "y20")


def test_skipping_keeps_the_note_and_reading_takes_the_word_away(path):
    path.write_text(HEADER + "boss,x20,,look at the seam\n")
    book = ReadingsBook(path, MANIFEST)
    book.skip("boss", "x20")
    assert path.read_text() == HEADER + "boss,x20,,look at the seam; skipped\n"
    book.skip("boss", "x20")
    assert path.read_text() == HEADER + "boss,x20,,look at the seam; skipped\n"
    book.add("boss", "x20", 20.3, note="seam cut off")
    assert path.read_text() == HEADER + "boss,x20,20.30,look at the seam; seam cut off\n"


def test_rows_and_notes_typed_by_hand_stay_to_the_letter(path):
    path.write_text(BY_HAND)
    book = ReadingsBook(path, MANIFEST)
    book.add("boss", "y20", 20.4)
    book.add("comb-x", "stem6", 5.9)
    book.add("boss", "x8", 8.1)  # the nonsense there is the user's to mend
    text = path.read_text()
    assert "boss,x20,20.31,warm piece\n" in text
    assert "gear,tooth1,3.2,from another print\n" in text
    assert ",,,gloves on\n" in text
    assert "boss,x8,not sure,\nboss,x8,8.10,\n" in text
    assert "boss,y20,20.40,look at the seam\n" in text
    assert '"two\nlines"' in text
    kept = [line.split(",")[0].strip() for line in text.split("\n") if line[:1] not in ("", "l")]
    assert kept == ["coupon", "boss", "boss", "gear", "comb-x", "", "boss", "boss"]
    while book.undo():
        pass
    assert [line for line in path.read_text().split("\n") if "comb-x" not in line] == [
        line for line in BY_HAND.split("\n") if "comb-x" not in line
    ]


def test_the_file_keeps_its_own_form(path):
    raw = b"\xef\xbb\xbfNote;Coupon;Feature;Reading_mm;hand\r\n;boss;x20;20,31;left\r\n;boss;y20;;right\r\n"
    path.write_bytes(raw)
    book = ReadingsBook(path, MANIFEST)
    book.add("boss", "y20", 20.4)
    book.add("boss", "x20", 20.3)
    assert path.read_bytes() == (
        b"\xef\xbb\xbfNote;Coupon;Feature;Reading_mm;hand\r\n;boss;x20;20,31;left\r\n"
        b";boss;x20;20,30;\r\n;boss;y20;20,40;right\r\n"
    )
    assert values_on_disk(path) == {("boss", "x20"): [20.31, 20.3], ("boss", "y20"): [20.4]}


def test_a_note_column_is_added_when_it_is_needed(path):
    path.write_text("coupon,feature,reading_mm\nboss,x20,20.3\nboss,y20,")
    book = ReadingsBook(path, MANIFEST)
    book.skip("boss", "y20")
    assert path.read_text() == "coupon,feature,reading_mm,note\nboss,x20,20.3\nboss,y20,,skipped"


def test_pieces_of_known_size_are_added_once_and_repeated(book, path):
    book.add("reference", "outside:10", 10.01, 10.02)
    book.add("Reference", "outside:10.000", "10,01")
    assert book.references() == ("outside:10.000",)
    assert book.values("reference", "outside:10.000") == (10.01, 10.02, 10.01)
    assert values_on_disk(path)["reference", "outside:10.000"] == [10.01, 10.02, 10.01]


def test_hostile_notes_are_kept_as_text(book, path):
    notes = ['=1+1"', "a,b;c\td", "two\r\nlines", "x" * 10_000, "🪐 \u202e", "nul\0 and \udcff"]
    for note in notes:
        book.add("boss", "x20", 20.3, note=note)
    found = [r.note for r in read_readings(path, MANIFEST)]
    # A spreadsheet must not work it out; all else is to the letter.
    assert found[:5] == ["'=1+1\"", *notes[1:5]]
    assert found[5] == "nul and ?"
    with pytest.raises(InputError, match="note: is longer than"):
        book.add("boss", "x20", 20.3, note="x" * 30_000)


@pytest.mark.parametrize(
    ("coupon", "name", "value", "message"),
    [
        ("bos", "x20", 20.3, "did you mean boss?"),
        ("boss", "x21", 20.3, "did you mean x20?"),
        ("boss", "x20", float("nan"), "not a number"),
        ("boss", "x20", float("inf"), "not a number"),
        ("boss", "x20", -1.0, "greater than 0"),
        ("boss", "x20", 1e308, "longer than any caliper"),
        ("boss", "x20", "0.8in", "write 20.32"),
        ("reference", "around:3", 3.0, "outside:10.000"),
    ],
)
def test_what_cannot_be_a_reading_changes_nothing(book, path, coupon, name, value, message):
    before = path.read_bytes()
    with pytest.raises(InputError, match=message):
        book.add(coupon, name, 20.31, value)
    assert path.read_bytes() == before


def test_undo_goes_back_step_by_step_to_the_first_text(book, path):
    texts = [path.read_text()]
    for step in (
        lambda: book.add("boss", "x20", 20.3, 20.31, note="n"),
        lambda: book.replace("boss", "x20", 20.2),
        lambda: book.skip("boss", "y20"),
        lambda: book.add("reference", "inside:8", 8.01),
        lambda: book.remove("boss", "x20", 20.2),
    ):
        step()
        texts.append(path.read_text())
    assert len(set(texts)) == len(texts)
    for text in reversed(texts[:-1]):
        assert book.undo()
        assert path.read_text() == text
    assert book.undo() is None


def test_undo_refuses_where_another_has_changed_the_rows_since(book, path):
    book.add("boss", "x20", 20.3)
    ReadingsBook(path, MANIFEST).add("boss", "x20", 20.5)
    before = path.read_bytes()
    with pytest.raises(JobError, match="changed elsewhere since"):
        book.undo()
    assert path.read_bytes() == before


def test_a_second_book_and_an_editor_are_seen(book, path):
    ReadingsBook(path, MANIFEST).add("boss", "x20", 20.3)
    path.write_text(path.read_text().replace("boss,y20,,", "boss,y20,20.4,by hand"))
    book.add("boss", "x8", 8.1)
    assert values_on_disk(path) == {("boss", "x20"): [20.3], ("boss", "y20"): [20.4], ("boss", "x8"): [8.1]}
    assert book.values("boss", "y20") == (20.4,)
    path.write_text(path.read_text().replace("20.4", "20.6"))
    book.add("boss", "x8", 8.2)
    assert book.values("boss", "y20") == (20.6,)


def test_a_file_broken_meanwhile_is_left_alone(book, path):
    path.write_text("what is this\n")
    with pytest.raises(InputErrors, match="is not the header"):
        book.add("boss", "x20", 20.3)
    assert path.read_text() == "what is this\n"
    assert left_over(path.parent) == []


def test_a_link_stays_a_link(tmp_path):
    real = tmp_path / "elsewhere.csv"
    real.write_text(blank_readings(MANIFEST))
    link = tmp_path / "readings.csv"
    link.symlink_to(real)
    ReadingsBook(link, MANIFEST).add("boss", "x20", 20.3)
    assert link.is_symlink()
    assert values_on_disk(real) == {("boss", "x20"): [20.3]}


CHANGES = st.lists(
    st.tuples(
        st.sampled_from(["add", "add", "add", "replace", "skip", "undo", "remove"]),
        st.sampled_from([*FEATURES[:4], ("reference", "outside:10.000")]),
        st.lists(st.integers(100, 9000).map(lambda n: n / 100), max_size=3),
    ),
    max_size=25,
)


@settings(max_examples=60, deadline=None)
@given(changes=CHANGES, text=st.sampled_from([None, BY_HAND.replace("not sure", ""), HEADER]))
def test_any_run_of_changes_matches_a_plain_list(tmp_path_factory, changes, text):
    path = tmp_path_factory.mktemp("b") / "readings.csv"
    if text is not None:
        path.write_text(text)
    book = ReadingsBook(path, MANIFEST)
    model = {k: sorted(book.values(*k)) for k in FEATURES}
    past: list[dict[tuple[str, str], list[float]]] = []
    for change in changes:
        before = path.read_bytes() if path.exists() else b""
        then = dict(model)
        if change[0] == "undo":
            model = past.pop() if book.undo() else model
        else:
            model = applied(book, model, *change)
            if (path.read_bytes() if path.exists() else b"") != before:
                past.append(then)
        # Emptied rows are filled first, so only what was read is compared, not its order.
        assert {k: sorted(book.values(*k)) for k in model} == model
    if text is not None and "gear" in text:
        kept = path.read_text()
        for piece in (
            "warm piece",
            "look at the seam",
            "gear,tooth1,3.2,from another",
            "two\nlines",
            "gloves on",
        ):
            assert piece in kept


def applied(book: ReadingsBook, model: dict, what: str, key: tuple[str, str], values: list[float]) -> dict:
    """One change made to the book, and what a plain list would hold after it."""
    had = model.get(key, [])
    if what == "add":
        book.add(*key, *values)
        return {**model, key: sorted(had + values)}
    if what == "replace":
        book.replace(*key, *values)
        return {**model, key: sorted(values)}
    if what == "remove" and values and book.remove(*key, values[0]):
        had = list(had)
        had.remove(values[0])
        return {**model, key: had}
    if what == "skip":
        book.skip(*key)
    return model


WRITER = """
import sys
from pathlib import Path
from fitassay.analysis.readings.file import ReadingsBook
from tests.prints import MANIFEST
book = ReadingsBook(Path(sys.argv[1]), MANIFEST)
print("ready", flush=True)
sys.stdin.readline()
for i in range(int(sys.argv[3])):
    book.add("boss", sys.argv[2], 10 + i / 100)
"""
ROOT = Path(__file__).parent.parent


def test_two_programs_writing_at_once_lose_nothing(book, path):
    n = 25
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path), name, str(n)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for name in ("x20", "x20", "y20")
    ]
    for w in writers:
        assert w.stdout and w.stdout.readline() == "ready\n"
    for w in writers:
        assert w.stdin
        w.stdin.write("go\n")
        w.stdin.flush()
    for i in range(n):
        book.add("boss", "x8", 5 + i / 100)
    for w in writers:
        w.communicate(timeout=60)
        assert w.returncode == 0
    expected = sorted(round(10 + i / 100, 2) for i in range(n))
    found = values_on_disk(path)
    assert sorted(found["boss", "x20"]) == sorted(expected * 2)
    assert sorted(found["boss", "y20"]) == expected
    assert len(found["boss", "x8"]) == n
    assert left_over(path.parent) == []


def test_a_writer_that_died_holding_the_lock_does_not_block(book, path):
    script = (
        "import sys, time\nfrom pathlib import Path\nfrom fitassay.coupons.lock import locked\n"
        "with locked(Path(sys.argv[1])):\n    print('held', flush=True)\n    time.sleep(60)\n"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", script, str(path)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout and holder.stdout.readline() == "held\n"
    with pytest.raises(JobError, match="another window has been writing it"), locked(path, patience_s=0.1):
        pass
    holder.send_signal(signal.SIGKILL)
    holder.communicate()
    assert (path.parent / ".readings.csv.lock").exists()
    book.add("boss", "x20", 20.3)
    assert values_on_disk(path) == {("boss", "x20"): [20.3]}
    assert left_over(path.parent) == []


def test_a_drive_without_locks_is_written_all_the_same(book, path, monkeypatch):
    def no_locks(_: int) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr("fitassay.coupons.lock._try_lock", no_locks)
    book.add("boss", "x20", 20.3)
    assert values_on_disk(path) == {("boss", "x20"): [20.3]}


@pytest.mark.parametrize("call", ["os.fsync", "os.replace", "tempfile.mkstemp"])
def test_a_full_disk_loses_nothing(book, path, monkeypatch, call):
    book.add("boss", "x20", 20.3)
    before = path.read_bytes()
    with monkeypatch.context() as m:
        m.setattr(call, full_disk)
        with pytest.raises(JobError, match=r"readings\.csv: cannot be written \(No space left on device\)"):
            book.add("boss", "y20", 20.4)
    assert path.read_bytes() == before
    assert left_over(path.parent) == []
    # What was refused is not taken for read, and the next attempt goes through.
    assert book.values("boss", "y20") == ()
    book.add("boss", "y20", 20.4)
    assert values_on_disk(path) == {("boss", "x20"): [20.3], ("boss", "y20"): [20.4]}


def test_an_interrupt_while_writing_loses_nothing(book, path, monkeypatch):
    book.add("boss", "x20", 20.3)
    before = path.read_bytes()

    def interrupt(_: int) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as m:
        m.setattr("os.fsync", interrupt)
        with pytest.raises(KeyboardInterrupt):
            book.add("boss", "y20", 20.4)
    assert path.read_bytes() == before
    assert left_over(path.parent) == []
    book.add("boss", "y20", 20.4)


def test_a_folder_that_must_not_be_written_is_told(book, path, monkeypatch):
    before = path.read_bytes()
    if os.geteuid() == 0:  # root may write anywhere, so the refusal is played
        true_open = os.open

        def refuse(name, *args, **kwargs):
            if str(name).startswith(str(path.parent)):
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
            return true_open(name, *args, **kwargs)

        monkeypatch.setattr("os.open", refuse)
    else:
        path.parent.chmod(0o555)
    try:
        with pytest.raises(JobError, match=r"readings\.csv: cannot be written \(Permission denied\)"):
            book.add("boss", "x20", 20.3)
    finally:
        path.parent.chmod(0o755)
    assert path.read_bytes() == before


def test_waiting_for_the_lock_ends_when_it_is_let_go(path):
    script = (
        "import sys, time\nfrom pathlib import Path\nfrom fitassay.coupons.lock import locked\n"
        "with locked(Path(sys.argv[1])):\n    print('held', flush=True)\n    sys.stdin.readline()\n"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", script, str(path)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout and holder.stdout.readline() == "held\n"
    with pytest.raises(JobError), locked(path, patience_s=0.05):
        pass
    got_it = threading.Event()

    def wait() -> None:
        with locked(path, patience_s=30.0):
            got_it.set()

    waiter = threading.Thread(target=wait)
    waiter.start()
    assert not got_it.wait(0.2)
    holder.communicate("go on\n")
    assert got_it.wait(30)
    waiter.join()
    assert left_over(path.parent) == []


def test_replacing_leaves_what_the_prompt_never_showed(book, path):
    book.add("boss", "x20", 20.31, 20.33)
    other = ReadingsBook(path, MANIFEST)
    shown = book.values("boss", "x20")
    other.add("boss", "x20", 20.29)
    book.replace("boss", "x20", 20.4, shown=shown)
    assert sorted(v for v in values_on_disk(path)["boss", "x20"] if v) == [20.29, 20.4]
    book.replace("boss", "x20", 20.5)
    assert [v for v in values_on_disk(path)["boss", "x20"] if v] == [20.5]


def test_a_note_that_a_spreadsheet_would_work_out_stays_text(book, path):
    book.add("boss", "x20", 20.31, note='=HYPERLINK("x")')
    book.add("boss", "y20", 20.31, note="-0.1 by eye")
    text = path.read_text("utf-8")
    assert "'=HYPERLINK" in text
    assert ",=HYPERLINK" not in text and ',"=HYPERLINK' not in text
    assert ",-0.1 by eye" in text


def test_many_problems_are_shown_in_part_and_counted(path):
    path.write_text("coupon,feature,reading_mm\n" + "boss,x20,wide\n" * 3_000)
    with pytest.raises(InputErrors) as told:
        read_readings(path, MANIFEST)
    lines = str(told.value).splitlines()
    assert len(told.value.problems) == 3_000
    assert len(lines) == 21
    assert lines[-1] == f"{path}: 2980 more problems of the same file, not shown"
