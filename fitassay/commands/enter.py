"""`fitassay enter`: readings, feature by feature, at the terminal."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

import click

from fitassay.analysis.readings.file import ReadingsBook, reference_piece
from fitassay.case import Case, Print
from fitassay.coupons.errors import InputError
from fitassay.coupons.wording import count, did_you_mean, shown
from fitassay.options import carry_option, case_argument, print_option
from fitassay.reading_dialog.sitting import Quit, Sitting
from fitassay.terminal import STOPPED, clean, say, typed, working

if TYPE_CHECKING:
    from fitassay.reading_dialog.guided import GuidedEntry

SOFT = "The plastic is soft: close the jaws on light only, until the light between jaw and plastic just goes."


@click.command()
@case_argument
@print_option
@click.option(
    "--at",
    metavar="PLACE",
    help="Begin at this coupon, feature, or number of the sheet instead of the first one unread: comb-x, "
    "comb-x/stem6 or 19.",
)
@click.option(
    "--reference",
    "references",
    multiple=True,
    metavar="PIECE",
    help="Read a piece of known size first, such as outside:10.000 (block, dowel) or inside:8.000 (ring).",
)
@click.option("--guided", is_flag=True, help="The most telling reading first; says when the verdict is safe.")
@carry_option
@click.option(
    "--rims",
    is_flag=True,
    help="Enter what is asked for only where it helps: rims and single layers, which tell a wide bead from uneven "
    "layers, and a second long size, which tells true axes from a plate that shrank.",
)
@click.option("--filament", is_flag=True, help="Enter filament diameters instead of readings.")
@click.option("--feed", is_flag=True, help="Enter feed tests instead of readings.")
@click.option(
    "--weighed", is_flag=True, help="Enter masses off a scale: a length of filament, the single wall."
)
@click.option(
    "--exchange",
    nargs=2,
    metavar="COUPON COUPON",
    help="Swap the readings of two coupons that were typed under each other's name, such as comb-x comb-y.",
)
def command(
    case: str,
    number: str | None,
    at: str | None,
    references: tuple[str, ...],
    guided: bool,
    carry: str | None,
    rims: bool,
    filament: bool,
    feed: bool,
    weighed: bool,
    exchange: tuple[str, str] | None,
) -> None:
    """Take readings at the terminal, in the order of the measuring sheet or, guided, the most telling one first.

    Each reading is saved before the next is asked for. Stop at any time, with q or Ctrl-C, and go on later
    where you left off.
    """
    target = Case.open(case).print(number)
    machine = target.machine()
    if filament or feed or weighed:
        _spool(target, filament, feed, weighed)
        return
    book = ReadingsBook(target.readings_path, target.manifest())
    if exchange:
        _exchange(book, *exchange)
        say(f"Now: fitassay diagnose {typed(case)}" + (f" --print {number}" if number else ""))
        return
    pieces = [_piece(text) for text in references]
    sitting = Sitting(book=book, machine=machine)
    if rims:
        _rims(sitting, case, guided or at is not None)
        return
    start = sitting.start(at)
    guide = _guide(target, at, guided, carry)
    total = len(book.order)
    say(f"{clean(machine.name)}, print {target.name}: {sitting.progress()} of {count(total, 'feature')}.")
    if target.sheet_path.exists():
        say(f"Drawings of where the jaws go: {target.sheet_path}")
    say("Type the reading in mm; s skips, b goes back, q quits, ? helps. Every reading is saved at once.")
    if machine.soft:
        say(SOFT)
    try:
        sitting.references(pieces)
        if guide is None:
            sitting.features(start)
        else:
            guide.readings(sitting)
    except (Quit, EOFError):
        say()
    except KeyboardInterrupt:
        say()
        say(f"Stopped; nothing is lost: {sitting.progress()} of {total} in {target.readings_path}.")
        raise click.exceptions.Exit(STOPPED) from None
    _farewell(sitting, case, number)


def _exchange(book: ReadingsBook, first: str, second: str) -> None:
    features = {c.id: {f.id for f in c.asked} for c in book.manifest.coupons}
    for name in (first, second):
        if name not in features:
            hint = did_you_mean(name, features) or f"; this print has {', '.join(features)}"
            raise InputError(f"no such coupon {shown(name)}{hint}", "--exchange")
    if first == second or features[first] != features[second]:
        raise InputError(f"{first} and {second} have no features in common to swap", "--exchange")
    book.exchange(first, second)
    say(f"Readings of {first} and {second} swapped; the same command swaps them back.")


def _rims(sitting: Sitting, case: str, otherwise: bool) -> None:
    """Rims, single layers and cross-checks only."""
    if otherwise:
        raise click.UsageError("--rims goes with neither --guided nor --at")
    order = sitting.book.optional
    if not order:
        say(
            "This print's coupons have no rims to read; make the full set: "
            f"fitassay make {typed(case)} --new-print"
        )
        return
    why = ""
    if any(f.of_surface for _, f in order):
        why = "flat jaws put deep rest on the outermost of many layers, over a rim on two. "
    if any(f.cross_check for _, f in order):
        why += (
            "Across a whole plate, long sizes are seen once more. " if why else "long sizes seen once more. "
        )
    say(
        f"{count(len(order), 'further feature')}: {why}s skips, b goes back, q quits. Every reading is saved at once."
    )
    with suppress(Quit, EOFError):
        sitting.features(0, order)
    say(f"{sum(sitting.book.taken(c.id, f.id) for c, f in order)} of {len(order)} read; all saved.")


def _spool(target: Print, filament: bool, feed: bool, weighed: bool) -> None:
    from fitassay.reading_dialog.filament import enter_feed, enter_filament
    from fitassay.reading_dialog.weighing import enter_weighed

    if filament:
        enter_filament(target, target.machine())
    if feed:
        enter_feed(target)
    if weighed:
        enter_weighed(target)


def _guide(target: Print, at: str | None, guided: bool, carry: str | None) -> GuidedEntry | None:
    if not guided:
        if carry is not None:
            raise click.UsageError("--carry is of use with --guided only")
        return None
    if at is not None:
        raise click.UsageError("--at goes with the sheet's order; leave it out, or --guided")
    with working("Working out what would tell most"):
        from fitassay.reading_dialog.guided import GuidedEntry

        return GuidedEntry.open(target, carry)


def _piece(text: str) -> tuple[str, float]:
    try:
        return reference_piece(text)
    except ValueError as exc:
        raise InputError(str(exc), "--reference") from exc


def _farewell(sitting: Sitting, case: str, number: str | None) -> None:
    """What there is now and what to do next."""
    suffix = f" --print {number}" if number else ""
    left = len(sitting.book.remaining())
    say(f"{sitting.progress()} of {len(sitting.book.order)}; all saved.")
    if left:
        say(f"Go on with: fitassay enter {typed(case)}{suffix}")
    say(
        f"The verdict so far: fitassay diagnose {typed(case)}{suffix}"
        if left
        else f"Now: fitassay diagnose {typed(case)}{suffix}"
    )
