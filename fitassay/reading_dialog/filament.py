"""Filament diameters and feed tests at the terminal, each on disk before the next is asked for."""

from __future__ import annotations

import re

from fitassay.analysis.readings.filament_files import (
    DIAMETER_COLUMNS,
    FEED,
    FEED_COLUMNS,
    FILAMENT,
    LEAST_RATIO,
    MOST_RATIO,
    THICKEST,
    THINNEST,
    add_row,
    read_diameters,
    read_feed,
)
from fitassay.analysis.rounding import plus_minus
from fitassay.case import Print
from fitassay.coupons.machine import Machine
from fitassay.coupons.numbers import parse_length, parse_number
from fitassay.coupons.wording import count
from fitassay.spool import spool_file
from fitassay.terminal import ask, say

LEAST_PLACES = 3


def enter_filament(target: Print, machine: Machine) -> None:
    """Two diameters across each other at each place, until Enter alone."""
    path = spool_file(target, FILAMENT) or target.folder / FILAMENT
    places = len(read_diameters(path)) if path.exists() else 0
    say(
        f"Filament diameters, two across each other at each place, {LEAST_PLACES} places or more, half a metre "
        f"apart. Type both in mm, such as 1.74 1.77; Enter alone ends. Each place is saved at once in {path}."
    )
    while text := _line(f"place {places + 1}: "):
        try:
            values = _lengths(text, 1, 2)
            for v in values:
                if not THINNEST <= v <= THICKEST:
                    raise ValueError(f"no filament is {v:g} mm thick; write the diameter in mm, such as 1.75")
        except ValueError as exc:
            say(f"  {exc}.")
            continue
        places += 1
        add_row(path, DIAMETER_COLUMNS, (str(places), *(f"{v:g}" for v in values)))
    if places:
        from fitassay.analysis.estimation.feed import measured_filament

        f = measured_filament(read_diameters(path), machine)
        diameter = plus_minus(f.mean_mm, f.u_mean_mm, "mm", signed=False)
        say(f"{count(places, 'place')}: {diameter} across (k = 2), ovality {f.ovality_mm:.2f} mm.")
        if places < LEAST_PLACES:
            say(f"Measure at {LEAST_PLACES} places or more: filament varies along the spool.")


def enter_feed(target: Print) -> None:
    """Length commanded, mark to inlet before, and what is left of it, until Enter alone."""
    path = spool_file(target, FEED) or target.folder / FEED
    tests = len(read_feed(path)) if path.exists() else 0
    say(
        "Feed test: mark the filament about 120 mm before the extruder's inlet and measure that length; let the "
        "machine feed 100 mm slowly, with the flow at 100 %; measure what is left between mark and inlet. Feeding "
        "needs a hot nozzle: keep hands and sleeves off it and off gears, air the room, follow the machine's manual."
    )
    say(
        "Type three lengths in mm: commanded, marked before, left after, such as 100 120 21.5; Enter alone ends. "
        f"Each test is saved at once in {path}."
    )
    while text := _line(f"test {tests + 1}: "):
        try:
            commanded, marked, left = _lengths(text, 3, 3)
            if not LEAST_RATIO <= (marked - left) / commanded <= MOST_RATIO:
                raise ValueError(
                    f"{marked - left:g} mm fed of {commanded:g} mm commanded cannot be; first what was commanded, "
                    "then mark to inlet before, then what was left"
                )
        except ValueError as exc:
            say(f"  {exc}.")
            continue
        tests += 1
        add_row(path, FEED_COLUMNS, tuple(f"{v:g}" for v in (commanded, marked, left)))
    if tests:
        from fitassay.analysis.estimation.feed import measured_feed

        f = measured_feed(read_feed(path))
        fed = plus_minus(100 * f.ratio, 100 * f.u_ratio, "%", signed=False)
        say(f"{count(tests, 'test')}: {fed} of what was commanded was fed (k = 2).")


def _line(prompt: str) -> str:
    """What is typed; empty to end."""
    try:
        text = ask(prompt)
    except EOFError:
        return ""
    return "" if text.casefold() in ("q", "quit") else text


def _lengths(text: str, least: int, most: int) -> list[float]:
    """Lengths [mm] in one typed line; raises ValueError with a sentence."""
    words = [w.removesuffix(",") for w in re.split(r"[\s;/]+", text.strip()) if w not in ("mm", "")]
    if not least <= len(words) <= most:
        wanted = f"{least}" if least == most else f"{least} or {most}"
        raise ValueError(f"{wanted} lengths are wanted, {len(words)} were typed")
    values = [parse_length(w) for w in words[:-1]]
    # What is left after a feed test may be nothing.
    last = parse_number(words[-1].removesuffix("mm"))
    return [*values, last if last == 0 and least == 3 else parse_length(words[-1])]
