"""A further row in the table of error terms, and nothing else, shows at every face; the order of advice."""

from __future__ import annotations

import json
import subprocess
import sys
import textwrap

import numpy as np
import pytest

from fitassay.analysis.chain.sizes import Size, size_gains
from fitassay.analysis.diagnosis.advice import advise
from fitassay.analysis.diagnosis.verdict import Reference
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.coupons.machine import Machine

# Runs before anything else has read the table: one term more, then the commands.
SCRIPT = """
import json, sys
from click.testing import CliRunner
import fitassay.analysis.terms as table
from fitassay.analysis.controls import Control
from fitassay.analysis.term import Term

swell = Term(
    name="outside_swell", symbol="v", unit="mm", kind="printer", reads=("outside",), prior_sd=0.2,
    prior_reason="made up for a test", drift_sd=0.005, label="swelling of outer walls",
    cause="a cause made up", sentence="outer walls stand out", control=Control("settings.contour_mm", 2.0),
    change_rank=9, remedy_rank=9, step=1e-3, example=0.1,
)
rows = (*table.TERMS[:11], swell, *table.TERMS[11:])
vars(table).update(TERMS=rows, **table.derived(rows))

from fitassay.cli import cli
from fitassay.gallery.guide import errors_page
from fitassay.analysis.chain.sizes import Size, size_gains

case = sys.argv[1]

def run(*arguments):
    result = CliRunner().invoke(cli, [*arguments])
    assert result.exit_code == 0, (arguments, result.output, result.exception)
    return result.stdout

run("init", case, "--yes")
run("make", case)
run("simulate", case, "--outside-swell", "0.3")
run("make", case, "--new-print")
run("simulate", case, "--outside-swell", "0.05", "--seed", "1")
print(json.dumps({
    "help": run("simulate", "--help"),
    "diagnosis": json.loads(run("diagnose", case, "--print", "01", "--json")),
    "words": run("diagnose", case, "--print", "01"),
    "report": open(case + "/prints/01/report.html", encoding="utf-8").read(),
    "guide": errors_page(),
    "plan": json.loads(run("plan", case, "--print", "01", "--json")),
    "compare": json.loads(run("compare", case, "--json")),
    "gain": size_gains(Size(side="outside", axis="x", nominal=20.0), 0.45)[table.INDEX["outside_swell"]],
}))
"""


@pytest.fixture(scope="module")
def faces(tmp_path_factory):
    folder = tmp_path_factory.mktemp("table")
    script = folder / "faces.py"
    script.write_text(textwrap.dedent(SCRIPT), encoding="utf-8")
    run = subprocess.run(
        [sys.executable, str(script), str(folder / "case")], capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    return json.loads(run.stdout.splitlines()[-1])


def test_one_row_more_is_estimated_accused_and_advised_on(faces):
    found = faces["diagnosis"]["terms"]["outside_swell"]
    assert found["estimate"] == pytest.approx(0.3, abs=4 * found["std_uncertainty"])
    assert found["std_uncertainty"] < 0.05
    assert "outside_swell" in faces["diagnosis"]["shares"]
    assert faces["diagnosis"]["verdict"]["term"] == "outside_swell"
    assert [a for a in faces["diagnosis"]["advice"] if "swelling of outer walls" in a["why"]]


def test_one_row_more_shows_in_words_report_guide_and_options(faces):
    assert "--swelling-outer-walls" in faces["help"]
    for face in ("words", "report", "guide"):
        assert "welling of outer walls" in faces[face], face
    assert "outer walls stand out" in " ".join(faces["words"].split())


@pytest.mark.long
def test_one_row_more_is_planned_compared_and_predicted(faces):
    assert "outside_swell" in json.dumps(faces["plan"])
    assert "outside_swell" in json.dumps(faces["compare"])
    assert faces["gain"] == pytest.approx(1.0)


def test_gains_of_sizes_are_the_closed_forms():
    """R = L + s (L -+ w) +- e +- 2p - b, and - k 3 mm / L in a bore (derived here)."""
    for axis in "xy":
        for side, sign in (("outside", 1), ("inside", -1)):
            for shape in ("square", "round"):
                for nominal in (5.0, 20.0):
                    got = size_gains(Size(side=side, axis=axis, nominal=nominal, shape=shape), 0.45)
                    expected = np.zeros(len(TERMS))
                    expected[INDEX[f"scale_{axis}"]] = nominal - sign * 0.45
                    expected[INDEX["scale_xy"]] = nominal - sign * 0.45
                    expected[INDEX[f"backlash_{axis}"]] = -1
                    # Half the difference of two crossed belts' plays, by the way the wall is walked.
                    turn = 0.5 * sign * (1 if axis == "x" else -1)
                    expected[[INDEX["backlash_a"], INDEX["backlash_b"]]] = -turn, turn
                    expected[INDEX["bead_excess"]] = sign
                    expected[INDEX["contour_offset"]] = 2 * sign
                    # Mating parts feel uneven layers as a wider bead, and push-out as an offset.
                    expected[[INDEX["uneven_layers"], INDEX["push_out"]]] = sign, 2 * sign
                    if (side, shape) == ("inside", "round"):
                        expected[INDEX["bore_closure"]] = -3 / nominal
                    assert got == pytest.approx(expected, abs=1e-5), (side, shape, axis, nominal)
    assert size_gains(Size(side="height", axis="z", nominal=7.0), 0.45) @ np.ones(
        len(TERMS)
    ) == pytest.approx(8)


def test_advice_comes_in_the_order_in_which_changes_move_each_other():
    """Mechanics, gap, bead, path, bores, feet, scale (common practice, no source)."""
    mean = np.where([t.kind == "printer" for t in TERMS], [2 * t.prior_sd for t in TERMS], 0.0)
    reference = Reference(
        labels=("all",), gains=np.full((1, len(TERMS)), 40.0), inside=np.zeros(1, dtype=bool)
    )
    advice = advise(mean, np.diag(np.full(len(TERMS), 1e-12)), reference, Machine(), 0.001).steps
    assert [a.term for a in advice] == [
        "skew_xy",
        "backlash_x",
        "backlash_y",
        "layer_datum",
        "bead_excess",
        "contour_offset",
        "bore_closure",
        "first_layer_flare",
        "scale_x",
        "scale_y",
        "scale_z",
    ]
