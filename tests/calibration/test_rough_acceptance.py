"""Is the verdict honest on rough printers? Bars on 400 printers a cell, four kinds of machine each; prints the table.

    python -m pytest -m calibration -s

Everything is seeded: the figures are the same on every run, so that no cell fails by chance.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.calibration.acceptance import EVIDENCE, HEADER, LISTED, OUTSIDE, Row, line, row_of, run_cell

pytestmark = pytest.mark.calibration

# Bars that are missed, and by what: the largest step over the bar that was seen, rounded up. Chances from 0.8 up are
# too modest by more than five points where errors of the budget are absent; friction alike in both axes hides
# culprits.
SHORT: dict[tuple[str, str, str], float] = {}

HARD_TO_FIND = {"growing flare", "mix"}


@pytest.fixture(scope="module")
def rows() -> dict[tuple[str, str], Row]:
    print("\n" + HEADER)
    found = {}
    for name in [*LISTED, *OUTSIDE]:
        for evidence in EVIDENCE if name in LISTED else ("caliper",):
            found[name, evidence] = row_of(name, evidence)
            print(line(found[name, evidence]), flush=True)
    return found


def failing(
    rows: dict[tuple[str, str], Row], figure: str, least: dict[str, float], default: float
) -> list[str]:
    """Cells of the caliper alone whose figure stays under its bar."""
    return [
        f"{name}: {getattr(row, figure):.3f}"
        for (name, evidence), row in rows.items()
        if evidence == "caliper" and getattr(row, figure) < least.get(name, default)
    ]


def listed(rows: dict[tuple[str, str], Row]) -> dict[tuple[str, str], Row]:
    return {key: row for key, row in rows.items() if key[0] in LISTED}


def outside(rows: dict[tuple[str, str], Row]) -> dict[tuple[str, str], Row]:
    return {key: row for key, row in rows.items() if key[0] in OUTSIDE}


def test_intervals_of_the_terms_hold(rows):
    assert not failing(listed(rows), "terms", {"elastic": 0.91}, 0.93)
    assert not failing(outside(rows), "terms", {}, 0.90)
    # No hiding behind width: 95 % intervals of an ideal printer do not hold always.
    assert 0.94 <= rows["ideal", "caliper"].terms <= 0.995


def test_predicted_sizes_hold(rows):
    assert not failing(listed(rows), "sizes", {"elastic": 0.88, "mix": 0.88}, 0.93)


def test_sound_printers_are_not_accused(rows):
    for (name, evidence), row in listed(rows).items():
        assert row.sound_accused <= 0.01, (name, evidence)
    for (name, _), row in outside(rows).items():
        assert max(row.sound_accused, row.wrong_dominant) <= 0.03, name


def test_large_culprits_are_found(rows):
    bars = {"caliper": 0.75, "rim": 0.85, "weighed": 0.90}
    for (name, evidence), row in listed(rows).items():
        bar = bars[evidence] - (0.10 if name in HARD_TO_FIND else 0.0)
        if name == "ideal":
            bar = {"caliper": 0.80, "rim": 0.92, "weighed": 0.92}[evidence]
        if name == "jitter" and evidence == "caliper":
            bar = 0.60
        assert row.found >= bar, (name, evidence)


def test_stated_chances_come_true(rows):
    for (name, evidence), row in listed(rows).items():
        assert row.overconfident <= 0.03, (name, evidence)
        assert row.apart_high <= 0.05, (name, evidence)
        assert row.apart_low <= 0.12, (name, evidence)


def test_advice_mends_and_does_no_harm(rows):
    for (name, evidence), row in listed(rows).items():
        assert row.ratio <= (0.6 if name == "elastic" else 0.3), (name, evidence)
        assert row.worse <= 0.01, (name, evidence)
        assert row.flow <= 0.03, (name, evidence)


def test_who_is_accused_of_a_dominant_error_of_an_ideal_printer_has_it():
    cells = [run_cell("ideal", machines) for machines in ("priors", "mild", "one-culprit")]
    said = np.concatenate([c.found.judged.status == 0 for c in cells])
    right = np.concatenate([c.right for c in cells])
    assert right[said].mean() >= 0.99
