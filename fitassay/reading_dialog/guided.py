"""Readings at the terminal, the most telling one first, until the verdict is safe."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from fitassay.analysis.diagnosis.sequential import IN_A_ROW, Guide, Step, sure_enough
from fitassay.analysis.diagnosis.verdict import DOMINANT
from fitassay.analysis.notes import status_in_sentence
from fitassay.analysis.readings.file import Reading, read_readings
from fitassay.analysis.rounding import fixed, probability, reading
from fitassay.card_hint import card_hint
from fitassay.case import Print
from fitassay.inputs import Inputs, read_inputs
from fitassay.joint_words import joint_outcomes
from fitassay.labels import sentence, term_label
from fitassay.reading_dialog.sitting import Back, Quit, Sitting
from fitassay.terminal import ask, say

if TYPE_CHECKING:
    from fitassay.analysis.result import Diagnosis
    from fitassay.coupons.feature import Coupon, Feature


@dataclass
class GuidedEntry:
    """One sitting with the caliper that asks for what tells most.

    Attributes
    ----------
    inputs : Inputs
    guide : Guide
    asked : list of int
        Columns asked for in this sitting, in order.
    doubted : set of (coupon, feature)
        Readings that were questioned already.
    repeated, settled : set of int
        Columns asked for a second and for a third time already; nothing is asked for ever.
    offered : bool
        Whether the scale was spoken of.
    """

    inputs: Inputs
    guide: Guide
    asked: list[int] = field(default_factory=list)
    doubted: set[tuple[str, str]] = field(default_factory=set)
    repeated: set[int] = field(default_factory=set)
    settled: set[int] = field(default_factory=set)
    offered: bool = False

    @classmethod
    def open(cls, target: Print, carry: str | None) -> GuidedEntry:
        """For one print; `InputError` if something is wrong with its files."""
        inputs = read_inputs(target, carry=carry)
        return cls(inputs=inputs, guide=Guide(inputs.walk, inputs.machine, known=inputs.known))

    def readings(self, sitting: Sitting) -> None:
        """Ask until the verdict is safe or nothing is left; raises `Quit`."""
        if not self.inputs.walk.keys:
            # Rows read by eye are few, and all of them count.
            sitting.features(sitting.start(None))
            return
        if hint := card_hint(self.inputs.target.case):
            say(f"If the coupons are not printed yet: {hint[:1].lower()}{hint[1:]}")
        say("The most telling reading comes first; you are told when the verdict is safe.")
        step = self._step(sitting)
        coupon, back, told = "", -1, False
        in_a_row = IN_A_ROW if step.safe else 0
        while True:
            again = self._torn(sitting)
            if again < 0 and in_a_row >= IN_A_ROW and not told and back < 0:
                again, told = self._safe(sitting)
            column = next((c for c in (again, back, step.column) if c >= 0), -1)
            back = -1
            if column < 0:
                break
            c, f = self._place(column)
            if c.id != coupon:
                sitting.coupon(c)
                coupon = c.id
            where = "once more" if again >= 0 else f"reading {self._taken(sitting) + 1}"
            sitting.announce(where, c, f)
            try:
                sitting.feature(c.id, f, again=again >= 0)
            except Back:
                back = self._back(column)
                continue
            self.asked.append(column)
            step = self._step(sitting)
            if not told:
                self._offer(sitting)
            in_a_row = in_a_row + 1 if step.safe else 0
            if not told:
                say(f"  so far: {_so_far(step)}")
        if not told and self._on_disk():
            say()
            say("Nothing is left that could be read. " + sentence(self._diagnose().verdict.text))

    def _safe(self, sitting: Sitting) -> tuple[int, bool]:
        """Check a verdict that looks safe by the whole interpretation.

        Returns
        -------
        again : int
            Column of a reading to take once more; -1 for none.
        safe : bool
            Whether the verdict holds, and the user was told so.
        """
        diagnosis = self._diagnose()
        again = self._questioned(sitting, diagnosis)
        if again >= 0 or not sure_enough(diagnosis.verdict.status, diagnosis.verdict.probability, DOMINANT):
            return again, False
        again = self._unchecked(sitting)
        if again >= 0:
            return again, False
        self._stop(sitting, diagnosis)
        return -1, True

    def _taken(self, sitting: Sitting) -> int:
        return sum(bool(sitting.book.values(*key)) for key in self.guide.walk.keys)

    def _place(self, column: int) -> tuple[Coupon, Feature]:
        return self.inputs.manifest.feature(*self.guide.walk.keys[column])

    def _on_disk(self) -> tuple[Reading, ...]:
        target = self.inputs.target
        return read_readings(target.readings_path, self.inputs.manifest)

    def _step(self, sitting: Sitting) -> Step:
        """The verdict by the readings on disk, and the most telling of those neither read nor skipped."""
        left = self._left(sitting)
        return self.guide.taken(self._on_disk()).step(left)

    def _left(self, sitting: Sitting) -> list[int]:
        """Columns neither read nor skipped."""
        return [
            i
            for i, key in enumerate(self.guide.walk.keys)
            if not (sitting.book.taken(*key) or sitting.book.skipped(*key)) and i in self.guide.readable
        ]

    def _offer(self, sitting: Sitting) -> None:
        """Speak once of the scale, when that tells more a minute than any reading left."""
        if self.offered or not self.inputs.offers:
            return
        progress = self.guide.taken(self._on_disk())
        gains = [progress.gain_per_minute(o) for o in self.inputs.offers]
        if max(gains) <= progress.best_per_minute(self._left(sitting)):
            return
        self.offered = True
        say()
        say(
            "A scale would tell more a minute now than any reading that is left. If there is one, stop here with q "
            f"and go on with: fitassay enter {self.inputs.target.case.path} --weighed. Without one, just read on."
        )

    def _back(self, column: int) -> int:
        """The feature asked for before this one."""
        if not self.asked:
            say("This is the first one.")
            return column
        return self.asked.pop()

    def _diagnose(self) -> Diagnosis:
        return self.inputs.diagnose(self._on_disk())

    def _questioned(self, sitting: Sitting, diagnosis: Diagnosis) -> int:
        """Column of a reading that the others contradict, to be taken again; -1 where there is none."""
        where = {key: i for i, key in enumerate(self.guide.walk.keys)}
        for s in diagnosis.suspects:
            key = (s.coupon, s.feature)
            # Of three or more readings of one feature the odd one is outvoted already.
            if key in where and key not in self.doubted and len(sitting.book.values(*key)) < 3:
                self.doubted.add(key)
                say()
                say(
                    f"{s.coupon} {s.feature} reads {reading(s.reading_mm)} mm where about {fixed(s.expected_mm, 2)} "
                    f"mm was to be expected. {sentence(s.reason)}"
                )
                return where[key]
        return -1

    def _torn(self, sitting: Sitting) -> int:
        """Column of a feature whose two readings disagree, to be read a third time; -1 where there is none."""
        for column in sorted(self.guide.taken(self._on_disk()).torn - self.settled):
            self.settled.add(column)
            c, f = self._place(column)
            say()
            say(f"The two readings of {f.id} on {c.id} disagree: read it a third time.")
            return column
        return -1

    def _unchecked(self, sitting: Sitting) -> int:
        """Column of a reading that nothing else checks, to be repeated; -1 where there is none."""
        for column in self.guide.taken(self._on_disk()).unchecked():
            if column not in self.repeated:
                self.repeated.add(column)
                c, f = self._place(column)
                say()
                say(
                    f"The verdict would be safe, but nothing else checks {f.id} on {c.id}: open the jaws, close them "
                    "anew and read it once more."
                )
                return column
        return -1

    def _stop(self, sitting: Sitting, diagnosis: Diagnosis) -> None:
        """Say that the verdict is safe and ask whether to go on; raises `Quit` if not."""
        say()
        say(
            f"The verdict is safe after {self._taken(sitting)} of {len(self.guide.readable)} readings. "
            f"{sentence(diagnosis.verdict.text)}"
        )
        inputs = self.inputs
        for told in joint_outcomes(inputs.target.case, diagnosis, inputs.machine, inputs.trace):
            say(f"So far: {told}.")
        if diagnosis.confounded:
            say("What acts alike in these readings only the report tells; more readings may part it.")
        answer = ask("q stops here, Enter goes on (further readings sharpen the figures): ")
        if answer.casefold() in ("q", "quit", "s", "stop", "n", "no"):
            raise Quit


def _so_far(step: Step) -> str:
    if step.status == "within-noise":
        return "nothing exceeds what the caliper can see"
    if step.status in ("dominant", "leading"):
        return f"{status_in_sentence(step.status)}, {term_label(step.term)} ({probability(step.chance)})"
    if step.status == "sum-known":
        return f"{term_label(step.term)}, or what feels just like it ({probability(step.chance)})"
    return f"not settled, {term_label(step.term)} is the likeliest"
