"""The record of sliced files tried, by kind, and the guide's page made from it.

    python -m tests.sliced_files_tried [SEEDS [KIND ...]]

reads the first SEEDS files (4) of the kinds named (all), writes what came of them into the record, and remakes the
page. `--page` remakes the page alone.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

from fitassay.coupons.files import write_atomic
from tests.trace_corpus import BEAD, FLOW, KINDS, OFFSET_MM, SEAM_MM, Kind, Outcome, check

HERE = Path(__file__).parent
PAGE = HERE.parent / "gallery" / "guide" / "sliced-files-tried.md"
RECORD = HERE / "data" / "sliced-files-tried.json"

# Figures of a file: name, bound, unit, decimals shown, bounds of these in the corpus.
FIGURES = (
    ("outsides", "place of the path around outsides", OFFSET_MM, "mm", 4),
    ("openings", "place of the path around openings", OFFSET_MM, "mm", 4),
    ("bores", "place of the path around round holes", OFFSET_MM, "mm", 4),
    ("bead", "width of the bead", 100 * BEAD, "%", 2),
    ("flow", "flow", 100 * FLOW, "%", 2),
    ("seams", "place of a seam", SEAM_MM, "mm", 3),
)

INTRODUCTION = """# Sliced files tried

{total} sliced files of {kinds} kinds were written by a path writer that shares no code with the program, and read
by [`fitassay trace`](sliced-file.md). In {right} nothing is strange, and they were read right; {warned} were read
right and what is strange in them was told truly; {refused} were refused with the true reason; {wrong} were
read wrongly. Read right means that every figure of the file lies within its bound:

| figure | bound | largest error in any file | in a file of the kind |
|---|---|---|---|
"""

MANNERS = """
Beside what its kind sets, each file is written in a manner drawn at random that must not matter: millimetres or
inches, absolute or relative, arcs or segments, numbered lines or not, capitals or not, blanks or not, a moved
origin, a retraction or none, skirt, brim, one piece after another, two to four walls, either direction, either
order, seams at corners or anywhere. Where nothing in a file can tell width from flow, the bead is left out of
the comparison.

What such a table cannot show: files unlike all of these. Look at the picture that `trace` draws before you print.

| kind | what is set | files | read right | told truly | refused truly | wrong |
|---|---|---|---|---|---|---|
"""


def words_of(kind: Kind) -> str:
    """What a kind's style sets, in words."""
    said = [_WORDS[key](value) for key, value in kind.style.items() if key not in _UNSAID]
    return ", ".join(word for word in said if word) or "nothing out of the ordinary"


def _per_side(what: str) -> Any:
    return lambda mm: f"{what} {abs(mm):g} mm {'outside' if mm > 0 else 'inside'} per side"


def _percent(what: str) -> Any:
    return lambda share: f"{what} {100 * share:g} %"


# Manners of writing that a kind leaves out or chooses, and what its words come to.
_UNSAID = {
    "written_flow",
    "retract",
    "one_by_one",
    "relative_feed",
    "relative_moves",
    "numbered",
    "seam",
    "outer_first",
    "infill",
}

_PITCHES = {"width": "beads a width apart", "rounded": "beads with round ends closer than their width"}

_WORDS: dict[str, Any] = {
    "offset": _per_side("the path stands"),
    # Beside the outsides': more of it makes openings smaller.
    "hole_offset": lambda mm: f"openings {abs(mm):g} mm {'smaller' if mm > 0 else 'larger'} per side",
    "bore_offset": lambda mm: f"round holes {abs(mm):g} mm {'smaller' if mm > 0 else 'larger'} per side",
    "crumbs": lambda _: "moves of 0.001 mm without filament within loops",
    "decimals": lambda n: f"{n} decimals",
    "inches": lambda _: "millimetres",
    "coast": lambda mm: f"the last {mm:g} mm of a loop without filament",
    "outer_second": lambda _: "an inner wall, the outer one, then the others",
    "coast_moves": lambda _: "and not even walked",
    "split": lambda cut: "outer loops in two strokes" if cut else "",
    "scarf": lambda mm: f"scarf seam of {mm:g} mm",
    "scarf_rising": lambda rises: "rising" if rises else "at one height",
    "wipe": lambda mm: f"nozzle wiped over {mm:g} mm",
    "by_volume": lambda _: "E in cubic millimetres",
    "width": lambda mm: f"bead {mm:g} mm",
    "words": lambda words: " and ".join(words),
    "late_words": lambda words: " and ".join(words),
    "words_at_z": lambda mm: f"from a height of {mm:g} mm on",
    "flow": _percent("flow"),
    "pitch": lambda name: _PITCHES[name],
    "square_beads": lambda _: "cross-section counted as a rectangle",
    "inner_width": lambda mm: f"inner walls {mm:g} mm wide",
    "walls": lambda n: f"{n} wall{'s' if n > 1 else ''}",
    "filament": lambda mm: f"filament {mm:g} mm",
    "dense": lambda _: "filled bead by bead",
    "uneven": lambda share: f"loops fed up to {100 * share:g} % more or less",
    "z_scale": lambda scale: f"heights times {scale:g}",
    "z_offset": lambda mm: f"all {mm:g} mm higher",
    "layer": lambda mm: f"layers of {mm:g} mm",
    "raft": lambda n: f"{n} layers of raft",
    "tower": lambda mm: f"a tower of {mm:g} mm beside",
    "other_part": lambda _: "somebody's box beside",
    "look_alike": lambda _: "a box with a coupon's foot beside",
    "places": lambda _: "a coupon drawn over it",
    "joined": lambda _: "somebody's box that runs through a coupon, both as one outline",
    "zigzag": lambda _: "lines of filling joined end to end, without a travel from the wall",
    "seam_gap": lambda mm: f"walls that end {mm:g} mm short of their start",
    "twice": lambda keys: f"{' and '.join(keys)} twice",
    "purge_z": lambda mm: f"filament purged at a height of {mm:g} mm",
    "declared": lambda _: "no word on how E counts",
    "number_gap": lambda _: "line numbers with gaps",
    "cut_at_z": lambda mm: f"the file ends at a height of {mm:g} mm",
    "angle_deg": lambda angle: f"turned by {angle:g} degrees",
    "scale": lambda scale: f"enlarged {scale:g} times",
    "turn": lambda name: name if "mirrored" in name else f"turned by {name} degrees",
    "off": lambda by: ", ".join(f"{key} drawn {mm:g} mm larger per side" for key, mm in by),
    "first_inset": lambda mm: f"first layer {mm:g} mm inside per side",
    "first_width": lambda mm: f"first-layer bead {mm:g} mm",
    "spiral": lambda _: "the wall climbs without a seam",
    "single": lambda _: "the single wall in two beads",
    "lead": lambda mm: f"walls of openings led in through {mm:g} mm of air",
}


def record_of(name: str, seeds: int) -> dict[str, Any]:
    """What came of the first files of a kind: answers counted, reasons of wrong ones, largest errors."""
    answers: Counter[str] = Counter()
    wrong: dict[str, str] = {}
    worst: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(seeds):
            try:
                outcome = check(Path(folder), name, seed)
            except AssertionError as exc:
                wrong[str(seed)] = str(exc)[:400]
                outcome = Outcome("wrong")
            answers[outcome.answer] += 1
            for figure, share in outcome.off.items():
                worst[figure] = round(max(share, worst.get(figure, 0.0)), 4)
    return {"files": seeds, "answers": dict(answers), "wrong": wrong, "worst": worst}


def page_of(record: dict[str, dict[str, Any]]) -> str:
    """The guide's page, from the record of all kinds."""
    total: Counter[str] = Counter()
    for kind in record.values():
        total.update(kind["answers"])
    head = INTRODUCTION.format(
        total=sum(total.values()),
        kinds=len(record),
        right=total["right"],
        warned=total["said"],
        refused=total["refused"],
        wrong=total["wrong"] or "none",
    )
    rows = [
        f"| {name} | {words_of(KINDS[name])} | {kind['files']} | "
        + " | ".join(str(kind["answers"].get(answer, "")) for answer in ("right", "said", "refused", "wrong"))
        + " |\n"
        for name, kind in record.items()
    ]
    how = "\nMade from a recorded run by `python -m tests.sliced_files_tried`.\n"
    return head + "".join(_figure_rows(record)) + MANNERS + "".join(rows) + how


def _figure_rows(record: dict[str, dict[str, Any]]) -> list[str]:
    rows = []
    for figure, text, bound, unit, digits in FIGURES:
        share, name = max((kind["worst"].get(figure, 0.0), name) for name, kind in record.items())
        rows.append(f"| {text} | {bound:g} {unit} | {share * bound:.{digits}f} {unit} | {name} |\n")
    return rows


def main(arguments: list[str]) -> None:
    if arguments[:1] != ["--page"]:
        seeds = int(arguments[0]) if arguments else 4
        for name in arguments[1:] or KINDS:
            came = record_of(name, seeds)
            print(name, came["answers"], came["wrong"], flush=True)
            # Each kind is kept as soon as it is read: a run that is stopped can be taken up, two can share the kinds.
            record = {**_recorded(), name: came}
            ordered = {kind: record[kind] for kind in KINDS if kind in record}
            write_atomic(RECORD, json.dumps(ordered, indent=1) + "\n")
    write_atomic(PAGE, page_of({name: kind for name, kind in _recorded().items() if name in KINDS}))


def _recorded() -> dict[str, dict[str, Any]]:
    return json.loads(RECORD.read_text(encoding="utf-8")) if RECORD.exists() else {}


if __name__ == "__main__":
    main(sys.argv[1:])
