"""The steps of the job on a case's files, the same for commands and demonstration: make, simulate, diagnose."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from fitassay.case import Print
from fitassay.coupons.errors import FitassayError, InputError, JobError
from fitassay.coupons.feature import Manifest
from fitassay.coupons.files import (
    TEMPORARY,
    cannot_write,
    clear_leftovers,
    is_there,
    read_input,
    usual_mode,
    write_atomic,
)
from fitassay.coupons.lock import locked
from fitassay.coupons.machine import Machine
from fitassay.terminal import json_text

# The libraries behind these take longer to load than the commands that need none of them.
if TYPE_CHECKING:
    import numpy as np

    from fitassay.analysis.parts.iso286 import Fit
    from fitassay.analysis.prints.plan import Plan
    from fitassay.analysis.readings.file import Reading
    from fitassay.analysis.result import Diagnosis
    from fitassay.coupons.make import CouponSet
    from fitassay.coupons.rules import Rules


@dataclass(frozen=True, kw_only=True)
class Made:
    """What `make_print` did.

    Attributes
    ----------
    coupons : CouponSet
    files : tuple of Path
        Those written.
    readings_kept : bool
        Whether there were readings, which stay, and with them the settings that the print was made with.
    other_settings : tuple of str
        Figures that the case's machine.toml has other than the print's own, where that was kept.
    """

    coupons: CouponSet
    files: tuple[Path, ...]
    readings_kept: bool
    other_settings: tuple[str, ...] = ()


def make_print(
    target: Print,
    machine: Machine,
    *,
    families: tuple[str, ...] | None = None,
    quick: bool = False,
    wall: Literal["tube", "prism"] = "tube",
    paper: Literal["a4", "letter"] = "a4",
    rules: Rules | None = None,
    card: bool = False,
    rims: bool = False,
) -> Made:
    """Coupons, plates, manifest, sheet and blank readings into the print's folder.

    Parameters
    ----------
    card : bool
        The reversal card in place of coupons.

    Raises
    ------
    InputError
        No such family, or the folder holds readings of other coupons.
    JobError
        The build volume is too small, or the folder cannot be written.
    """
    from fitassay.analysis.readings.file import blank_readings
    from fitassay.coupons.machine_file import machine_toml
    from fitassay.coupons.make import build_set, write_set
    from fitassay.coupons.sheet.document import sheet_pdf

    if card:
        from fitassay.coupons.toolpath.card_set import card_set

        made = card_set(machine)
    else:
        made = build_set(machine, families=families, quick=quick, wall=wall, rules=rules, rims=rims)

    def fill(folder: Path, shown: Machine) -> list[Path]:
        sheet = folder / target.sheet_path.name
        files = write_set(made, folder)
        write_atomic(sheet, sheet_pdf(made.manifest, made.solids, shown, paper=paper))
        return [*files, sheet]

    def begin(folder: Path) -> list[Path]:
        readings, settings = folder / target.readings_path.name, folder / target.machine_path.name
        write_atomic(readings, blank_readings(made.manifest))
        # What is set when it is printed; the case's own file moves on with the advice.
        write_atomic(settings, machine_toml(machine))
        return [readings, settings]

    if not target.folder.exists():
        files = _appear_whole(target.folder, lambda folder: [*fill(folder, machine), *begin(folder)])
        return Made(coupons=made, files=files, readings_kept=False)
    clear_leftovers(target.folder)
    # From the look at what is there to the last write, nobody else writes readings.
    with locked(target.readings_path):
        before = _manifest_before(target, made.manifest)
        if not _readings_to_keep(target, before, made.manifest):
            written = [*fill(target.folder, machine), *begin(target.folder)]
            _remove_stale(target, before, written)
            return Made(coupons=made, files=tuple(written), readings_kept=False)
        printed = target.machine()
        written = fill(target.folder, printed)
        if not is_there(target.machine_path):
            write_atomic(target.machine_path, machine_toml(machine))
        return Made(
            coupons=made,
            files=tuple(written),
            readings_kept=True,
            other_settings=tuple(k for k in printed.values if printed.values[k] != machine.values[k]),
        )


def _appear_whole(folder: Path, fill: Callable[[Path], list[Path]]) -> tuple[Path, ...]:
    """Fill a new folder beside its place and move it there in one step: a print is there whole or not at all."""
    parent = folder.parent
    try:
        parent.mkdir(parents=True, exist_ok=True)
        clear_leftovers(parent)
        staging = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", suffix=TEMPORARY, dir=parent))
    except OSError as exc:
        raise cannot_write(folder, exc) from exc
    try:
        written = fill(staging)
        os.chmod(staging, usual_mode(0o777))
        os.rename(staging, folder)
    except OSError as exc:
        if folder.exists():
            raise JobError(f"{folder}: another window has just made this print; look at it there") from exc
        raise cannot_write(folder, exc) from exc
    finally:
        shutil.rmtree(staging, ignore_errors=True)
    return tuple(folder / f.name for f in written)


def holds_readings(target: Print) -> bool:
    """Whether the print's readings.csv holds readings or notes, or is something that cannot be read."""
    from fitassay.analysis.readings.file import COLUMNS, open_table

    path = target.readings_path
    if not path.exists():
        return False
    try:
        table = open_table(path)
    except FitassayError:
        return path.stat().st_size > 0  # not readable, so not ours to throw away
    return any(table.cell(r, c) for r in table.records for c in COLUMNS[2:])


def simulate_print(
    target: Print,
    machine: Machine,
    errors: Mapping[str, float],
    *,
    noise_mm: float | None = None,
    resolution_mm: float | None = None,
    seed: int = 0,
    repeats: int = 1,
    references: tuple[tuple[str, float], ...] = (),
    files: tuple[Path, ...] = (),
    rims: bool = False,
    weighed: bool = False,
    force: bool = False,
) -> tuple[Reading, ...]:
    """Readings of a virtual print of the coupons, written to the print's readings.csv.

    Parameters
    ----------
    errors : mapping of str to float
        Error terms by name, in mm, rad or as fractions.
    noise_mm, resolution_mm : float [mm], optional
        Of one reading; by default the caliper's in the machine file.
    references : tuple of (kind, size [mm])
        Pieces of known size read as well.
    files : sequence of Path
        Sliced files whose paths are printed in place of ideal ones; only the coupons in them are read.
    rims : bool
        Read rims and single layers, too.
    weighed : bool
        Weigh a metre of filament and the single walls, too; by the files, or those traced for the print before.
    force : bool
        Replace readings and notes that are there.

    Raises
    ------
    InputError
        There are readings or notes, no such term, or errors so large that a feature would vanish.
    """
    from fitassay.analysis.chain.sensitivities import SetWalk
    from fitassay.analysis.chain.simulate import simulate, theta_of
    from fitassay.analysis.readings.file import COLUMNS, reference_id
    from fitassay.analysis.readings.table import csv_line

    theta, exact = theta_of(dict(errors), machine.kinematics), None
    if not files:
        walk = SetWalk.open(target.manifest(), target.folder, machine=machine)
        printer = theta
    else:
        from fitassay.traced import print_files

        walk, printer, exact = print_files(target, machine, files, theta)
    readings = simulate(
        walk,
        printer,
        noise_mm=machine["caliper.repeatability_mm"] if noise_mm is None else noise_mm,
        resolution_mm=machine["caliper.resolution_mm"] if resolution_mm is None else resolution_mm,
        seed=seed,
        repeats=repeats,
        references={reference_id(kind, size): size for kind, size in references},
        rims=rims,
        exact=exact,
    )
    if weighed:
        readings += _weighed(target, machine, theta, files, seed)
    for r in readings:
        if r.reading_mm is not None and not r.reading_mm > 0:
            raise InputError(f"{r.coupon} {r.feature} would vanish with errors this large; take smaller ones")
    rows = [COLUMNS, *((r.coupon, r.feature, _answer(r), r.note) for r in readings)]
    # Looked at again: someone may have read a feature while the print was reckoned.
    with locked(target.readings_path):
        refuse_to_replace(target, force)
        write_atomic(target.readings_path, "".join(csv_line(row) + "\n" for row in rows))
    return readings


def _weighed(
    target: Print, machine: Machine, theta: np.ndarray, files: tuple[Path, ...], seed: int
) -> tuple[Reading, ...]:
    """Masses of a virtual print, by what its sliced files ask for."""
    import numpy as np

    from fitassay.analysis.chain.sensitivities import SetWalk
    from fitassay.analysis.gcode.traced_print import commanded_of
    from fitassay.analysis.gcode.virtual_scale import weigh
    from fitassay.own_paths import commanded_by_us
    from fitassay.traced import read_trace, remembered

    rng = np.random.default_rng([seed, 1])
    trace = read_trace(target, machine, files) if files else remembered(target, machine)[0]
    commanded = commanded_by_us(target) if trace is None else None
    if commanded is not None:
        walk = SetWalk.open(target.manifest(), target.folder, machine=machine)
        return weigh(walk, theta, commanded, machine, rng)
    if trace is None:
        raise InputError(
            "what pieces weigh is known by the sliced file only; give --trace FILE, or run 'fitassay trace' first",
            "--weighed",
        )
    return weigh(trace.walk, theta, commanded_of(trace, machine), machine, rng)


def refuse_to_replace(target: Print, force: bool) -> None:
    """Raise `InputError` where there are readings or notes that were not to be replaced."""
    if not force and holds_readings(target):
        raise InputError("holds readings or notes; give --force to replace them", str(target.readings_path))


def diagnose_print(target: Print, file: Path | None = None, carry: str | None = None) -> Diagnosis:
    """Diagnose a print from its files; writes its diagnosis.json and report.html.

    Parameters
    ----------
    file : Path, optional
        The sliced file that was printed; by default the one traced last for this print, if any.
    carry : str, optional
        Number of an earlier print of the case whose result is taken as known before.

    Raises
    ------
    InputError
        Something is wrong with the files, or nothing has been read yet.
    """
    from fitassay.inputs import read_inputs

    inputs = read_inputs(target, file=file, carry=carry)
    diagnosis = inputs.diagnose()
    from fitassay.drawn_instead import drawn_instead
    from fitassay.joint_words import joint_sentences, joints_fit
    from fitassay.report.page import report_html

    diagnosis.extra["joints"] = joints = joint_sentences(target.case, diagnosis, inputs.machine, inputs.trace)
    diagnosis.extra["joints_fit"] = joints_fit(target.case, diagnosis, inputs.machine, inputs.trace)
    diagnosis.extra["drawn"] = drawn_instead(target.case, diagnosis, inputs.machine, inputs.trace)
    report = report_html(
        diagnosis, inputs.manifest, target.folder, inputs.machine, trace=inputs.trace, joints=joints
    )
    write_atomic(target.diagnosis_path, json_text(diagnosis.as_json()))
    write_atomic(target.report_path, report)
    return diagnosis


def plan_print(
    target: Print, wanted: tuple[Fit, float] | None = None, carry: str | None = None
) -> tuple[Plan, Diagnosis]:
    """The advice of a print step by step, each with the smallest print that proves it, and its diagnosis.

    Parameters
    ----------
    wanted : tuple of (Fit, float [mm]), optional
        An ISO 286 fit and its size at which the plan ends.
    carry : str, optional
        As `diagnose_print`.

    Raises
    ------
    InputError
        As `diagnose_print`.
    """
    from fitassay.drawn_instead import drawn_instead
    from fitassay.inputs import read_inputs, state_of

    inputs = read_inputs(target, carry=carry)
    diagnosis, machine = inputs.diagnose(), inputs.machine
    diagnosis.extra["drawn"] = drawn_instead(target.case, diagnosis, machine, inputs.trace)
    from fitassay.analysis.chain.sensitivities import SetWalk
    from fitassay.analysis.estimation.observations import single_reading_sd
    from fitassay.analysis.parts.joints import joints_in
    from fitassay.analysis.prints.plan import make_plan
    from fitassay.coupons.make import draw_set
    from fitassay.joint_words import sizes_of_joints

    made = draw_set(machine)
    shelf = SetWalk(made.manifest, made.drafts)
    u = single_reading_sd(machine)
    state = state_of(diagnosis, machine, trace=inputs.trace)
    pairs = tuple(joint.pair for joint in joints_in(target.case.path))
    with sizes_of_joints(target.case):
        plan = make_plan(diagnosis, state, machine, shelf, made.costs, u, wanted, pairs)
    return plan, diagnosis


def _answer(r: Reading) -> str:
    """A reading as a row of readings.csv holds it."""
    from fitassay.analysis.readings.pairs import pair_text

    if r.pair is not None:
        return pair_text(r.pair)
    return _plain(r.reading_mm) if r.reading_mm is not None else r.fit


def _plain(size: float) -> str:
    whole, _, digits = f"{size:.6f}".partition(".")
    return f"{whole}.{digits.rstrip('0').ljust(2, '0')}"


def _manifest_before(target: Print, now: Manifest) -> Manifest | None:
    """What this print held before; None if nothing, or nothing readable."""
    from fitassay.coupons.export.manifest import manifest_json

    # The same text says the same, and reading it would load what checks a manifest's fields.
    with suppress(FitassayError):
        if read_input(target.manifest_path, "manifest") == manifest_json(now).encode():
            return now
        return target.manifest()
    return None


def _readings_to_keep(target: Print, before: Manifest | None, now: Manifest) -> bool:
    """Whether the readings.csv there holds anything and stays; `InputError` if it is of other coupons."""
    used = holds_readings(target)
    if used and before != now:
        raise InputError(
            "holds readings or notes of other coupons than these; give --new-print for a further print, "
            "or move the file away",
            str(target.readings_path),
        )
    return used


def _remove_stale(target: Print, before: Manifest | None, files: list[Path]) -> None:
    """Remove coupons and plates of an earlier make that no longer belong to this print."""
    if before is None:
        return
    old = {Path(c.file).name for c in before.coupons} | {f"plate-{c.plate}.3mf" for c in before.coupons}
    for name in old - {f.name for f in files}:
        with suppress(OSError):
            (target.folder / name).unlink()
