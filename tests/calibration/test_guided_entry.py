"""Guided entry against the sheet's order on virtual printers; prints the table.

    python -m pytest -m calibration -s

Everything is seeded.
"""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.validation.population import MIXES
from tests.calibration.guided import HEADER, line, run_guided

pytestmark = pytest.mark.calibration


def test_guided_entry_needs_at_most_sixty_per_cent_of_the_readings():
    """Median over the population as the table of priors has it; the other mixes are printed beside it."""
    print("\n" + HEADER)
    for mix in MIXES:
        print(line(run_guided("full", mix)), flush=True)
    for roughness in ("", "mix"):
        g = run_guided("full", "priors", roughness=roughness)
        print(line(g))
        assert g.share <= 0.6
        assert np.median(g.guided) <= 0.6 * np.median(g.sheet)
        # Nothing is lost: it is safe as often as with all readings in the sheet's order, one in a hundred apart.
        assert np.mean(g.safe) >= np.mean(g.sheet_safe) - 0.01


@pytest.mark.parametrize("mix", [m for m in MIXES if m != "sound"])
def test_what_guided_entry_accuses_is_the_largest(mix):
    """Each accusation is 95 % sure; of n accusations 5 % wrong plus three standard deviations (1 in 700)."""
    g = run_guided("full", mix)
    n = int(g.accused.sum())
    wrong = int(np.sum(~g.right[g.accused]))
    assert wrong <= 0.05 * n + 3 * np.sqrt(0.05 * 0.95 * max(n, 1))
