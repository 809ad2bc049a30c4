"""Filament and feed tests of a print's spool: the files that hold them, and what was measured."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from fitassay.case import Print
from fitassay.coupons.errors import InputError
from fitassay.coupons.files import is_there
from fitassay.coupons.machine import Machine
from fitassay.coupons.wording import quoted, typed

if TYPE_CHECKING:
    from fitassay.analysis.estimation.feed import Feed, Filament


def spool_of(target: Print, machine: Machine) -> tuple[Filament | None, Feed | None]:
    """Filament and feed tests, from the print's folder or else the case's; None where there is no such file.

    Raises
    ------
    InputError
        Something is wrong with the files, or there is a feed test without diameters.
    """
    from fitassay.analysis.readings.filament_files import FEED, FILAMENT

    diameters, tests = (spool_file(target, name) for name in (FILAMENT, FEED))
    if diameters is None and tests is None:
        return None, None
    if diameters is None:
        raise InputError(
            "a feed test tells nothing without the filament's diameter; run "
            + quoted(f"fitassay enter {typed(target.case.path)} --filament"),
            str(tests),
        )
    from fitassay.analysis.estimation.feed import measured_feed, measured_filament
    from fitassay.analysis.readings.filament_files import read_diameters, read_feed

    filament = measured_filament(read_diameters(diameters), machine)
    return filament, measured_feed(read_feed(tests)) if tests is not None else None


def spool_file(target: Print, name: str) -> Path | None:
    """Where the print finds its filament.csv or feed.csv: in its own folder, else in the case's."""
    for folder in (target.folder, target.case.path):
        if is_there(folder / name):
            return folder / name
    return None
