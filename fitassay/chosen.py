"""Which print a command goes by: the one asked for, else the newest that has been read."""

from __future__ import annotations

from fitassay.case import Case, Print
from fitassay.coupons.errors import FitassayError
from fitassay.terminal import note


def judged_print(place: Case, number: str | None) -> Print:
    """The print of that number, or the newest with readings; says so where a newer one has none yet.

    Raises
    ------
    InputError
        Nothing has been made yet, or there is no print of that number.
    """
    newest = place.print(number)
    if number is not None or _is_read(newest):
        return newest
    for earlier in reversed(place.prints()):
        if _is_read(earlier):
            note(f"Note: print {newest.name} holds no readings yet; this goes by print {earlier.name}.")
            return earlier
    return newest


def _is_read(target: Print) -> bool:
    """Whether readings were taken; a file that cannot be read is for the command to complain of."""
    from fitassay.analysis.readings.file import read_readings

    if not target.readings_path.exists():
        return False
    try:
        return bool(read_readings(target.readings_path, target.manifest()))
    except FitassayError:
        return True
