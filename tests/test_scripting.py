"""The interface for scripts: README's lines and the docstring's example run as printed, every name is on the page."""

from __future__ import annotations

import doctest
import inspect
import re
import subprocess
import sys

import pytest

import fitassay
from fitassay.coupons.errors import InputError
from tests.fit_case import case, run_json
from tests.import_graph import ROOT

GUIDE = ROOT / "gallery" / "guide" / "scripting.md"


def test_the_lines_in_the_readme_run(tmp_path):
    (lines,) = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)
    assert len([line for line in lines.splitlines() if line.strip()]) <= 10
    run = subprocess.run([sys.executable, "-c", lines], capture_output=True, text=True, cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    assert "Backlash in y spoils the fit most" in run.stdout and "binds with" in run.stdout
    assert lines in GUIDE.read_text("utf-8")


def test_the_example_in_the_docstring_runs_as_printed(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    found = doctest.testmod(fitassay)
    assert found.attempted >= 6 and found.failed == 0


def test_every_public_name_is_on_the_page():
    """With every public method; `python -m fitassay.gallery` remakes it, and has been run."""
    from fitassay.gallery.public_names import scripting_page

    text = GUIDE.read_text("utf-8")
    assert text == scripting_page()
    heads = re.findall(r"(?m)^##+ ([\w.]+)$", text)
    for name in fitassay.__all__:
        if name.startswith("_"):
            continue
        assert name in heads
        value = getattr(fitassay, name)
        if inspect.isclass(value):
            methods = {k for k, v in vars(value).items() if inspect.isfunction(v) and not k.startswith("_")}
            assert {f"{name}.{m}" for m in methods} <= set(heads)
        assert name == "TERMS" or inspect.getdoc(value)


def test_a_script_gets_what_the_commands_say(tmp_path):
    place = case(tmp_path)
    first = fitassay.Case.open(place).print("01")
    told = run_json("diagnose", place)
    assert first.diagnose().as_json() == told
    pair = fitassay.Pair(peg=6.0, hole=6.2, turns=True, name="6 in 6.2")
    (fit,) = first.predict(pair)
    by_command = run_json("predict", place, "--pair", "6,6.2", "--turns")["pairs"][0]
    assert fit.turns.mean == pytest.approx(by_command["turning_mm"]["mean"])


def test_prints_in_turn(tmp_path):
    new = fitassay.Case.create(tmp_path / "orrery", fitassay.Machine(name="orrery bench"))
    first, second = (new.make(quick=True) for _ in range(2))
    assert [p.name for p in new.prints()] == ["01", "02"]
    first.simulate({"backlash_y": 0.3}, seed=1)
    second.simulate({"backlash_y": 0.0}, seed=2)
    changed = first.compare(second)
    (backlash,) = [t for t in changed.terms if t.name == "backlash_y"]
    assert backlash.outcome == "improved" and changed.misfit_after_mm < changed.misfit_before_mm
    assert second.report().read_text("utf-8").startswith("<!doctype html>")
    with pytest.raises(InputError, match="two different prints"):
        first.compare(first)
    with pytest.raises(InputError, match="there already"):
        fitassay.Case.create(new.path, fitassay.Machine())
    with pytest.raises(InputError, match="no such case"):
        fitassay.Case.open(tmp_path / "none")


def test_many_printers_at_once():
    """A population of virtual printers, each with its own backlash, told apart from sound ones."""
    import numpy as np

    from tests.sets import walk

    machine = fitassay.Machine()
    w = walk(quick=True)
    theta = np.stack([fitassay.theta_of({"backlash_y": b}) for b in (0.0, 0.0, 0.3, 0.4)])
    noise = 0.005 * np.random.default_rng(0).standard_normal((4, len(w.keys)))
    found = fitassay.interpret_many(w, w.readings(theta) + noise, machine)
    accused = [fitassay.TERMS[i].name for i in found.judged.term[2:]]
    assert accused == ["backlash_y", "backlash_y"]
