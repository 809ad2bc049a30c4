"""Remakes the calibration page of the guide and its figure: ``python -m tests.calibration``, some minutes."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np

from fitassay.analysis.terms import TERMS
from fitassay.analysis.validation.population import MIXES
from fitassay.coupons.files import write_atomic
from tests.calibration.acceptance import EVIDENCE, LISTED, OUTSIDE, row_of
from tests.calibration.rough import FAULTS, run_rough
from tests.calibration.slipped import run_slips
from tests.calibration.study import LEVELS, Study, reliability, run

GUIDE = Path(__file__).parents[2] / "gallery" / "guide"
PRINTERS = 2000
ROUGH_PRINTERS = 200
# Rough printers of one effect and one kind of machine, and the effects for which rims and a scale are tried as well.
SIDE_PRINTERS = 200
SPLIT = ("ideal", "jitter 0.02", "mix")
EVIDENCE_WORDS = {"rim": "rims", "weighed": "the wall weighed"}
INK, PALE, MARK = "#1c2733", "#8a97a5", "#b3471d"
STYLE: dict[str, Any] = {
    "svg.hashsalt": "fitassay-calibration",
    "svg.fonttype": "none",
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "axes.edgecolor": PALE,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
}

PAGE = """# How far the verdict can be trusted

Virtual printers with known errors are printed, read with a noisy caliper and diagnosed; then the verdict is
compared with the truth. This page and its figure are made by `python -m tests.calibration`; `python -m
pytest -m calibration` holds the figures to their limits. {printers} printers a row, seeded, {readings}
readings of 0.02 mm scatter on a 0.01 mm caliper.

![Stated probability against observed frequency, and coverage of the intervals](calibration.svg)

*Left:* of all verdicts that give an error a certain probability to be the largest, how many were right. On
the line: the probability means what it says. *Right:* how many of the 50, 90 and 95 % intervals of each
error hold the truth, a dot for each mix of printers.

## Verdicts

{verdicts}

*Right* is counted among the sets in which it was said. *Refused* is "not settled yet" and "readings do not
fit together". The block alone is a 20 mm block with a 10 mm hole: four readings. *Twice the next* are
printers whose largest error has at least twice the share of the next one and moves the ordinary sizes by
0.1 mm or more in all; the column says how often it was called dominant.

## Ideal and rough, side by side

Real printers do more than the errors listed. Each row is one effect of a rough printer, coded apart from the budget
that the diagnosis reckons with, of random size; {side_printers} printers of each of four kinds: all errors, mild
ones, none, and one large culprit (0.15 to 0.4 mm on a 20 mm part). *Off the list* is what the budget was not set for.

{side}

*Errors* and *sizes*: how many 95 % intervals of errors, and of foretold sizes of 5 to 20 mm, hold. *Accused*: sound
printers blamed for something. *Wrong*: of all, those with a wrong error called dominant. *Found*: large culprits
named. *Left*: median misfit of bad printers after the advice, as a share of what it was. *Flow*: sound printers whose
flow is changed. A second row of an effect has more evidence: rims and single layers, or the single wall weighed.

## What is thought possible before measuring

Every error starts with a normal prior about nil. Another standard deviation can be given in machine.toml under
`[priors]`, by the error's name there. Where half or twice as wide priors would change a verdict, the diagnosis
says so; and no error is accused unless it stays the likeliest when all others are taken for twice as common.

{priors}

## Slips

One reading, drawn at random, is spoilt; a slip counts as named when that reading is listed as suspect.

{slips}

False alarms in sets without a slip: {alarms}. What goes unnoticed are slips of up to 1 mm on the few
features that no other reading checks, the two diagonals and the foot; the diagnosis names them and asks to
read them twice.

## Faults that the model does not know

The second virtual printer cuts corners, rings, jitters from layer to layer, hides its seam badly, has play
that varies along the axis, or flares into the measured band. {rough_printers} printers a row, drawn as
common as the table of priors has them; then the same faults on a printer that is otherwise sound.

{rough}

Jitter under wide jaws makes every outside larger and every inside smaller, as a wide bead does, and flare in the
measured band stands where a path offset would: the budget and the two surface effects reckon with that, which is
why a wide bead or a path offset must be larger than before to be named by the caliper alone.
"""


def table(head: list[str], rows: list[list[str]]) -> str:
    """A markdown table, the first column left-aligned."""
    lines = [head, ["---"] + ["---:"] * (len(head) - 1), *rows]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


def prior_rows() -> str:
    """The table of priors with the reason for each."""
    face = {"1": (100.0, "%"), "rad": (180 / np.pi, "degrees"), "mm": (1.0, "mm")}
    rows = []
    for t in TERMS:
        factor, unit = face[t.unit]
        width = "from the caliper" if t.prior_limit else f"{t.prior_sd * factor:.3g} {unit}"
        rows.append([t.label, f"`{t.name}`", width, t.prior_reason])
    lines = [["error", "name", "standard deviation", "why"], ["---"] * 4, *rows]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


def percent(share: float) -> str:
    return "-" if np.isnan(share) else f"{100 * share:.1f} %"


def side_rows() -> str:
    """Every effect with the caliper alone, some with more evidence."""
    rows = []
    for name, recipe in {**LISTED, **OUTSIDE}.items():
        for evidence in EVIDENCE if name in SPLIT else EVIDENCE[:1]:
            row = row_of(name, evidence, SIDE_PRINTERS)
            outside = "off the list: " if name in OUTSIDE else ""
            with_more = "" if evidence == "caliper" else f", with {EVIDENCE_WORDS[evidence]}"
            shares = (row.terms, row.sizes, row.sound_accused, row.wrong_dominant, row.found)
            rows.append(
                [
                    f"{outside}{recipe.text}{with_more}",
                    *map(percent, shares),
                    f"{row.ratio:.2f}",
                    percent(row.flow),
                ]
            )
    return table(["printers", "errors", "sizes", "accused", "wrong", "found", "left", "flow"], rows)


def said(study: Study, status: str) -> list[str]:
    share = study.share(status)
    return [percent(share), percent(study.right_of(status)) if share * PRINTERS >= 20 else "-"]


def verdict_rows(studies: list[Study]) -> str:
    rows = []
    for s in studies:
        coverage = s.coverage(LEVELS[-1][1])[s.informed]
        clear = s.clear_leads(0.1)
        called = np.mean(s.found.judged.status[clear] == 0) if clear.sum() >= 20 else np.nan
        rows.append(
            [
                f"{s.set_name}: {MIXES[s.mix].text}",
                f"{100 * coverage.min():.1f} to {100 * coverage.max():.1f} %" if len(coverage) else "-",
                *said(s, "dominant"),
                *said(s, "leading"),
                *said(s, "within-noise"),
                percent(s.share("undetermined") + s.share("unexplained")),
                percent(called),
            ]
        )
    head = [
        "readings: printers",
        "95 % intervals that hold",
        "dominant",
        "right",
        "leading",
        "right",
        "nothing to mend",
    ]
    return table([*head, "right", "refused", "twice the next: dominant"], rows)


def slip_rows() -> tuple[str, str]:
    rows, alarms = [], []
    for set_name in ("full", "quick"):
        alarm, found = run_slips(set_name, "priors", 1000)
        alarms.append(f"{set_name} set {percent(alarm)}")
        rows += [
            [f"{set_name}: {s.kind}", percent(s.named), percent(s.same), percent(s.against)] for s in found
        ]
    head = ["readings: slip", "named", "verdict as without it", "another error accused"]
    return table(head, rows), ", ".join(alarms)


def rough_rows() -> str:
    rows = []
    for fault, size, rough in FAULTS:
        common = run_rough(fault, size, rough, "priors", ROUGH_PRINTERS)
        sound = run_rough(fault, size, rough, "sound", ROUGH_PRINTERS)
        rows.append(
            [
                f"{fault} {size}".strip(),
                percent(common.accused),
                percent(common.wrong),
                percent(common.refused),
                percent(common.coverage),
                f"{common.set_aside:.1f}",
                percent(sound.accused),
                percent(sound.refused),
            ]
        )
    head = [
        "fault",
        "dominant",
        "of these wrong",
        "refused",
        "95 % intervals that hold",
        "readings set aside",
    ]
    return table([*head, "sound printer: accused", "refused"], rows)


def figure(studies: list[Study]) -> str:
    """The figure as SVG, the same bytes on every run."""
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context(STYLE):
        fig = Figure(figsize=(9.2, 4.0), layout="constrained")
        left, right = fig.subplots(1, 2, width_ratios=(1, 1.35))
        # A printer without fault has no largest error.
        rows = reliability(
            [s for s in studies if s.mix != "sound"],
            np.array([0.15, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97, 1.0]),
        )
        x, y, n = (np.array(c) for c in zip(*rows, strict=True))
        left.plot([0, 1], [0, 1], color=PALE, lw=1)
        left.errorbar(x, y, yerr=2 * np.sqrt(y * (1 - y) / n), fmt="o", ms=4.5, color=MARK, elinewidth=1.2)
        left.set(xlim=(0.2, 1.02), ylim=(0.2, 1.02), xlabel="probability stated", ylabel="right")
        left.set_aspect("equal")
        left.set_title("The error thought largest", loc="left", fontsize=10)
        full = [s for s in studies if s.set_name == "full"]
        terms = np.flatnonzero(full[0].informed)
        for (level, k), shade in zip(LEVELS, (PALE, INK, MARK), strict=True):
            right.axhline(level, color=shade, lw=0.8, ls=(0, (4, 3)))
            for j, s in enumerate(full):
                at = np.arange(len(terms)) + (j - len(full) / 2 + 0.5) * 0.08
                right.plot(at, s.coverage(k)[terms], "o", ms=2.6, color=shade)
        right.set_xticks(
            range(len(terms)), [TERMS[i].label for i in terms], rotation=38, ha="right", fontsize=8
        )
        right.set_yticks([0.5, 0.9, 0.95], ["50 %", "90 %", "95 %"])
        right.set(ylim=(0.4, 1.0), xlim=(-0.6, len(terms) - 0.4))
        right.set_title("Intervals that hold the truth", loc="left", fontsize=10)
        for ax in (left, right):
            ax.spines[["top", "right"]].set_visible(False)
        raw = io.StringIO()
        fig.savefig(raw, format="svg", metadata={"Date": None}, facecolor="white")
    return raw.getvalue()


def main() -> None:
    studies = [
        run(set_name, mix, "rounded", PRINTERS) for set_name in ("full", "quick", "block") for mix in MIXES
    ]
    write_atomic(GUIDE / "calibration.svg", figure([s for s in studies if s.set_name != "block"]))
    slips, alarms = slip_rows()
    page = PAGE.format(
        printers=f"{PRINTERS:,}",
        readings=studies[0].sets.values.shape[1],
        verdicts=verdict_rows(studies),
        priors=prior_rows(),
        slips=slips,
        alarms=alarms,
        side_printers=SIDE_PRINTERS,
        side=side_rows(),
        rough_printers=ROUGH_PRINTERS,
        rough=rough_rows(),
    )
    write_atomic(GUIDE / "calibration.md", page)


if __name__ == "__main__":
    main()
