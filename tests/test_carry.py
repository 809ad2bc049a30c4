"""An earlier print's result as the next one's prior."""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.estimation.fit import agreement, fit
from fitassay.analysis.estimation.known import Known
from fitassay.analysis.estimation.observations import gather
from fitassay.analysis.estimation.priors import prior, prior_sds
from fitassay.analysis.normal import Normal
from fitassay.analysis.prints import transfer as module
from fitassay.analysis.prints.mixed_model import PrintResult
from fitassay.analysis.prints.transfer import carry
from fitassay.analysis.terms import INDEX, NAMES, PRINTER, TERMS, estimated_on
from fitassay.coupons.machine import Machine
from tests.posteriors import posterior
from tests.sets import walk

MACHINE = Machine()
PRIOR = prior_sds(MACHINE)
ERRORS = {"backlash_y": 0.1, "bead_excess": 0.03, "contour_offset": 0.04, "bore_closure": 0.05}


def result(mean: np.ndarray, covariance: np.ndarray, machine: Machine = MACHINE) -> PrintResult:
    return PrintResult(
        name="01", posterior=Normal(mean=mean, cov=covariance), prior_sd=PRIOR, machine=machine
    )


def test_what_was_not_known_stays_as_unknown_as_the_table_has_it():
    table = prior(MACHINE).mean
    carried = carry(result(table, np.diag(PRIOR**2)), MACHINE)
    assert carried.terms.cov == pytest.approx(np.diag(PRIOR**2), abs=1e-15)
    assert carried.terms.mean == pytest.approx(table)


def test_what_was_known_gets_its_drift_wider():
    # Layers and push-out as usual are drawn nowhere.
    mean = theta_of(ERRORS) + prior(MACHINE).mean
    carried = carry(result(mean, np.diag((1e-3 * PRIOR) ** 2)), MACHINE)
    sd = carried.terms.sd
    for i in np.flatnonzero(PRINTER & estimated_on("cartesian")):
        assert sd[i] == pytest.approx(TERMS[i].drift_sd, rel=0.05)
    assert carried.terms.mean == pytest.approx(mean, rel=0.05)
    # The caliper does not drift.
    assert sd[INDEX["outside_bias"]] == pytest.approx(1e-3 * PRIOR[INDEX["outside_bias"]])


def test_settings_changed_in_between_are_allowed_for():
    mean = theta_of({"backlash_y": 0.24, "scale_x": 0.01, "bead_excess": 0.03})
    now = Machine(
        values={
            "settings.backlash_y_mm": 0.24,
            "settings.steps_per_mm_x": 80 / 1.01,
            "settings.flow_percent": 90.0,
        }
    )
    carried = carry(result(mean, np.diag((1e-3 * PRIOR) ** 2)), now)
    assert carried.terms.mean[INDEX["backlash_y"]] == pytest.approx(0.0, abs=1e-3)
    assert carried.terms.mean[INDEX["scale_x"]] == pytest.approx(0.0, abs=1e-4)
    # A tenth less plastic on a bead of area A: its width falls by a tenth of A / h.
    assert carried.terms.mean[INDEX["bead_excess"]] == pytest.approx(0.9 * (0.4071 + 0.03) - 0.4071, abs=1e-3)


def test_without_drift_two_prints_in_turn_are_both_at_once(monkeypatch):
    """Carrying the first into the second is the posterior of all readings together."""
    monkeypatch.setattr(module, "drift_sds", lambda kinematics: np.zeros(len(NAMES)))
    w = walk()
    sets = [
        gather(simulate(w, theta_of(ERRORS), noise_mm=0.02, resolution_mm=0.0, seed=s), w, MACHINE)
        for s in (1, 2)
    ]
    first = fit(sets[0], w, prior(MACHINE))
    assert not first.outliers.any() and first.estimate.agreement.excess < 1e-4
    second = fit(
        sets[1],
        w,
        prior(MACHINE),
        Known(transferred=carry(result(first.posterior.mean, first.posterior.cov), MACHINE)),
    )
    base = first.estimate.base
    both = posterior(
        np.concatenate([e.gains for e in sets]),
        np.concatenate([sets[0].y - base, sets[1].y - base]),
        np.concatenate([e.u for e in sets]),
        PRIOR,
        prior(MACHINE).mean,
    )
    assert second.posterior.sd == pytest.approx(both.sd, rel=1e-6)
    # Each was walked about its own estimate.
    assert np.abs(second.posterior.mean - both.mean) == pytest.approx(np.zeros(len(NAMES)), abs=0.0015)
    assert np.all(second.posterior.sd <= first.posterior.sd + 1e-12)


def test_agreement_is_a_chance():
    """p-values of 2000 estimates drawn as they should be: uniform, so 5 % below 0.05 (3.3 to 6.7 %: 1 in 1000)."""
    rng = np.random.default_rng(11)
    a = rng.normal(size=(6, 5))
    u = np.full(6, 0.7)
    before = Normal.independent(np.ones(5))
    p = []
    for _ in range(2000):
        y = a @ rng.standard_normal(5) + u * rng.standard_normal(6)
        p.append(agreement(before, posterior(a, y, u, np.ones(5))))
    assert 0.033 < np.mean(np.array(p) < 0.05) < 0.067
    assert 0.46 < np.mean(np.array(p) < 0.5) < 0.54


def test_nothing_told_agrees_with_everything():
    assert agreement(Normal.independent(np.ones(3)), Normal.independent(np.ones(3))) == 1.0


@pytest.mark.parametrize("change", [0.0, 0.15])
def test_a_printer_that_changed_is_noticed(change):
    """A belt that came loose between the prints is no drift; unchanged ones agree (10 seeds, chance of any: 1 %)."""
    w = walk()
    first = fit(gather(simulate(w, theta_of(ERRORS), seed=1), w, MACHINE), w, prior(MACHINE))
    carried = carry(result(first.posterior.mean, first.posterior.cov), MACHINE)
    for seed in range(10, 20):
        now = theta_of({**ERRORS, "backlash_y": 0.1 + change})
        done = fit(
            gather(simulate(w, now, seed=seed), w, MACHINE), w, prior(MACHINE), Known(transferred=carried)
        )
        assert (done.transferred is None) == (change > 0)
        assert (
            abs(done.posterior.mean[INDEX["backlash_y"]] - 0.1 - change)
            < 4 * done.posterior.sd[INDEX["backlash_y"]]
        )


def test_what_only_an_earlier_print_knew_is_not_called_measured():
    """Heights alone are read on the second print; the first one knew everything."""
    w = walk()
    readings = simulate(w, theta_of(ERRORS), noise_mm=0.02, resolution_mm=0.01, seed=3)
    first = interpret(w, readings, MACHINE)
    earlier = PrintResult(
        name="01", posterior=first.posterior, prior_sd=PRIOR, machine=MACHINE, misfit_p=first.p_value
    )
    kinds = {key: f.kind for key, f in zip(w.keys, w.features, strict=True)}
    heights = tuple(r for r in readings if kinds[r.coupon, r.feature] == "height")
    found = interpret(w, heights, MACHINE, Known(transferred=carry(earlier, MACHINE)))
    note = next(n for n in found.notes if n.code == "not-measured")
    assert {"backlash_y", "bead_excess", "contour_offset"} <= set(note.data["terms"])
    assert "scale_z" not in note.data["terms"]
    # It is said that it was used, and it stays known all the same.
    assert found.extra["carried"]["print"] == "01" and found.extra["carried"]["used"] is True
    assert [n.data["print"] for n in found.notes if n.code == "transfer-used"] == ["01"]
    assert not [n for n in found.notes if n.code == "transfer-contradicted"]
    assert found.term("backlash_y").informed > 0.8


def test_an_earlier_print_that_is_contradicted_is_said_not_to_be_used():
    """Half a millimetre of play more than the first print left known, to some hundredths."""
    w = walk()
    first = interpret(w, simulate(w, theta_of(ERRORS), seed=3), MACHINE)
    carried = carry(result(first.posterior.mean, first.posterior.cov), MACHINE)
    loose = simulate(w, theta_of({**ERRORS, "backlash_y": 0.6}), seed=4)
    found = interpret(w, loose, MACHINE, Known(transferred=carried))
    assert found.extra["carried"]["used"] is False
    codes = [n.code for n in found.notes if n.code.startswith("transfer-")]
    assert codes == ["transfer-contradicted"]
