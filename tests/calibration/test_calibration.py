"""The acceptance of the verdict on 2,000 virtual printers a mix; prints the table.

    python -m pytest -m calibration -s

Everything is seeded. A cell of 2,000 printers has a standard error of 0.005 in a 95 % coverage; bounds on single
cells leave 3.5 of them, so that a cell on the edge of its band fails once in 4,000 runs; bounds on pooled cells are
bare.
"""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.terms import PRINTER, told_on
from fitassay.analysis.validation.population import MIXES
from tests.calibration.rough import FAULTS, ROUGH_HEADER, rough_line, run_rough
from tests.calibration.slipped import KINDS, SLIP_HEADER, run_slips, slip_line
from tests.calibration.study import HEADER, MACHINE, Study, line, reliability, run

pytestmark = pytest.mark.calibration

PRINTERS = 2000
# The band asked of the verdict's acceptance: an interval that holds always hides behind its width. The model's own
# error is part of every interval, so that these ideal printers are held more often than in 95 of 100.
LOW, HIGH = 0.94, 0.995
CELL = 3.5 * (0.95 * 0.05 / PRINTERS) ** 0.5
TOLD = PRINTER & told_on(MACHINE.kinematics)


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
    # All that such a machine has. What rough surfaces leave open of bead, path, bores and foot is more than a fifth
    # of their priors, so that seven of them count as informed by the readings.
    assert TOLD.sum() == 11 and cells[0].informed.sum() == 7
    for study in cells:
        assert study.coverage(1.95996)[TOLD].min() >= LOW - CELL, (study.mix, study.noise)
    pooled = np.mean([s.coverage(1.95996)[TOLD] for s in cells], axis=0)
    assert pooled.min() >= LOW
    # Over all mixes; where plays are large, as in the priors, what springy drives may do to them leaves more open.
    assert pooled.mean() <= HIGH


def test_dominant_is_right_when_said(studies):
    for (set_name, mix, noise), study in studies.items():
        said = study.share("dominant") * PRINTERS
        if said >= 100:
            assert study.right_of("dominant") >= 0.97, (set_name, mix, noise)
    full = [s for key, s in studies.items() if key[0] == "full"]
    said = np.concatenate([s.found.judged.status == 0 for s in full])
    right = np.concatenate([s.right for s in full])
    assert right[said].mean() >= 0.99


def test_clear_leads_are_called(studies):
    """Twice the share of the next, and at least 0.1 mm over all reference sizes together.

    The limits are what is reached, rounded down. Before only what is loud was accused it was 0.90 of all: 0.1 mm over
    all sizes together is 0.02 to 0.05 mm on each, which the caliper does not see and uneven layers do as well.
    """
    print("\nclear leads of 0.1 mm or more, full set: share of printers, called dominant")
    reached = {"priors": 0.90, "over-compensated": 0.98, "heavy-skew": 0.75, "one-term": 0.68}
    for (set_name, mix, noise), study in studies.items():
        if set_name == "full" and noise == "rounded":
            clear = study.clear_leads(0.1)
            called = np.mean(study.found.judged.status[clear] == 0) if clear.any() else np.nan
            print(f"  {mix:<18}{clear.mean():6.3f}{called:8.3f}", flush=True)
            assert mix not in reached or called >= reached[mix], mix


def test_large_culprits_of_ideal_printers_are_found(studies):
    """0.15 to 0.4 mm on a part of 20 mm, the caliper alone: the acceptance's 0.80."""
    study = studies["full", "one-culprit", "rounded"]
    accused = study.share("dominant") + study.share("leading")
    assert accused >= 0.80 and study.right_of("dominant") >= 0.99


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
    # What uneven layers may do leaves most of them open: acquitted are those whose readings say that more likely than
    # not no size misses visibly. 0.24 is reached; it was 0.9 while the model was held to be exact.
    assert studies["full", "sound", "rounded"].share("within-noise") >= 0.2


def test_false_alarms(studies):
    for key, study in studies.items():
        # Binomial: 0.03 and 3.5 standard errors.
        assert study.false_alarms <= 0.03 + 3.5 * (0.03 * 0.97 / PRINTERS) ** 0.5, key


# What other readings of the quick plate check: all but its two diagonals, which only each other and corners tell of.
CHECKED = ("outside", "inside", "thickness")


@pytest.mark.parametrize(("set_name", "kinds"), [("full", ()), ("quick", CHECKED)])
@pytest.mark.parametrize("mix", ["priors", "one-term"])
def test_gross_slips(set_name, kinds, mix):
    alarms, found = run_slips(set_name, mix, 1000, kinds=kinds)
    print(f"\n{SLIP_HEADER}   (false alarms without a slip {alarms:.3f})")
    for study in found:
        print(slip_line(set_name, mix, study), flush=True)
    assert alarms <= 0.03
    single = found[: len(KINDS) - 2]
    assert np.mean([s.named for s in single]) >= 0.95
    # Of fourteen readings one less leaves more open: a verdict just sure is so no more, and no other error is accused
    # for it. It was 0.96 while the model was held to be exact and drives to be stiff; 0.866 and 0.915 are reached.
    held = {("quick", "priors"): 0.86, ("quick", "one-term"): 0.91}
    assert np.mean([s.same for s in single]) >= held.get((set_name, mix), 0.95)
    two = found[len(KINDS) - 2 :]
    # Two slips in fourteen readings may hide each other: 0.857 and 0.860 are reached.
    assert min(s.named for s in two) >= (0.85 if set_name == "quick" else 0.92)
    assert max(s.against for s in found) <= 0.03


@pytest.mark.parametrize(("mix", "accused"), [("priors", 0.05), ("one-term", 0.24)])
def test_slips_in_what_nothing_checks(mix, accused):
    """Half a millimetre more on one diagonal of the quick plate is what a frame out of square would read.

    It is not found: then the verdict says that it rests on this reading and asks for it again, which
    tests/test_unchecked_steps.py holds.
    """
    _, found = run_slips("quick", mix, 1000, kinds=("diagonal",))
    print(f"\n{SLIP_HEADER}")
    for study in found:
        print(slip_line("quick", mix, study), flush=True)
    gross = [s for s in found if s.kind in ("10 mm", "inch", "decimal point")]
    assert min(s.named for s in gross) >= 0.99
    assert max(s.against for s in gross) <= 0.005
    assert max(s.against for s in found) <= accused


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
