"""`fitassay apply`, which print the commands go by, and where a case stands."""

from __future__ import annotations

import re

import pytest

import fitassay
from tests.fit_case import case, run, run_json


def settings(place):
    return fitassay.Case.open(place).machine().values


def test_the_advice_is_written_proved_and_taken_back(tmp_path):
    place = case(tmp_path)
    before = (place / "machine.toml").read_text("utf-8")
    advice = run_json("diagnose", place)["advice"]
    told = run_json("apply", place)
    assert [c["setting"] for c in told["changed"]] == [a["setting"] for a in advice if a["to"] is not None]
    now = settings(place)
    for step in advice:
        assert now[step["setting"]] == pytest.approx(step["to"], abs=2 * step["std_uncertainty"])
    proof = fitassay.Case.open(place).print(told["proof"]["print"])
    assert {c.id for c in proof.manifest().coupons} == set(told["proof"]["coupons"])
    assert proof.machine().values == now
    # The readings at hand are of the settings before: they are not applied twice.
    code, _, err = run("apply", place)
    assert code == 2 and "other settings than print 01" in err
    assert run("apply", place, "--undo")[0] == 0
    assert (place / "machine.toml").read_text("utf-8") == before
    code, _, err = run("apply", place, "--undo")
    assert code == 2 and "nothing to take back" in err


@pytest.mark.long
def test_one_step_is_taken_and_told_as_a_card(tmp_path):
    place = case(tmp_path)
    first = run_json("diagnose", place)["advice"][0]
    before = settings(place)
    code, out, _ = run("apply", place, "1", "--no-proof")
    assert code == 0 and "manual" in out and "correct" in out and "where:" in out
    changed = {key for key, value in settings(place).items() if value != before[key]}
    assert changed == {first["setting"]}
    assert not (place / "prints" / "02").exists()
    code, _, err = run("apply", case(tmp_path / "other"), "9")
    assert code == 2 and "no step 9" in err


@pytest.mark.long
def test_a_proof_print_is_smaller_than_the_whole_set(tmp_path):
    place = case(tmp_path)
    whole = {c.id for c in fitassay.Case.open(place).print().manifest().coupons}
    told = run_json("apply", place, "1")
    assert 0 < len(told["proof"]["coupons"]) < len(whole)
    assert 0 < told["proof"]["minutes"] <= 20


@pytest.mark.long
def test_commands_go_by_the_newest_print_that_was_read(tmp_path):
    place = case(tmp_path)
    assert run("make", place, "--new-print", "--family", "comb-x")[0] == 0
    for words in (("diagnose",), ("plan",), ("predict", "--pair", "6,6.2")):
        name, *rest = words
        code, _, err = run(name, place, *rest)
        assert code == 0 and "print 02 holds no readings yet; this goes by print 01" in " ".join(err.split())
    code, _, err = run("diagnose", place, "--print", "02")
    assert code == 2 and "holds no readings yet" in err


def test_where_a_case_stands(tmp_path, monkeypatch):
    place = case(tmp_path)
    monkeypatch.chdir(place)
    code, out, _ = run()
    assert code == 0 and "Next: fitassay diagnose ." in out and "47 of 47 read" in out
    run("diagnose", ".")
    assert "Next: fitassay apply ." in run()[1]
    assert run("make", ".", "--new-print", "--family", "comb-x")[0] == 0
    out = " ".join(run()[1].split())
    assert "Next: print prints/02, let it cool, then: fitassay enter ." in out
    monkeypatch.chdir(tmp_path)
    code, out, _ = run()
    assert code == 2 and out.startswith("Usage")


def test_help_stands_by_the_stages_of_the_job():
    _, out, _ = run("--help")
    stages = ["Prepare:", "Read:", "Judge:", "Change:", "Use:"]
    assert [out.index(s) for s in stages] == sorted(out.index(s) for s in stages)
    assert out.index("Change:") < out.index("  apply ") < out.index("  plan ")


def test_changes_too_small_to_prove_ask_for_a_short_print_only(tmp_path, monkeypatch):
    """Where even the whole set would not tell the new from the old, nobody is sent to print the whole set."""
    import dataclasses

    from fitassay import workflow

    plan_print = workflow.plan_print

    def too_small(*args, **kwargs):
        plan, diagnosis = plan_print(*args, **kwargs)
        steps = tuple(
            dataclasses.replace(s, check=dataclasses.replace(s.check, enough=False)) for s in plan.steps
        )
        return dataclasses.replace(plan, steps=steps, together=None), diagnosis

    monkeypatch.setattr(workflow, "plan_print", too_small)
    told = run_json("apply", case(tmp_path))
    assert told["proof"]["coupons"] and told["proof"]["minutes"] <= 20


def test_angles_are_in_degrees_on_plan_and_card(tmp_path):
    """As `diagnose` has it: several of them, not "-1 degree"."""
    place = tmp_path / "orrery"
    run("init", place, "--yes")
    run("make", place, "--family", "corner-plate")
    run("simulate", place, "--squareness-x-y", "1.0", "--seed", "4")
    for command in ("diagnose", "plan", "apply"):
        code, out, err = run(command, place)
        assert code == 0, err
        assert re.search(r"skew correction: 0 -> -[\d.]+( ± [\d.]+)? degrees\b", out, re.I), command
