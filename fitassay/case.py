"""A case: the folder of one printer, with its machine file and its prints."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from pathlib import Path

from fitassay.coupons.errors import InputError
from fitassay.coupons.feature import Manifest
from fitassay.coupons.files import cannot_read, clear_leftovers, is_there
from fitassay.coupons.machine import Machine
from fitassay.coupons.wording import quoted, shown, typed


@dataclass(frozen=True, kw_only=True)
class Print:
    """The folder of one print: its manifest, coupons, sheet, readings and what was made of them.

    Attributes
    ----------
    case : Case
    number : int
        From 1; the folder is called ``01`` and so on.
    """

    case: Case
    number: int

    @property
    def name(self) -> str:
        """The folder's name, ``01``."""
        return f"{self.number:02d}"

    @property
    def folder(self) -> Path:
        return self.case.prints_path / self.name

    @property
    def manifest_path(self) -> Path:
        return self.folder / "coupons.json"

    @property
    def readings_path(self) -> Path:
        return self.folder / "readings.csv"

    @property
    def sheet_path(self) -> Path:
        return self.folder / "sheet.pdf"

    @property
    def diagnosis_path(self) -> Path:
        return self.folder / "diagnosis.json"

    @property
    def report_path(self) -> Path:
        return self.folder / "report.html"

    @property
    def machine_path(self) -> Path:
        """The machine file as it was when the coupons were made."""
        return self.folder / "machine.toml"

    def machine(
        self, prior_names: Collection[str] | None = None, width_names: Collection[str] | None = None
    ) -> Machine:
        """The printer as it was set for this print, with the caliper, the scale and the priors of today.

        Prints made before their machine file was kept have today's settings.
        """
        today = self.case.machine(prior_names, width_names)
        if not is_there(self.machine_path):
            return today
        from fitassay.coupons.machine_file import read_machine

        then = read_machine(self.machine_path)
        kept = {k: v for k, v in then.values.items() if not k.startswith(("caliper.", "scale."))}
        return replace(today, material=then.material, soft=then.soft, values={**today.values, **kept})

    def manifest(self) -> Manifest:
        """The coupons of this print; `InputError` if the file is missing or wrong."""
        from fitassay.coupons.export.manifest import read_manifest

        return read_manifest(self.manifest_path)


@dataclass(frozen=True, kw_only=True)
class Case:
    """The folder of one printer.

    Attributes
    ----------
    path : Path
        Need not exist yet; `open` asks that it does.
    """

    path: Path

    @classmethod
    def open(cls, path: Path | str) -> Case:
        """The case in that folder.

        Raises
        ------
        InputError
            There is no such folder, or it is no case.
        """
        case = cls(path=Path(path))
        init = quoted(f"fitassay init {typed(case.path)}")
        if not case.path.is_dir():
            if case.path.exists():
                raise InputError("is a file; give the folder of a case", str(case.path))
            raise InputError(f"there is no such case; {init} makes one", str(case.path))
        if not is_there(case.machine_path):
            raise InputError(f"holds no machine.toml; {init} writes one", str(case.path))
        for folder in (case.path, case.prints_path):
            clear_leftovers(folder)
        return case

    @property
    def machine_path(self) -> Path:
        return self.path / "machine.toml"

    @property
    def prints_path(self) -> Path:
        return self.path / "prints"

    def machine(
        self, prior_names: Collection[str] | None = None, width_names: Collection[str] | None = None
    ) -> Machine:
        """The printer; `InputError` if its file is missing or wrong, or names other priors than these."""
        from fitassay.coupons.machine_file import read_machine

        return read_machine(self.machine_path, prior_names=prior_names, width_names=width_names)

    def prints(self) -> tuple[Print, ...]:
        """All prints that have coupons, oldest first."""
        try:
            names = [p.name for p in self.prints_path.iterdir()]
        except FileNotFoundError:
            return ()
        except NotADirectoryError as exc:
            raise InputError(
                "is a file where the folder of the prints belongs; move it away", str(self.prints_path)
            ) from exc
        except OSError as exc:
            raise cannot_read(self.prints_path, exc) from exc
        numbers = sorted({int(n) for n in names if n.isascii() and n.isdigit()})
        found = (Print(case=self, number=n) for n in numbers)
        return tuple(p for p in found if is_there(p.manifest_path))

    def print(self, number: str | int | None = None) -> Print:
        """The print of that number, or the newest.

        Raises
        ------
        InputError
            Nothing has been made yet, or there is no print of that number.
        """
        prints = self.prints()
        if not prints:
            raise InputError(
                f"no print has been made yet; run {quoted(f'fitassay make {typed(self.path)}')} first",
                str(self.path),
            )
        if number is None:
            clear_leftovers(prints[-1].folder)
            return prints[-1]
        text = str(number).strip()
        digits = text.lstrip("0")
        for p in prints:
            if digits == str(p.number):
                clear_leftovers(p.folder)
                return p
        named = shown(text).strip("'")
        raise InputError(
            f"there is no print {named}; this case has {', '.join(p.name for p in prints)}",
            str(self.prints_path),
        )

    def next_print(self) -> Print:
        """The folder for a further print, not made yet."""
        prints = self.prints()
        return Print(case=self, number=prints[-1].number + 1 if prints else 1)
