"""Files that `fitassay path` writes, met from outside: what the machine is told, from the first line to the last.

Nothing here is shared with the writer; the files come from the command line, the checks from `tests.outside_printer`.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner

from fitassay.cli import cli
from tests.outside_printer import PLAIN, Move, Parts, Printer, bead_area, parts_of
from tests.own_starts import ABSOLUTE, END, STARTS

BEDS = {
    "45": (45, 0.2, 0.22, 0.1),
    "60": (60, 0.4, 0.45, 0.2),
    "100": (100, 0.6, 0.65, 0.3),
    "200": (200, 0.8, 0.9, 0.4),
}
"""Bed's side, nozzle, bead, layer [mm]."""

AREA = math.pi / 4 * 1.75**2
NEVER = (
    "M104",
    "M109",
    "M140",
    "M190",
    "M201",
    "M203",
    "M205",
    "M220",
    "M221",
    "M906",
    "M907",
    "M92",
    "G28",
    "G29",
)
"""Words that are the user's alone: heat, limits of the axes, currents, factors, homing."""


@dataclass(frozen=True)
class Written:
    """One file with what it was written from."""

    text: str
    parts: Parts
    printer: Printer
    coupons: list[dict]
    side: float
    width: float
    height: float

    @property
    def own(self) -> list[Move]:
        return [m for m in self.printer.moves if self.parts.first <= m.line <= self.parts.last]

    @property
    def beads(self) -> list[Move]:
        return [m for m in self.own if m.is_bead]


def run(*words: str) -> None:
    result = CliRunner().invoke(cli, list(words))
    assert result.exit_code == 0, result.output


def sliced(start: str, end: str) -> str:
    """A tower as a slicing program may write it: 22 mm/s, travels at 90, up and down at 4, 1.2 mm drawn back."""
    lines, e = [start, "M204 S650"], 0.0
    for k in range(1, 9):
        lines += ["G0 X20 Y20 F5400", f"G0 Z{0.2 * k:.2f} F240", f"G1 E{e:.3f} F1800"]
        for x, y in ((40, 20), (40, 40), (20, 40), (20, 20)):
            e += 0.7
            lines.append(f"G1 X{x} Y{y} E{e:.3f} F1320")
        lines += [f"G1 E{e - 1.2:.3f} F1800"] + (["M106 S140"] if k == 1 else [])
    return "\n".join(lines) + "\n" + end


def write(folder: Path, bed: str, what: str, *options: str) -> Written:
    side, nozzle, width, height = BEDS[bed]
    case = folder / "orrery"
    sizes = {
        "volume-x": side,
        "volume-y": side,
        "volume-z": side,
        "nozzle": nozzle,
        "line-width": width,
        "layer-height": height,
    }
    run("init", str(case), "--yes", *(w for k, v in sizes.items() for w in (f"--{k}", str(v))))
    if what != "card":
        run("make", str(case), "--family", what)
    run("path", str(case), "--yes", *options, *(["--card"] if what == "card" else []))
    (file,) = (case / "prints/01").glob("*.gcode")
    text = file.read_bytes().decode("utf-8")
    coupons = json.loads((case / "prints/01/coupons.json").read_text())["coupons"]
    return Written(text, parts_of(text), Printer().run(text), coupons, side, width, height)


def by_texts(folder: Path, bed: str, what: str, manner: str) -> Written:
    (folder / "s.txt").write_text(STARTS[manner])
    (folder / "e.txt").write_text(END)
    texts = ("--start", str(folder / "s.txt"), "--end", str(folder / "e.txt"))
    return write(folder, bed, what, *texts, *(["--start-as-is"] if manner == "macros" else []))


def by_like(folder: Path, bed: str, what: str, *options: str) -> Written:
    (folder / "tower.gcode").write_text(sliced(ABSOLUTE, END))
    return write(folder, bed, what, "--like", str(folder / "tower.gcode"), *options)


CASES = [
    *((bed, "card", manner) for bed, manner in zip(BEDS, STARTS, strict=False)),
    ("60", "single-wall", "like"),
    *(
        pytest.param(case, marks=pytest.mark.long)
        for case in (
            ("100", "card", "other scripts, ends relative"),
            ("100", "comb-x", "inches"),
            ("200", "height-stair", "numbered, M83"),
            ("60", "card", "like"),
            ("60", "comb-y", "like"),
        )
    ),
]


@pytest.fixture(scope="module", params=CASES, ids=str)
def written(request, tmp_path_factory) -> Written:
    bed, what, manner = request.param
    folder = tmp_path_factory.mktemp("outside")
    return by_like(folder, bed, what) if manner == "like" else by_texts(folder, bed, what, manner)


def test_its_head_says_what_it_is_and_the_user_owns_start_and_end(written):
    head = " ".join(written.parts.head)
    assert all(line.startswith("; ") for line in written.parts.head)
    assert "fitassay" in head and "orrery" in head and f"bead {written.width:g} mm" in head
    assert "the start and the end are the user's own" in head
    # Behind the modes that are put back stands the end, word for word.
    assert written.parts.end[-len(END.splitlines()) :] == END.splitlines()
    known = {re.sub(r"^N\d+\s*|\*\d+$", "", line).strip() for s in STARTS.values() for line in s.splitlines()}
    assert set(written.parts.start) <= known | {"", "G21", "M204 S650"}


def test_between_them_stand_plain_words_and_nothing_that_is_the_users(written):
    for line in written.parts.path:
        assert PLAIN.fullmatch(line) or line in (
            "G21",
            "G17",
            "G90",
            "M83",
            "G92 E0",
            "M106 S140",
            "M204 S650",
        ), line
        assert not set(line.split()) & set(NEVER)
    assert written.text.isascii() or "начало" in written.text


def test_it_is_hot_homed_and_in_millimetres_before_anything_moves(written):
    macros = "PRINT_BEGIN" in written.text
    for move in written.own:
        assert macros or (move.hot and move.homed)
        assert written.printer.modes[move.line] == (1.0, False, True)


def test_it_rises_first_and_comes_down_over_its_first_bead(written):
    first, second = written.own[:2]
    assert first.b[2] > (0.0 if math.isnan(first.a[2]) else first.a[2]) and first.fed == 0
    assert first.b[:2] == first.a[:2] or (math.isnan(first.a[0]) and math.isnan(first.b[0]))
    assert first.b[2] >= written.height + 1.9
    assert second.b[2] == first.b[2]
    down = next(k for k, m in enumerate(written.own) if m.b[2] < m.a[2])
    bead = next(k for k, m in enumerate(written.own) if m.is_bead)
    # Straight down; from there along the first bead's own end, which settles the play.
    assert written.own[down].across == 0
    assert sum(m.across for m in written.own[down:bead]) <= 40.0
    assert {m.b[2] for m in written.own[down:bead]} == {written.height}
    last = written.own[-1]
    assert last.b[2] > max(m.b[2] for m in written.beads) and last.across == 0


def test_it_stays_inside_the_volume_and_over_the_bed(written):
    ends = [m.b for m in written.own[1:]]
    for k in (0, 1):
        assert min(p[k] for p in ends) >= 1.0 - 1e-9 and max(p[k] for p in ends) <= written.side - 1.0 + 1e-9
    assert min(p[2] for p in ends) >= written.height - 1e-9
    assert max(p[2] for p in ends) <= written.side


def test_layers_follow_each_other_and_nothing_goes_below_what_is_printed(written):
    levels = [m.b[2] for m in written.beads]
    assert levels == sorted(levels)
    assert all(m.a[2] == m.b[2] for m in written.beads)
    steps = sorted({round(z / written.height, 6) for z in levels})
    top = max(c["size_mm"][2] for c in written.coupons)
    assert steps == list(range(1, round(top / written.height) + 1))
    done = 0.0
    for move in written.own[1:]:
        assert min(move.a[2], move.b[2]) >= done - 1e-9
        done = max(done, move.b[2]) if move.is_bead else done


def test_plastic_is_the_beads_own_and_what_is_drawn_back_comes_forth_again(written):
    """Over the whole path, and over each hundred beads, within rounding."""
    area = bead_area(written.width, written.height)
    for group in [written.beads, *(written.beads[i : i + 100] for i in range(0, len(written.beads), 100))]:
        fed, length = sum(m.fed for m in group), sum(m.across for m in group)
        assert fed * AREA == pytest.approx(length * area, rel=1e-3, abs=1e-4)
    # Absolute E: the start draws 1.5 mm back, ours begins by giving it forth; the end finds it given forth.
    back = 1.5 if "G1 E-1.5 F2400" in written.text else 0.0
    for move in written.own:
        if move.is_bead:
            assert back == pytest.approx(0.0, abs=1e-4)
        else:
            back -= move.fed
            assert back >= -1e-4
            assert not (move.fed and move.across)
        assert not (move.rapid and move.fed)


def test_the_pieces_lie_where_the_manifest_says(written):
    (coupon,) = written.coupons
    for k in (0, 1):
        low = min(min(m.a[k], m.b[k]) for m in written.beads) - written.width / 2
        high = max(max(m.a[k], m.b[k]) for m in written.beads) + written.width / 2
        # Rounded corners of a tag that is not measured end a few micrometres inside.
        near = 5e-3 if coupon["single_wall"] else 1e-3
        assert low == pytest.approx(coupon["origin_on_plate_mm"][k], abs=near)
        assert high - low == pytest.approx(coupon["size_mm"][k], abs=near + 1e-3)


def test_the_rate_of_plastic_is_bounded_and_the_first_layer_is_slower(written):
    rates = [m.fed * AREA / m.across * m.speed for m in written.beads if m.across > 0.5]
    assert max(rates) <= 8.0 * 1.001
    assert max(m.speed for m in written.beads) <= 30.0


def test_modes_are_put_back_for_the_end(written):
    """The end draws back 2 mm with M83 and lifts 3 mm with G91, whatever the start had left."""
    tail = [m for m in written.printer.moves if m.line > written.parts.last]
    lift = [m for m in tail if m.fed == 0 and m.b[2] != m.a[2]]
    unit = 25.4 if "G20" in written.parts.start else 1.0
    assert [m.b[2] - m.a[2] for m in lift] == pytest.approx([3.0 * unit])
    assert [m.fed for m in tail if m.fed][-1] == pytest.approx(-2.0 * unit)
    assert all(m.b[2] >= m.a[2] for m in tail)


@pytest.mark.parametrize("what", ["card", pytest.param("comb-x", marks=pytest.mark.long)])
def test_nothing_is_faster_than_in_the_file_it_was_taken_from(tmp_path, what):
    got = by_like(tmp_path, "60", what)
    assert max(m.speed for m in got.beads) <= 22.0
    ways = [m for m in got.own if m.fed == 0 and m.across > 0]
    assert max(m.speed for m in ways) <= 90.0
    assert max(m.speed for m in got.own if m.across == 0 and m.fed == 0) <= 4.0
    drawn = [m for m in got.own if m.fed and not m.across]
    assert {round(abs(m.fed), 4) for m in drawn[1:]} == {1.2} and max(m.speed for m in drawn) <= 30.0
    # The fan as there, behind the first layer.
    assert {m.fan for m in got.beads if m.b[2] < 0.3} == {0.0}
    assert {m.fan for m in got.beads if m.b[2] > 0.3} == {140.0}
    # Long ways are gone with the filament drawn back.
    back = 1.5
    for move in got.own:
        back -= move.fed if not move.is_bead else 0.0
        assert back > 1.0 or move.is_bead or move.across < 3.0 or move.speed <= 22.0


def test_flow_and_filament_of_the_machine_are_in_the_plastic(tmp_path):
    """95 % through filament of 1.70 mm where 1.75 was usual."""
    case = tmp_path / "orrery"
    (tmp_path / "s.txt").write_text(ABSOLUTE)
    (tmp_path / "e.txt").write_text(END)
    run("init", str(case), "--yes", "--flow", "95", "--filament-diameter", "1.70")
    run(
        "path",
        str(case),
        "--card",
        "--yes",
        "--start",
        str(tmp_path / "s.txt"),
        "--end",
        str(tmp_path / "e.txt"),
    )
    text = (case / "prints/01/card.gcode").read_text()
    parts = parts_of(text)
    beads = [m for m in Printer().run(text).moves if parts.first <= m.line <= parts.last and m.is_bead]
    fed, length = sum(m.fed for m in beads), sum(m.across for m in beads)
    assert fed * math.pi / 4 * 1.70**2 == pytest.approx(0.95 * length * bead_area(0.45, 0.2), rel=1e-3)


def length_of(moves: list[Move]) -> float:
    return sum(m.across for m in moves)


def test_seams_of_the_combs_outer_walls_lie_in_their_notch(tmp_path):
    """Where the outer loop begins, on every layer, is one place, and the notch is the sharpest corner of the comb."""
    got = by_texts(tmp_path, "100", "comb-x", "absolute E")
    longest: dict[float, list[Move]] = {}
    runs: list[list[Move]] = []
    for before, move in zip(got.own, got.own[1:], strict=False):
        if move.is_bead and before.is_bead and runs:
            runs[-1].append(move)
        elif move.is_bead:
            runs.append([move])
    for r in runs:
        closed = math.dist(r[0].a[:2], r[-1].b[:2]) < 1e-6
        z = r[0].a[2]
        if closed and 1.5 < z < 6.0 and length_of(r) > length_of(longest.get(z, [])):
            longest[z] = r
    assert len(longest) > 10
    begin = next(iter(longest.values()))[0].a[:2]
    for r in longest.values():
        assert r[0].a[:2] == pytest.approx(begin, abs=1e-3)
        a, b = ((m.b[0] - m.a[0], m.b[1] - m.a[1]) for m in (r[-1], r[0]))
        turn = math.atan2(a[0] * b[1] - a[1] * b[0], a[0] * b[0] + a[1] * b[1])
        assert abs(turn) > math.radians(95)
