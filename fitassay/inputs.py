"""What every face judges a print by: readings, sliced file, filament and an earlier print, all read from files."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from fitassay.case import Print
from fitassay.coupons.errors import FitassayError, InputError
from fitassay.coupons.feature import Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.wording import quoted, typed
from fitassay.spool import spool_of

# The libraries behind these take longer to load than the commands that need none of them.
if TYPE_CHECKING:
    from fitassay.analysis.chain.sensitivities import SetWalk
    from fitassay.analysis.diagnosis.evidence import Offer
    from fitassay.analysis.estimation.feed import Feed, Filament
    from fitassay.analysis.estimation.known import Fact, Known, TransferredPrior
    from fitassay.analysis.estimation.weighed import Commanded
    from fitassay.analysis.gcode.trace_data import Trace
    from fitassay.analysis.notes import Note
    from fitassay.analysis.parts.sizes import State
    from fitassay.analysis.prints.knowledge import ReadPrint
    from fitassay.analysis.prints.mixed_model import PrintResult
    from fitassay.analysis.readings.file import Reading
    from fitassay.analysis.result import Advice, Diagnosis
    from fitassay.scale import Scale


@dataclass(frozen=True)
class Inputs:
    """Everything at hand on one print.

    Attributes
    ----------
    target : Print
    machine : Machine
        As it was set for this print.
    readings : tuple of Reading
        May be empty.
    trace : Trace or None
        Of the sliced file that was printed.
    remarks : tuple of Note
        Where a sliced file traced before cannot be used.
    filament : Filament or None
    feed : Feed or None
    besides : Known
        What is known beside readings and sliced file.
    own : bool
        Whether a path of our own drew it.
    """

    target: Print
    machine: Machine
    readings: tuple[Reading, ...]
    trace: Trace | None
    remarks: tuple[Note, ...]
    filament: Filament | None
    feed: Feed | None
    besides: Known
    own: bool = False

    @cached_property
    def manifest(self) -> Manifest:
        """The coupons that were printed."""
        return self.target.manifest()

    @cached_property
    def walk(self) -> SetWalk:
        """The readings of the coupons as a function of the errors."""
        from fitassay.analysis.chain.sensitivities import SetWalk

        manifest = self.manifest
        if self.trace is None:
            return SetWalk.open(manifest, self.target.folder, machine=self.machine)
        from fitassay.analysis.gcode.traced_print import traced_walk

        return traced_walk(self.trace, manifest, self.target.folder)

    @property
    def known(self) -> Known:
        """What is known beside the readings."""
        return self.known_with(self.readings)

    def known_with(self, readings: tuple[Reading, ...]) -> Known:
        """What is known beside these readings; of what a sliced file spoils, only the features they hold."""
        if self.trace is None and not self.own:
            return self.besides
        # The sliced files' room is loaded only for a print that has one.
        from fitassay.analysis.gcode.traced_print import known_from, known_of_own_path

        known = self.besides
        fact = self.scale(readings).fact
        if fact is not None:
            # A feed test is in what the scale says already.
            known = replace(known, facts=(*(f for f in known.facts if f.kind != "feed"), fact))
        if self.trace is None:
            path = known_of_own_path()
            return replace(known, facts=(*path.facts, *known.facts), notes=path.notes)
        measured = {(r.coupon, r.feature) for r in readings if r.reading_mm is not None}
        file = known_from(self.trace, measured)
        return replace(file, facts=known.facts, transferred=known.transferred)

    @property
    def offers(self) -> tuple[Offer, ...]:
        """Evidence beside the coupons' features that could still be taken."""
        return self.offers_after(self.readings)

    def offers_after(self, readings: tuple[Reading, ...]) -> tuple[Offer, ...]:
        """The same once these readings are taken."""
        from fitassay.scale import weighing_offers

        return weighing_offers(
            readings, self.machine, self.manifest, self.walk, self.commanded, self.filament, self.feed
        )

    @cached_property
    def commanded(self) -> Commanded | None:
        """What the printed files ask for in filament, for what is weighed; None where no file is known."""
        if self.trace is not None:
            from fitassay.analysis.gcode.traced_print import commanded_of

            return commanded_of(self.trace, self.machine)
        if self.own:
            from fitassay.own_paths import commanded_by_us

            return commanded_by_us(self.target)
        return None

    def scale(self, readings: tuple[Reading, ...]) -> Scale:
        """What was weighed among these readings, and what it says."""
        from fitassay.scale import Scale

        return Scale.of(
            readings,
            self.machine,
            self.manifest,
            lambda: self.walk,
            lambda: self.commanded,
            self.filament,
            self.feed,
        )

    def diagnose(self, readings: tuple[Reading, ...] | None = None) -> Diagnosis:
        """The diagnosis; nothing is written.

        Parameters
        ----------
        readings : tuple of Reading, optional
            In place of those that were there when the files were read.

        Raises
        ------
        InputError
            Nothing has been read yet.
        """
        readings = self.readings if readings is None else readings
        if not readings:
            raise InputError(
                f"holds no readings yet; run {quoted(f'fitassay enter {typed(self.target.case.path)}')}",
                str(self.target.readings_path),
            )
        from fitassay.analysis.diagnosis.diagnose import interpret
        from fitassay.analysis.diagnosis.verdict import visible_sd
        from fitassay.analysis.estimation.feed import with_filament
        from fitassay.analysis.estimation.observations import single_reading_sd

        diagnosis = interpret(
            self.walk, readings, self.machine, self.known_with(readings), offers=self.offers_after(readings)
        )
        if self.trace is not None:
            from fitassay.analysis.gcode.traced_print import explained

            diagnosis = explained(diagnosis, self.trace)
        scale = self.scale(readings)
        if self.filament is not None:
            visible = visible_sd(self.machine, single_reading_sd(self.machine))
            diagnosis = with_filament(diagnosis, self.filament, scale.feed, self.machine, visible)
        diagnosis = scale.explained(diagnosis)
        diagnosis = replace(diagnosis, advice=self._for_joints(diagnosis.advice))
        if self.remarks:
            diagnosis = replace(diagnosis, notes=(*diagnosis.notes, *self.remarks))
        return diagnosis

    def _for_joints(self, advice: tuple[Advice, ...]) -> tuple[Advice, ...]:
        """Hole compensations whose manner is not known, with the constant that suits the joints of the case."""
        from fitassay.analysis.parts.joints import joints_in, usual_hole

        if self.machine.hole_setting or all(a.for_hole_mm is None for a in advice):
            return advice
        size = usual_hole(joints_in(self.target.case.path))
        return tuple(replace(a, for_hole_mm=size or a.for_hole_mm) if a.for_hole_mm else a for a in advice)


def read_inputs(
    target: Print, *, file: Path | None = None, carry: str | None = None, alone: bool = False
) -> Inputs:
    """Read all files of a print, its machine as it was set when it was printed, and what the case knew before.

    Parameters
    ----------
    file : Path, optional
        The sliced file that was printed; by default the one traced last for this print, if any.
    carry : str, optional
        Number of the only earlier print whose result is taken as known before; by default all earlier ones that
        were read are, each after the one before it.
    alone : bool
        Nothing is taken as known before.

    Raises
    ------
    InputError
        Something is wrong with the files.
    """
    from fitassay.analysis.estimation.known import Known
    from fitassay.analysis.readings.file import read_readings
    from fitassay.analysis.terms import NAMES

    machine = target.machine(prior_names=NAMES)
    if machine.model_error:
        from fitassay.analysis.estimation.model_error import WIDTH_NAMES

        machine = target.machine(prior_names=NAMES, width_names=WIDTH_NAMES)
    readings = read_readings(target.readings_path, target.manifest())
    filament, feed = spool_of(target, machine)
    # Only now what takes long to load: a wrong file is told at once.
    from fitassay.analysis.estimation.feed import feed_fact
    from fitassay.own_paths import drawn_by_us
    from fitassay.traced import remembered, trace_print

    if file is not None:
        trace_print(target, machine, file)  # other plates traced before stay with it
    trace, remarks = remembered(target, machine)
    facts = (feed_fact(filament, feed, machine),) if filament is not None and feed is not None else ()
    own, doubts = drawn_by_us(target)
    known = Known(facts=facts)
    inputs = Inputs(target, machine, readings, trace, (*remarks, *doubts), filament, feed, known, own)
    if carry is not None:
        from fitassay.analysis.prints.transfer import carry as carry_on

        earlier = target.case.print(carry)
        if earlier.number == target.number:
            raise InputError(
                f"print {earlier.name} cannot be carried into itself; name an earlier one", "--carry"
            )
        # What both prints know from the same source is this one's to add.
        result = result_of(earlier)[0].apart_from(inputs.known.facts)
        inputs = replace(inputs, besides=replace(inputs.besides, transferred=carry_on(result, machine, own)))
    if alone or carry is not None:
        return inputs
    transferred, unread = _known_before(inputs)
    besides = replace(inputs.besides, transferred=transferred)
    return replace(inputs, besides=besides, remarks=(*inputs.remarks, *unread))


def _known_before(inputs: Inputs) -> tuple[TransferredPrior | None, tuple[Note, ...]]:
    """What the earlier prints of the case left known, and a note for each that cannot be read, so is passed over."""
    target = inputs.target
    earlier = [p for p in target.case.prints() if p.number < target.number]
    if not earlier:
        return None, ()
    from fitassay.analysis.notes import Note
    from fitassay.analysis.prints.knowledge import known_before

    read: list[ReadPrint] = []
    unread: list[Note] = []
    # From the newest back, so that a fact that several prints share counts for the newest that has it.
    counted = {f.origin for f in inputs.known.facts}
    for p in reversed(earlier):
        try:
            found = read_inputs(p, alone=True)
            if found.readings:
                found.walk  # noqa: B018  (reads the coupons, too)
        except FitassayError as exc:
            unread.append(Note("earlier-unread", {"name": p.name, "reason": str(exc).partition("\n")[0]}))
            continue
        if found.readings:
            known = found.known
            read.append(_as_read(found, tuple(f for f in known.facts if f.origin not in counted)))
            counted |= {f.origin for f in known.facts}
    return known_before(reversed(read), inputs.machine, inputs.own), tuple(unread)


def _as_read(inputs: Inputs, facts: tuple[Fact, ...]) -> ReadPrint:
    """For the chain of prints, with these facts beside its readings."""
    from fitassay.analysis.estimation.known import scattered_by
    from fitassay.analysis.estimation.priors import prior_sds
    from fitassay.analysis.estimation.readout import read_out
    from fitassay.analysis.prints.knowledge import Learned, ReadPrint

    known = replace(inputs.known, facts=facts)

    def learned(before: TransferredPrior | None) -> Learned:
        got = read_out(inputs.walk, inputs.readings, inputs.machine, replace(known, transferred=before))
        told = before.jumps if before is not None and got.jumps is None else got.jumps
        agrees = got.fit.transferred is not None or before is None
        scattered = scattered_by(got.fit.estimate.agreement, got.fit.transferred)
        return Learned(posterior=got.fit.posterior, jumps=told, agrees=agrees, scattered=scattered)

    return ReadPrint(
        name=inputs.target.name,
        machine=inputs.machine,
        prior_sd=prior_sds(inputs.machine),
        estimate=learned,
        own_path=inputs.own,
    )


def result_of(target: Print, carry: str | None = None) -> tuple[PrintResult, Diagnosis]:
    """What one print of a case says by itself as `PrintResult`, and its diagnosis; errors as `read_inputs`."""
    from fitassay.analysis.estimation.priors import prior_sds
    from fitassay.analysis.prints.mixed_model import PrintResult

    inputs = read_inputs(target, carry=carry, alone=True)
    diagnosis = inputs.diagnose()
    result = PrintResult(
        name=target.name,
        posterior=diagnosis.posterior,
        prior_sd=prior_sds(inputs.machine),
        machine=inputs.machine,
        misfit_p=diagnosis.p_value,
        facts=tuple(f for f in inputs.known.facts if f.kind not in diagnosis.extra["contradicted"]),
        own_path=inputs.own,
        jumps=diagnosis.extra["jumps"],
        scattered=diagnosis.extra["scattered"],
    )
    return result, diagnosis


def state_of(
    diagnosis: Diagnosis, machine: Machine, scatter_mm: float | None = None, trace: Trace | None = None
) -> State:
    """The posterior as `State`.

    Parameters
    ----------
    trace : Trace, optional
        A sliced file, which tells which way round holes are walked.
    scatter_mm : float [mm], optional
        By how much single pieces vary; default: as pieces do, and by what the case's prints scattered beyond the
        caliper.
    """
    from fitassay.analysis.chain.mating import PathHabits
    from fitassay.analysis.controls import ConstantHoles
    from fitassay.analysis.parts.sizes import State

    habits = PathHabits()
    if trace is not None:
        from fitassay.analysis.gcode.habits import path_habits

        habits = path_habits(trace)
    if (jumps := diagnosis.extra["jumps"]) is not None:
        from fitassay.analysis.estimation.manner import which

        habits = replace(habits, jumps=which(jumps))
    if scatter_mm is None:
        from fitassay.analysis.estimation.known import Scattered
        from fitassay.analysis.estimation.model_error import piece_sd

        scatter_mm = math.hypot(diagnosis.extra.get("scattered", Scattered()).sd_mm, piece_sd(machine))
    return State(
        posterior=diagnosis.posterior,
        width=machine.line_width_mm,
        scatter_mm=scatter_mm,
        habits=habits,
        holes=ConstantHoles.of(machine),
        as_read=diagnosis.extra.get("as_read", ()),
    )
