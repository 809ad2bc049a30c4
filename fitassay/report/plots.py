"""The report's plots: error budget, readings, and the region in which two errors lie together.

Every function returns one ``<svg>`` element. A plot never stands alone: the page puts a table of the same numbers
under it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from fitassay.analysis.result import Diagnosis, ReadingFit
from fitassay.analysis.rounding import COVERAGE
from fitassay.analysis.terms import INDEX
from fitassay.coupons.wording import trimmed
from fitassay.labels import plain, term_label
from fitassay.report.svg import ACCUSED, DATA, INK, MUTED, RULE, SOFT, SUSPECT, Sheet


@dataclass(frozen=True, kw_only=True)
class BudgetColumn:
    """One column of the error budget: contributions and their expanded uncertainties, each (features,) [mm]."""

    name: str
    label: str
    value: np.ndarray
    expanded: np.ndarray
    accused: bool


NEGLIGIBLE_MM = 5e-4
"""A contribution whose size and expanded uncertainty stay under this is not drawn [mm]."""

MOST_COLUMNS = 7
"""Terms drawn beside each other in the error budget; the rest is in its table."""

CHI2_95_2 = 5.991
"""95 % point of chi-squared with 2 degrees of freedom."""


def highlighted(diagnosis: Diagnosis) -> tuple[str, ...]:
    """Terms in the signal colour: the accused one, or while none is accused the contenders."""
    return (diagnosis.verdict.term,) if diagnosis.verdict.term else diagnosis.verdict.contenders


def budget_columns(diagnosis: Diagnosis) -> tuple[BudgetColumn, ...]:
    """The printer's terms that reach the reference features, the largest share first."""
    columns = []
    for term in diagnosis.terms:
        j = INDEX[term.name]
        value = np.asarray(diagnosis.contributions_mm)[:, j]
        expanded = COVERAGE * np.asarray(diagnosis.contributions_u_mm)[:, j]
        if term.kind != "printer" or not np.any(np.abs(value) + expanded > NEGLIGIBLE_MM):
            continue
        columns.append(
            BudgetColumn(
                name=term.name,
                label=term_label(term.name),
                value=value,
                expanded=expanded,
                accused=term.name in highlighted(diagnosis),
            )
        )
    return tuple(sorted(columns, key=lambda c: -diagnosis.shares.get(c.name, 0.0)))


def error_budget(diagnosis: Diagnosis) -> str:
    """Signed contribution of each term to each reference feature, with expanded uncertainty, as SVG.

    Rows are features, columns terms; all columns share one scale, so lengths compare across the whole plot.
    """
    columns = budget_columns(diagnosis)[:MOST_COLUMNS]
    features = diagnosis.reference_features
    if not columns or not features:
        return ""
    reach = max(float(np.max(np.abs(c.value) + c.expanded)) for c in columns)
    tick = _round_tick(0.9 * reach)
    pitch, half = 132.0, 50.0
    scale = half / reach
    left, top, row = 178.0, 46.0, 30.0
    width = left + pitch * len(columns) + 6
    foot = top + row * len(features)
    sheet = Sheet(width, foot + 26)
    for i, feature in enumerate(features):
        y = top + row * (i + 0.5)
        sheet.text(left - 14, y, plain(feature, 30), side="end")
        if i:
            sheet.line(0, y - row / 2, width, y - row / 2, RULE, 0.8)
    for j, column in enumerate(columns):
        x0 = left + pitch * (j + 0.5)
        for k, words in enumerate(_two_lines(column.label, 17)):
            sheet.text(x0, 14 + 16 * k, words, bold=column.accused)
        sheet.line(x0, top, x0, foot, MUTED, 1.0)
        for i in range(len(features)):
            value, expanded = float(column.value[i]), float(column.expanded[i])
            if abs(value) + expanded > NEGLIGIBLE_MM:
                y = top + row * (i + 0.5)
                sheet.line(x0, y, x0 + value * scale, y, ACCUSED if column.accused else DATA, 14.0)
                _whisker(sheet, x0 + (value - expanded) * scale, x0 + (value + expanded) * scale, y)
        for value in (-tick, 0.0, tick):
            x = x0 + value * scale
            sheet.line(x, foot, x, foot + 5, MUTED, 1.0)
            sheet.text(x, foot + 14, _tick(value), size=10, colour=MUTED)
    sheet.text(left - 14, foot + 14, "mm", side="end", size=10, colour=MUTED)
    return sheet.svg("budget", "Error budget: what each error adds to ordinary sizes")


def _whisker(sheet: Sheet, low: float, high: float, y: float) -> None:
    sheet.line(low, y, high, y, INK, 1.4)
    for x in (low, high):
        sheet.line(x, y - 4, x, y + 4, INK, 1.4)


def readings(fits: tuple[ReadingFit, ...]) -> str:
    """Deviation from the ideal of every reading, measured and predicted, one row a feature, as SVG.

    Suspect readings carry a cross; what lies off the scale stands at the edge with its value.
    """
    if not fits:
        return ""
    scale = _ReadingScale.of(fits)
    heads, rows, foot = _reading_places(fits, scale.top, scale.row)
    sheet = Sheet(scale.width, foot + 54)
    for value in _ticks(scale.low, scale.high):
        x = scale.place(value)
        sheet.line(x, scale.top, x, foot, RULE, 0.8)
        sheet.text(x, foot + 14, _tick(value), size=10, colour=MUTED)
    zero = scale.place(0.0)
    sheet.line(zero, scale.top, zero, foot, INK, 1.2)
    sheet.text((scale.left + scale.right) / 2, foot + 38, "deviation from a perfect print (mm)")
    for name, y in heads:
        sheet.text(0, y, plain(name, 40), side="start", bold=True)
    for fit, y in rows:
        _reading_row(sheet, fit, y, scale)
    return sheet.svg("readings", "Measured and predicted deviation of every reading")


@dataclass(frozen=True, kw_only=True)
class _ReadingScale:
    """Where deviations from `low` to `high` [mm] stand between `left` and `right`."""

    low: float
    high: float
    left: float = 200.0
    right: float = 830.0
    width: float = 1000.0
    top: float = 12.0
    row: float = 22.0

    @classmethod
    def of(cls, fits: tuple[ReadingFit, ...]) -> _ReadingScale:
        """Wide enough for all readings that are not suspect, and for zero."""
        kept = [f for f in fits if not f.suspect] or list(fits)
        spans = [(f.reading_mm - f.ideal_mm, COVERAGE * f.std_uncertainty_mm) for f in kept]
        model = [f.predicted_mm - f.ideal_mm for f in kept]
        low = min(*(m - u for m, u in spans), *model, 0.0)
        high = max(*(m + u for m, u in spans), *model, 0.0)
        margin = 0.06 * max(high - low, 1e-3)
        return cls(low=low - margin, high=high + margin)

    def place(self, value: float) -> float:
        """Pixel of a deviation; what lies outside stands at the edge."""
        share = (min(max(value, self.low), self.high) - self.low) / (self.high - self.low)
        return self.left + share * (self.right - self.left)


def _reading_places(
    fits: tuple[ReadingFit, ...], top: float, row: float
) -> tuple[list[tuple[str, float]], list[tuple[ReadingFit, float]], float]:
    """Heads of coupons and rows of features with their places, and where the last row ends."""
    heads: list[tuple[str, float]] = []
    rows: list[tuple[ReadingFit, float]] = []
    y = top
    for n, fit in enumerate(fits):
        if n == 0 or fit.coupon != fits[n - 1].coupon:
            y += row * (1.2 if heads else 0.5)
            heads.append((fit.coupon, y))
            y += row
        rows.append((fit, y))
        y += row
    return heads, rows, y - row / 4


def _reading_row(sheet: Sheet, fit: ReadingFit, y: float, scale: _ReadingScale) -> None:
    deviation = fit.reading_mm - fit.ideal_mm
    model = scale.place(fit.predicted_mm - fit.ideal_mm)
    expanded = COVERAGE * fit.std_uncertainty_mm
    colour = SUSPECT if fit.suspect else DATA
    sheet.text(scale.left - 12, y, plain(fit.feature, 26), side="end")
    sheet.line(model, y - 7.5, model, y + 7.5, INK, 3.0)
    inside = scale.low <= deviation <= scale.high
    if inside:
        sheet.line(scale.place(deviation - expanded), y, scale.place(deviation + expanded), y, colour, 1.6)
    x = scale.place(deviation)
    if fit.suspect:
        for turn in (-1, 1):
            sheet.line(x - 4.5, y - 4.5 * turn, x + 4.5, y + 4.5 * turn, colour, 2.2)
        words = "suspect" if inside else f"suspect: {deviation:+.2f} mm".replace("-", "\N{MINUS SIGN}")
        sheet.text(scale.right + 10, y, words, side="start", colour=SUSPECT, bold=True, size=11)
    else:
        sheet.dot(x, y, colour, 6.5)


def likely_region(diagnosis: Diagnosis, first: str, second: str) -> str:
    """Where two terms lie together: the 95 % region of their joint posterior, as SVG.

    The contour is the ellipse (x - m)' C^-1 (x - m) = 5.99, the 95 % point of chi-squared with 2 degrees of
    freedom. A long, slanting ellipse: the two are confounded, many pairs explain the readings equally well. Both must
    be lengths, so that they share one scale; else the text is empty.
    """
    i, j = INDEX[first], INDEX[second]
    terms = (diagnosis.term(first), diagnosis.term(second))
    if any(t.unit != "mm" for t in terms):
        return ""
    mean = np.array([t.estimate for t in terms])
    values, vectors = np.linalg.eigh(diagnosis.posterior.cov[np.ix_([i, j], [i, j])])
    angle = np.linspace(0.0, 2 * np.pi, 121)
    circle = np.stack([np.cos(angle), np.sin(angle)])
    ellipse = mean[:, None] + vectors @ (np.sqrt(CHI2_95_2 * np.maximum(values, 0.0))[:, None] * circle)
    corners = np.column_stack([ellipse, np.zeros(2)])
    span = float(max(*np.ptp(corners, axis=1), 1e-4)) * 1.16
    low = (corners.min(axis=1) + corners.max(axis=1) - span) / 2
    size, left, top = 300.0, 86.0, 8.0

    def across(x: Any) -> Any:
        return left + (x - low[0]) / span * size

    def up(y: Any) -> Any:
        return top + size - (y - low[1]) / span * size

    sheet = Sheet(left + size + 16, top + size + 58)
    for value in _ticks(float(low[0]), float(low[0]) + span, 5):
        sheet.line(across(value), top, across(value), top + size, RULE, 0.8)
        sheet.text(across(value), top + size + 14, _tick(value), size=10, colour=MUTED)
    for value in _ticks(float(low[1]), float(low[1]) + span, 5):
        sheet.line(left, up(value), left + size, up(value), RULE, 0.8)
        sheet.text(left - 8, up(value), _tick(value), side="end", size=10, colour=MUTED)
    sheet.line(across(0.0), top, across(0.0), top + size, MUTED, 1.2)
    sheet.line(left, up(0.0), left + size, up(0.0), MUTED, 1.2)
    sheet.area(across(ellipse[0]), up(ellipse[1]), SOFT, DATA)
    sheet.dot(across(mean[0]), up(mean[1]), DATA, 7)
    sheet.text(left + size / 2, top + size + 40, f"{terms[0].label} (mm)")
    sheet.text(14, top + size / 2, f"{terms[1].label} (mm)", upright=True)
    return sheet.svg("region", f"Where {terms[0].label} and {terms[1].label} lie together, 95 %")


def _two_lines(text: str, length: int) -> tuple[str, ...]:
    """`text` broken at a blank where it is longer than `length`."""
    if len(text) <= length:
        return ("", text)
    words = text.split()
    best = min(range(1, len(words)), key=lambda k: abs(len(" ".join(words[:k])) - len(" ".join(words[k:]))))
    return (" ".join(words[:best]), " ".join(words[best:]))


def _round_tick(limit: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that does not exceed `limit`."""
    power = 10.0 ** np.floor(np.log10(limit))
    return float(max(m * power for m in (1.0, 2.0, 5.0) if m * power <= limit * (1 + 1e-9)))


def _ticks(low: float, high: float, most: int = 9) -> list[float]:
    """Round values between `low` and `high`."""
    step = _round_tick((high - low) / 2)
    for candidate in sorted(m * step * p for m in (1.0, 2.0, 5.0) for p in (0.01, 0.1, 1.0)):
        if (high - low) / candidate <= most:
            step = candidate
            break
    first, last = int(np.ceil(low / step)), int(np.floor(high / step))
    return [k * step for k in range(first, last + 1)]


def _tick(value: float) -> str:
    return trimmed(f"{value:+.6f}").replace("-", "\N{MINUS SIGN}")
