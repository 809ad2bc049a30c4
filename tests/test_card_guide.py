"""The guide's ten minutes without a caliper, followed literally with a virtual printer; the demonstration of it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from fitassay.cli import cli
from tests.own_starts import ABSOLUTE
from tests.test_own_path_start import sliced

PAGE = Path(__file__).parent.parent / "gallery/guide/ten-minutes.md"


def run(*words: str, input: str = "") -> str:
    result = CliRunner().invoke(cli, list(words), input=input)
    assert result.exit_code == 0, result.output
    return result.output


def commands() -> list[list[str]]:
    """What the page has you type."""
    blocks = re.findall(r"```text\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    return [line.split()[1:] for block in blocks for line in block.splitlines()]


@pytest.mark.long
def test_the_page_works_as_it_is_written(tmp_path, monkeypatch):
    """After each card that is written a virtual printer and eye stand in for machine and reader."""
    monkeypatch.chdir(tmp_path)
    Path("any-file-of-yours.gcode").write_text(sliced(ABSOLUTE))
    machine = {"backlash_x": 0.04, "backlash_y": 0.27, "bead_excess": 0.05}
    cards, backlash = 0, {}
    for words in commands():
        if words[0] == "init":
            run(*words, "--yes")
        elif words[0] == "enter":
            continue  # the virtual eye has filled in the rows
        elif words[0] == "path":
            run(*words, input="y\n")
            if "--card" in words:
                cards += 1
                options = [o for name, v in machine.items() for o in (f"--{name.replace('_', '-')}", str(v))]
                run("simulate", "myprinter", *options, "--seed", str(cards))
                told = json.loads(run("diagnose", "myprinter", "--json"))["terms"]
                backlash[cards] = {a: told[f"backlash_{a}"]["estimate"] for a in "xy"}
        elif words[0] == "apply":
            run(*words)
            text = Path("myprinter/machine.toml").read_text()
            for axis in "xy":
                set_to = float(re.search(rf"backlash_{axis}_mm = (\S+)", text)[1])  # type: ignore[index]
                machine[f"backlash_{axis}"] -= set_to
        else:
            run(*words)
    assert cards == 2
    assert backlash[1]["y"] == pytest.approx(0.27, abs=0.03)
    assert abs(machine["backlash_y"]) < 0.03
    # The second card shows what is left.
    for axis in "xy":
        assert backlash[2][axis] == pytest.approx(machine[f"backlash_{axis}"], abs=0.025)
    assert sorted(p.name for p in Path("myprinter/prints/03").glob("*.gcode")) == ["plate-1.gcode"]


@pytest.mark.long
def test_the_demonstration_shows_the_card(tmp_path):
    out = run("demo", str(tmp_path / "orrery"), "--card")
    assert (
        "no caliper" in out
        and "the eye counts: x1" in out
        and "Set the backlash compensation of y from 0 to" in out
    )
    data = json.loads(run("demo", str(tmp_path / "again"), "--card", "--json"))
    before, after = (c["backlash_mm"]["y"] for c in data["cards"])
    assert before["estimate"] == pytest.approx(data["errors"]["backlash_y"], abs=0.03)
    assert abs(after["estimate"]) < 0.03
    assert after["std_uncertainty"] <= 0.015


def test_the_card_is_offered_first(tmp_path):
    case = str(tmp_path / "orrery")
    assert "--card --like FILE" in " ".join(run("init", case, "--yes").split())
    assert "First of all the reversal card" in " ".join(run("next", case).split())
    assert json.loads(run("next", case, "--json"))["card_first"]
    run("make", case, "--quick")
    assert "First of all the reversal card" in " ".join(run("next", case).split())
    assert "not printed yet: first of all the reversal card" in " ".join(
        run("enter", case, "--guided", input="q\n").split()
    )
    run("simulate", case)
    assert "reversal card" not in run("next", case)
