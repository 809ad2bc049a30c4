"""The plan followed by its words alone, step by step, on printers whose dials count in ways of their own."""

from __future__ import annotations

import re
import shutil

import numpy as np
import pytest

from tests import plan_reader
from tests.dialled_printer import JOINTS, drawn
from tests.fit_case import fresh_case, run, write_readings

MOST_STEPS = 14
WORSE_MM = 0.02
# Joints are at home when they miss their drawn play by no more, root mean square: twice what a caliper tells of it.
HOME_MM = 0.1


@pytest.fixture(scope="module")
def fresh(tmp_path_factory):
    """A case with its set made, nothing read."""
    return fresh_case(tmp_path_factory.mktemp("words"))


def measure(place, number, machine, rng, repeats=1):
    """Read everything of a print into its readings.csv."""

    def read(coupon, feature):
        true = machine.reads(coupon, feature) + 0.01 * rng.standard_normal()
        return [true + 0.02 * rng.standard_normal() for _ in range(repeats)]

    write_readings(place / "prints" / number, read)


def misfit(machine):
    return float(np.sqrt(np.mean(machine.joints() ** 2)))


def worked(fresh, place, seed):
    """One machine followed to its end: misfits before and after each step, grades, rounds until at home."""
    rng = np.random.default_rng([12, seed])
    over, constant = seed % 3 == 0, seed % 3 == 1
    machine = drawn(rng, over, constant)
    shutil.copytree(fresh, place)
    toml = place / "machine.toml"
    text = toml.read_text("utf-8")
    for axis, value in machine.dials.taken_up.items():
        text = text.replace(f"backlash_{axis}_mm = 0.0", f"backlash_{axis}_mm = {value}")
    if constant:
        holes = [hole for shape, _, hole in JOINTS if shape == "round"]
        text = text.replace('hole_setting = ""', 'hole_setting = "constant"')
        usual = len(holes) / sum(1 / h for h in holes)
        text = re.sub(r"usual_hole_mm = .*", f"usual_hole_mm = {usual:.1f}", text)
    toml.write_text(text, "utf-8")
    shutil.copy(toml, place / "prints" / "01" / "machine.toml")
    measure(place, "01", machine, rng)
    misfits, grades, turned, home = [misfit(machine)], [], [], None
    rounds, left = 0, 0
    for number in range(2, MOST_STEPS + 2):
        code, out, err = run("plan", place)
        assert code == 0, err
        page = plan_reader.read(out)
        grades.append(page.grades)
        if left == 0:
            # A round is as many steps as the page had when it began.
            if home is None and misfits[-1] <= HOME_MM:
                home = rounds
            rounds, left = rounds + 1, len(page.steps)
        if page.done or not page.steps:
            break
        last = next(i for i, s in enumerate(page.steps) if not s.with_next)
        taken, step = page.steps[: last + 1], page.steps[last]
        for one in taken:
            plan_reader.turn(one, machine)
            toml.write_text(plan_reader.written(toml.read_text("utf-8"), one), "utf-8")
        turned.append(", ".join(f"{one.label}: {one.value}" for one in taken))
        misfits.append(misfit(machine))
        left = max(left - len(taken), 0)
        asked = [part for name in step.prints for part in ("--family", name)]
        code, _, err = run("make", place, "--new-print", *asked)
        assert code == 0, err
        measure(place, f"{number:02d}", machine, rng, 3 if step.hardly else 1)
    if home is None and misfits[-1] <= HOME_MM:
        home = rounds
    return misfits, grades, turned, home


def judged(fresh, tmp_path, seeds):
    """What happened on all of these machines, a line of text each where it went wrong."""
    worse, fallen, rounds, ends = [], [], [], []
    for seed in seeds:
        misfits, grades, turned, home = worked(fresh, tmp_path / str(seed), seed)
        rounds.append(99 if home is None else home)
        ends.append(misfits[-1])
        for i, (before, after) in enumerate(zip(misfits, misfits[1:], strict=False)):
            if after > before + WORSE_MM:
                worse.append(f"{seed}: {before:.3f} -> {after:.3f} by {turned[i]}")
        for i, (before, after) in enumerate(zip(grades, grades[1:], strict=False)):
            back = {k: (before[k], after[k]) for k in before if after[k] > before[k]}
            if back:
                fallen.append(f"{seed}: {back} by {turned[i]}")
        shutil.rmtree(tmp_path / str(seed))
    return worse, fallen, rounds, ends


@pytest.mark.long
def test_signs_are_read_from_the_words(fresh, tmp_path):
    """Two machines, one of them over-compensated, one with one constant for all holes."""
    for seed in (0, 1):
        misfits, _, turned, home = worked(fresh, tmp_path / str(seed), seed)
        assert home is not None and misfits[-1] < 0.5 * misfits[0], (misfits, turned)


@pytest.mark.calibration
def test_step_by_step_on_a_hundred_machines(fresh, tmp_path):
    worse, fallen, rounds, ends = judged(fresh, tmp_path, range(100))
    print(f"rounds {sorted(rounds)}, joints miss {np.median(ends):.3f}, at worst {max(ends):.3f} mm")
    print(*worse, *fallen, sep="\n")
    assert np.median(rounds) <= 1
    assert not worse
    # The bar is none. 14 machines are reached, 20 ranges: most are named beforehand as what the steps make coarser (a
    # constant for all holes opens large ones; joints decide), the others are found out by the print that follows.
    assert len(fallen) <= 15
