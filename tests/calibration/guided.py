"""How few readings guided entry needs; ``python -m tests.calibration.guided`` remakes its page and figure."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from fitassay.analysis.diagnosis.sequential import Guide
from fitassay.analysis.terms import NAMES, PRINTER
from fitassay.analysis.validation import listed_effects
from fitassay.analysis.validation.population import MIXES, draw_printers
from fitassay.analysis.validation.rough_printer import RoughPrinters
from fitassay.analysis.validation.virtual_caliper import NOISES, read_sets
from fitassay.coupons.files import write_atomic
from tests.calibration.study import MACHINE, set_walk
from tests.replays import replay

GUIDE = Path(__file__).parents[2] / "gallery" / "guide"
PRINTERS = 300
# Machines that are printed again with all the roughness of a typical small printer.
ROUGH = ("priors", "sound", "one-culprit")
HEADER = f"{'mix':18} {'guided':>8} {'sheet':>8} {'share':>7} {'safe':>7} {'sheet safe':>11} {'right':>7}"


@dataclass(frozen=True, kw_only=True)
class Guided:
    """Guided entry and the sheet's order on n printers of a mix.

    Attributes
    ----------
    mix : str
    guided, sheet : ndarray (n,)
        Readings until the verdict was safe, those taken twice included; all of them where it never was.
    safe, sheet_safe : ndarray (n,) of bool
        Whether it was in the end.
    right : ndarray (n,) of bool
        Whether the error that guided entry accuses is truly the largest; meaningless where it accuses none.
    accused : ndarray (n,) of bool
    """

    mix: str
    guided: np.ndarray
    sheet: np.ndarray
    safe: np.ndarray
    sheet_safe: np.ndarray
    right: np.ndarray
    accused: np.ndarray

    @property
    def share(self) -> float:
        """Median over the printers of guided over the sheet's readings."""
        return float(np.median(self.guided / self.sheet))


@cache
def run_guided(
    set_name: str, mix: str, printers: int = PRINTERS, seed: int = 1, roughness: str = ""
) -> Guided:
    """Readings needed in both orders, on printers of a mix read with a rounding caliper, or on rough ones."""
    walk = set_walk(set_name)
    guide = Guide(walk, MACHINE)
    rng = np.random.default_rng(seed)
    theta = draw_printers(MIXES[mix], printers, MACHINE, guide.reference.weights, rng)
    if roughness:
        made = listed_effects.RECIPES[roughness]
        rough = RoughPrinters(walk, theta, made, rng)
        values = read_sets(rough.printed(rng), NOISES[made.noise], MACHINE, rng, rough.contacts).values
        theta = rough.truth
    else:
        values = read_sets(walk.readings(theta), NOISES["rounded"], MACHINE, rng).values
    order = list(range(len(walk.keys)))
    first = [replay(guide, v) for v in values]
    fixed = [replay(guide, v, order) for v in values]
    largest = np.argmax(np.where(PRINTER, np.abs(theta) * np.sqrt(guide.reference.weights), 0.0), axis=1)
    return Guided(
        mix=f"{mix}, {roughness}" if roughness else mix,
        guided=np.array([len(r.columns) + len(r.repeats) for r in first]),
        sheet=np.array([len(r.columns) + len(r.repeats) for r in fixed]),
        safe=np.array([r.reached for r in first]),
        sheet_safe=np.array([r.reached for r in fixed]),
        right=np.array([r.step.term == NAMES[t] for r, t in zip(first, largest, strict=True)]),
        accused=np.array([r.reached and r.step.status == "dominant" for r in first]),
    )


def line(g: Guided) -> str:
    right = f"{np.mean(g.right[g.accused]):7.1%}" if g.accused.sum() >= 20 else f"{'-':>7}"
    return (
        f"{g.mix:18} {np.median(g.guided):8.0f} {np.median(g.sheet):8.0f} {g.share:7.0%} {np.mean(g.safe):7.1%} "
        f"{np.mean(g.sheet_safe):11.1%} {right}"
    )


def figure(g: Guided) -> str:
    """Readings needed, guided and by the sheet, as SVG; the same bytes on every run."""
    import matplotlib
    from matplotlib.figure import Figure

    from tests.calibration.__main__ import INK, MARK, PALE, STYLE

    with matplotlib.rc_context({**STYLE, "svg.hashsalt": "fitassay-guided"}):
        fig = Figure(figsize=(7.2, 3.0), layout="constrained")
        ax = fig.subplots()
        most = int(max(g.guided.max(), g.sheet.max()))
        for counts, safe, colour, label in (
            (g.guided, g.safe, MARK, "most telling first"),
            (g.sheet, g.sheet_safe, INK, "in the sheet's order"),
        ):
            n = np.arange(most + 1)
            ax.step(n, [np.mean(safe & (counts <= k)) for k in n], where="post", color=colour, label=label)
        ax.axhline(0.5, color=PALE, lw=0.8, ls=(0, (4, 3)))
        ax.set(xlim=(0, most), ylim=(0, 1), xlabel="readings taken", ylabel="printers with a safe verdict")
        ax.set_yticks([0, 0.5, 1], ["0", "50 %", "100 %"])
        ax.spines[["top", "right"]].set_visible(False)
        ax.legend(frameon=False, loc="center right", bbox_to_anchor=(1.0, 0.68))
        raw = io.StringIO()
        fig.savefig(raw, format="svg", metadata={"Date": None}, facecolor="white")
    return raw.getvalue()


PAGE = """# Guided entry: how few readings do

`fitassay enter CASE --guided` asks for the most telling reading first: the one that can be expected to remove most
of the doubt about which error is the largest ([how](how-the-verdict-is-reached.md)). When the verdict has been safe
twice in a row it asks once more for each reading that nothing else checks, so that a slip of half a millimetre cannot
carry the verdict, looks at all of them together, and says that it is safe to stop.

`fitassay next CASE --stop-when 0.95` says of readings taken already how few of them would have done.

Tried on {printers} virtual printers a row, {readings} features of the full set, read with a caliper of 0.02 mm
scatter and 0.01 mm steps. *Readings* are medians until the verdict is safe, second readings included, and all of
them where it never is; *share* is the median over the printers of one over the other. *Safe* says how often it is
safe in the end: where it is not, all readings together leave the question open, in whatever order. *Right* are
accusations of the error that truly is the largest. *Rough* printers do more than the errors listed: all effects of
a typical small printer at once ([their list](calibration.md)). In the sheet's order the last coupons are needed for
most printers: an error of which nothing has been read yet may always be the largest.

| printers | readings, guided | in the sheet's order | share | safe, guided | safe, sheet | right |
| --- | ---: | ---: | ---: | ---: | ---: | ---: |
{rows}

![Share of printers with a safe verdict against readings taken](guided-entry.svg)

This page and its figure are made by `python -m tests.calibration.guided`; `python -m pytest -m calibration` holds the
figures to their limits.
"""


def row(text: str, g: Guided) -> str:
    right = f"{100 * np.mean(g.right[g.accused]):.0f} %" if g.accused.sum() >= 20 else "-"
    return (
        f"| {text} | {np.median(g.guided):.0f} | {np.median(g.sheet):.0f} | {100 * g.share:.0f} % "
        f"| {100 * np.mean(g.safe):.0f} % | {100 * np.mean(g.sheet_safe):.0f} % | {right} |"
    )


def main() -> None:
    rows = [row(MIXES[name].text, run_guided("full", name)) for name in MIXES]
    rows += [row(f"rough: {MIXES[name].text}", run_guided("full", name, roughness="mix")) for name in ROUGH]
    page = PAGE.format(printers=PRINTERS, readings=len(set_walk("full").keys), rows="\n".join(rows))
    write_atomic(GUIDE / "guided-entry.svg", figure(run_guided("full", "priors")))
    write_atomic(GUIDE / "guided-entry.md", page)


if __name__ == "__main__":
    main()
