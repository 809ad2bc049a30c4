"""Printers that depart from the model: how far may each fault go before verdicts go wrong?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitassay.analysis.diagnosis.verdict import STATUSES
from fitassay.analysis.terms import PRINTER
from fitassay.analysis.validation.interpret_many import interpret_many
from fitassay.analysis.validation.path_faults import Roughness, rough_readings
from fitassay.analysis.validation.population import MIXES, draw_printers
from fitassay.analysis.validation.virtual_caliper import NOISES, read_sets
from tests.calibration.study import MACHINE, reference, set_walk

# Fault, its size in words, the printer.
FAULTS: tuple[tuple[str, str, Roughness], ...] = (
    ("none", "-", Roughness()),
    ("corners cut", "0.1 mm", Roughness(corner_mm=0.1)),
    ("corners cut", "0.2 mm", Roughness(corner_mm=0.2)),
    ("corners cut", "0.4 mm", Roughness(corner_mm=0.4)),
    ("play varies along the axis", "10 %", Roughness(ripple=0.1)),
    ("play varies along the axis", "30 %", Roughness(ripple=0.3)),
    ("play varies along the axis", "60 %", Roughness(ripple=0.6)),
    ("ringing", "0.02 mm", Roughness(ringing_mm=0.02)),
    ("ringing", "0.05 mm", Roughness(ringing_mm=0.05)),
    ("ringing", "0.10 mm", Roughness(ringing_mm=0.10)),
    ("layer jitter", "0.005 mm", Roughness(jitter_mm=0.005)),
    ("layer jitter", "0.01 mm", Roughness(jitter_mm=0.01)),
    ("layer jitter", "0.02 mm", Roughness(jitter_mm=0.02)),
    ("seam anywhere, blob", "0.1 mm", Roughness(blob_mm=0.1, seam="random")),
    ("seam anywhere, blob", "0.2 mm", Roughness(blob_mm=0.2, seam="random")),
    ("seam anywhere, blob", "0.4 mm", Roughness(blob_mm=0.4, seam="random")),
    ("seam in the worst place", "no blob", Roughness(seam="worst")),
    ("seam in the worst place, blob", "0.1 mm", Roughness(blob_mm=0.1, seam="worst")),
    ("flare in the measured band", "0.02 mm", Roughness(flare_mm=0.02)),
    ("flare in the measured band", "0.05 mm", Roughness(flare_mm=0.05)),
    ("flare in the measured band", "0.10 mm", Roughness(flare_mm=0.10)),
    (
        "all of them, mild",
        "",
        Roughness(
            corner_mm=0.05,
            ripple=0.1,
            ringing_mm=0.01,
            jitter_mm=0.003,
            blob_mm=0.05,
            flare_mm=0.01,
            seam="random",
        ),
    ),
)


@dataclass(frozen=True, kw_only=True)
class RoughStudy:
    """One fault on one mix of printers, measured on the full set.

    Attributes
    ----------
    fault, size, mix : str
    accused : float
        Share of sets in which an error is called dominant.
    wrong : float
        Share of those in which it is not the printer's largest; on sound printers all are wrong.
    false_share : float
        Share of all sets with a wrong dominant accusation.
    refused, acquitted : float
        Shares of sets.
    coverage : float
        Of 95 % intervals, mean over the printer's terms.
    set_aside : float
        Readings named as not fitting, per set.
    """

    fault: str
    size: str
    mix: str
    accused: float
    wrong: float
    false_share: float
    refused: float
    acquitted: float
    coverage: float
    set_aside: float


def run_rough(fault: str, size: str, rough: Roughness, mix: str, n: int, seed: int = 40) -> RoughStudy:
    """n rough printers of a mix; the same printers and reading noise for every fault."""
    w = set_walk("full")
    weights = reference("full").weights
    rng = np.random.default_rng([seed, sorted(MIXES).index(mix)])
    theta = draw_printers(MIXES[mix], n, MACHINE, weights, rng)
    exact = rough_readings(w, theta, rough, np.random.default_rng(seed + 1))
    sets = read_sets(exact, NOISES["rounded"], MACHINE, rng)
    found = interpret_many(w, sets.values, MACHINE, u=sets.u)
    effects = np.where(PRINTER, np.abs(theta) * np.sqrt(weights), 0.0)
    right = np.argmax(effects, axis=1) == found.judged.term
    if mix == "sound":
        right[:] = False
    share = {s: found.judged.status == i for i, s in enumerate(STATUSES)}
    said = share["dominant"]
    sd = found.settled.posterior.sd
    inside = np.abs(found.settled.posterior.mean - theta) <= 1.96 * sd
    return RoughStudy(
        fault=fault,
        size=size,
        mix=mix,
        accused=float(said.mean()),
        wrong=float(np.mean(~right[said])) if said.any() else 0.0,
        false_share=float(np.mean(said & ~right)),
        refused=float(np.mean(share["undetermined"] | share["unexplained"])),
        acquitted=float(share["within-noise"].mean()),
        coverage=float(inside[:, PRINTER].mean()),
        set_aside=float(found.settled.outliers.sum(axis=1).mean()),
    )


def rough_line(s: RoughStudy) -> str:
    """One row of the table."""
    return (
        f"{s.fault:<30}{s.size:<10}{s.mix:<10}{s.accused:7.3f}{s.wrong:7.3f}{s.false_share:8.3f}"
        f"{s.refused:9.3f}{s.acquitted:9.3f}{s.coverage:9.3f}{s.set_aside:9.2f}"
    )


ROUGH_HEADER = (
    f"{'fault':<30}{'size':<10}{'mix':<10}{'accused':>7}{'wrong':>7}{'of all':>8}{'refused':>9}{'sound':>9}"
    f"{'cover 95':>9}{'aside':>9}"
)
