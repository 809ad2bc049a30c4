"""What a case knows over several prints: steps forget nothing, and each fact counts once."""

from dataclasses import replace

import numpy as np
import pytest

from fitassay.analysis.normal import Normal
from fitassay.analysis.prints.knowledge import Learned, ReadPrint, known_before
from fitassay.analysis.prints.mixed_model import drift_sds
from fitassay.analysis.terms import INDEX, NAMES, TERMS
from fitassay.coupons.machine import Machine
from tests.fit_case import case, run, run_json

PRIOR = np.array([t.prior_sd or 0.02 for t in TERMS])


def reader(rows, values, u):
    """A print whose readings are rows of the terms, with this uncertainty."""

    def estimate(before):
        known = Normal.independent(PRIOR) if before is None else before.terms
        return Learned(posterior=known.condition(np.array(rows), np.array(values), np.full(len(rows), u)))

    return estimate


def row(**gains):
    out = np.zeros(len(NAMES))
    for name, value in gains.items():
        out[INDEX[name]] = value
    return out


def test_chain_is_the_filter_of_a_drifting_printer():
    # One term read twice with u = 0.01; between the prints it drifts by d (scalar Kalman filter, derived here).
    machine = Machine()
    i = INDEX["bead_excess"]
    s, d, u = PRIOR[i], drift_sds()[i], 0.01
    prints = [
        ReadPrint(name=n, machine=machine, prior_sd=PRIOR, estimate=reader([row(bead_excess=1.0)], [y], u))
        for n, y in (("01", 0.05), ("02", 0.07))
    ]
    got = known_before(prints, machine)
    rho2 = 1 - (d / s) ** 2
    mean, variance = 0.0, s**2
    for k, y in enumerate((0.05, 0.07)):
        if k:
            mean, variance = np.sqrt(rho2) * mean, rho2 * variance + d**2
        gain = variance / (variance + u**2)
        mean, variance = mean + gain * (y - mean), (1 - gain) * variance
    assert got.terms.mean[i] == pytest.approx(np.sqrt(rho2) * mean)
    assert got.terms.cov[i, i] == pytest.approx(rho2 * variance + d**2)
    assert known_before([], machine) is None


def test_callipers_own_zero_stays_common_to_all_prints():
    # Ten prints read with a caliper whose zero nobody knows: the size never gets surer than that zero.
    machine = Machine()
    rows = [row(contour_offset=2.0, outside_bias=1.0)] * 4
    prints = [
        ReadPrint(name=f"{k:02d}", machine=machine, prior_sd=PRIOR, estimate=reader(rows, [0.2] * 4, 0.01))
        for k in range(10)
    ]
    got = known_before(prints, machine)
    assert got.terms.sd[INDEX["outside_bias"]] > 0.95 * PRIOR[INDEX["outside_bias"]]
    assert got.terms.sd[INDEX["contour_offset"]] > 0.9 * PRIOR[INDEX["outside_bias"]] / 2


def test_another_material_is_less_surely_the_same():
    machine = Machine()
    read = ReadPrint(
        name="01",
        machine=machine,
        prior_sd=PRIOR,
        estimate=reader([row(**{t: 1.0}) for t in ("scale_x", "scale_y")], [0.0, 0.0], 1e-5),
    )
    same, other = known_before([read], machine), known_before([read], replace(machine, material="PETG"))
    i, j = INDEX["scale_x"], INDEX["scale_y"]
    assert other.terms.sd[i] > 5 * same.terms.sd[i]
    # Plastics shrink alike along both axes.
    assert other.terms.cov[i, j] > 0.9 * other.terms.sd[i] * other.terms.sd[j]


def _set(folder, **values):
    path = folder / "machine.toml"
    lines = path.read_text("utf-8").splitlines()
    for name, value in values.items():
        lines = [f"{name} = {value}" if line.startswith(f"{name} =") else line for line in lines]
    path.write_text("\n".join(lines) + "\n", "utf-8")


@pytest.mark.long
def test_a_step_forgets_nothing(tmp_path):
    # Backlash set as advised, one comb printed and read: the other errors stay known, their steps stay advised.
    folder = case(tmp_path)
    before = run_json("plan", folder)
    wide = run_json("predict", folder, "--pair", "8,8.4")["pairs"][0]["put_together_mm"]
    steps = {s["term"]: s for s in before["steps"]}
    assert {"backlash_x", "contour_offset"} <= set(steps)
    _set(folder, backlash_x_mm=round(steps["backlash_x"]["to"], 3))
    assert run("make", folder, "--new-print", "--family", "reversal-comb")[0] == 0
    left = ("--backlash-y", 0.05, "--bead-excess", 0.04, "--contour-offset", 0.05, "--bore-closure", 0.1)
    assert run("simulate", folder, *left, "--seed", 5)[0] == 0
    after = run_json("plan", folder)
    later = {s["term"]: s for s in after["steps"]}
    assert "backlash_x" not in later
    for term in set(steps) - {"backlash_x"}:
        assert later[term]["to"] == pytest.approx(steps[term]["to"], abs=3 * steps[term]["std_uncertainty"])
        assert later[term]["std_uncertainty"] < 1.6 * steps[term]["std_uncertainty"]
    for a, b in zip(before["grades"], after["grades"], strict=True):
        assert (b["now"] or 19) <= (a["now"] or 19)
    spread = run_json("predict", folder, "--pair", "8,8.4")["pairs"][0]["put_together_mm"]
    assert spread["std_uncertainty"] < 1.2 * wide["std_uncertainty"]
    # What diagnose shows is what plan goes by.
    shown = run_json("diagnose", folder)["terms"]["contour_offset"]
    assert shown["estimate"] == pytest.approx(later["contour_offset"]["error"], abs=1e-9)


@pytest.mark.long
def test_a_measured_spool_counts_once(tmp_path):
    # Filament and feed lie in the case for both prints; three more prints must not make the bead surer by sqrt(3).
    folder = case(tmp_path)
    spool = "place,diameter_1_mm,diameter_2_mm,note\n" + "".join(f"{i},1.75,1.76,\n" for i in (1, 2, 3))
    feed = "commanded_mm,marked_mm,left_mm,note\n" + "".join(f"100,120,{x},\n" for x in (21.0, 20.8, 20.9))
    (folder / "filament.csv").write_text(spool, "utf-8")
    (folder / "feed.csv").write_text(feed, "utf-8")
    code, _, err = run("diagnose", folder)
    assert code == 0, err
    one = run_json("diagnose", folder)["terms"]["bead_excess"]["std_uncertainty"]
    for _ in range(2):
        assert run("make", folder, "--new-print", "--family", "height-stair")[0] == 0
        assert run("simulate", folder)[0] == 0
    # Heights say nothing of the bead: after drift it is known no better than before.
    assert run_json("diagnose", folder)["terms"]["bead_excess"]["std_uncertainty"] >= 0.98 * one


def test_what_was_read_is_known_without_the_drift_since():
    """Before every print the covariances that earlier ones left, in the present settings; and the manner."""
    machine = Machine()
    i = INDEX["contour_offset"]

    def told(u, jumps, agrees=True):
        def estimate(before):
            known = Normal.independent(PRIOR) if before is None else before.terms
            jump = jumps if before is None or jumps is not None else before.jumps
            gains = np.array([row(contour_offset=1.0)])
            return Learned(
                posterior=known.condition(gains, np.array([0.1]), np.array([u])), jumps=jump, agrees=agrees
            )

        return estimate

    def chain(*estimates):
        return [ReadPrint(name="", machine=machine, prior_sd=PRIOR, estimate=e) for e in estimates]

    sharp = told(0.01, 0.98)
    got = known_before(chain(sharp, told(10.0, None)), machine)
    assert got.jumps == 0.98
    first, second = (n.sd[i] for n in got.as_read)
    assert first == pytest.approx(0.01, rel=0.01)
    assert second == pytest.approx(np.hypot(0.01, drift_sds()[i]), rel=0.01)
    # What contradicts the readings after it is no longer held, and nothing is under other conditions.
    assert len(known_before(chain(sharp, told(10.0, None, agrees=False)), machine).as_read) == 1
    assert known_before(chain(sharp), replace(machine, material="PETG")).as_read == ()
