"""Cases for people who script: a case and its prints, with the job's steps as methods."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from fitassay import case
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Machine

# The libraries behind these take longer to load than scripts that need none of them.
if TYPE_CHECKING:
    from fitassay.analysis.parts.pairs import Pair, PairPrediction
    from fitassay.analysis.prints.compare import Comparison
    from fitassay.analysis.readings.file import Reading
    from fitassay.analysis.result import Diagnosis


class Print(case.Print):
    """One print of a case; `Case.print` and `Case.make` give it.

    Its files are at `folder`, `manifest_path`, `readings_path`, `sheet_path`, `diagnosis_path` and `report_path`;
    `machine()` is the printer as it was set for it, `manifest()` its coupons.
    """

    def simulate(
        self, errors: Mapping[str, float], *, seed: int = 0, repeats: int = 1, noise_mm: float | None = None
    ) -> tuple[Reading, ...]:
        """Readings of a virtual print with these errors, written to readings.csv in place of what it holds.

        Parameters
        ----------
        errors : mapping of str to float
            Error terms by the names of `TERMS`, in mm, rad or as fractions; the others are zero.
        seed : int
            The same seed, the same readings.
        repeats : int
            Readings of each feature.
        noise_mm : float [mm], optional
            Standard deviation of one reading; the caliper's of machine.toml unless given.

        Raises
        ------
        InputError
            There is no such term, or a feature would vanish.
        """
        from fitassay.workflow import simulate_print

        return simulate_print(self, self.machine(), errors, seed=seed, repeats=repeats, noise_mm=noise_mm)

    def diagnose(self, *, trace: Path | None = None, carry: str | None = None) -> Diagnosis:
        """What spoils the fit, by the files of this print; nothing is written.

        Parameters
        ----------
        trace : Path, optional
            The sliced file that was printed; the one traced last unless given.
        carry : str, optional
            Number of an earlier print whose result is taken as known before.

        Raises
        ------
        InputError
            Something is wrong with the files, or nothing has been read yet.
        """
        from fitassay.inputs import read_inputs
        from fitassay.joint_words import joints_fit

        inputs = read_inputs(self, file=trace, carry=carry)
        diagnosis = inputs.diagnose()
        diagnosis.extra["joints_fit"] = joints_fit(self.case, diagnosis, inputs.machine, inputs.trace)
        return diagnosis

    def report(self, *, trace: Path | None = None, carry: str | None = None) -> Path:
        """Diagnose, and write diagnosis.json and report.html beside the readings; returns the report's path."""
        from fitassay.workflow import diagnose_print

        diagnose_print(self, trace, carry)
        return self.report_path

    def predict(self, *pairs: Pair, carry: str | None = None) -> tuple[PairPrediction, ...]:
        """How pegs and holes drawn like these will fit when printed like this print.

        Raises
        ------
        InputError
            As `diagnose`.
        """
        from fitassay.analysis.parts.pairs import predict_pair
        from fitassay.inputs import read_inputs, state_of

        inputs = read_inputs(self, carry=carry)
        state = state_of(inputs.diagnose(), inputs.machine, trace=inputs.trace)
        return tuple(predict_pair(pair, state) for pair in pairs)

    def compare(self, later: Print) -> Comparison:
        """What changed from this print to a later one, and whether it was what this one's diagnosis advised.

        Raises
        ------
        InputError
            As `diagnose`, or `later` is this print.
        """
        from fitassay.analysis.prints.compare import compare
        from fitassay.inputs import result_of

        if self.folder == later.folder:
            raise InputError("is compared with itself; give two different prints", f"print {self.name}")
        before, diagnosis = result_of(self)
        after, _ = result_of(later)
        return compare(before, after, diagnosis.advice)


class Case(case.Case):
    """The folder of one printer: its machine.toml and its prints.

    ``Case.open(folder)`` takes one that is there, ``Case.create(folder, machine)`` begins one; `machine()` is the
    printer as it is set today.
    """

    @classmethod
    def create(cls, path: Path | str, machine: Machine) -> Case:
        """Begin a case: the folder with its machine.toml.

        Raises
        ------
        InputError
            The folder holds a machine.toml already.
        """
        from fitassay.coupons.files import write_atomic
        from fitassay.coupons.machine_file import machine_toml

        new = cls(path=Path(path))
        if new.machine_path.exists():
            raise InputError("is there already; open it, or name another folder", str(new.machine_path))
        write_atomic(new.machine_path, machine_toml(machine))
        return new

    def prints(self) -> tuple[Print, ...]:
        """All prints that have coupons, oldest first."""
        return tuple(Print(case=self, number=p.number) for p in super().prints())

    def print(self, number: str | int | None = None) -> Print:
        """The print of that number, or the newest.

        Raises
        ------
        InputError
            Nothing has been made yet, or there is no print of that number.
        """
        return Print(case=self, number=super().print(number).number)

    def make(
        self,
        *,
        families: tuple[str, ...] | None = None,
        quick: bool = False,
        paper: Literal["a4", "letter"] = "a4",
    ) -> Print:
        """Coupons, plates, manifest, sheet and blank readings of a further print.

        Parameters
        ----------
        families : tuple of str, optional
            Only these families or coupons.
        quick : bool
            The smallest set that still tells backlash, bead and offset apart.
        paper : str
            Of the measuring sheet.

        Raises
        ------
        InputError
            There is no such family.
        JobError
            The build volume is too small, or the folder cannot be written.
        """
        from fitassay.workflow import make_print

        new = Print(case=self, number=self.next_print().number)
        make_print(new, self.machine(), families=families, quick=quick, paper=paper)
        return new
