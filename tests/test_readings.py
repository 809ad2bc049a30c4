"""readings.csv: understood in every form a spreadsheet leaves it, refused with line and column otherwise."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fitassay.analysis.readings.file import (
    Reading,
    blank_readings,
    plausible,
    read_readings,
    reference_id,
    reference_piece,
)
from fitassay.analysis.readings.plausibility import off_of_others, suggestion
from fitassay.coupons.errors import InputError, InputErrors
from fitassay.coupons.machine import Machine
from tests.prints import FEATURES, MANIFEST, feature
from tests.sets import coupon_set

HEADER = "coupon,feature,reading_mm,note\n"


def written(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "readings.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def read(tmp_path: Path, text: str | bytes) -> list[tuple[str, str, float | None, str]]:
    return [
        (r.coupon, r.feature, r.reading_mm, r.note) for r in read_readings(written(tmp_path, text), MANIFEST)
    ]


def problems(tmp_path: Path, text: str | bytes) -> list[str]:
    with pytest.raises(InputErrors) as caught:
        read_readings(written(tmp_path, text), MANIFEST)
    assert caught.value.exit_code == 2
    found = [str(p) for p in caught.value.problems]
    assert all(f.startswith(str(tmp_path / "readings.csv")) and "\n" not in f for f in found)
    return [f.removeprefix(str(tmp_path / "readings.csv")) for f in found]


ONE = [("boss", "x20", 20.31, "")]

GOOD = {
    "plain": HEADER + "boss,x20,20.31,\n",
    "no note": HEADER + "boss,x20,20.31\n",
    "no note column": "coupon,feature,reading_mm\nboss,x20,20.31\n",
    "no last line end": HEADER + "boss,x20,20.31,",
    "byte order mark": b"\xef\xbb\xbf" + (HEADER + "boss,x20,20.31,\n").encode(),
    "windows line ends": (HEADER + "boss,x20,20.31,\n").replace("\n", "\r\n"),
    "old line ends": (HEADER + "boss,x20,20.31,\n").replace("\n", "\r"),
    "semicolons": "coupon;feature;reading_mm;note\nboss;x20;20.31;\n",
    "semicolons, decimal comma": "coupon;feature;reading_mm;note\nboss;x20;20,31;\n",
    "tabs, decimal comma": "coupon\tfeature\treading_mm\tnote\nboss\tx20\t20,31\t\n",
    "quoted decimal comma": HEADER + 'boss,x20,"20,31",\n',
    "all quoted": '"coupon","feature","reading_mm","note"\n"boss","x20","20.31",""\n',
    "unit": HEADER + "boss,x20,20.31 mm,\n",
    "unit, no blank": HEADER + "boss,x20,20.31mm,\n",
    "no-break space": HEADER + "boss,x20,20.31\u00a0mm,\n",
    "blanks about": HEADER + " boss , x20 ,  20.31 ,  \n",
    "capitals": "Coupon,Feature,Reading_mm,Note\nBoss,X20,20.31,\n",
    "columns in another order": "note,reading_mm,feature,coupon\n,20.31,x20,boss\n",
    "further columns": "coupon,feature,reading_mm,note,hand\nboss,x20,20.31,,left\n",
    "blank lines": "\n\n" + HEADER + "\n,,,\nboss,x20,20.31,\n\n",
    "empty cells behind": HEADER + "boss,x20,20.31,,,,\n",
    "not yet taken": HEADER + "boss,y20,,\nboss,x20,20.31,\ncomb-x,stem6,   ,later\n",
    "row from elsewhere, blank": HEADER + "gone,x1,,\nboss,x20,20.31,\n",
    "only a note": HEADER + ",,,measured warm\nboss,x20,20.31,\n",
    "exponent": HEADER + "boss,x20,2.031e1,\n",
}


@pytest.mark.parametrize("text", GOOD.values(), ids=GOOD)
def test_forms_that_are_understood(tmp_path, text):
    assert read(tmp_path, text) == ONE


def test_repeats_are_several_rows_and_keep_their_lines(tmp_path):
    text = HEADER + 'boss,x20,20.31,"first,\nwith ""care"""\nboss,x20,20.29,\nboss,y20,20.4,\n'
    found = read_readings(written(tmp_path, text), MANIFEST)
    assert found == (
        Reading(coupon="boss", feature="x20", reading_mm=20.31, note='first,\nwith "care"', line=2),
        Reading(coupon="boss", feature="x20", reading_mm=20.29, line=4),
        Reading(coupon="boss", feature="y20", reading_mm=20.4, line=5),
    )


def test_pieces_of_known_size(tmp_path):
    text = (
        HEADER + "reference,outside:10.000,10.01,\nReference,Inside: 8,8.02,\nreference,outside:10,10.02,\n"
    )
    assert read(tmp_path, text) == [
        ("reference", "outside:10.000", 10.01, ""),
        ("reference", "inside:8.000", 8.02, ""),
        ("reference", "outside:10.000", 10.02, ""),
    ]
    assert reference_piece("outside:10,000") == ("outside", 10.0)
    assert reference_piece("inside 8") == ("inside", 8.0)
    assert reference_id("inside", 8.0005) == "inside:8.0005"


def test_trials_stand_in_place_of_a_size_where_pegs_are_tried(tmp_path):
    found = read_readings(written(tmp_path, HEADER + "ladder,rung1,Does  not go,\n"), MANIFEST)
    assert [(r.fit, r.reading_mm) for r in found] == [("does not go", None)]


# The row below the header, the place named, words of the message.
BAD_ROWS = [
    ("boss,x20,abc,", ", line 2, column reading_mm", "'abc' is not a number"),
    ("boss,x20,nan,", ", line 2, column reading_mm", "'nan' is not a number"),
    ("boss,x20,inf,", ", line 2, column reading_mm", "'inf' is not a number"),
    ("boss,x20,1e308,", ", line 2, column reading_mm", "longer than any caliper"),
    ("boss,x20,1e999,", ", line 2, column reading_mm", "too large a number"),
    ("boss,x20,-20.31,", ", line 2, column reading_mm", "greater than 0"),
    ("boss,x20,\N{MINUS SIGN}20.31,", ", line 2, column reading_mm", "greater than 0"),
    ("boss,x20,0,", ", line 2, column reading_mm", "greater than 0"),
    ("boss,x20,0.8in,", ", line 2, column reading_mm", "write 20.32 if"),
    ('boss,x20,0.8",', ", line 2, column reading_mm", "write 20.32 if"),
    ("boss,x20,2.031 cm,", ", line 2, column reading_mm", "write 20.31 if"),
    ("boss,x20,20.31 kg,", ", line 2, column reading_mm", "unknown unit 'kg'"),
    ("boss,x20,13/16 in,", ", line 2, column reading_mm", "not one number"),
    ("boss,x20,20.31 20.29,", ", line 2, column reading_mm", "not one number"),
    ("boss,x20,20.31-20.33,", ", line 2, column reading_mm", "not one number"),
    ('boss,x20,"1.020,31",', ", line 2, column reading_mm", "more than one decimal mark"),
    ('boss,x20,"1,020.31",', ", line 2, column reading_mm", "more than one decimal mark"),
    ("boss,x20,1_0,", ", line 2, column reading_mm", "not one number"),
    ("boss,x20,\N{ARABIC-INDIC DIGIT TWO},", ", line 2, column reading_mm", "not a number"),
    ("boss,x20,=10+10.31,", ", line 2, column reading_mm", "not a number"),
    ("boss,x20,20. Mrz,", ", line 2, column reading_mm", "unknown unit 'Mrz'"),
    ("boss,x20,20,31,", ", line 2, column reading_mm", 'write 20.31 or "20,31"'),
    ("boss,x20,20,31", ", line 2, column reading_mm", 'write 20.31 or "20,31"'),
    ("boss,x20,20.31,soft, warm", ", line 2", "has 5 cells where the header has 4"),
    ("boss,x20,goes,", ", line 2, column reading_mm", "pegs tried in holes"),
    ("bos,x20,20.31,", ", line 2, column coupon", "'bos'; did you mean boss?"),
    ("boss,x21,20.31,", ", line 2, column feature", "no feature 'x21'; did you mean x20?"),
    ("boss,,20.31,", ", line 2, column feature", "the feature is missing"),
    (",x20,20.31,", ", line 2, column coupon", "the coupon is missing"),
    ("boss x20 20.31", ", line 2, column coupon", "'boss x20 20.31'"),
    ("reference,around:3,3.1,", ", line 2, column feature", "outside:10.000"),
    ("reference,outside:-3,3.1,", ", line 2, column feature", "greater than 0"),
    ("reference,outside:0.5in,12.7,", ", line 2, column feature", "write 12.7"),
    ('boss,x20,20.31,"open', ", line 2", "never closed"),
    ('boss,x20,20.31,"a"b', ", line 2", "behind a closing quote"),
    ('boss,x20,20.31,"5\nboss,y20,20.4,"', ", line 2", "swallows the rows below"),
    ("boss,x20,20.31," + "x" * 140_000, ", line 2", "too long"),
    ("boss,x20,\x1b[2J,", ", line 2, column reading_mm", "not a number"),
]


def test_a_ladders_pegs_are_measured_and_its_holes_tried(tmp_path):
    manifest = coupon_set(("fit-ladder",)).manifest
    path = tmp_path / "readings.csv"
    path.write_text(f"{HEADER}ladder,rung30,sticks,\npeg,peg-x,8.02,\n", encoding="utf-8")
    assert [(r.fit, r.reading_mm) for r in read_readings(path, manifest)] == [("sticks", None), ("", 8.02)]
    path.write_text(f"{HEADER}peg,peg-x,goes,\n", encoding="utf-8")
    with pytest.raises(InputErrors, match="write the size in mm here"):
        read_readings(path, manifest)


@pytest.mark.parametrize(("row", "place", "message"), BAD_ROWS, ids=[repr(b[0][:30]) for b in BAD_ROWS])
def test_what_is_wrong_is_named_with_line_and_column(tmp_path, row, place, message):
    # A good row besides, so that the file is plainly this print's.
    (found,) = problems(tmp_path, f"{HEADER}{row}\nboss,x8,8.1,\n")
    assert found.startswith(place + ":")
    assert message in found
    assert "\x1b" not in found


BAD_FILES = {
    "nothing": (b"", ": is empty"),
    "blank lines": (b"\n\r\n  \n", ": is empty"),
    "no header": (
        b"boss,x20,20.31,\n",
        ", line 1: is not the header; the first line must be coupon,feature,",
    ),
    "missing column": (b"coupon,feature,note\n", ", line 1: column reading_mm is missing; add it"),
    "misspelt column": (b"coupon,feature,readng_mm\n", "reading_mm is missing; should that be readng_mm?"),
    "column twice": (
        HEADER.replace("note", "Coupon").encode(),
        "column 'coupon' is there 2 times (columns 1 and 4)",
    ),
    "utf-16": ((HEADER + "boss,x20,20.31,\n").encode("utf-16"), ": is UTF-16 text; save it as CSV in UTF-8"),
    "utf-16 without mark": (HEADER.encode("utf-16-le"), ": is UTF-16 text"),
    "binary": (b"coupon\x01\x02\0\0\0", ": is not text"),
    "workbook": (b"PK\x03\x04\x14\0\0\0", ": is a spreadsheet's own format"),
    "latin-1": ((HEADER + "boss,x20,20.31,fr\xfch\n").encode("latin-1"), ", line 2: holds letters"),
    "too large": (b"x" * 5_000_001, ": is too large"),
    "another print": (
        (HEADER + "gear,x1,3.1,\ngear,x2,4,\n").encode(),
        ", line 2: none of its 2 rows belongs",
    ),
    "another print, one row": ((HEADER + "gear,x1,3.1,\n").encode(), "for another print"),
}


@pytest.mark.parametrize(("raw", "message"), BAD_FILES.values(), ids=BAD_FILES)
def test_files_that_cannot_be_meant_are_refused(tmp_path, raw, message):
    (found,) = problems(tmp_path, raw)
    assert message in found


def test_both_problems_of_a_header_are_told(tmp_path):
    assert len(problems(tmp_path, "coupon,feature,feature,note,note\n")) == 3


def test_all_problems_of_a_file_are_told_together(tmp_path):
    found = problems(tmp_path, HEADER + "boss,x20,-1,\nboss,x8,8.1,\nboss,zzz,3,\nboss,y20,0.8in,\n")
    assert [f.split(":")[0] for f in found] == [
        ", line 2, column reading_mm",
        ", line 4, column feature",
        ", line 5, column reading_mm",
    ]


def test_missing_and_unreadable_files_are_told(tmp_path):
    with pytest.raises(InputError, match="no such file; 'fitassay make'"):
        read_readings(tmp_path / "readings.csv", MANIFEST)
    with pytest.raises(InputError, match="cannot be read"):
        read_readings(tmp_path, MANIFEST)


def test_blank_readings_follow_the_measuring_order(tmp_path):
    text = blank_readings(MANIFEST)
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [(r["coupon"], r["feature"]) for r in rows] == FEATURES
    assert all(r["reading_mm"] == "" and r["note"] == "" for r in rows)
    assert read(tmp_path, text) == []


ROWS = st.lists(
    st.tuples(
        st.sampled_from(FEATURES[:5]),
        st.one_of(st.none(), st.floats(0.01, 400).map(lambda v: round(v, 4))),
        # Notes that are themselves numbers look like decimals behind a comma: told in another test.
        st.text(st.characters(exclude_categories=["Cs", "Cc", "N"]), max_size=20).map(str.strip),
    ),
    min_size=1,
    max_size=12,
)


@settings(max_examples=150, deadline=None)
@given(
    rows=ROWS,
    delimiter=st.sampled_from(",;\t"),
    comma=st.booleans(),
    end=st.sampled_from(["\n", "\r\n"]),
    mark=st.booleans(),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_any_spreadsheet_form_of_the_same_rows_reads_the_same(
    tmp_path_factory, rows, delimiter, comma, end, mark, quoting
):
    out = io.StringIO()
    # An independent writer: the standard library's own.
    writer = csv.writer(out, delimiter=delimiter, lineterminator=end, quoting=quoting)
    writer.writerow(["coupon", "feature", "reading_mm", "note"])
    for (coupon, name), value, note in rows:
        text = "" if value is None else f"{value:.4f}"
        writer.writerow([coupon, name, text.replace(".", ",") if comma else text, note])
    path = tmp_path_factory.mktemp("r") / "readings.csv"
    path.write_bytes((b"\xef\xbb\xbf" if mark else b"") + out.getvalue().encode())
    found = [(r.coupon, r.feature, r.reading_mm, r.note) for r in read_readings(path, MANIFEST)]
    assert found == [(c, f, v, n) for (c, f), v, n in rows if v is not None]


MACHINE = Machine()

DOUBTS = [
    ("outside", 20.4, 2.04, "was 20.4 meant?"),
    ("outside", 20.4, 204.0, "was 20.4 meant?"),
    ("outside", 20.4, 2040.0, "was 20.4 meant?"),
    ("outside", 20.0, 0.791, "in inches? Then it is 20.09 mm"),
    ("outside", 20.0, -20.1, "greater than 0"),
    ("outside", 20.0, 0.0, "greater than 0"),
    ("outside", 20.0, float("nan"), "greater than 0"),
    ("outside", 20.0, 21.02, "1 mm off"),
    ("inside", 10.0, 8.98, "1 mm off"),
    ("outside", 6.0, 7.0, "1 mm off"),
    ("outside", 20.0, 22.5, "2.5 mm over"),
    ("outside", 8.0, 6.5, "1.5 mm under"),
    ("outside", 22.0, 20.1, "1.9 mm under"),
    ("outside", 20.0, 170.0, "beyond the caliper's range"),
    ("thickness", 0.45, 0.9, "sliced as two"),
    ("thickness", 0.45, 4.7, "was 0.47 meant?"),
]


@pytest.mark.parametrize(("kind", "nominal", "value", "words"), DOUBTS)
def test_readings_that_can_hardly_be_meant_are_asked_about(kind, nominal, value, words):
    sentence = plausible(feature("f", nominal, kind), value, MACHINE)
    assert words in sentence
    assert sentence.endswith((".", "?"))


def test_a_millimetre_lost_shows_against_the_readings_of_a_printer_that_is_off():
    """Openings a third of a millimetre small, all of them; then one of 10 mm reads 8.67."""
    sizes = (("w6", "inside", 6.0, 5.67), ("w16", "inside", 16.0, 15.68), ("b14", "inside", 14.0, 13.65))
    made = [feature(name, nominal, kind) for name, kind, nominal, _ in sizes]
    read = {name: (value,) for name, _, _, value in sizes}
    plate = SimpleNamespace(id="bore")
    asked = feature("w10", 10.0, "inside")

    def others(n: int) -> float | None:
        return off_of_others(asked, [(plate, f) for f in (*made[:n], asked)], lambda _, f: read.get(f, ()))

    assert others(0) is others(1) is None
    assert others(2) == pytest.approx(-0.325) and others(3) == pytest.approx(-0.33)
    assert plausible(asked, 8.67, MACHINE) == ""
    assert "1 mm less than like sizes" in plausible(asked, 8.67, MACHINE, others(3))
    assert suggestion(asked, 8.67, others(3)) == 9.67
    assert "1 mm more than like sizes" in plausible(asked, 10.68, MACHINE, others(3))
    assert suggestion(asked, 10.68, others(3)) == 9.68
    for good in (9.67, 9.33, 10.02, 9.0):
        assert "like sizes" not in plausible(asked, good, MACHINE, others(3))
    assert suggestion(asked, 9.67, others(3)) is None
    # Outside sizes and those along the other axis are no like sizes.
    assert (
        off_of_others(feature("x", 10.0, "outside"), [(plate, f) for f in made], lambda _, f: read[f]) is None
    )


@pytest.mark.parametrize(
    ("kind", "nominal", "off"),
    [
        ("outside", 20.0, 0.7),  # a path drawn on the outline, and a fat bead
        ("outside", 100.0, 0.6),
        ("inside", 5.0, -0.6),
        ("outside", 6.0, -0.5),
        ("thickness", 0.45, 0.2),
        ("thickness", 0.45, -0.15),
        ("height", 60.0, 0.4),
        ("diagonal", 113.1, 1.5),
    ],
)
def test_a_bad_printer_is_no_slip(kind, nominal, off):
    assert plausible(feature("f", nominal, kind), nominal + off, MACHINE) == ""
