"""Reading RS-274: words, modes, arcs, checked against the published text and a plain line-by-line reading."""

from __future__ import annotations

import math
import re
import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fitassay.analysis.gcode.moves import read_moves
from fitassay.analysis.gcode.straight_moves import Moves
from fitassay.analysis.gcode.words import Tally, words_of
from fitassay.coupons.errors import InputError


def moves_in(tmp_path: Path, text: str | bytes, **options) -> tuple[Moves, Tally]:
    path = tmp_path / "part.txt"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    tally = Tally(name="part.txt")
    blocks = list(read_moves(path, tally, **options))
    for one, two in zip(blocks, blocks[1:], strict=False):
        assert np.allclose(one.end[-1], two.start, rtol=0, atol=1e-9)
    joined = Moves(
        start=blocks[0].start if blocks else np.zeros(3),
        end=np.concatenate([b.end for b in blocks] or [np.empty((0, 3))]),
        filament=np.concatenate([b.filament for b in blocks] or [np.empty(0)]),
        feed=np.concatenate([b.feed for b in blocks] or [np.empty(0)]),
        line=np.concatenate([b.line for b in blocks] or [np.empty(0, dtype=int)]),
    )
    return joined, tally


def length(moves: Moves, since: int = 0) -> float:
    points = np.concatenate([moves.start[None], moves.end])[since:]
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


# Words


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("G1 X10.5 Y-3", [("G", 1), ("X", 10.5), ("Y", -3)]),
        ("g1x10.5y-3", [("G", 1), ("X", 10.5), ("Y", -3)]),
        # NISTIR 6556, 3.2: "g0x +0. 12 34y 7" is the same as "g0 x+0.1234 y7".
        ("g0x +0. 12 34y 7", [("G", 0), ("X", 0.1234), ("Y", 7)]),
        ("N20 G1 X1.*97", [("N", 20), ("G", 1), ("X", 1), ("*", 97)]),
        ("G1 (to the left) X.5 ; and on G9", [("G", 1), ("X", 0.5)]),
        ("/G1 X-.5", [("G", 1), ("X", -0.5)]),
        ("G92.1\tX007", [("G", 92.1), ("X", 7)]),
        ("X0.123456789012345678", [("X", 0.123456789012345678)]),
        ("(X1", []),
        ("", []),
    ],
)
def test_words(text, expected):
    words = words_of(text.encode())
    assert words.sound.all() and not words.junk.any()
    assert [chr(c) for c in words.letter] == [w[0] for w in expected]
    assert words.value.tolist() == [w[1] for w in expected]


@pytest.mark.parametrize(
    "text", ["X", "X-", "X1.2.3", "X1-2", "X--1", "X.", "X#3", "X[1+2]", "X1,5", "X\xb5"]
)
def test_unsound_words(text):
    assert not words_of(text.encode("latin-1")).sound.any()


@settings(max_examples=300, deadline=None)
@given(st.lists(st.decimals(-99999, 99999, places=5), min_size=1, max_size=30))
def test_numbers_are_the_nearest_doubles(numbers):
    text = "".join(f"X{n}\n" for n in numbers)
    assert words_of(text.encode()).value.tolist() == [float(n) for n in numbers]


# Arcs, against the published text


def test_published_helical_arc(tmp_path):
    # NISTIR 6556, 3.5.3.2: centre (10, 11), radius 5.
    moves, _ = moves_in(tmp_path, "G1 X7 Y7 Z0\nG17 G2 x10 y16 i3 j4 z9")
    arc = moves.end[1:]
    assert np.allclose(np.hypot(arc[:, 0] - 10, arc[:, 1] - 11), 5, atol=1e-9)
    assert arc[-1].tolist() == [10, 16, 9]
    assert arc[:, 0].min() == pytest.approx(5, abs=0.002)  # it passes x = 5
    flat = Moves(
        start=np.array([7.0, 7, 0]), end=arc * [1, 1, 0], filament=arc[:, 0], feed=arc[:, 0], line=arc[:, 0]
    )
    assert length(flat) == pytest.approx(12.4904577, abs=0.002)
    assert np.all(np.diff(arc[:, 2]) > 0)


@pytest.mark.parametrize(
    ("radius", "centre", "along"),
    [(20, (19.8550691, -2.4033794), 18.7017008), (-20, (-9.8550691, 17.4033794), 106.9620053)],
)
def test_published_radius_format(tmp_path, radius, centre, along):
    # NISTIR 6556, 3.5.3.1: "G17 G2 x10 y15 r20 z5"; a negative radius turns more than half a circle.
    moves, _ = moves_in(tmp_path, f"G17 G2 x10 y15 r{radius}")
    assert np.allclose(np.hypot(*(moves.end[:, :2] - centre).T), 20, atol=1e-6)
    assert length(moves) == pytest.approx(along, abs=0.003)
    x, y = moves.end[0, :2] - centre
    assert (
        np.cross([0, 0, 1], [-centre[0], -centre[1], 0])[:2] @ [x + centre[0], y + centre[1]] < 0
    )  # clockwise


@pytest.mark.parametrize(
    ("word", "end", "turn"),
    [
        ("G3", "x0 y10", math.pi / 2),
        ("G2", "x0 y10", 3 * math.pi / 2),
        ("G3", "x10 y0", 2 * math.pi),
        ("G2", "", 2 * math.pi),
    ],
)
def test_quarters_and_full_circles(tmp_path, word, end, turn):
    moves, _ = moves_in(tmp_path, f"G1 x10 y0\n{word} {end} i-10 j0")
    assert length(moves, since=1) == pytest.approx(10 * turn, rel=1e-4)
    assert (moves.end[1, 1] > 0) == (word == "G3")


def test_centres_are_increments_in_either_distance_mode(tmp_path):
    # NISTIR 6556, 3.5.3.2: I and J are offsets from the start point, in G90 as in G91.
    one, _ = moves_in(tmp_path, "G90 G1 x5 y5\nG2 x7 y3 i2 j0")
    two, _ = moves_in(tmp_path, "G90 G1 x5 y5\nG91 G2 x2 y-2 i2 j0")
    assert np.allclose(one.end, two.end)


def test_other_planes(tmp_path):
    # G18: from z to x; G19: from y to z (NISTIR 6556, 3.5.3).
    moves, _ = moves_in(tmp_path, "G1 x10\nG18 G3 x0 z-10 i-10 k0")
    assert np.allclose(np.hypot(moves.end[:, 0], moves.end[:, 2]), 10, atol=1e-9)
    assert length(moves, since=1) == pytest.approx(5 * math.pi, rel=1e-4)
    moves, _ = moves_in(tmp_path, "G1 y10\nG19 G3 y0 z10 j-10 k0")
    assert length(moves, since=1) == pytest.approx(5 * math.pi, rel=1e-4)


def test_filament_is_shared_out_along_an_arc(tmp_path):
    moves, _ = moves_in(tmp_path, "M83\nG1 x10 y0 f600\nG3 x0 y10 i-10 j0 e0.5")
    assert moves.filament[1:].sum() == pytest.approx(0.5)
    assert np.ptp(moves.filament[1:]) < 1e-12
    assert set(moves.line.tolist()) == {2, 3}
    assert moves.feed.tolist() == [10.0] * len(moves)


def test_slightly_loose_arcs_are_followed_and_counted(tmp_path):
    moves, tally = moves_in(tmp_path, "G2 X10.01 Y0 I5")
    assert tally.loose_arcs == 1
    assert moves.end[-1, 0] == 10.01


# Modes, against the published text


def test_offsets_as_published(tmp_path):
    # NISTIR 6556, 3.5.18: at x = 4 with no offset, G92 x7 makes the offset -3; then G92 x9 makes it -5.
    moves, _ = moves_in(tmp_path, "G1 x4\nG92 x7\nG1 x7\nG92 x9\nG1 x10\nG92.1\nG1 x4")
    assert moves.end[:, 0].tolist() == [4, 4, 5, 4]


def test_offset_ignores_incremental_mode(tmp_path):
    moves, _ = moves_in(tmp_path, "G91 G1 x4\nG92 x7\nG90 G1 x8")
    assert moves.end[:, 0].tolist() == [4, 5]


def test_offsets_kept_and_put_back(tmp_path):
    moves, _ = moves_in(tmp_path, "G1 x4\nG92 x0\nG92.2\nG1 x5\nG92.3\nG1 x5")
    assert moves.end[:, 0].tolist() == [4, 5, 9]


def test_modes_act_on_their_own_line_whatever_the_order(tmp_path):
    # NISTIR 6556, table 8: units and distance mode come before motion.
    moves, _ = moves_in(tmp_path, "X1 G1 G20\nX1 G91\nG21 X1")
    assert moves.end[:, 0] == pytest.approx([25.4, 50.8, 51.8])


def test_motion_is_modal_and_may_be_left_out(tmp_path):
    moves, _ = moves_in(tmp_path, "G1 X1\nY2\nM104 S200\nZ3")
    assert moves.end[-1].tolist() == [1, 2, 3]


def test_filament_modes(tmp_path):
    text = "M82\nG1 X1 E1\nG1 X2 E3\nG92 E0\nG1 X3 E0.5\nM83\nG1 X4 E0.5\nG1 E-2\nM82\nG1 X5 E1\n"
    moves, _ = moves_in(tmp_path, text)
    # Absolute, so the last line adds up from 0.5 + 0.5 - 2 = -1.
    assert moves.filament == pytest.approx([1, 2, 0.5, 0.5, -2, 2])


def test_filament_follows_distance_mode_until_told(tmp_path):
    moves, _ = moves_in(tmp_path, "G91\nG1 X1 E1\nG1 X1 E1\nM82\nG1 X1 E3")
    assert moves.filament == pytest.approx([1, 1, 1])


def test_homing(tmp_path):
    moves, tally = moves_in(tmp_path, "G1 X5 Y6 Z7\nG28 X Y\nG1 Z1\nG28\nG91 G1 X1")
    assert moves.end.tolist() == [[5, 6, 7], [0, 0, 7], [0, 0, 1], [0, 0, 0], [1, 0, 0]]
    assert moves.line.tolist() == [1, 2, 3, 4, 5]
    assert not tally.unknown


def test_machine_coordinates(tmp_path):
    moves, _ = moves_in(tmp_path, "G1 X10\nG92 X0\nG53 G1 X2\nG1 X2\nG91 G53 X3")
    assert moves.end[:, 0].tolist() == [10, 2, 12, 3]


def test_program_ends(tmp_path):
    moves, _ = moves_in(tmp_path, "G1 X1\nX2 M2\nX3\nnonsense (\nG1 X1.2.3")
    assert moves.end[:, 0].tolist() == [1, 2]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("G1 X1\nG0 G1 X5", "part.txt, line 2: G0 and G1 cannot share a line"),
        ("G90 G91", "part.txt, line 1: G90 and G91 cannot share a line"),
        ("G92 E0 G1 X5", "line 1: two words claim the same axis words"),
        ("G28 G1 X5", "line 1: two words claim the same axis words"),
        ("\n\nG1 X5 X6", "line 3: 'X6' gives its letter twice"),
        ("G1 X", "line 1: 'X' is not a letter with a number"),
        ("G1 X1 Y-", "line 1: 'Y-' is not a letter with a number"),
        ("G1 X1.2.3", "line 1: 'X1.2.3' is not"),
        ("G1 Xnan", "line 1: 'X' is not"),
        ("G1 X#3", "line 1: 'X#3' is a computed value"),
        ("X[1]", "line 1: 'X[1]' is a computed value"),
        ("G1 X1e5000000000", "beyond any machine's reach"),
        ("G1 X" + "9" * 400, "beyond any machine's reach"),
        ("G1 X200000", "line 1: moves beyond any machine's reach"),
        ("5 G1 X1", "line 1: a number stands before the line's first letter"),
        ("G2 X10 Y0", "line 1: an arc has neither a radius nor a centre"),
        ("G1 X1\nG2 X10 I5 R3", "line 2: an arc has both a radius and a centre"),
        ("G1 X1\nG2 X1 R3", "line 2: an arc given by its radius ends where it starts"),
        ("G2 X10 I4", "line 1: an arc's ends do not lie on one circle"),
        ("G2 X10 R3", "line 1: an arc's ends do not lie on one circle"),
    ],
)
def test_refused(tmp_path, text, message):
    with pytest.raises(InputError, match=re.escape(message)):
        moves_in(tmp_path, text)


def test_unknown_words_are_counted(tmp_path):
    text = "M104 S200\nM117 G1 X99 hello X\nG29 X1 Y2\nT0\nG1 X1 A5\n"
    text += "M205 X8 Y8\nmade by hand\nG4 P500\nG10 X4\nG81 X9"
    moves, tally = moves_in(tmp_path, text)
    assert moves.end.tolist() == [[1, 0, 0]]
    assert tally.unknown == {"M104": 1, "M117": 1, "G29": 1, "T": 1, "A": 1, "M205": 1, "G10": 1}
    assert (tally.text_lines, tally.unread_moves, tally.first_unread_move) == (1, 1, 10)


def test_checksums(tmp_path):
    def with_sum(line: str, wrong: int = 0) -> str:
        total = 0
        for byte in line.encode():
            total ^= byte
        return f"{line}*{total ^ wrong}\r\n"

    text = (
        with_sum("N1 G1 X1") + with_sum("N2 G1 X2 ") + "G1 X3 ; * no sum\r\n" + with_sum("N3 G1 X4", wrong=1)
    )
    moves, tally = moves_in(tmp_path, text)
    assert moves.end[:, 0].tolist() == [1, 2, 3, 4]
    assert (tally.bad_checksums, tally.first_bad_checksum, tally.lines) == (1, 4, 4)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("block", [1, 2, 3, 7, 64, 1 << 20])
def test_line_ends_and_block_borders(tmp_path, end, block):
    lines = [
        "\ufeffG21 (one",
        "G90",
        "",
        "G1 X1.5 Y2 F600",
        "G2 X2.5 I0.5",
        "; done",
        "G91 G1 X1",
        "G92 X0 Y0",
        "G90 G1 X3",
    ]
    moves, tally = moves_in(tmp_path, end.join(lines), chunk_bytes=block)
    assert moves.end[0].tolist() == [1.5, 2, 0] and moves.end[-1].tolist() == [6.5, 2, 0]
    assert moves.line[0] == 4 and moves.line[-1] == 9 and tally.lines == 9


# A second reading of the same rules, line by line, for random programs


class LineByLine:
    """Plain interpreter of the same words, without arrays; straight moves only."""

    def __init__(self) -> None:
        self.q = dict.fromkeys("XYZE", 0.0)
        self.o = dict.fromkeys("XYZE", 0.0)
        self.unit, self.relative, self.feed_relative = 1.0, False, None
        self.moves: list[tuple[float, ...]] = []

    def line(self, text: str) -> None:
        words = [
            (m[1], float(m[2])) for m in re.finditer(r"([A-Z])\s*(-?[\d.]+)", text.split(";")[0].upper())
        ]
        codes = [v for c, v in words if c == "G"]
        values = {c: v for c, v in words if c in "XYZE"}
        for code in codes:
            self.unit = {20: 25.4, 21: 1.0}.get(code, self.unit)
            self.relative = {90: False, 91: True}.get(code, self.relative)
        for c, v in words:
            if c == "M":
                self.feed_relative = {82: False, 83: True}.get(v, self.feed_relative)
                return
        if 28 in codes:
            for axis in [a for a in "XYZ" if a in values] or "XYZ":
                self.q[axis] = self.o[axis] = 0.0
            self.moves.append((0.0, 0.0, 0.0, 0.0))
        elif 92.1 in codes:
            for axis in "XYZE":
                self.q[axis] += self.o[axis]
                self.o[axis] = 0.0
            return
        elif 92 in codes:
            for axis, value in (values or dict.fromkeys("XYZE", 0.0)).items():
                self.o[axis] += self.q[axis] - value * self.unit
                self.q[axis] = value * self.unit
            return
        elif values:
            before = self.q["E"]
            for axis, value in values.items():
                by = self.relative if axis != "E" or self.feed_relative is None else self.feed_relative
                self.q[axis] = value * self.unit + (self.q[axis] if by else 0.0)
            self.moves.append((0.0, 0.0, 0.0, self.q["E"] - before))
        else:
            return
        position = tuple(self.q[a] + self.o[a] for a in "XYZ")
        self.moves[-1] = (*position, self.moves[-1][3])


_number = st.decimals(-30, 30, places=2).map(str)
_axis = st.builds("{}{}".format, st.sampled_from("XYZEF"), _number)
_axes = st.lists(_axis, min_size=1, max_size=4, unique_by=lambda w: w[0]).map(" ".join)
_line = st.one_of(
    st.builds("{} {}".format, st.sampled_from(["G0", "G1", "g01", "G90 G1", "G91 G0", "G20 G1", ""]), _axes),
    st.builds("{} {}".format, st.sampled_from(["G92", "G90", "G91", "G21", "G20", "G21 G90"]), _axes),
    st.sampled_from(
        ["G92", "G28", "G28 X0", "G28 Y0 Z0", "G92.1", "M82", "M83", "G90", "G91", "", "; X1", "G92 E0"]
    ),
)


@pytest.mark.long
@settings(max_examples=300, deadline=None)
@given(lines=st.lists(_line, max_size=40), block=st.sampled_from([5, 50, 100000]))
def test_equals_a_line_by_line_reading(tmp_path_factory, lines, block):
    moves, _ = moves_in(tmp_path_factory.mktemp("rs"), "\n".join(lines), chunk_bytes=block)
    plain = LineByLine()
    for line in lines:
        plain.line(line)
    expected = np.array(plain.moves).reshape(-1, 4)
    # F alone moves nothing.
    assert np.allclose(np.column_stack([moves.end, moves.filament]), expected, atol=1e-8)


# Broken files


def _write(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"PK\x03\x04rest", "is a zip archive"),
        (b"\x1f\x8b\x08rest", "is compressed"),
        ("G1 X1".encode("utf-16"), "is UTF-16 text"),
        (b"G1 X1\nG1 X2\0\n", "line 2: holds zero bytes"),
        (struct.pack("<80sI", b"part", 12) + bytes(600), "is an STL"),
        (b"solid peg\n facet normal 0 0 1\n  outer loop\n", "is an STL"),
        (struct.pack("<80sI", b"part", 12) + bytes(601), "line 1: holds zero bytes"),
        (b"G1 X1\n" + b"X" * (3 << 20), "line 2: is longer than 1024 kB"),
        (b"G28\n" * 6000, "homes or resets offsets more than 5000 times"),
        (b"G2I900\n" * 25_000, "draws arcs of more than 20000000 pieces"),
        pytest.param(b"G2I9\n" * 250_000, "draws arcs of more than 20000000 pieces", marks=pytest.mark.long),
    ],
)
def test_other_kinds_of_file(tmp_path, data, message):
    with pytest.raises(InputError, match=message):
        for _ in read_moves(_write(tmp_path / "file", data)):
            pass


def test_missing_and_folder(tmp_path):
    with pytest.raises(InputError, match="there is no such file"):
        list(read_moves(tmp_path / "none"))
    with pytest.raises(InputError, match="is a folder"):
        list(read_moves(tmp_path))


@pytest.mark.long
@settings(max_examples=400, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=300),
        st.text(alphabet="GMXYZEFIJKRN0123456789.-+*;()#[]%/ \n\r", max_size=300).map(str.encode),
        st.lists(
            st.builds(
                "{}{}".format,
                st.sampled_from(
                    ["G0 ", "G1 ", "G2 ", "G3 ", "G92 ", "G28 ", "G91 ", "M83 ", "G18 ", "X", "N1 ", "G53 "]
                ),
                st.text(alphabet="XYZEIJKR0123456789.- ", max_size=20),
            ),
            max_size=20,
        ).map(lambda lines: "\n".join(lines).encode()),
    )
)
def test_anything_is_read_or_refused_in_a_sentence(tmp_path_factory, data):
    path = _write(tmp_path_factory.mktemp("fuzz") / "file", data)
    for block in (16, 1 << 20):
        try:
            for moves in read_moves(path, Tally(name="file"), chunk_bytes=block):
                assert np.isfinite(moves.end).all() and np.isfinite(moves.filament).all()
        except InputError as exc:
            assert str(exc).startswith("file") and "\n" not in str(exc)


def test_truncation_anywhere(tmp_path):
    whole = (
        b"G21\nG90\nM83\nG1 X10 Y10 Z0.2 F1800\nG1 X20.5 E0.41\nG2 X30.5 Y10 I5 J0 E.3\nG92 E0\nG1 X1 E1*33\n"
    )
    for cut in range(len(whole)):
        try:
            moves, _ = moves_in(tmp_path, whole[:cut])
            assert len(moves) <= 160
        except InputError as exc:
            assert str(exc).startswith("part.txt, line ")
