"""The acceptance of the verdict on 2,000 virtual printers a mix; prints the table.

    python -m pytest -m calibration -s

Everything is seeded. A cell of 2,000 printers has a standard error of 0.005 in a 95 % coverage; bounds on single
cells leave 3.5 of them, so that a cell on the edge of its band fails once in 4,000 runs; bounds on pooled cells are
bare.
"""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.terms import TERMS
from fitassay.analysis.validation.population import MIXES
from tests.calibration.rough import FAULTS, ROUGH_HEADER, rough_line, run_rough
from tests.calibration.slipped import KINDS, SLIP_HEADER, run_slips, slip_line
from tests.calibration.study import HEADER, Study, line, reliability, run

pytestmark = pytest.mark.calibration

PRINTERS = 2000
LOW, HIGH = 0.935, 0.965
CELL = 3.5 * (0.95 * 0.05 / PRINTERS) ** 0.5


@pytest.fixture(scope="module")
def studies() -> dict[tuple[str, str, str], Study]:
    found = {}
    print("\n" + HEADER)
    for set_name in ("full", "quick", "block"):
        for noise in ("normal", "rounded", "slips") if set_name == "full" else ("rounded",):
            for mix in MIXES:
                study = run(set_name, mix, noise, PRINTERS)
                print(line(study), flush=True)
                found[set_name, mix, noise] = study
    print(line(run("full", "priors", "repeats", PRINTERS)))
    return found


def test_intervals_of_the_full_set_hold_the_truth(studies):
    cells = [s for key, s in studies.items() if key[0] == "full"]
    informed = cells[0].informed
    assert informed.sum() == 11  # every printer term
    for study in cells:
        coverage = study.coverage(1.95996)[informed]
        assert coverage.min() >= LOW - CELL, (study.mix, study.noise)
        assert coverage.max() <= HIGH + CELL, (study.mix, study.noise)
    pooled = np.mean([s.coverage(1.95996) for s in cells], axis=0)
    for i in np.flatnonzero(informed):
        assert LOW <= pooled[i] <= HIGH, TERMS[i].name


def test_dominant_is_right_when_said(studies):
    for (set_name, mix, noise), study in studies.items():
        said = study.share("dominant") * PRINTERS
        if said >= 100:
            assert study.right_of("dominant") >= 0.97, (set_name, mix, noise)
    full = [s for key, s in studies.items() if key[0] == "full"]
    said = np.concatenate([s.found.judged.status == 0 for s in full])
    right = np.concatenate([s.right for s in full])
    assert right[said].mean() >= 0.985


def test_clear_leads_are_called(studies):
    """Twice the share of the next, and at least 0.1 mm over all reference sizes together."""
    print("\nclear leads of 0.1 mm or more, full set: share of printers, called dominant")
    for (set_name, mix, noise), study in studies.items():
        if set_name == "full" and noise == "rounded":
            clear = study.clear_leads(0.1)
            called = np.mean(study.found.judged.status[clear] == 0) if clear.any() else np.nan
            print(f"  {mix:<18}{clear.mean():6.3f}{called:8.3f}", flush=True)
            if mix in ("priors", "one-term", "over-compensated", "heavy-skew"):
                assert called >= 0.90, mix


def test_the_block_alone_is_hardly_ever_wrong(studies):
    for (set_name, mix, _), study in studies.items():
        if set_name == "block":
            assert np.mean((study.found.judged.status == 0) & ~study.right) <= 0.02, mix


def test_stated_probability_is_observed_frequency(studies):
    full = [s for key, s in studies.items() if key[0] == "full" and key[1] == "priors"]
    print("\nstated probability against observed frequency, printers from the priors, full set")
    for stated, observed, n in reliability(full, np.linspace(0.2, 1.0, 9)):
        print(f"  {stated:.3f}  {observed:.3f}  ({n})", flush=True)
        # Four standard errors of the bin, and 0.03 for draws and linearising.
        assert abs(stated - observed) < 4 * (stated * (1 - stated) / n) ** 0.5 + 0.03


def test_sound_printers_are_left_in_peace(studies):
    for set_name in ("full", "quick", "block"):
        study = studies[set_name, "sound", "rounded"]
        assert study.share("dominant") <= 0.01
        assert study.share("dominant") + study.share("leading") <= 0.03
    assert studies["full", "sound", "rounded"].share("within-noise") >= 0.9


def test_false_alarms(studies):
    for key, study in studies.items():
        # Binomial: 0.03 and 3.5 standard errors.
        assert study.false_alarms <= 0.03 + 3.5 * (0.03 * 0.97 / PRINTERS) ** 0.5, key


@pytest.mark.parametrize("set_name", ["full", "quick"])
@pytest.mark.parametrize("mix", ["priors", "one-term"])
def test_gross_slips(set_name, mix):
    alarms, found = run_slips(set_name, mix, 1000)
    print(f"\n{SLIP_HEADER}   (false alarms without a slip {alarms:.3f})")
    for study in found:
        print(slip_line(set_name, mix, study), flush=True)
    assert alarms <= 0.03
    single = found[: len(KINDS) - 2]
    assert np.mean([s.named for s in single]) >= 0.95
    assert np.mean([s.same for s in single]) >= 0.95
    two = found[len(KINDS) - 2 :]
    assert min(s.named for s in two) >= 0.92
    assert max(s.against for s in found) <= 0.03


def test_rough_printers():
    """At mild sizes of every fault the dominant verdict stays right in 95 of 100; larger sizes are only reported."""
    print(f"\n{ROUGH_HEADER}")
    mild = {
        ("none", "-"), ("corners cut", "0.2 mm"), ("play varies along the axis", "30 %"), ("ringing", "0.02 mm"),
        ("layer jitter", "0.005 mm"), ("flare in the measured band", "0.02 mm"), ("all of them, mild", ""),
    }  # fmt: skip
    for fault, size, rough in FAULTS:
        for mix in ("priors", "one-term", "sound"):
            study = run_rough(fault, size, rough, mix, 200)
            print(rough_line(study), flush=True)
            if (fault, size) in mild:
                assert study.wrong <= 0.05 or mix == "sound", (fault, size, mix)
                assert study.false_share <= 0.06, (fault, size, mix)
