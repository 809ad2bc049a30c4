"""One reading as data, and what the cells of a readings.csv row mean."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from fitassay.analysis.readings.pairs import parse_pair
from fitassay.analysis.readings.table import Table, csv_line
from fitassay.analysis.readings.weighings import WEIGHED, parse_mass, weighing_of
from fitassay.coupons.family_names import LADDER
from fitassay.coupons.feature import Coupon, Feature, Manifest
from fitassay.coupons.files import read_input
from fitassay.coupons.numbers import parse_length, tidy
from fitassay.coupons.wording import did_you_mean, shown

COLUMNS = ("coupon", "feature", "reading_mm", "note")
REFERENCE = "reference"
"""The coupon column of a piece of known size."""

FITS = ("goes", "sticks", "does not go")
"""What may stand in place of a reading where a peg is tried in a hole."""

TRIED: dict[str, str] = {
    **{word: word for word in FITS},
    **dict.fromkeys(("ok", "okay", "yes", "fits", "turns", "loose", "free"), "goes"),
    **dict.fromkeys(("tight", "stiff", "jams", "stuck"), "sticks"),
    **dict.fromkeys(("no", "not", "doesn't go", "will not go", "won't go"), "does not go"),
}
"""What people write for each of `FITS`."""


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One reading as a row of readings.csv holds it.

    Attributes
    ----------
    coupon, feature : str
        As the manifest names them; for a piece of known size ``reference`` and, e.g., ``outside:10.000``; for
        what was weighed ``weighed`` and, e.g., ``wall_g``.
    reading_mm : float [mm], [g] of what was weighed, or None
        None where `fit` tells a trial instead.
    note : str
        The user's own words.
    line : int
        Of the file, from 1.
    fit : str
        One of `FITS`, or empty for a measured size; of a row read by eye that no pair does.
    pair : float or None
        Number of the pair, where a row is read by eye.
    """

    coupon: str
    feature: str
    reading_mm: float | None
    note: str = ""
    line: int = 0
    fit: str = ""
    pair: float | None = None

    @property
    def by_hand(self) -> bool:
        """Whether it was tried by hand or read by eye instead of with the caliper."""
        return bool(self.fit) or self.pair is not None


def measured_only(readings: Iterable[Reading]) -> tuple[Reading, ...]:
    """Readings without those off the scale."""
    return tuple(r for r in readings if r.coupon != WEIGHED)


def blank_readings(manifest: Manifest) -> str:
    """The text of a readings.csv with a row for each feature, in measuring order, and nothing read yet.

    What is asked of everyone comes first, evidence for where it helps after it.
    """
    rows = [COLUMNS, *((c.id, f.id, "", "") for c, f in (*manifest.asked, *manifest.optional))]
    return "".join(csv_line(row) + "\n" for row in rows)


def parse_reading(text: str, coupon: str = "") -> tuple[float | None, str]:
    """Size [mm] and trial word of a typed reading: ``(20.31, "")`` or ``(None, "goes")``.

    Rows of the coupon ``weighed`` tell masses [g].

    Raises
    ------
    ValueError
        With a sentence that says what is wrong and what to write.
    """
    if coupon == WEIGHED:
        return parse_mass(text), ""
    word = tidy(text).casefold().replace("\N{RIGHT SINGLE QUOTATION MARK}", "'")
    if word in TRIED:
        return None, TRIED[word]
    return parse_length(text), ""


def parse_answer(text: str, feature: Feature | None, coupon: str = "") -> tuple[float | None, str]:
    """What is typed at a feature: size [mm] or number of a pair, and the word that stands in place of it.

    Raises
    ------
    ValueError
        As `parse_reading` and `parse_pair`.
    """
    return (
        parse_pair(text, feature) if feature is not None and feature.by_eye else parse_reading(text, coupon)
    )


def reference_piece(feature: str) -> tuple[str, float]:
    """Kind and size [mm] of a piece of known size: ``("outside", 10.0)`` of ``outside:10.000``.

    Raises
    ------
    ValueError
        With a sentence that says what to write.
    """
    match = re.fullmatch(r"\s*(\w+)\s*[: ]\s*(.+)", feature, re.DOTALL)
    kind = match[1].casefold() if match else ""
    if match is None or kind not in ("outside", "inside"):
        raise ValueError(
            f"{shown(feature)} names no piece of known size; write outside:10.000 for a block or a dowel, "
            "inside:8.000 for a ring or a slot"
        )
    return kind, parse_length(match[2])


def reference_id(kind: str, size_mm: float) -> str:
    """The feature column for a piece of known size, e.g. ``outside:10.000``."""
    whole, _, digits = f"{size_mm:.6f}".partition(".")
    return f"{kind}:{whole}.{digits.rstrip('0').ljust(3, '0')}"


def is_trial(coupon: Coupon, feature: Feature) -> bool:
    """Whether a peg is tried there by hand, so that a word of `FITS` may stand in place of a size."""
    return coupon.family == LADDER and feature.kind == "inside"


class Names:
    """Looks up what a row's coupon and feature cells mean, whatever a spreadsheet did to their capitals."""

    def __init__(self, manifest: Manifest) -> None:
        self.coupons = {c.id.casefold(): c for c in manifest.coupons}
        self.features = {c.id: {f.id.casefold(): f for f in c.features} for c in manifest.coupons}

    def find(self, coupon: str, feature: str) -> tuple[str, str] | None:
        """Coupon and feature as the manifest writes them, or None for a row of something else."""
        if coupon.casefold() == REFERENCE and REFERENCE not in self.coupons:
            try:
                return REFERENCE, reference_id(*reference_piece(feature))
            except ValueError:
                return None
        if coupon.casefold() == WEIGHED and WEIGHED not in self.coupons:
            try:
                return WEIGHED, weighing_of(feature, self.features).feature
            except ValueError:
                return None
        c = self.coupons.get(coupon.casefold())
        f = self.features[c.id].get(feature.casefold()) if c else None
        return (c.id, f.id) if c and f else None

    def feature(self, coupon: str, feature: str) -> Feature | None:
        """The feature of these names; None for a piece of known size, and where there is none."""
        c = self.coupons.get(coupon.casefold())
        return self.features[c.id].get(feature.casefold()) if c else None

    def coupon(self, coupon: str) -> Coupon | None:
        """The coupon of that name."""
        return self.coupons.get(coupon.casefold())

    def unknown(self, coupon: str, feature: str) -> tuple[str, str]:
        """Column and message for a row that `find` does not know."""
        if coupon.casefold() == REFERENCE:
            try:
                reference_piece(feature)
            except ValueError as exc:
                return "feature", str(exc)
        if coupon.casefold() == WEIGHED:
            try:
                weighing_of(feature, self.features)
            except ValueError as exc:
                return "feature", str(exc)
        c = self.coupon(coupon)
        if c is None:
            near = did_you_mean(coupon, [*(c.id for c in self.coupons.values()), REFERENCE, WEIGHED])
            what = f"no coupon of this print is called {shown(coupon)}" if coupon else "the coupon is missing"
            return "coupon", what + (near or "; coupons.json lists them")
        ids = [f.id for f in self.features[c.id].values()]
        if not feature:
            return "feature", f"the feature is missing; {c.id} has {', '.join(ids[:8])}"
        near = did_you_mean(feature, ids) or f"; it has {', '.join(ids[:8])}"
        return "feature", f"coupon {c.id} has no feature {shown(feature)}{near}"


def open_table(path: Path) -> Table:
    """The file as a table with at least coupon, feature and reading_mm."""
    path = Path(path)
    raw = read_input(path, "list", "there is no such file; 'fitassay make' writes a blank one")
    return Table(raw, str(path), COLUMNS[:3], COLUMNS)
