"""filament.csv and feed.csv: read in whatever form, entered at the terminal, told in the diagnosis."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from fitassay.analysis.readings.filament_files import (
    DIAMETER_COLUMNS,
    FEED,
    FEED_COLUMNS,
    FILAMENT,
    add_row,
    read_diameters,
    read_feed,
)
from fitassay.coupons.errors import InputError, InputErrors
from tests.fit_case import case, run, run_json


def write(path: Path, data: str | bytes) -> Path:
    path.write_bytes(data if isinstance(data, bytes) else data.encode("utf-8"))
    return path


@pytest.mark.parametrize(
    "text",
    [
        "place,diameter_1_mm,diameter_2_mm,note\n1,1.74,1.77,\n2,1.75,,thick\n",
        "place;diameter_1_mm;diameter_2_mm\r\n1;1,74;1,77\r\n2;1,75;\r\n",
        "\ufeffdiameter_2_mm\tdiameter_1_mm\n1.77 mm\t1.74\n\n\t1.75\n",
    ],
    ids=["plain", "semicolons and decimal commas", "mark, tabs, other order"],
)
def test_diameters_in_whatever_form(tmp_path, text):
    got = read_diameters(write(tmp_path / "filament.csv", text))
    assert got == pytest.approx(np.array([[1.74, 1.77], [1.75, np.nan]]), nan_ok=True)


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("1,abc,1.75", "line 2, column diameter_1_mm: 'abc' is not a number"),
        ("1,,1.75", "line 2, column diameter_1_mm: is empty where the second"),
        ("1,17.5,1.75", "line 2, column diameter_1_mm: no filament is 17.5 mm thick"),
        ("1,1.75,0.069 in", "line 2, column diameter_2_mm: '0.069 in' is not in mm; write 1.7526"),
        ("1,1.75,nan", "line 2, column diameter_2_mm: 'nan' is not a number"),
        ("1,-1.75,1.75", "line 2, column diameter_1_mm: '-1.75' cannot be a length"),
    ],
)
def test_what_is_wrong_with_a_diameter(tmp_path, row, told):
    path = write(tmp_path / "filament.csv", f"{','.join(DIAMETER_COLUMNS[:3])}\n{row}\n2,x,\n")
    with pytest.raises(InputErrors) as caught:
        read_diameters(path)
    # All problems at once, each with its place.
    assert len(caught.value.problems) == 2
    assert told in str(caught.value) and "line 3, column diameter_1_mm" in str(caught.value)


def test_feed_lengths(tmp_path):
    text = "commanded_mm,marked_mm,left_mm,note\n100,120,21.5,slow\n100,120,0,\n50,120,68.2,\n,,,later\n"
    got = read_feed(write(tmp_path / "feed.csv", text))
    assert got == pytest.approx(np.array([[100, 120, 21.5], [100, 120, 0], [50, 120, 68.2]]))


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("100,120,", "line 2, column left_mm: is empty"),
        ("100,120,121", "line 2, column left_mm: -1 mm fed of 100 mm commanded cannot be"),
        ("100,20,120", "line 2, column left_mm"),
        ("0,120,21", "line 2, column commanded_mm: '0' cannot be a length"),
        ("100,120,-3", "line 2, column left_mm: '-3' cannot be a length"),
    ],
)
def test_what_is_wrong_with_a_feed_test(tmp_path, row, told):
    with pytest.raises(InputErrors, match="line 2") as caught:
        read_feed(write(tmp_path / "feed.csv", f"{','.join(FEED_COLUMNS[:3])}\n{row}\n"))
    assert told in str(caught.value)


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ("", "is empty"),
        ("a,b\n1,2\n", "is not the header"),
        (b"PK\x03\x04rest", "spreadsheet"),
        ("place,diameter_1_mm,diameter_2_mm\n,,\n", "holds no diameters"),
    ],
)
def test_a_file_that_is_something_else(tmp_path, data, told):
    with pytest.raises(InputError, match=told):
        read_diameters(write(tmp_path / "filament.csv", data))


def test_a_missing_file_is_said(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_feed(tmp_path / "feed.csv")


def test_rows_are_added_and_the_rest_is_left_alone(tmp_path):
    path = tmp_path / "filament.csv"
    add_row(path, DIAMETER_COLUMNS, ("1", "1.74", "1.77"))
    assert path.read_text("utf-8") == "place,diameter_1_mm,diameter_2_mm,note\n1,1.74,1.77,\n"
    write(path, "diameter_1_mm;place;mine\r\n1,74;one;keep\r\n")
    add_row(path, DIAMETER_COLUMNS, ("2", "1.75"))
    assert path.read_bytes() == b"diameter_1_mm;place;mine\r\n1,74;one;keep\r\n1.75;2;\r\n"


def typed(*lines: str) -> str:
    return "".join(f"{line}\n" for line in lines)


def enter(path: Path, *args: str, stdin: str) -> str:
    from click.testing import CliRunner

    from fitassay.cli import cli

    done = CliRunner().invoke(cli, ["enter", str(path), *args], input=stdin)
    assert done.exit_code == 0 and done.stderr == ""
    return " ".join(done.stdout.split())


def test_entering_the_filament(tmp_path):
    path = case(tmp_path)
    said = enter(path, "--filament", stdin=typed("1.80 1.81", "17.5", "1.79/1.80 mm", "1.8 mm; 1.8", ""))
    file = path / "prints/01/filament.csv"
    assert read_diameters(file) == pytest.approx(np.array([[1.80, 1.81], [1.79, 1.80], [1.8, 1.8]]))
    assert "no filament is 17.5 mm thick" in said
    assert "3 places: 1.800 ± 0.0" in said and "ovality 0.01 mm" in said
    # Goes on where it was left; at the end of the input too.
    said = enter(path, "--filament", stdin=typed("1.80 1.80"))
    assert "4 places" in said and len(read_diameters(file)) == 4


def test_entering_a_feed_test_warns_of_the_hot_nozzle(tmp_path):
    path = case(tmp_path)
    said = enter(path, "--feed", stdin=typed("100 120 19", "100 120", "100 120 121", "100 120 0", "q"))
    assert "hot nozzle" in said and "machine's manual" in said
    assert "3 lengths are wanted, 2 were typed" in said and "cannot be" in said
    assert len(read_feed(path / "prints/01/feed.csv")) == 2
    code, _, err = run("diagnose", path)
    assert code == 2 and "without the filament's diameter" in err


THICK = "diameter_1_mm,diameter_2_mm\n" + "1.84,1.85\n" * 5


def wide_bead(tmp_path: Path, bead: float) -> Path:
    path = case(tmp_path)
    assert run("simulate", path, "--bead-excess", bead, "--seed", 3, "--force")[0] == 0
    return path


def test_the_filament_explains_the_bead_and_comes_first_in_the_advice(tmp_path):
    """1.845 for 1.75 mm makes a 0.45 x 0.2 mm bead 0.4071 (1.1115 - 1) = 0.045 mm wider."""
    path = wide_bead(tmp_path, 0.045)
    before = run_json("diagnose", path)
    # Alone, so narrow an excess may as well be uneven layers: the flow is left alone.
    assert {a["setting"] for a in before["advice"]} <= {"settings.contour_mm"}
    write(path / "filament.csv", THICK)
    after = run_json("diagnose", path)
    told = after["filament"]
    assert told["bead_by_filament_mm"] == pytest.approx(0.0454, abs=2e-4)
    # What share of the error that is nobody says while the error itself may be nil.
    assert told["share_of_bead_error"] is None
    assert abs(told["bead_by_feed_mm"]) < 2 * told["bead_by_feed_std_uncertainty_mm"]
    assert [a["setting"] for a in after["advice"]] == ["settings.filament_diameter_mm"]
    assert after["advice"][0]["to"] == pytest.approx(1.845, abs=1e-3)
    assert any(n.startswith("The filament measures 1.845") for n in after["notes"])
    assert after["terms"] == before["terms"]


def test_what_the_filament_leaves_is_mended_once(tmp_path):
    path = wide_bead(tmp_path, 0.12)
    write(path / "prints/01/filament.csv", THICK)
    # The print's own file goes before the case's.
    write(path / "filament.csv", THICK.replace("1.8", "1.7"))
    advice = run_json("diagnose", path)["advice"]
    assert [a["setting"] for a in advice[:2]] == ["settings.filament_diameter_mm", "settings.contour_mm"]
    assert advice[0]["to"] == pytest.approx(1.845, abs=1e-3)
    # Both together take outsides back to their size: bead (A/h + e) (1.75 / 1.845)^2, path on both sides.
    left = (0.4071 + 0.12) * (1.75 / advice[0]["to"]) ** 2 - 0.4071 + 2 * advice[1]["to"]
    assert abs(left) < 0.03


def test_a_feed_test_is_one_reading_more_of_the_bead(tmp_path):
    path = wide_bead(tmp_path, 0.045)
    write(path / "filament.csv", THICK)
    before = run_json("diagnose", path)["terms"]["bead_excess"]
    write(path / "feed.csv", "commanded_mm,marked_mm,left_mm\n100,120,20\n100,120,19.9\n")
    told = run_json("diagnose", path)
    assert told["terms"]["bead_excess"]["std_uncertainty"] < before["std_uncertainty"]
    assert told["filament"]["feed_tests"] == 2
    assert (
        abs(told["filament"]["feed_error_percent"])
        < 2 * told["filament"]["feed_error_std_uncertainty_percent"]
    )


def test_a_feed_test_that_contradicts_the_coupons_is_named(tmp_path):
    path = wide_bead(tmp_path, 0.0)
    write(path / "filament.csv", THICK.replace("1.8", "1.7"))
    write(path / "feed.csv", "commanded_mm,marked_mm,left_mm\n100,160,10\n100,160,10\n")
    told = run_json("diagnose", path)
    # Nobody typed that row, so no reading is suspected for it.
    assert told["suspect_readings"] == []
    assert sum("do the feed test again" in note for note in told["notes"]) == 1
    assert abs(told["terms"]["bead_excess"]["estimate"]) < 0.04


def test_a_file_with_something_wrong_stops_the_diagnosis_with_its_place(tmp_path):
    path = case(tmp_path)
    write(path / "filament.csv", "diameter_1_mm\n17,5\n")
    code, out, err = run("diagnose", path)
    assert code == 2 and out == "" and "filament.csv, line 2, column diameter_1_mm" in err


@pytest.mark.parametrize("name", [FILAMENT, FEED])
def test_two_windows_writing_at_once_lose_no_row(tmp_path, name):
    path = tmp_path / name
    script = (
        "import sys\nfrom pathlib import Path\n"
        "from fitassay.analysis.readings import filament_files as f\n"
        "columns = f.DIAMETER_COLUMNS if sys.argv[1].endswith(f.FILAMENT) else f.FEED_COLUMNS\n"
        "sys.stdin.readline()\n"
        "for i in range(20):\n    f.add_row(Path(sys.argv[1]), columns, (f'1{i:02d}', '2.75', '1.75', sys.argv[2]))\n"
    )
    windows = [
        subprocess.Popen([sys.executable, "-c", script, str(path), who], stdin=subprocess.PIPE, text=True)
        for who in ("one", "two")
    ]
    for window in windows:
        assert window.stdin
        window.stdin.write("go\n")
        window.stdin.flush()
    for window in windows:
        window.communicate(timeout=60)
        assert window.returncode == 0
    rows = path.read_text().splitlines()[1:]
    assert sorted(rows) == sorted(f"1{i:02d},2.75,1.75,{who}" for i in range(20) for who in ("one", "two"))
