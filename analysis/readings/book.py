"""The readings of one print while they are being taken: the one way by which readings.csv is changed."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from fitassay.analysis.readings.pairs import pair_text
from fitassay.analysis.readings.reading import (
    COLUMNS,
    REFERENCE,
    Names,
    blank_readings,
    open_table,
    parse_answer,
)
from fitassay.analysis.readings.table import Record, Table, harmless_cell
from fitassay.analysis.readings.weighings import WEIGHED
from fitassay.coupons.errors import InputError, JobError
from fitassay.coupons.feature import Coupon, Feature, Manifest
from fitassay.coupons.files import is_there, write_atomic
from fitassay.coupons.lock import locked

SKIPPED = "skipped"
"""In the note of a feature that was passed over: it is not asked for again."""


LONGEST_NOTE = 20_000
"""Characters in a note; far below what CSV readers take for a cell."""


@dataclass(frozen=True, kw_only=True)
class _Change:
    """Rows of one feature before and after, whole, so that an undo can tell whether they changed since."""

    coupon: str
    feature: str
    before: list[list[str]]
    after: list[list[str]]


class ReadingsBook:
    """Adds, replaces, skips and takes back readings of one print.

    Every call that changes something has it on disk before it returns, reads the file anew first and holds a
    lock meanwhile, so that several windows and an editor can work on one file. Rows, notes and columns that
    the user typed stay, in their order.

    Parameters
    ----------
    path : Path
        The readings.csv; it need not exist yet.
    manifest : Manifest

    Raises
    ------
    InputErrors
        The file is there but is no table of readings. Rows with nonsense in them are left alone here;
        `read_readings` names them.
    """

    def __init__(self, path: Path, manifest: Manifest) -> None:
        self.path = Path(path)
        self.manifest = manifest
        self.order: tuple[tuple[Coupon, Feature], ...] = manifest.asked
        self.optional: tuple[tuple[Coupon, Feature], ...] = manifest.optional
        self._names = Names(manifest)
        self._history: list[_Change] = []
        self._guard = threading.RLock()
        self._table = self._load()

    # Looking

    def values(self, coupon: str, feature: str) -> tuple[float, ...]:
        """Sizes [mm], or numbers of pairs, read so far, in the file's order; trials are not among them."""
        return tuple(v for v, _ in self._parsed(coupon, feature) if v is not None)

    def trials(self, coupon: str, feature: str) -> tuple[str, ...]:
        """Words in place of a number, such as those of `FITS` where a peg was tried, in the file's order."""
        return tuple(word for _, word in self._parsed(coupon, feature) if word)

    def taken(self, coupon: str, feature: str) -> bool:
        """Whether anything has been read there."""
        return bool(self._parsed(coupon, feature))

    def skipped(self, coupon: str, feature: str) -> bool:
        """Whether the feature was passed over and not read since."""
        if self.taken(coupon, feature):
            return False
        return any(_is_skipped(note) for _, note in self._cells(coupon, feature))

    def remaining(self) -> list[tuple[Coupon, Feature]]:
        """Features neither read nor skipped, in measuring order."""
        return [(c, f) for c, f in self.order if not self.taken(c.id, f.id) and not self.skipped(c.id, f.id)]

    def references(self) -> tuple[str, ...]:
        """Pieces of known size that the file names, e.g. ``outside:10.000``."""
        return self._beside(REFERENCE)

    def weighings(self) -> tuple[str, ...]:
        """What the file has been weighed of, e.g. ``wall_g``."""
        return tuple(f for f in self._beside(WEIGHED) if self.taken(WEIGHED, f))

    def _beside(self, coupon: str) -> tuple[str, ...]:
        """Features of rows that belong to no coupon of the print."""
        found = (self._names.find(*self._place(r)) for r in self._table.records)
        return tuple(dict.fromkeys(f for c, f in filter(None, found) if c == coupon))

    # Changing

    def add(self, coupon: str, feature: str, *values: float | str, note: str = "") -> None:
        """Write down one or more readings [mm] of a feature, behind those it has.

        Raises
        ------
        InputError
            There is no such feature, or a value is no reading; nothing is written then.
        JobError
            The file cannot be written; it is then as it was.
        """
        texts = [self._written(v, coupon, feature) for v in values]
        note = _safe(note)

        def edit(rows: list[Row]) -> list[Row]:
            new = [Row(reading=t, note=note if i == 0 else "") for i, t in enumerate(texts)]
            for i, row in enumerate(rows):
                if new and not row.reading:
                    rows[i] = Row(reading=new[0].reading, note=_joined(_unskipped(row.note), new.pop(0).note))
            return rows + new

        self._change(coupon, feature, edit)

    def replace(
        self, coupon: str, feature: str, *values: float | str, shown: Iterable[float | str] | None = None
    ) -> None:
        """Put these in place of the feature's readings [mm]; none takes them back. Rows and notes stay.

        Parameters
        ----------
        values : float [mm] or str
        shown : iterable, optional
            The readings that the user saw when replacing them. Others, written down elsewhere meanwhile, stay.
            By default all are replaced.

        Raises
        ------
        InputError, JobError
            As `add`.
        """
        texts = [self._written(v, coupon, feature) for v in values]
        seen = None if shown is None else [self._written(v, coupon, feature) for v in shown]

        def edit(rows: list[Row]) -> list[Row]:
            rest = list(texts)
            new = []
            for row in rows:
                if row.reading and seen is not None:
                    text = self._text_of(row, coupon, feature)
                    if text not in seen:
                        new.append(row)
                        continue
                    seen.remove(text)
                new.append(
                    Row(reading=rest.pop(0), note=_unskipped(row.note))
                    if rest
                    else Row(reading="", note=row.note)
                )
            return new + [Row(reading=t, note="") for t in rest]

        self._change(coupon, feature, edit)

    def remove(self, coupon: str, feature: str, value: float | str) -> bool:
        """Take back one reading of that value [mm], the last where there are several; its row and note stay.

        Returns
        -------
        bool
            False where no such reading is there (any more).

        Raises
        ------
        InputError, JobError
            As `add`.
        """
        text = self._written(value, coupon, feature)
        found = False

        def edit(rows: list[Row]) -> list[Row]:
            nonlocal found
            for i in reversed(range(len(rows))):
                if self._text_of(rows[i], coupon, feature) == text:
                    found = True
                    rows[i] = Row(reading="", note=rows[i].note)
                    break
            return rows

        self._change(coupon, feature, edit)
        return found

    def skip(self, coupon: str, feature: str) -> None:
        """Pass over a feature: it is not asked for again until it is read. Readings it has stay.

        Raises
        ------
        InputError, JobError
            As `add`.
        """

        def edit(rows: list[Row]) -> list[Row]:
            rows = rows or [Row(reading="", note="")]
            if not any(r.reading or _is_skipped(r.note) for r in rows):
                rows[0] = Row(reading="", note=_joined(rows[0].note, SKIPPED))
            return rows

        self._change(coupon, feature, edit)

    def undo(self) -> tuple[str, str] | None:
        """Take back the last change made through this book; None where there is none left.

        Returns
        -------
        tuple of str, or None
            Coupon and feature whose rows are again as before.

        Raises
        ------
        JobError
            The rows were changed elsewhere since, or the file cannot be written; nothing is changed then.
        """
        with self._guard, locked(self.path):
            if not self._history:
                return None
            change = self._history[-1]
            table = self._load()
            rows = self._rows(table, change.coupon, change.feature)
            if [r.cells for r in rows] != change.after:
                self._history.pop()
                raise JobError(
                    f"{self.path}: {change.coupon} {change.feature} was changed elsewhere since; "
                    "nothing was undone"
                )
            for record, cells in zip(rows, change.before, strict=False):
                full = cells + [""] * (len(record.cells) - len(cells))
                table.set(record, {name: full[i] for name, i in table.columns.items() if i < len(full)})
            for record in rows[len(change.before) :]:
                table.records.remove(record)
            self._save(table)
            self._history.pop()
            return change.coupon, change.feature

    def exchange(self, first: str, second: str) -> None:
        """Give the rows of each of two coupons to the other: they were typed under the wrong name."""
        other = {first: second, second: first}
        with self._guard, locked(self.path):
            table = self._load()
            for record in table.records:
                found = self._names.find(*self._place(record, table))
                if found is not None and found[0] in other:
                    table.set(record, {"coupon": other[found[0]]})
            self._save(table)
            self._history.clear()

    # Within

    def _change(self, coupon: str, feature: str, edit: Callable[[list[Row]], list[Row]]) -> None:
        found = self._names.find(coupon, feature)
        if found is None:
            column, message = self._names.unknown(coupon, feature)
            raise InputError(message, column)
        with self._guard, locked(self.path):
            table = self._load()
            records = self._rows(table, *found)
            before = [list(r.cells) for r in records]
            old = [Row(reading=table.cell(r, "reading_mm"), note=table.cell(r, "note")) for r in records]
            new = edit(list(old))
            for record, was, now in zip(records, old, new, strict=False):
                if was != now:
                    table.set(record, now.cells(table))
            at = self._end(table, records, found[0])
            for i, row in enumerate(new[len(records) :]):
                record = table.insert(at + i, {"coupon": found[0], "feature": found[1], **row.cells(table)})
                records.append(record)
            if old != new:
                self._save(table)
                after = [list(r.cells) for r in records]
                self._history.append(_Change(coupon=found[0], feature=found[1], before=before, after=after))

    def _load(self) -> Table:
        try:
            return open_table(self.path)
        except InputError:
            if is_there(self.path):
                raise
            return Table(blank_readings(self.manifest).encode(), str(self.path), COLUMNS[:3], COLUMNS)

    def _save(self, table: Table) -> None:
        write_atomic(self.path, table.text())
        self._table = table

    def _place(self, record: Record, table: Table | None = None) -> tuple[str, str]:
        table = table or self._table
        return table.cell(record, "coupon"), table.cell(record, "feature")

    def _rows(self, table: Table, coupon: str, feature: str) -> list[Record]:
        """The rows of one feature."""
        return [r for r in table.records if self._names.find(*self._place(r, table)) == (coupon, feature)]

    def _end(self, table: Table, records: list[Record], coupon: str) -> int:
        """Where a further row of a feature goes: behind its last, its coupon's last, or all."""
        with_coupon = [r for r in table.records if self._place(r, table)[0].casefold() == coupon.casefold()]
        filled = [r for r in table.records if not r.blank]
        last = (records or with_coupon or filled)[-1:]
        return next((i + 1 for i, r in enumerate(table.records) if last and r is last[0]), 0)

    def _cells(self, coupon: str, feature: str) -> list[tuple[str, str]]:
        """Reading and note of each row of a feature."""
        with self._guard:
            table = self._table
            found = self._names.find(coupon, feature)
            rows = self._rows(table, *found) if found else []
            return [(table.cell(r, "reading_mm"), table.cell(r, "note")) for r in rows]

    def _text_of(self, row: Row, coupon: str, feature: str) -> str:
        """A row's reading as `_written` has it; as it stands where it is nonsense typed by hand."""
        try:
            return self._written(row.reading, coupon, feature)
        except InputError:
            return row.reading

    def _parsed(self, coupon: str, feature: str) -> list[tuple[float | None, str]]:
        known = self._names.feature(coupon, feature)
        good = []
        for text, _ in self._cells(coupon, feature):
            try:
                good.append(parse_answer(text, known, coupon.casefold()))
            except ValueError:
                continue
        return good

    def _written(self, value: float | str, coupon: str, feature: str) -> str:
        """A reading's text, with a decimal point."""
        known = self._names.feature(coupon, feature)
        try:
            size, fit = parse_answer(
                value if isinstance(value, str) else repr(float(value)), known, coupon.casefold()
            )
        except ValueError as exc:
            raise InputError(str(exc), "reading_mm") from exc
        if size is None:
            return fit
        if known is not None and known.by_eye:
            return pair_text(size)
        whole, _, digits = f"{size:.6f}".partition(".")
        return f"{whole}.{digits.rstrip('0').ljust(2, '0')}"


@dataclass(frozen=True, kw_only=True)
class Row:
    """What a book changes of a row: the reading's text and the note."""

    reading: str
    note: str

    def cells(self, table: Table) -> dict[str, str]:
        """As cells, with the decimal mark that the file's spreadsheet understands."""
        reading = self.reading.replace(".", ",") if _decimal_comma(table) else self.reading
        return {"reading_mm": reading, "note": self.note}


def _decimal_comma(table: Table) -> bool:
    """Whether the file writes 20,31: with semicolons it does unless its readings show points."""
    if table.delimiter == ",":
        return False
    readings = [table.cell(r, "reading_mm") for r in table.records]
    if any("," in r for r in readings):
        return True
    return table.delimiter == ";" and not any("." in r for r in readings)


def _safe(note: str) -> str:
    """A note that a file can hold and that reads back as it is."""
    if len(note) > LONGEST_NOTE:
        raise InputError(f"is longer than {LONGEST_NOTE} characters; shorten it", "note")
    return harmless_cell(note.encode("utf-8", "replace").decode("utf-8").replace("\0", "").strip())


def _is_skipped(note: str) -> bool:
    return note == SKIPPED or note.endswith("; " + SKIPPED)


def _unskipped(note: str) -> str:
    return note[: -len(SKIPPED)].removesuffix("; ") if _is_skipped(note) else note


def _joined(first: str, second: str) -> str:
    return f"{first}; {second}" if first and second else first or second
