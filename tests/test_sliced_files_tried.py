"""The guide's page on sliced files tried says what the recorded run of the corpus says, of the kinds there are."""

from __future__ import annotations

import json
import re

import pytest

from tests.sliced_files_tried import FIGURES, PAGE, RECORD, record_of
from tests.trace_corpus import KINDS

RUN = json.loads(RECORD.read_text(encoding="utf-8"))
TEXT = PAGE.read_text(encoding="utf-8")
ANSWERS = ("right", "said", "refused", "wrong")


def rows() -> dict[str, list[str]]:
    """The page's table of kinds, cells by kind; taken apart here, not by what wrote it."""
    table = TEXT.split("| kind | what is set |")[1].splitlines()[2:]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in table if line.startswith("|")]
    return {row[0]: row[1:] for row in cells}


def test_the_kinds_are_those_of_the_corpus() -> None:
    assert list(RUN) == list(KINDS), "run python -m tests.sliced_files_tried"
    assert list(rows()) == list(KINDS)
    assert sum(kind["files"] for kind in RUN.values()) >= 300


def test_the_counts_are_those_of_the_recorded_run() -> None:
    for name, (_, files, *counts) in rows().items():
        assert int(files) == RUN[name]["files"] == sum(RUN[name]["answers"].values())
        assert [int(n or 0) for n in counts] == [RUN[name]["answers"].get(a, 0) for a in ANSWERS], name
    total, kinds, right, said, refused, wrong = re.search(
        r"^(\d+) sliced files of (\d+) kinds .*? In (\d+) nothing .*? strange, .*?; (\d+) were read\n?.*?"
        r"; (\d+) were refused .*?; (\w+) were",
        TEXT,
        re.S | re.M,
    ).groups()
    assert (int(total), int(kinds)) == (sum(k["files"] for k in RUN.values()), len(KINDS))
    summed = [sum(kind["answers"].get(a, 0) for kind in RUN.values()) for a in ANSWERS]
    assert [int(right), int(said), int(refused), 0 if wrong == "none" else int(wrong)] == summed


def test_the_largest_errors_are_those_of_the_recorded_run() -> None:
    for figure, text, bound, _, digits in FIGURES:
        worst = max(kind["worst"].get(figure, 0.0) for kind in RUN.values()) * bound
        line = next(line for line in TEXT.splitlines() if line.startswith(f"| {text} |"))
        assert float(line.split("|")[3].split()[0]) == pytest.approx(worst, abs=0.5 * 10**-digits + 1e-9)
        assert line.split("|")[4].strip() in KINDS


@pytest.mark.long
@pytest.mark.parametrize("name", ["z offset", "rotation word", "one wall"])
def test_a_kind_read_once_more_comes_out_as_recorded(name) -> None:
    again = record_of(name, RUN[name]["files"])
    assert again["answers"] == RUN[name]["answers"] and again["wrong"] == RUN[name]["wrong"]
    assert again["worst"] == pytest.approx(RUN[name]["worst"], abs=0.05)
