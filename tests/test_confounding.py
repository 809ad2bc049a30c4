"""What acts alike: groups, the sum that is known, and the fix that works whichever it is."""

from __future__ import annotations

import re

import numpy as np
import pytest

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.confounding import confounded_groups, known_sum
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.estimation.priors import prior_sds
from fitassay.analysis.terms import INDEX, NAMES, TERMS
from fitassay.coupons.machine import Machine
from tests.posteriors import posterior
from tests.sets import walk

MACHINE = Machine()


def diagnose(sets, truth: dict[str, float], first: int | None = None, noise: float = 0.02):
    w = walk(sets)
    return interpret(w, simulate(w, theta_of(truth), noise_mm=noise, seed=4)[:first], MACHINE)


def groups(diagnosis) -> set[frozenset[str]]:
    return {frozenset(a.terms) for a in diagnosis.confounded}


def test_the_block_alone():
    found = diagnose(("plain-block",), {"bead_excess": 0.1, "backlash_y": 0.2, "scale_x": 0.004})
    assert groups(found) == {
        frozenset({"bead_excess", "contour_offset"}),
        frozenset({"backlash_x", "scale_x"}),
        frozenset({"backlash_y", "scale_y"}),
    }
    group = next(a for a in found.confounded if "bead_excess" in a.terms)
    assert group.combination == {"bead_excess": 1.0, "contour_offset": 2.0}
    assert group.text.endswith("bead width + 2 x path offset")
    assert group.unit == "mm"
    assert group.value == pytest.approx(0.1, abs=2.5 * group.std_uncertainty)
    group = next(a for a in found.confounded if "backlash_y" in a.terms)
    # Outside 20 and inside 10 mm: lengths of path 19.55 and 10.45, mean 15 mm.
    assert group.combination["scale_y"] == pytest.approx(-15.0, abs=0.2)
    assert group.value == pytest.approx(0.2, abs=2.5 * group.std_uncertainty)


def test_the_full_set_leaves_nothing_alike():
    assert diagnose(None, {"bead_excess": 0.1, "contour_offset": -0.05, "backlash_y": 0.2}).confounded == ()


def test_groups_of_three_and_four():
    """Outside sizes alone shrink by backlash and grow by bead and offset alike; one size alone knows no length."""
    found = diagnose(("stepped-boss",), {"contour_offset": 0.2})
    assert frozenset({"backlash_x", "bead_excess", "contour_offset"}) in groups(found)
    assert frozenset({"backlash_y", "bead_excess", "contour_offset"}) in groups(found)
    three = next(
        a for a in found.confounded if set(a.terms) == {"backlash_x", "bead_excess", "contour_offset"}
    )
    assert three.combination == {"backlash_x": -1.0, "bead_excess": 1.0, "contour_offset": 2.0}
    assert three.value == pytest.approx(0.4, abs=2.5 * three.std_uncertainty)
    one = diagnose(("stepped-boss",), {"contour_offset": 0.2}, first=1)
    assert groups(one) == {frozenset({"scale_x", "backlash_x", "bead_excess", "contour_offset"})}
    assert one.confounded[0].combination["scale_x"] == pytest.approx(21.55, abs=0.1)


@pytest.mark.parametrize(
    ("sets", "culprits", "setting", "per_setting"),
    [
        (
            ("plain-block",),
            [{"bead_excess": 0.2}, {"contour_offset": 0.1}],
            "horizontal size compensation",
            "contour_offset",
        ),
        (
            ("plain-block",),
            [{"backlash_x": 0.15}, {"scale_x": -0.01}],
            "backlash compensation of x",
            "backlash_x",
        ),
        (
            ("stepped-boss",),
            [{"bead_excess": 0.2}, {"contour_offset": 0.1}, {"backlash_x": -0.2, "backlash_y": -0.2}],
            "horizontal size compensation",
            "contour_offset",
        ),
    ],
)
def test_the_fix_works_whichever_it_is(sets, culprits, setting, per_setting):
    """Virtual prints of each culprit with the fix in force read the drawing within 0.4 of the misfit before."""
    w = walk(sets)
    ideal = w.readings(np.zeros((1, len(TERMS))))[0]
    for truth in culprits:
        found = diagnose(sets, truth, noise=0.005)
        fix = next(
            a.remedy.text
            for a in found.confounded
            if per_setting in a.terms and a.remedy.text.startswith(f"set the {setting}")
        )
        assert "whichever it is" in fix
        old, new = (
            float(x.replace("\u2212", "-")) for x in re.search(r"from (\S+) to (\S+) mm", fix).groups()
        )  # type: ignore[union-attr]
        after = theta_of(truth)
        # Backlash compensation takes play away, size compensation adds to the path.
        change = new - old
        after[INDEX[per_setting]] += -change if per_setting.startswith("backlash") else change
        before = np.abs(w.readings(theta_of(truth)[None])[0] - ideal).max()
        left = np.abs(w.readings(after[None])[0] - ideal).max()
        assert left < 0.4 * before, truth


def test_a_fix_says_what_it_leaves_open():
    """Bead and path are of one size at any length; play and scale are not, and single walls see the bead alone."""
    found = diagnose(("plain-block",), {"bead_excess": 0.2, "backlash_y": 0.3}, noise=0.005)
    fixes = {frozenset(a.terms): a.remedy.text for a in found.confounded}
    sum_of_sizes = fixes[frozenset({"bead_excess", "contour_offset"})]
    assert sum_of_sizes.endswith(
        "come right whichever it is, though single walls stay off if it was the bead"
    )
    of_length = fixes[frozenset({"backlash_y", "scale_y"})]
    assert of_length.endswith("come right whichever it is, though much longer or shorter sizes may stay off")


def test_a_sum_that_is_nil_needs_no_fix():
    found = diagnose(("plain-block",), {})
    assert {a.remedy.text for a in found.confounded} == {
        "the sum is zero within its uncertainty, so nothing needs changing for it"
    }


def test_units_and_priors_in_other_units_change_nothing():
    """The same readings with one term in micrometres and another in percent."""
    _, gains = walk(("plain-block",)).linearise()
    prior = prior_sds(MACHINE)
    u = np.full(len(gains), 0.02)
    unit = np.ones(len(TERMS))
    unit[INDEX["bead_excess"]] = 1e-3
    unit[INDEX["scale_x"]] = 1e-2
    plain = posterior(gains, np.zeros(len(gains)), u, prior).cov
    other = posterior(gains * unit, np.zeros(len(gains)), u, prior / unit).cov
    assert confounded_groups(plain, prior) == confounded_groups(other, prior / unit)
    group = (INDEX["bead_excess"], INDEX["contour_offset"])
    # 1 mm of one is worth 1000 um of the other's unit: e / 1000 + 2 p.
    ratio = known_sum(group, other, prior / unit)
    assert ratio[1] / ratio[0] == pytest.approx(2000, rel=0.02)


def test_minimal_groups_only():
    for sets, first in ((("plain-block",), None), (("stepped-boss",), None), (("stepped-boss",), 1)):
        found = groups(diagnose(sets, {"contour_offset": 0.1}, first=first))
        assert not any(a < b for a in found for b in found)
        assert all(name in NAMES for g in found for name in g)


def test_the_block_is_told_what_would_split_the_contenders():
    found = diagnose(("plain-block",), {"bead_excess": 0.12, "contour_offset": 0.05})
    assert found.verdict.status == "undetermined"
    assert {"bead_excess", "contour_offset"} <= set(found.verdict.contenders)
    assert found.next[0].coupon == "wall"
