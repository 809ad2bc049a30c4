"""Rough printers read, interpreted, advised and printed again: one cell a kind of roughness, machine and evidence.

True sizes of a printed part are means over printings of what flat jaws, or a mating part, rest on
(`RoughPrinters.sizes_on_average`), no caliper error in them. An error is truly the largest when its true amount, what
the roughness adds to it included, moves the reference features most.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.advice import advise
from fitassay.analysis.diagnosis.verdict import STATUSES, visible_limits, visible_sd
from fitassay.analysis.estimation.model_error import piece_sd
from fitassay.analysis.estimation.observations import hold_sd, single_reading_sd
from fitassay.analysis.result import Advice
from fitassay.analysis.terms import BEAD, INDEX, PRINTER, SHAPING, TERMS, told_on
from fitassay.analysis.validation import listed_effects, unlisted_effects
from fitassay.analysis.validation.effect import Recipe
from fitassay.analysis.validation.interpret_many import Interpreted, interpret_many
from fitassay.analysis.validation.population import MIXES, draw_printers
from fitassay.analysis.validation.rough_printer import RoughPrinters, ordinary_columns
from fitassay.analysis.validation.virtual_caliper import NOISES, read_sets
from tests.calibration.study import MACHINE, reference, set_walk

LISTED: dict[str, Recipe] = listed_effects.RECIPES
OUTSIDE: dict[str, Recipe] = unlisted_effects.RECIPES
MACHINES = ("priors", "mild", "sound", "one-culprit")
# The caliper's usual readings alone, with rims and single layers, with the single wall weighed on a 0.01 g scale.
EVIDENCE = ("caliper", "rim", "weighed")
# What weighing leaves open of the bead [mm]: 0.01 g on a wall of a gram, 0.1 mm in a metre of filament, rounded ends.
WEIGHED_U_MM = 0.012
PRINTERS = 400
# A bin of stated chances of 400 printers a mix holds about 100 sets and scatters by 0.03 to 0.04, as much as the bars
# allow: true chances would miss one bin in six. Of so many it holds some 500 and scatters by 0.015.
CHANCE_PRINTERS = 2000
K95 = 1.95996
# A printer is bad when its ordinary sizes miss by this much [mm, rms]; made worse by more than the other is harm.
BAD_MM, WORSE_MM = 0.1, 0.03
# Effects that differ by less than this share of the larger one are equally large.
TIE = 0.02
EDGES = (0.0, 0.4, 0.6, 0.8, 0.9, 0.97, 1.0)


@dataclass(frozen=True, kw_only=True)
class Cell:
    """n printers of one roughness and one mix of machines.

    Attributes
    ----------
    recipe, machines, evidence : str
    truth : ndarray (n, terms)
    found : Interpreted
    size_error, size_sd : ndarray (n, ordinary sizes) [mm]
        Predicted less true size, and the standard uncertainty stated for it.
    before, after : ndarray (n,) [mm]
        Misfit of the ordinary sizes, root mean square, as printed and with the advice taken.
    advised : ndarray (n, terms) of bool
        Settings that the advice changes, by term.
    judged_by : str
        The set whose features the errors are weighed over.
    """

    recipe: str
    machines: str
    evidence: str
    truth: np.ndarray
    found: Interpreted
    size_error: np.ndarray
    size_sd: np.ndarray
    before: np.ndarray
    after: np.ndarray
    advised: np.ndarray
    judged_by: str = "full"

    @property
    def effects(self) -> np.ndarray:
        """True contributions over the reference features (n, terms) [mm]."""
        return effects_of(self.truth, self.judged_by)

    @property
    def accused(self) -> np.ndarray:
        """Sets in which an error is accused (n,) of bool."""
        return np.isin(self.found.judged.status, [STATUSES.index(s) for s in ("dominant", "leading")])

    @property
    def right(self) -> np.ndarray:
        """Whether the term thought the largest truly is, or as large as it, and moves some size visibly (n,) of bool.

        Rough motors give both axes the same friction: of two equal errors either is the largest.
        """
        ref = reference(self.judged_by)
        term = self.found.judged.term
        limits = visible_limits(ref, MACHINE, single_reading_sd(MACHINE))
        rows = np.arange(len(term))
        seen = np.abs(ref.gains[:, term].T * self.truth[rows, term, None]) > limits
        largest = self.effects[rows, term] >= (1 - TIE) * self.effects.max(axis=1)
        return largest & seen.any(axis=1)

    @property
    def held(self) -> np.ndarray:
        """Whether the 95 % interval of each error that such a machine has holds the truth (n, terms) of bool."""
        known = self.found.settled.posterior
        return (np.abs(known.mean - self.truth) <= K95 * known.sd)[:, PRINTER & told_on(MACHINE.kinematics)]

    @property
    def sizes_held(self) -> np.ndarray:
        """The same of predicted ordinary sizes (n, ordinary sizes) of bool."""
        return np.abs(self.size_error) <= K95 * self.size_sd


@cache
def run_cell(
    recipe: str, machines: str, evidence: str = "caliper", n: int = PRINTERS, seed: int = 70
) -> Cell:
    """Draw, print, read, interpret, advise, and print again."""
    rng = np.random.default_rng([seed, sorted(MIXES).index(machines)])
    w, printers, found = read_and_interpreted(recipe, machines, evidence, n, rng)
    return cell_of(
        recipe, machines, evidence, printers, found, lambda columns: predicted_sizes(w, found, columns), rng
    )


def cell_of(
    recipe: str,
    machines: str,
    evidence: str,
    printers: RoughPrinters,
    found: Interpreted,
    predict: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]],
    rng: np.random.Generator,
    judged_by: str = "full",
) -> Cell:
    """What was found of printers, held against what they truly print before and after the advice.

    `predict` says the sizes of some features and their standard uncertainties, from what was found.
    """
    columns = ordinary_columns(printers.contacts) & ~np.array([f.optional for f in printers.walk.features])
    predicted, sd = predict(columns)
    nominal = printers.contacts.size[columns]
    true = printers.sizes_on_average(rng)[:, columns]
    removed, advised = removed_by_advice(found)
    mended = printers.sizes_on_average(rng, removed)[:, columns]
    return Cell(
        recipe=recipe,
        machines=machines,
        evidence=evidence,
        truth=printers.truth,
        found=found,
        size_error=predicted - true,
        size_sd=sd,
        before=misfit(true - nominal),
        after=misfit(mended - nominal),
        advised=advised,
        judged_by=judged_by,
    )


def read_and_interpreted(
    recipe: str, machines: str, evidence: str, n: int, rng: np.random.Generator
) -> tuple[SetWalk, RoughPrinters, Interpreted]:
    """Draw n printers, print, read with this evidence and interpret."""
    w = set_walk("rims" if evidence == "rim" else "full")
    made = {**LISTED, **OUTSIDE}[recipe]
    theta = draw_printers(MIXES[machines], n, MACHINE, reference("full").weights, rng)
    printers = RoughPrinters(w, theta, made, rng)
    sets = read_sets(printers.printed(rng), NOISES[made.noise], MACHINE, rng, printers.contacts)
    u = np.hypot(sets.u, [hold_sd(f) for f in w.features])
    facts = []
    if evidence == "weighed":
        weighed = printers.truth[:, BEAD] + WEIGHED_U_MM * rng.standard_normal(n)
        facts = [(np.eye(len(TERMS))[BEAD], weighed, WEIGHED_U_MM)]
    return w, printers, interpret_many(w, sets.values, MACHINE, u=u, facts=facts)


def misfit(off: np.ndarray) -> np.ndarray:
    """Root mean square over the sizes (n,) [mm]."""
    return np.sqrt(np.mean(off**2, axis=1))


def predicted_sizes(w: SetWalk, found: Interpreted, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sizes of printed features and their standard uncertainties, (n, columns) each [mm]."""
    gains = np.where(SHAPING, w.linearise()[1], 0.0)[columns]
    mean, sd = found.settled.posterior.linear(gains)
    sd = np.hypot(sd, piece_sd(MACHINE))
    return found.settled.base[:, columns] + mean, sd


def removed_by_advice(found: Interpreted) -> tuple[np.ndarray, np.ndarray]:
    """Amount of each term that the advised settings take away, and which they are, (n, terms) each."""
    ref = reference("full")
    visible = visible_sd(MACHINE, single_reading_sd(MACHINE))
    known = found.settled.posterior
    removed = np.zeros_like(known.mean)
    changed = np.zeros(removed.shape, dtype=bool)
    unexplained = STATUSES.index("unexplained")
    for i in np.flatnonzero(found.judged.status != unexplained):
        accused = STATUSES[found.judged.status[i]] in ("dominant", "leading")
        advised = advise(known.mean[i], known.cov[i], ref, MACHINE, visible, accused=accused)
        for change in advised.steps:
            j = INDEX[change.term]
            removed[i, j] = amount_removed(change)
            changed[i, j] = True
    return removed, changed


def amount_removed(change: Advice) -> float:
    """How much of its term a change of setting takes away, from what the settings mean on a machine."""
    old, new = change.from_value, change.to_value
    if change.term.startswith("scale_"):
        return old / new - 1
    if change.term.startswith("backlash_") or change.term == "bore_closure":
        return new - old
    if change.term == "bead_excess":
        # Cross-section with rounded ends, A = (w - h) h + pi h^2 / 4, in proportion to the flow.
        w, h = MACHINE.line_width_mm, MACHINE.layer_height_mm
        area = (w - h) * h + np.pi * h**2 / 4
        return (area * old / new - area) / h
    if change.term == "skew_xy":
        return float(np.deg2rad(old - new))
    return old - new


@dataclass(frozen=True, kw_only=True)
class Row:
    """Figures of one roughness over all machines; shares 0..1.

    Attributes
    ----------
    terms, worst_term : float
        Coverage of the terms' 95 % intervals, pooled and of the worst term.
    sizes : float
        Coverage of predicted ordinary sizes.
    sound_accused : float
        Sound printers accused of what is not truly their largest visible error.
    wrong_dominant : float
        Sets of all machines with a wrong dominant accusation.
    found : float
        Large culprits accused.
    overconfident, apart_high, apart_low : float
        Stated less observed frequency: the largest in bins from 0.8 up, the largest difference there and below.
    ratio : float
        Median of misfit after over before, bad machines.
    worse : float
        Machines made worse by more than `WORSE_MM`.
    flow : float
        Sound printers whose flow is changed.
    """

    recipe: str
    evidence: str
    terms: float
    worst_term: float
    sizes: float
    sound_accused: float
    wrong_dominant: float
    found: float
    overconfident: float
    apart_high: float
    apart_low: float
    ratio: float
    worse: float
    flow: float


def row_of(recipe: str, evidence: str = "caliper", n: int = PRINTERS) -> Row:
    return row_of_cells({m: run_cell(recipe, m, evidence, n) for m in MACHINES})


def row_of_cells(cells: dict[str, Cell]) -> Row:
    """Figures of the cells of one roughness and one evidence, by mix of machines."""
    each = list(cells.values())
    held = np.concatenate([c.held for c in each])
    sound, culprit = cells["sound"], cells["one-culprit"]
    before = np.concatenate([c.before for c in each])
    after = np.concatenate([c.after for c in each])
    bad = before >= BAD_MM
    bins = chances([c for c in each if c.machines != "sound"])
    high = [stated - seen for stated, seen, _ in bins if stated >= 0.8]
    low = [stated - seen for stated, seen, _ in bins if stated < 0.8]
    return Row(
        recipe=sound.recipe,
        evidence=sound.evidence,
        terms=float(held.mean()),
        worst_term=float(held.mean(axis=0).min()),
        sizes=float(np.mean([c.sizes_held for c in each])),
        sound_accused=float(np.mean(sound.accused & ~sound.right)),
        wrong_dominant=float(np.mean([np.mean((c.found.judged.status == 0) & ~c.right) for c in each])),
        found=float(np.mean(culprit.accused & culprit.right)),
        overconfident=max(high, default=0.0),
        apart_high=max(map(abs, high), default=0.0),
        apart_low=max(map(abs, low), default=0.0),
        ratio=float(np.median((after / before)[bad])),
        worse=float(np.mean(after > before + WORSE_MM)),
        flow=float(np.mean(sound.advised[:, INDEX["bead_excess"]])),
    )


def chances(cells: list[Cell]) -> list[tuple[float, float, int]]:
    """Mean stated chance of the error thought largest, how often it truly is, and number, by bin."""
    return binned([(c.found, c.effects) for c in cells])


def chances_of(
    recipe: str, evidence: str, n: int = CHANCE_PRINTERS, seed: int = 71
) -> list[tuple[float, float, int]]:
    """The same of so many printers of each mix with faults that the bins scatter by less than the bars."""
    pairs = []
    for machines in MACHINES:
        if machines != "sound":
            rng = np.random.default_rng([seed, sorted(MIXES).index(machines)])
            _, printers, found = read_and_interpreted(recipe, machines, evidence, n, rng)
            pairs.append((found, effects_of(printers.truth, "full")))
    return binned(pairs)


def effects_of(truth: np.ndarray, judged_by: str) -> np.ndarray:
    """Contributions of true errors over the reference features of a set (n, terms) [mm]."""
    return np.where(PRINTER, np.abs(truth) * np.sqrt(reference(judged_by).weights), 0.0)


def binned(pairs: list[tuple[Interpreted, np.ndarray]]) -> list[tuple[float, float, int]]:
    """Stated and observed by bin, of interpretations and the true contributions of their own set's features."""
    stated = np.concatenate([found.judged.chances.max(axis=1) for found, _ in pairs])
    right = np.concatenate([np.argmax(effects, axis=1) == found.judged.term for found, effects in pairs])
    rows = []
    for low, high in zip(EDGES[:-1], EDGES[1:], strict=True):
        inside = (stated > low) & (stated <= high)
        if inside.sum() >= 30:
            rows.append((float(stated[inside].mean()), float(right[inside].mean()), int(inside.sum())))
    return rows


HEADER = (
    f"{'roughness':<20}{'evidence':<9}{'terms':>6}{'worst':>6}{'sizes':>6}{'s.acc':>6}{'w.dom':>6}{'found':>6}"
    f"{'over':>6}{'high':>6}{'low':>6}{'ratio':>6}{'worse':>6}{'flow':>6}"
)


def line(r: Row) -> str:
    figures = (
        r.terms, r.worst_term, r.sizes, r.sound_accused, r.wrong_dominant, r.found, r.overconfident,
        r.apart_high, r.apart_low, r.ratio, r.worse, r.flow,
    )  # fmt: skip
    return f"{r.recipe:<20}{r.evidence:<9}" + "".join(f"{v:6.3f}" for v in figures)


def chance_line(recipe: str, evidence: str, rows: list[tuple[float, float, int]]) -> str:
    cells = " ".join(f"{stated:.2f}:{stated - seen:+.3f}({n})" for stated, seen, n in rows)
    return f"{recipe:<20}{evidence:<9}{cells}"


def main() -> None:
    """Print the table: ``python -m tests.calibration.acceptance [printers [roughness ...]]``.

    With ``chances`` for the number of printers: stated chances less observed ones, by bin.
    """
    import sys

    if sys.argv[1:2] == ["chances"]:
        for name in sys.argv[2:] or LISTED:
            for evidence in EVIDENCE:
                print(chance_line(name, evidence, chances_of(name, evidence)), flush=True)
        return
    n = int(sys.argv[1]) if len(sys.argv) > 1 else PRINTERS
    print(HEADER)
    for name in sys.argv[2:] or [*LISTED, *OUTSIDE]:
        for evidence in EVIDENCE:
            print(line(row_of(name, evidence, n)), flush=True)


if __name__ == "__main__":
    main()
