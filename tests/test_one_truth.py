"""Every face judges a print by the same inputs: settings then, filament, sliced file, an earlier print."""

from __future__ import annotations

import json
import re
import shutil
import threading
from pathlib import Path

import pytest

from fitassay.bench.session import Bench
from fitassay.case import Case
from tests.fit_case import ERRORS, case, options, run, run_json


def on_the_bench(place: Path, **how) -> dict:
    """The verdict on the bench page once it has been worked out."""
    with Bench(Case.open(place).print(), **how) as bench:
        pause = threading.Event()
        for _ in range(1200):
            verdict = bench.state()["verdict"]
            if verdict["state"] not in ("thinking", "none"):
                return verdict
            pause.wait(0.05)
    raise AssertionError("no verdict came")


def words_of(place: Path, *how: str) -> tuple[str, list[str]]:
    """The verdict's sentence, and the settings advised, by `diagnose`."""
    told = run_json("diagnose", place, *how)
    return told["verdict"]["text"].rstrip("."), [a["setting"] for a in told["advice"]]


def plain(text: str) -> str:
    return text.replace("\N{MINUS SIGN}", "-").replace("\N{NO-BREAK SPACE}", " ").rstrip(".").casefold()


def test_the_bench_takes_the_filament_into_account(tmp_path):
    place = case(tmp_path)
    (place / "filament.csv").write_text(
        "place,diameter_1_mm,diameter_2_mm\n1,1.85,1.86\n2,1.85,1.85\n3,1.86,1.85\n"
    )
    (place / "feed.csv").write_text("commanded_mm,marked_mm,left_mm\n100,120,20\n100,120,20\n100,120,20\n")
    text, settings = words_of(place)
    assert "settings.filament_diameter_mm" in settings
    told = on_the_bench(place)
    assert plain(told["text"]) == plain(text)
    assert any("filament diameter" in step.casefold() for step in told["advice"])


def test_the_bench_judges_by_the_settings_of_the_print(tmp_path):
    # The advice was put into the case's file; the print on the bench was made before.
    place = case(tmp_path)
    before = on_the_bench(place)
    path = place / "machine.toml"
    path.write_text(re.sub(r"(?m)^backlash_x_mm = .*$", "backlash_x_mm = 0.5", path.read_text()))
    after = on_the_bench(place)
    assert after["advice"] == before["advice"] and before["advice"]


@pytest.fixture(scope="module")
def carried(tmp_path_factory) -> Path:
    """A case whose second print is a comb alone, so that what the first left known says most; to be copied."""
    place = case(tmp_path_factory.mktemp("carried"))
    assert run("make", place, "--new-print", "--family", "comb-x")[0] == 0
    assert run("simulate", place, "--seed", 5, *options(ERRORS))[0] == 0
    return place


@pytest.fixture
def carried_case(carried, tmp_path) -> Path:
    return Path(shutil.copytree(carried, tmp_path / "carried"))


@pytest.fixture
def comb_case(carried, tmp_path) -> Path:
    """A case whose only print is that comb, read alike."""
    place = Path(shutil.copytree(carried, tmp_path / "comb"))
    shutil.rmtree(place / "prints" / "01")
    (place / "prints" / "02").rename(place / "prints" / "01")
    return place


def test_the_bench_takes_an_earlier_print_as_known(carried_case):
    text, _ = words_of(carried_case, "--carry", "01")
    assert plain(on_the_bench(carried_case, carry="01")["text"]) == plain(text)


HOW = pytest.mark.parametrize(
    "how", [(), pytest.param(("--carry", "01"), marks=pytest.mark.long)], ids=["by itself", "named"]
)


@HOW
def test_an_earlier_print_is_carried_into_predictions(carried_case, comb_case, how):
    # The comb alone says nothing of the bead; the first print did.
    pair = ("predict", "--pair", "6,6.2")
    alone, both = (
        run_json(pair[0], place, *pair[1:], *more)["pairs"][0]["put_together_mm"]["std_uncertainty"]
        for place, more in ((comb_case, ()), (carried_case, how))
    )
    # What uneven layers may pass for is in both and is not carried away.
    assert both < 0.8 * alone


@pytest.mark.long
@HOW
def test_an_earlier_print_is_carried_into_the_plan(carried_case, comb_case, how):
    """A comb along x holds no bore and nothing along y; the first print did."""
    alone, both = (
        {row["setting"] for part in ("steps", "unsettled") for row in run_json("plan", place, *more)[part]}
        for place, more in ((comb_case, ()), (carried_case, how))
    )
    only_before = {"settings.backlash_y_mm", "settings.hole_mm"}
    assert not only_before & alone
    assert only_before <= both


def test_an_earlier_print_is_carried_into_a_comparison(carried_case):
    told = run_json("compare", carried_case, "01", "02", "--carry", "01")
    bead = told["terms"]["bead_excess"]
    assert bead["after_std_uncertainty"] < 1.5 * bead["before_std_uncertainty"]


def test_a_part_is_corrected_by_what_is_carried(carried_case, comb_case):
    left = []
    for place in (comb_case, carried_case):
        mesh = next(Case.open(place).print().folder.glob("*.stl"))
        told = run_json("correct", place, mesh, "-o", place / "out.stl", "--thin")
        left.append(told["bodies"][0]["virtual_print"]["corrected"]["mean_mm"])
    # Printers as little known as the comb leaves them differ more from the corrected drawing.
    assert left[1] < 0.5 * left[0]


def test_the_history_reads_all_prints_already(tmp_path):
    code, _, err = run("compare", case(tmp_path), "--carry", "01")
    assert code == 2 and "all prints" in err


def test_readings_are_doubted_by_the_caliper_and_bead_of_their_own_print(tmp_path):
    # What a print of a soft plastic was, it stays, whatever the case prints now.
    place = case(tmp_path)
    kept = place / "prints" / "01" / "machine.toml"
    kept.write_text(kept.read_text().replace("soft = false", "soft = true"))
    _, out, _ = run("enter", place)
    assert "soft" in out
    assert json.loads(run("diagnose", place, "--json")[1])["schema"] == 1
