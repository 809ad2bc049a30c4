"""Signs of roughness by hand: uneven layers, a foot smaller than the body, lost motion that short ways take up."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from fitassay.analysis.diagnosis.roughness import roughness_notes, wound_up_plays
from fitassay.analysis.normal import Normal
from fitassay.analysis.terms import INDEX, PLAYS, TERMS

K = len(TERMS)
# Mean range of 15 normal values (standard control-chart constant): jaws 3 mm deep rest on 15 layers of 0.2 mm.
D2_15 = 3.472
NOTHING = SimpleNamespace(elastic=None)


def knowing(**terms: tuple[float, float]) -> Any:
    """A print of which these errors are known, (mean, standard uncertainty), all others to be none."""
    mean, sd = np.zeros(K), np.full(K, 1e-3)
    for name, (value, u) in terms.items():
        mean[INDEX[name]], sd[INDEX[name]] = value, u
    none = SimpleNamespace(column=np.full(0, -1))
    return SimpleNamespace(
        posterior=Normal(mean=mean, cov=np.diag(sd**2)),
        layer_mm=0.2,
        observations=none,
        outliers=np.zeros(0, dtype=bool),
    )


@pytest.mark.parametrize(
    ("mean", "sd", "told"),
    [
        (0.07, 0.010, True),
        (0.028, 0.004, False),  # less than a caliper sees
        (0.032, 0.004, True),
        (0.045, 0.020, False),  # 2.25 standard uncertainties
        (0.055, 0.020, True),
        (0.100, 0.035, False),  # 0.7 of what it was known to beforehand
    ],
)
def test_layers_are_called_uneven_where_that_is_known_sure_and_seen(mean, sd, told):
    found = roughness_notes(knowing(uneven_layers=(mean, sd)), NOTHING, np.full(K, 0.05))
    assert [n.code for n in found] == (["uneven-layers"] if told else [])
    if told:
        assert found[0].data["shift_mm"] == pytest.approx(mean / D2_15, rel=1e-3)


@pytest.mark.parametrize(
    ("flare", "sd", "body", "told"),
    [
        (-0.030, 0.005, 0.05, True),
        (-0.030, 0.013, 0.05, False),  # 2.3 standard uncertainties
        (-0.014, 0.002, 0.05, False),  # 0.028 mm on both sides
        (-0.016, 0.002, 0.05, True),
        (-0.030, 0.005, 0.02, False),  # the body is not wide
        (0.030, 0.005, 0.05, False),
    ],
)
def test_a_foot_smaller_than_a_wide_body_is_a_sign(flare, sd, body, told):
    """Bead and layers stand out together: 0.05 as 0.03 and 0.02."""
    known = knowing(
        first_layer_flare=(flare, sd), bead_excess=(body - 0.02, 0.02), uneven_layers=(0.02, 0.04)
    )
    found = roughness_notes(known, NOTHING, np.full(K, 0.05))
    assert [n.code for n in found] == (["foot-smaller"] if told else [])
    if told:
        assert found[0].data["by_mm"] == pytest.approx(-2 * flare)


@pytest.mark.parametrize(
    ("play", "missing", "u", "told"),
    [
        (0.30, 0.5, 0.01, True),
        (0.30, 0.0, 0.01, False),
        (0.30, -0.5, 0.01, False),
        (0.05, 0.5, 0.001, False),  # 0.025 mm, which no caliper sees
        (0.30, 0.3, 0.10, False),  # the readings scatter by as much
        (-0.30, 0.5, 0.01, False),  # a compensation set too high is no spring
    ],
)
@pytest.mark.parametrize("axis", ["x", "y"])
def test_what_combs_lack_of_a_play_is_told_as_a_share(play, missing, u, told, axis):
    """Four readings lack `missing` of half the play. With a share of 0 +- 0.4 beforehand the posterior's mean is
    0.16 p'r / (u^2 + 0.16 p'p) for readings of standard uncertainty u each and the pattern p = play / 2.
    """
    column = PLAYS.index(INDEX[f"backlash_{axis}"])
    own = np.array([0.5, 0.5, -0.5, -0.5])
    elastic = np.zeros((4, len(PLAYS)))
    elastic[:, column] = own
    p = own * play
    known = knowing(**{f"backlash_{axis}": (play, 0.02)})
    known.observations = SimpleNamespace(column=np.arange(4), gains=np.zeros((4, K)), y=20.0 + missing * p)
    known.outliers = np.zeros(4, dtype=bool)
    known.prior = Normal.independent(np.ones(K))
    known.estimate = SimpleNamespace(base=np.full(4, 20.0))
    known.noise = u**2 * np.eye(4) + 0.4**2 * np.outer(p, p)
    found = roughness_notes(known, SimpleNamespace(elastic=elastic), np.full(K, 0.05))
    assert [n.code for n in found] == (["elastic-play"] if told else [])
    if told:
        share = 0.16 * missing * (p @ p) / (u**2 + 0.16 * (p @ p))
        assert found[0].data == {"term": f"backlash_{axis}", "share": pytest.approx(share)}
        assert wound_up_plays(found) == {INDEX[f"backlash_{axis}"]}
