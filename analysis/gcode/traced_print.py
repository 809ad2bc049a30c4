"""A print whose sliced file is at hand: diagnosed, or printed virtually, along its real path."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.estimation.known import Known, fact_of_term, path_place
from fitassay.analysis.estimation.weighed import Commanded
from fitassay.analysis.gcode.changes import volume_obeyed
from fitassay.analysis.gcode.trace_data import OFFSET_U_MM, Trace
from fitassay.analysis.notes import Note
from fitassay.analysis.readings.file import Reading
from fitassay.analysis.result import Diagnosis
from fitassay.analysis.terms import NAMES, PATH
from fitassay.coupons.cost import bead_area
from fitassay.coupons.export.stl import read_coupon
from fitassay.coupons.feature import Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.sections import Slicer

REST_MM = 0.02
"""How far a machine may put the path beside where its file has it, beyond what the other errors say (standard
deviation): corners cut by acceleration, ringing. Common practice, no source."""

BLOB_MM = 0.05
"""A seam under a jaw stands out by some hundredths of a millimetre, no one knows how much (common practice, no
source)."""


def traced_walk(trace: Trace, manifest: Manifest, folder: Path) -> SetWalk:
    """The readings of all coupons: along the file's path where it has them, along the ideal one elsewhere."""
    slicers = {
        c.id: trace.slicers[c.id] if c.id in trace.found else Slicer(read_coupon(c, folder), c.file)
        for c in manifest.coupons
    }
    coupons = tuple(trace.found[c.id].coupon if c.id in trace.found else c for c in manifest.coupons)
    turned = replace(manifest, coupons=coupons, line_width_mm=trace.walk.manifest.line_width_mm)
    return SetWalk(turned, slicers, trace.loops)


def known_from(trace: Trace, measured: set[tuple[str, str]] | None = None) -> Known:
    """What the file tells the estimate.

    Parameters
    ----------
    measured : set of (coupon, feature), optional
        Features read; only these are spoken of.
    """
    stray = (trace.place.u, trace.place.spread) if trace.place is not None else ()
    doubt = 0.0 if trace.bead is None else trace.bead.doubt
    u = float(np.linalg.norm((REST_MM, OFFSET_U_MM, doubt, *stray)))
    spoilt = {
        (f.coupon, f.feature.id): BLOB_MM
        for f in trace.features
        if f.seam and (measured is None or (f.coupon, f.feature.id) in measured)
    }
    changed = [
        f for f in trace.features if f.changed and (measured is None or (f.coupon, f.feature.id) in measured)
    ]
    notes = [Note("file-path", {"file": trace.file})]
    if changed:
        notes.append(Note("file-backlash", {"readings": [(f.coupon, f.feature.id) for f in changed]}))
    if spoilt:
        notes.append(Note("file-seams", {"readings": list(spoilt), "blob_mm": BLOB_MM}))
    if trace.missing:
        notes.append(Note("file-lacks", {"coupons": list(trace.missing)}))
    facts = () if trace.offset_mm is None else (path_place(trace.offset_mm, u),)
    return Known(facts=facts, widen=spoilt, notes=tuple(notes))


def known_of_own_path() -> Known:
    """What is known of a print that a path of our own drew: it stands in its place, as far as the machine follows."""
    u = float(np.hypot(REST_MM, OFFSET_U_MM))
    return Known(
        facts=(fact_of_term("path place", PATH, 0.0, u, "own path"),), notes=(Note("own-path", {"u_mm": u}),)
    )


def diagnose_traced(
    trace: Trace, manifest: Manifest, folder: Path, readings: tuple[Reading, ...], machine: Machine
) -> Diagnosis:
    """`diagnosis.diagnose.diagnose` along the path of the file that was printed."""
    walk = traced_walk(trace, manifest, folder)
    measured = {(r.coupon, r.feature) for r in readings if r.reading_mm is not None}
    return explained(interpret(walk, readings, machine, known_from(trace, measured)), trace)


def explained(diagnosis: Diagnosis, trace: Trace) -> Diagnosis:
    """A diagnosis along a file's path, with what the file explains."""
    return replace(
        diagnosis,
        notes=(*diagnosis.notes, *_split(trace, diagnosis)),
        extra={**diagnosis.extra, "sliced_file": _summary(trace, diagnosis)},
    )


def _split(trace: Trace, diagnosis: Diagnosis) -> tuple[Note, ...]:
    if trace.offset_mm is None:
        return ()
    term = diagnosis.term(NAMES[PATH])
    left = term.estimate - trace.offset_mm
    data = {"in_file_mm": trace.offset_mm, "left_mm": left, "u_mm": term.std_uncertainty}
    return (Note("file-offset", data),)


def _summary(trace: Trace, diagnosis: Diagnosis) -> dict:
    term = diagnosis.term(NAMES[PATH])
    return {
        "file": trace.file,
        "contour_offset": None
        if trace.offset_mm is None
        else {
            "in_file_mm": trace.offset_mm,
            "left_to_machine_mm": term.estimate - trace.offset_mm,
            "std_uncertainty_mm": term.std_uncertainty,
        },
        "seam_under_jaw": [{"coupon": f.coupon, "feature": f.feature.id} for f in trace.features if f.seam],
        "backlash_acts_otherwise": [
            {"coupon": f.coupon, "feature": f.feature.id} for f in trace.features if f.changed
        ],
    }


def commanded_of(trace: Trace, machine: Machine) -> Commanded:
    """What the files ask for in filament, for what is weighed."""
    bead, width, height = trace.bead, trace.walk.manifest.line_width_mm, trace.layer_height_mm
    flow = 1.0 if bead is None else bead_area(bead.fed, height) / bead_area(width, height)
    # E that counts volume without the file saying so was read as a length.
    per_mm3 = np.pi * machine["settings.filament_diameter_mm"] ** 2 / 4
    obeyed = volume_obeyed(trace.tally.changes)
    unit = per_mm3 if bead is not None and bead.by_volume and not obeyed else 1.0
    return Commanded(
        pieces={key: length / unit for key, length in trace.piece_filament_mm.items()},
        walls=frozenset(key for key, paths in trace.found.items() if paths.coupon.single_wall),
        everything=None if trace.missing else trace.filament_mm / unit,
        flow=flow,
    )


def print_traced(trace: Trace, theta: np.ndarray) -> np.ndarray:
    """Terms (terms,) of a printer that prints this file: its own, and the file's path offset on top."""
    total = np.array(theta, dtype=float)
    total[PATH] += trace.offset_mm or 0.0
    return total
