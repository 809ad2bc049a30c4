"""Where a case stands: its prints, how far they are read, and the command that comes next."""

from __future__ import annotations

import json
from contextlib import suppress

from fitassay.card_hint import card_tells
from fitassay.case import Case, Print
from fitassay.coupons.files import read_input
from fitassay.coupons.wording import count
from fitassay.terminal import clean, say, typed


def show_standing(path: str) -> None:
    """Say it.

    Raises
    ------
    InputError
        There is no case, or something is wrong with its files.
    """
    place = Case.open(path)
    name = typed(path)
    machine = place.machine()
    say(f"{clean(machine.name)}: {count(len(place.prints()), 'print')}.")
    if not place.prints():
        say(f"Next: fitassay make {name}")
        if card_tells(machine):
            say(f"Or, in ten minutes and without a caliper: fitassay path {name} --card --like FILE")
        return
    for target in place.prints():
        read, features = _progress(target)
        verdict = _verdict(target)
        say(f"{target.name}   {read} of {features} read{f'   {verdict}' if verdict else ''}", indent="  ")
    newest = place.print()
    read, features = _progress(newest)
    if not read:
        say(f"Next: print {newest.folder}, let it cool, then: fitassay enter {name}")
    elif read < features:
        say(f"Next: fitassay enter {name}; the verdict so far: fitassay diagnose {name}")
    elif not newest.diagnosis_path.exists():
        say(f"Next: fitassay diagnose {name}")
    elif _told(newest, "advice"):
        say(f"Next: fitassay apply {name}, or fitassay diagnose {name} once more")
    elif _told(newest, "joints_fit"):
        say("Your joints fit as drawn; nothing needs to be done for them.")
        say(f"What would still tell more: fitassay next {name}; all of it: fitassay diagnose {name}")
    else:
        say(f"Next: fitassay next {name}, what would tell more; or fitassay diagnose {name} once more")


def _progress(target: Print) -> tuple[int, int]:
    """Features read and features in all."""
    from fitassay.analysis.readings.file import ReadingsBook

    book = ReadingsBook(target.readings_path, target.manifest())
    return sum(book.taken(c.id, f.id) for c, f in book.order), len(book.order)


def _told(target: Print, what: str) -> bool:
    """Whether there was any of it when the print was judged last, by its diagnosis.json."""
    with suppress(ValueError, KeyError, TypeError, RecursionError):
        return bool(json.loads(read_input(target.diagnosis_path, "record"))[what])
    return False


def _verdict(target: Print) -> str:
    """The verdict's first sentence as it was said last; empty where none was."""
    from fitassay.labels import first_sentence, plain

    with suppress(ValueError, KeyError, TypeError, RecursionError):
        told = json.loads(read_input(target.diagnosis_path, "record"))
        return first_sentence(plain(told["verdict"]["text"], 400))[0]
    return ""
