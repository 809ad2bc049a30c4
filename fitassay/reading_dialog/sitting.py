"""One sitting with the caliper at the terminal: features asked for one by one, each reading on disk at once."""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from fitassay.analysis.readings.file import (
    REFERENCE,
    ReadingsBook,
    is_trial,
    plausible,
    reference_id,
    reference_piece,
)
from fitassay.analysis.readings.pairs import NONES, doubtful_pair, pair_text, parse_pair
from fitassay.analysis.readings.plausibility import off_of_others, suggestion
from fitassay.analysis.rounding import reading
from fitassay.coupons.errors import InputError
from fitassay.coupons.feature import RIM_MM, Coupon, Feature
from fitassay.coupons.machine import Machine
from fitassay.coupons.numbers import tidy
from fitassay.coupons.wording import count, did_you_mean, listed, shown
from fitassay.reading_dialog.typed import BACKS, HELP, HELP_EYE, SKIPS, TRIALS, leaves, typed_values
from fitassay.terminal import ask, clean, say

PIECE_READINGS = 3
"""How often a piece of known size is to be read."""


class Quit(Exception):
    """The user has had enough for now."""


class Back(Exception):
    """To the feature before."""


class OtherPiece(Exception):
    """To another piece of known size first; what it is."""

    def __init__(self, kind: str, size: float) -> None:
        self.kind, self.size = kind, size


@dataclass(frozen=True, kw_only=True)
class Sitting:
    """One sitting with the caliper."""

    book: ReadingsBook
    machine: Machine

    def progress(self) -> str:
        """``"12 read, 1 skipped"``."""
        taken = sum(self.book.taken(c.id, f.id) for c, f in self.book.order)
        skipped = sum(self.book.skipped(c.id, f.id) for c, f in self.book.order)
        return f"{taken} read" + (f", {skipped} skipped" if skipped else "")

    def start(self, at: str | None) -> int:
        """Index of the feature to begin with; the number of features where there is nothing left."""
        order = self.book.order
        if at is None:
            left = self.book.remaining() or [p for p in order if self.book.skipped(p[0].id, p[1].id)]
            return order.index(left[0]) if left else len(order)
        wanted = at.strip()
        if wanted.isascii() and wanted.isdigit() and len(wanted) < 9 and 1 <= int(wanted) <= len(order):
            return int(wanted) - 1
        names = [{c.id, f"{c.id}/{f.id}"} for c, f in order]
        found = [i for i, name in enumerate(names) if wanted in name]
        if found:
            return found[0]
        bare = [i for i, (_, f) in enumerate(order) if f.id == wanted]
        if len(bare) == 1:
            return bare[0]
        if bare:
            places = ", ".join(f"{c.id}/{f.id}" for c, f in (order[i] for i in bare))
            raise InputError(f"{shown(wanted)} is on several coupons; choose from {places}", "--at")
        known = [n for name in names for n in sorted(name)]
        there = f"; this print has {listed(dict.fromkeys(c.id for c, _ in order))}"
        raise InputError(f"no such coupon or feature {shown(at)}{did_you_mean(at, known) or there}", "--at")

    def references(self, pieces: list[tuple[str, float]]) -> None:
        """Pieces of known size: those asked for, else one offered before the very first reading."""
        fresh = not any(self.book.taken(c.id, f.id) for c, f in self.book.order)
        fresh &= any(not f.by_eye for _, f in self.book.order)
        if not pieces and fresh and not self.book.references() and sys.stdin.isatty():
            say()
            say(
                "A piece of known size (gauge block, ground dowel, ring) shows the caliper's own error. "
                "Kind and size, such as outside 10.000 or inside 8.000, or Enter to do without."
            )
            while text := ask("piece of known size: "):
                if leaves(text):
                    raise Quit
                if text.casefold() in SKIPS:
                    break
                if text.casefold() in BACKS:
                    say("This is the first one.")
                    continue
                if text.casefold() in ("?", "h", "help"):
                    say("Kind and size, such as outside 10.000; s or Enter does without, q quits.")
                    continue
                try:
                    pieces = [reference_piece(text)]
                    break
                except ValueError as exc:
                    say(f"{exc}.")
        for kind, size in pieces:
            self.reference(kind, size)

    def reference(self, kind: str, size: float) -> None:
        """Readings of one piece of known size, and of any that is asked for meanwhile."""
        open_ = [self._piece(kind, size)]
        while open_:
            try:
                self._read_piece(open_[-1])
                open_.pop()
            except OtherPiece as other:
                open_.append(self._piece(other.kind, other.size))

    def _piece(self, kind: str, size: float) -> Feature:
        """Says which piece to take up; the piece as what is read."""
        jaws = "outside jaws over it" if kind == "outside" else "inside jaws in it"
        say()
        say(
            f"Piece of known size, {size:.3f} mm: {jaws}, as you will measure the coupons. Read it {PIECE_READINGS} "
            "times; Enter ends."
        )
        return Feature(
            id=reference_id(kind, size),
            kind="outside" if kind == "outside" else "inside",
            direction_deg=0.0,
            nominal_mm=size,
            contact_a_mm=(0.0, 0.0, 0.0),
            contact_b_mm=(size, 0.0, 0.0),
            jaw_mm=3.0,
            instruction="",
        )

    def _read_piece(self, feature: Feature) -> None:
        try:
            while True:
                before = len(self.book.values(REFERENCE, feature.id))
                self.feature(REFERENCE, feature, again=before > 0)
                if not before < len(self.book.values(REFERENCE, feature.id)) < PIECE_READINGS:
                    return
        except Back:
            return

    def features(self, start: int, order: tuple[tuple[Coupon, Feature], ...] | None = None) -> None:
        """All features from index `start` on, passing over those already dealt with on the way forward."""
        order = self.book.order if order is None else order
        i, coupon, revisit = start, "", True
        while i < len(order):
            c, f = order[i]
            if not revisit and (self.book.taken(c.id, f.id) or self.book.skipped(c.id, f.id)):
                i += 1
                continue
            if c.id != coupon:
                self.coupon(c)
                coupon = c.id
            self.announce(f"{i + 1} of {len(order)}", c, f)
            try:
                self.feature(c.id, f, trial=is_trial(c, f))
                i, revisit = i + 1, False
            except Back:
                if i == 0:
                    say("This is the first one.")
                i, revisit = max(i - 1, 0), True
        self._skipped(order)

    def _skipped(self, order: tuple[tuple[Coupon, Feature], ...]) -> None:
        """Offer once more what was skipped."""
        left = [(c, f) for c, f in order if self.book.skipped(c.id, f.id)]
        if not left:
            return
        say()
        if leaves(
            ask(f"{count(len(left), 'feature')} skipped; Enter goes through them once more, q leaves them: ")
        ):
            raise Quit
        coupon = ""
        for c, f in left:
            if c.id != coupon:
                self.coupon(c)
                coupon = c.id
            self.announce("skipped before", c, f)
            with suppress(Back):
                self.feature(c.id, f, trial=is_trial(c, f))

    def announce(self, where: str, coupon: Coupon, feature: Feature) -> None:
        """Says what is to be read now."""
        say()
        size = f"drawn {feature.nominal_mm:.2f} mm"
        if feature.pairs is not None:
            size = f"pairs {feature.pairs.first} to {feature.pairs.last}"
        say(f"{where}   {coupon.id} {feature.id}   {size}   {_where(feature)}")
        if feature.instruction:
            say(clean(feature.instruction), indent="  ")

    def coupon(self, coupon: Coupon) -> None:
        """Says which piece to take up."""
        say()
        if coupon.features and all(f.by_eye for f in coupon.features):
            say(f"Look at coupon {coupon.id}, from plate {coupon.plate}, as it lies on the bed.")
        else:
            say(f"Take up coupon {coupon.id}, from plate {coupon.plate}. Mind its arrow: it points to +x.")

    def feature(self, coupon: str, feature: Feature, trial: bool = False, again: bool = False) -> None:
        """One feature until it is read, skipped or left; raises `Back` or `Quit`.

        Parameters
        ----------
        trial : bool
            A peg is tried in a hole.
        again : bool
            What is typed is added to what the feature has, as a repeat.
        """
        while True:
            has = [*self.book.values(coupon, feature.id), *self.book.trials(coupon, feature.id)]
            show = pair_text if feature.by_eye else reading
            text = self._typed([v if isinstance(v, str) else show(v) for v in has], feature, trial, again)
            word = text.casefold()
            if word in SKIPS:
                self._skip(coupon, feature)
                return
            if not text and has:
                return
            if trial and (tried := TRIALS.get(word.removeprefix("+").strip())):
                self._write(coupon, feature, [tried], [] if word.startswith("+") else has)
                return
            if feature.by_eye and text and word not in ("?", "h", "help"):
                if self._count(coupon, feature, text, [] if again else has):
                    return
            elif re.match(r"r(eference)?\b", word):
                self._extra_reference(coupon, text)
            elif not text or word in ("?", "h", "help"):
                say(HELP_EYE if feature.by_eye else HELP)
            elif self._take(coupon, feature, text, [] if again else has):
                return

    def _typed(self, has: list[str], feature: Feature, trial: bool, again: bool) -> str:
        """What is typed at a feature that has these readings; raises `Back` or `Quit`."""
        if again:
            say(f"has {', '.join(has)}; what you type is added to it, Enter leaves it at that", indent="  ")
        elif has:
            say(f"has {', '.join(has)}; Enter keeps, a new one replaces, + before it adds", indent="  ")
        if trial:
            say("  goes (g), sticks (st), does not go (d), or a size in mm")
        if feature.by_eye:
            say("  the pair's number, such as 3 or 3.5, or none")
        text = ask("  pair: " if feature.by_eye else "  reading: ")
        if leaves(text):
            raise Quit
        if text.casefold() in BACKS:
            raise Back
        return text

    def _skip(self, coupon: str, feature: Feature) -> None:
        if coupon != REFERENCE:
            self.book.skip(coupon, feature.id)

    def _extra_reference(self, coupon: str, text: str) -> None:
        """`r outside 10.000` typed at a feature."""
        try:
            kind, size = reference_piece(text.partition(" ")[2])
        except ValueError as exc:
            say(f"  {exc}.")
            return
        if coupon == REFERENCE:
            raise OtherPiece(kind, size)
        self.reference(kind, size)

    def _count(self, coupon: str, feature: Feature, text: str, has: Sequence[float | str]) -> bool:
        """Write down counts of a row that is read by eye, in place of those it has; False asks again."""
        more = text.startswith("+")
        words = (
            [text] if tidy(text).casefold().removeprefix("+ ") in NONES else text.removeprefix("+").split()
        )
        counts: list[float | str] = []
        before = tuple(v for v in has if isinstance(v, float)) if more else ()
        for word in words:
            try:
                number, none = parse_pair(word.removeprefix("+"), feature)
            except ValueError as exc:
                say(f"  {exc}.")
                return False
            counts.append(none if number is None else number)
            if number is not None and (doubt := doubtful_pair(feature, number, before)):
                say(doubt, indent="  ")
                if ask(f"  {_choices(pair_text(number), [])}: ").strip().casefold() not in (
                    "k",
                    "keep",
                    "y",
                    "yes",
                ):
                    return False
            before += (number,) if number is not None else ()
        self._write(coupon, feature, counts, [] if more else has)
        return True

    def _take(self, coupon: str, feature: Feature, text: str, has: Sequence[float | str]) -> bool:
        """Write down typed values, in place of those it has, if they are meant; False asks again."""
        while True:
            more = text.startswith("+")
            try:
                values = typed_values(text.removeprefix("+"))
            except ValueError as exc:
                say(f"  {exc}.")
                return False
            others = off_of_others(feature, self.book.order, self.book.values)
            doubts = [d for v in values if (d := plausible(feature, v, self.machine, others))]
            if not doubts:
                break
            for doubt in doubts:
                say(doubt, indent="  ")
            meant = self._meant(feature, values, others)
            again = ask(f"  {_choices(text, meant)}: ").strip()
            word = again.casefold()
            if meant and word in ("", "y", "yes"):
                values = meant
                break
            if word in ("k", "keep") or (not meant and word in ("y", "yes")):
                break
            if leaves(again):
                raise Quit
            if word in BACKS:
                raise Back
            if word in SKIPS:
                self._skip(coupon, feature)
                return True
            if word in ("", "n", "no"):
                return False
            text = again
        self._write(coupon, feature, values, [] if more else has)
        return True

    def _meant(self, feature: Feature, values: Sequence[float], others: float | None) -> list[float]:
        """The values with the doubted ones as they were probably meant; empty where one of them is not explained."""
        doubted = [bool(plausible(feature, v, self.machine, others)) for v in values]
        meant = [suggestion(feature, v, others) if d else v for v, d in zip(values, doubted, strict=True)]
        return [v for v in meant if v is not None] if None not in meant else []

    def _write(
        self,
        coupon: str,
        feature: Feature,
        values: Sequence[float | str],
        replaced: Sequence[float | str],
    ) -> None:
        """On disk, in place of the readings `replaced` or, without any, behind those there are.

        Only what the prompt showed is replaced: another window may have added a reading since.
        """
        if replaced:
            self.book.replace(coupon, feature.id, *values, shown=replaced)
        else:
            self.book.add(coupon, feature.id, *values)


def _choices(text: str, meant: Sequence[float]) -> str:
    """What may be answered to a doubt."""
    if meant:
        sizes = " ".join(reading(v) for v in meant)
        return f"Enter or y takes {sizes}; k keeps {text}; n types again"
    return f"k keeps {text}; Enter or n types again"


def _where(feature: Feature) -> str:
    """Jaws and direction in a few words."""
    if feature.kind == "height":
        return "height, outside jaws"
    if feature.by_eye:
        return "by eye"
    angle = feature.direction_deg % 180
    along = {0.0: "along x", 90.0: "along y"}.get(angle, f"at {angle:g} degrees from x")
    jaws = {
        "inside": "inside jaws",
        "thickness": "wall, outside jaws",
        "rim": f"outside jaws over the top {RIM_MM:g} mm only",
    }.get(feature.kind, "outside jaws")
    if feature.edge:
        jaws = "one layer of the wall, knife edges"
    return f"{jaws}, {along}"
