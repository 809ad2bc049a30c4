"""`fitassay next` and `fitassay enter --guided`, as a person uses them."""

from __future__ import annotations

import csv
import re
import shutil
from pathlib import Path

import pytest

from fitassay.analysis.readings.file import read_readings
from fitassay.coupons.export.manifest import read_manifest
from fitassay.coupons.feature import Manifest
from fitassay.reading_dialog import sitting
from tests.fit_case import case, quick_case, run, run_json


def loose(path: Path) -> Path:
    """The case with the readings of another printer: a loose belt in y, and a bead a little wide."""
    args = ("--backlash-y", 0.24, "--bead-excess", 0.03, "--seed", 4, "--force")
    assert run("simulate", path, *args)[0] == 0
    return path


def blank(path: Path) -> dict[tuple[str, str], float]:
    """Empties the readings of print 01; what they were."""
    file = path / "prints" / "01" / "readings.csv"
    with open(file, newline="", encoding="utf-8") as f:
        rows = list(csv.DictReader(f))
    values = {(r["coupon"], r["feature"]): float(r["reading_mm"]) for r in rows}
    file.write_text(
        "coupon,feature,reading_mm,note\n" + "".join(f"{c},{f},,\n" for c, f in values), encoding="utf-8"
    )
    # Rims, which are read where they help only, are as wide as the whole flank: layers here are even.
    # The plate misses as the largest step of the boss does: scale is nil.
    plate = {("bore", f"plate-{a}"): 44.0 + values["boss", f"step22-{a}"] - 22.0 for a in "xy"}
    return values | plate | {(c, f"{f}-rim"): v for (c, f), v in values.items()}


class Hand:
    """Answers what is asked: the readings it holds, with slips on demand; stops when it may."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, values: dict[tuple[str, str], float]) -> None:
        self.values = values
        self.asked: list[tuple[str, str]] = []
        self.slips: dict[int, float] = {}
        self.extra: dict[int, list[str]] = {}
        self._now = ("", "")
        announce = sitting.Sitting.announce

        def listen(self_, where, coupon, feature):
            self._now = (coupon.id, feature.id)
            announce(self_, where, coupon, feature)

        monkeypatch.setattr(sitting.Sitting, "announce", listen)
        monkeypatch.setattr(sitting, "ask", self.ask)
        monkeypatch.setattr("fitassay.reading_dialog.guided.ask", self.ask)

    def ask(self, prompt: str) -> str:
        if prompt.startswith("q stops"):
            return "q"
        if "types again" in prompt:
            return "k"
        if waiting := self.extra.get(len(self.asked)):
            return waiting.pop(0)
        value = self.values[self._now] + self.slips.get(len(self.asked), 0.0)
        self.asked.append(self._now)
        return f"{value:.2f}"


def manifest(path: Path) -> Manifest:
    return read_manifest(path / "prints" / "01" / "coupons.json")


def test_before_the_first_reading(tmp_path):
    path = case(tmp_path)
    blank(path)
    code, out, err = run("next", path)
    assert (code, err) == (0, "")
    assert out.startswith("Nothing has been read yet.")
    assert "In doubt: " in out and "Read next" in out
    assert f"fitassay enter {path} --guided" in " ".join(out.split())
    data = run_json("next", path)
    assert data["verdict"] is None and data["readings"] and not data["unprinted"]
    assert "stop_when" not in data


def test_with_a_few_readings_it_ranks_the_rest(tmp_path):
    path = case(tmp_path)
    values = blank(path)
    with open(path / "prints/01/readings.csv", "a", encoding="utf-8") as f:
        for (c, name), v in list(values.items())[:6]:
            f.write(f"{c},{name},{v},\n")
    data = run_json("next", path)
    assert data["verdict"]["status"] in ("undetermined", "leading")
    rates = [r["gain_per_minute"] for r in data["readings"]]
    assert rates == sorted(rates, reverse=True) and 0 < max(rates)
    assert sum(data["doubt"].values()) == pytest.approx(1.0, abs=0.1)
    code, out, _ = run("next", path, "--top", 2)
    assert code == 0 and out.count("begin with") == 2


@pytest.mark.long
def test_how_few_would_have_done(tmp_path):
    path = loose(case(tmp_path))
    stop = run_json("next", path, "--stop-when", "0.95")["stop_when"]
    assert stop["reached"] and stop["needed"] == len(stop["readings"]) < 0.6 * stop["available"]
    code, out, _ = run("next", path, "--stop-when", "0.95")
    words = " ".join(out.split())
    assert (
        f"{stop['needed']} of the {stop['available']} features read would have made the verdict 95 % sure"
        in words
    )
    # Those alone give the verdict.
    target = path / "prints/01/readings.csv"
    keep = {(r["coupon"], r["feature"]) for r in stop["readings"]}
    lines = target.read_text(encoding="utf-8").splitlines(keepends=True)
    target.write_text(
        lines[0] + "".join(line for line in lines[1:] if tuple(line.split(",")[:2]) in keep), encoding="utf-8"
    )
    verdict = run_json("diagnose", path)["verdict"]
    assert (verdict["status"], verdict["term"]) == (stop["status"], stop["term"])


@pytest.mark.parametrize("chance", ["0.5", "1", "-1", "nan", "often"])
def test_a_chance_that_means_nothing_is_refused(tmp_path, chance):
    code, out, err = run("next", case(tmp_path), "--stop-when", chance)
    assert code == 2 and out == "" and err.count("\n") == 1 and "--stop-when" in err


def test_guided_entry_stops_early_with_the_same_verdict(tmp_path, monkeypatch):
    path = loose(case(tmp_path))
    whole = run_json("diagnose", path)["verdict"]
    hand = Hand(monkeypatch, blank(path))
    code, out, err = run("enter", path, "--guided")
    assert (code, err) == (0, "")
    words = " ".join(out.split())
    assert "The verdict is safe after" in words
    assert len(hand.asked) <= 0.6 * len(hand.values)
    # Counted by the features read, whatever the sheet's order; what is repeated is no further one.
    numbers = [int(n) for n in re.findall(r"^reading (\d+)   ", out, re.MULTILINE)]
    assert numbers == list(range(1, len(set(hand.asked)) + 1))
    assert len(re.findall(r"^once more   ", out, re.MULTILINE)) == len(hand.asked) - len(numbers)
    few = run_json("diagnose", path)["verdict"]
    assert (few["status"], few["term"]) == (whole["status"], whole["term"])
    # It is all on disk, a row for each reading asked for.
    readings = read_readings(path / "prints/01/readings.csv", manifest(path))
    assert sorted((r.coupon, r.feature) for r in readings) == sorted(hand.asked)


@pytest.mark.long
def test_guided_entry_goes_on_where_it_was_left(tmp_path, monkeypatch):
    path = loose(case(tmp_path))
    hand = Hand(monkeypatch, blank(path))
    hand.extra = {3: ["q"]}
    code, out, _ = run("enter", path, "--guided")
    assert code == 0 and "3 read of" in out and "safe after" not in out
    before = list(hand.asked)
    hand.extra = {}
    code, out, _ = run("enter", path, "--guided")
    assert code == 0 and "safe after" in out
    # What was read is not asked for again, but to check it.
    assert hand.asked[3] not in before


@pytest.mark.parametrize(
    "at", [1, pytest.param(0, marks=pytest.mark.long), pytest.param(3, marks=pytest.mark.long)]
)
def test_a_slip_in_guided_entry_is_caught_before_the_verdict_counts(tmp_path, monkeypatch, at):
    path = loose(case(tmp_path))
    whole = run_json("diagnose", path)["verdict"]
    hand = Hand(monkeypatch, blank(path))
    hand.slips = {at: 1.0}
    code, out, _ = run("enter", path, "--guided")
    words = " ".join(out.split())
    assert code == 0 and "The verdict is safe after" in words
    assert "disagree: read it a third time" in words or "was to be expected" in words
    assert hand.asked.count(hand.asked[at]) >= 2
    few = run_json("diagnose", path)["verdict"]
    assert (few["status"], few["term"]) == (whole["status"], whole["term"])


def test_back_skip_and_help_work_in_guided_entry(tmp_path, monkeypatch):
    path = case(tmp_path)
    hand = Hand(monkeypatch, blank(path))
    hand.extra = {0: ["b", "?"], 1: ["b", "", "s"], 4: ["q"]}
    code, out, _ = run("enter", path, "--guided")
    assert code == 0
    assert "This is the first one." in out and "q   quit; all is saved" in out
    assert "1 skipped" in out
    # Back at the first one, Enter kept its reading.
    assert out.count("Enter keeps") == 1


def test_options_that_do_not_go_together(tmp_path):
    path = case(tmp_path)
    for args, told in (
        (("--guided", "--at", "wall"), "--at goes with the sheet's order"),
        (("--carry", "01"), "--carry is of use with --guided only"),
    ):
        code, out, err = run("enter", path, *args)
        assert code == 2 and out == "" and told in err


def test_an_earlier_print_is_carried(tmp_path):
    path = case(tmp_path)
    assert run("make", path, "--new-print")[0] == 0
    assert run("simulate", path, "--backlash-x", 0.12, "--backlash-y", 0.05, "--seed", 9)[0] == 0
    alone = run_json("diagnose", path)
    carried = run_json("diagnose", path, "--carry", "01")
    # Print 01 had a bead and an offset that this one lacks: that is no drift, and it is said.
    assert carried["carried"]["print"] == "01" and carried["carried"]["used"] is False
    assert any("contradict what print 01 left known" in n for n in carried["notes"])
    assert carried["terms"] == alone["terms"]


@pytest.mark.long
def test_carried_knowledge_is_used_where_it_agrees(tmp_path):
    path = case(tmp_path)
    assert run("make", path, "--new-print", "--quick")[0] == 0
    errors = ("--backlash-x", 0.12, "--backlash-y", 0.05, "--bead-excess", 0.04, "--contour-offset", 0.05)
    assert run("simulate", path, *errors, "--bore-closure", 0.1, "--seed", 9)[0] == 0
    # The same later print in a case that holds no other.
    only = tmp_path / "only"
    shutil.copytree(path, only)
    shutil.rmtree(only / "prints" / "01")
    alone = run_json("diagnose", only)
    carried = run_json("diagnose", path, "--carry", "1")
    assert carried["carried"]["used"] and carried["carried"]["agreement_p"] > 0.001
    for name in ("scale_x", "bead_excess", "contour_offset", "bore_closure"):
        assert carried["terms"][name]["std_uncertainty"] < alone["terms"][name]["std_uncertainty"]
    stop = run_json("next", path, "--carry", "01", "--stop-when", "0.9")["stop_when"]
    assert stop["available"] <= 14
    code, _, err = run("diagnose", path, "--carry", "02")
    assert code == 2 and "cannot be carried into itself" in err
    code, _, err = run("diagnose", path, "--carry", "07")
    assert code == 2 and "there is no print 07" in err


def test_a_small_print_says_what_it_did_not_look_at_and_what_would(tmp_path):
    """Bores 0.4 mm small and z a percent off: nothing of the quick plate shows them."""
    path = quick_case(tmp_path)
    told = run("simulate", path, "--closing-round-bores", 0.4, "--scale-z", 1, "--noise", 0.005, "--seed", 1)
    assert told[0] == 0, told
    missing = ("scale in z", "closing of round bores", "first-layer flare")
    said = {name: " ".join(run(name, path)[1].split()) for name in ("diagnose", "next", "plan")}
    for name, text in said.items():
        assert "Nothing that was looked at" in text, name
        assert all(what in text for what in missing), name
        assert "needs attention" not in text and "Done." not in text, name
    assert "Nothing to mend in what was looked at" in said["diagnose"]
    assert "stair" in said["next"] and "bore" in said["next"]
    assert {"scale_z", "bore_closure"} <= set(run_json("diagnose", path)["verdict"]["not_looked_at"])
    page = (path / "prints" / "01" / "report.html").read_text(encoding="utf-8")
    assert "Nothing that was looked at" in page and "Not looked at" in page
