"""Sliced files as they really come: each read right, or refused or warned with the true reason.

What is tried is in tests/trace_corpus.py, the guide's page on it in tests/trace_corpus.py. Seeds are fixed.
"""

from __future__ import annotations

import pytest

from tests.trace_corpus import KINDS, check

EVERY_TIME = {"ends short 2.0": 3, "drawn in two": 3, "scarf rising": 3, "first layer inset": 3}
"""Kinds that the default suite reads, with a seed of few coupons; all are read behind it."""


@pytest.mark.parametrize("name", EVERY_TIME)
def test_a_kind(tmp_path, name):
    check(tmp_path, name, EVERY_TIME[name])


@pytest.mark.long
@pytest.mark.parametrize("name", KINDS)
def test_every_kind(tmp_path, name):
    check(tmp_path, name, 0)


# Seeds that were read wrongly: a tower for the boss's top step, a box for its foot, chance for own beads, and
# heights rounded to the file's last decimal for thinner layers.
@pytest.mark.long
@pytest.mark.parametrize(
    ("name", "seed"),
    [
        ("tower", 1),
        ("look-alike part", 1),
        ("look-alike part", 2),
        ("uneven beads", 1),
        ("thicker layers", 2),
    ],
)
def test_once_read_wrongly(tmp_path, name, seed):
    check(tmp_path, name, seed)


@pytest.mark.calibration
@pytest.mark.parametrize("name", KINDS)
def test_a_kind_four_times(tmp_path, name):
    for seed in range(4):
        check(tmp_path, name, seed)
