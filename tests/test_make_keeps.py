"""Making coupons takes nothing away: settings of a print that was read, readings saved meanwhile, whole prints."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from fitassay import workflow
from fitassay.analysis.readings.book import ReadingsBook
from fitassay.case import Case
from fitassay.cli import cli
from fitassay.coupons.errors import InputError

FAMILY = ("--family", "reversal-comb")


def run(*arguments: str) -> str:
    done = CliRunner().invoke(cli, list(arguments))
    assert done.exit_code == 0, done.output + done.stderr
    return done.output


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made") / "orrery"
    run("init", str(folder), "--yes")
    run("make", str(folder), *FAMILY)
    return folder


@pytest.fixture
def case(made, tmp_path):
    return Path(shutil.copytree(made, tmp_path / "orrery"))


def set_backlash(path: Path, value: float) -> None:
    text, count = re.subn(r"(?m)^backlash_y_mm = .*$", f"backlash_y_mm = {value}", path.read_text())
    assert count == 1
    path.write_text(text)


def backlash_advice(case: Path) -> float:
    (step,) = [
        a
        for a in json.loads(run("diagnose", str(case), "--json"))["advice"]
        if a["setting"] == "settings.backlash_y_mm"
    ]
    return step["to"]


def test_a_print_that_was_read_keeps_the_settings_it_was_made_with(case):
    """Making it again after the advice was taken would add the advice to itself."""
    run("simulate", str(case), "--backlash-y", "0.24")
    first = backlash_advice(case)
    assert first == pytest.approx(0.24, abs=0.05)
    set_backlash(case / "machine.toml", first)
    said = run("make", str(case), *FAMILY)
    assert "--new-print" in said and "settings.backlash_y_mm" in said
    assert backlash_advice(case) == pytest.approx(first, abs=1e-9)
    # A print not read yet is made with today's settings.
    run("make", str(case), *FAMILY, "--new-print")
    assert f"backlash_y_mm = {first:g}"[:20] in (case / "prints" / "02" / "machine.toml").read_text()[:5000]


def read_meanwhile(monkeypatch, name: str, case: Path) -> tuple[str, str]:
    """Has somebody read a feature while the step is under way, just before its last look."""
    target = Case.open(case).print()
    coupon, feature = ReadingsBook(target.readings_path, target.manifest()).order[0]
    real = getattr(workflow, name)

    def late(*arguments, **options):
        ReadingsBook(target.readings_path, target.manifest()).add(coupon.id, feature.id, feature.nominal_mm)
        return real(*arguments, **options)

    monkeypatch.setattr(workflow, name, late)
    return coupon.id, feature.id


def test_a_reading_saved_while_coupons_are_made_is_kept(case, monkeypatch):
    coupon, feature = read_meanwhile(monkeypatch, "clear_leftovers", case)
    assert "was kept as it is" in run("make", str(case), *FAMILY)
    target = Case.open(case).print()
    assert ReadingsBook(target.readings_path, target.manifest()).taken(coupon, feature)


def test_a_reading_saved_while_a_print_is_simulated_is_kept(case, monkeypatch):
    coupon, feature = read_meanwhile(monkeypatch, "_plain", case)
    done = CliRunner().invoke(cli, ["simulate", str(case)])
    assert done.exit_code == 2 and "--force" in done.stderr
    target = Case.open(case).print()
    assert ReadingsBook(target.readings_path, target.manifest()).taken(coupon, feature)


def test_a_writer_waits_for_making_and_the_other_way_round(case, monkeypatch):
    """While coupons are made the readings' lock is held: a reading typed then comes after it, and stays."""
    target = Case.open(case).print()
    held = []
    real = workflow._readings_to_keep

    def look(*arguments):
        held.append((target.folder / ".readings.csv.lock").exists())
        return real(*arguments)

    monkeypatch.setattr(workflow, "_readings_to_keep", look)
    run("make", str(case), *FAMILY)
    assert held == [True]


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_killed_make_leaves_no_half_print(case):
    script = (
        "import sys, time\nfrom fitassay import workflow\nfrom fitassay.cli import cli\n"
        "real = workflow.blank_readings if hasattr(workflow, 'blank_readings') else None\n"
        "import fitassay.analysis.readings.file as f\n"
        "def wait(*a):\n    print('now', flush=True)\n    time.sleep(60)\n"
        "f.blank_readings = wait\n"
        f"cli(['make', {str(case)!r}, '--family', 'reversal-comb', '--new-print'])\n"
    )
    maker = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert maker.stdout and maker.stdout.readline() == "now\n"
    maker.send_signal(signal.SIGKILL)
    maker.communicate()
    assert [p.name for p in (case / "prints").iterdir() if not p.name.startswith(".")] == ["01"]
    assert Case.open(case).print().name == "01"
    (left,) = [p for p in (case / "prints").iterdir() if p.name.startswith(".")]
    os.utime(left, (time.time() - 1000, time.time() - 1000))
    run("make", str(case), *FAMILY, "--new-print")
    assert sorted(p.name for p in (case / "prints").iterdir()) == ["01", "02"]
    names = {p.name for p in (case / "prints" / "02").iterdir()}
    assert {"readings.csv", "coupons.json", "machine.toml", "sheet.pdf"} <= names


def test_a_print_folder_has_the_usual_permissions(case):
    umask = os.umask(0o022)
    try:
        run("make", str(case), *FAMILY, "--new-print")
    finally:
        os.umask(umask)
    if os.name == "posix":
        assert (case / "prints" / "02").stat().st_mode & 0o777 == 0o755


def test_scripts_must_say_so_to_replace_readings(case):
    target = Case.open(case).print()
    workflow.simulate_print(target, target.machine(), {})
    with pytest.raises(InputError, match="holds readings or notes"):
        workflow.simulate_print(target, target.machine(), {})
    workflow.simulate_print(target, target.machine(), {}, force=True)
