"""The report's plots as SVG text: drawn by matplotlib, coloured by the page's own light or dark palette.

Every function returns one ``<svg>`` element, the same bytes for the same numbers. Colours are the page's CSS
variables, so that one drawing serves light, dark and print. A plot never stands alone: the page puts a table
of the same numbers under it.
"""

from __future__ import annotations

import io
import re
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.result import Diagnosis, ReadingFit
from analysis.rounding import COVERAGE
from fitassay.wording import plain, term_label

# Stand-ins that matplotlib accepts as colours; each becomes a CSS variable of the page.
INK, MUTED, RULE, DATA, SOFT, ACCUSED, SUSPECT, SHEET = (f"#0102{n:02x}" for n in range(3, 11))
_VARIABLES = {
    INK: "var(--ink)",
    MUTED: "var(--muted)",
    RULE: "var(--rule)",
    DATA: "var(--data)",
    SOFT: "var(--soft)",
    ACCUSED: "var(--accused)",
    SUSPECT: "var(--suspect)",
    SHEET: "var(--sheet)",
}

NEGLIGIBLE_MM = 5e-4
"""A contribution whose size and expanded uncertainty stay under this is not drawn [mm]."""

MOST_COLUMNS = 7
"""Terms drawn beside each other in the error budget; the rest is in its table."""

_STYLE: dict[str, Any] = {
    "svg.fonttype": "none",
    "text.parse_math": False,  # a dollar sign in a name is a dollar sign
    "font.family": "DejaVu Sans",
    "font.size": 12.0,
    "axes.edgecolor": MUTED,
    "axes.linewidth": 0.8,
    "text.color": INK,
    "axes.labelcolor": INK,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
}


@dataclass(frozen=True, kw_only=True)
class BudgetColumn:
    """One column of the error budget: contributions and their expanded uncertainties, each (features,) [mm]."""

    name: str
    label: str
    value: np.ndarray
    expanded: np.ndarray
    accused: bool


def budget_columns(diagnosis: Diagnosis) -> tuple[BudgetColumn, ...]:
    """The printer's terms that reach the reference features, the largest share first."""
    columns = []
    for j, term in enumerate(diagnosis.terms):
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
                accused=term.name == diagnosis.verdict.term or term.name in diagnosis.verdict.contenders,
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
    tick = _round_tick(0.75 * reach)
    pitch, half = 132.0, 50.0
    scale = half / reach
    left, top, row = 178.0, 46.0, 30.0
    width = left + pitch * len(columns) + 6
    height = top + row * len(features) + 44
    with _figure(width, height) as (figure, axes):
        for i, feature in enumerate(features):
            y = top + row * (i + 0.5)
            axes.text(left - 14, y, plain(feature, 30), ha="right", va="center")
            if i:
                axes.plot([0, width], [y - row / 2] * 2, color=RULE, lw=0.8)
        foot = top + row * len(features)
        for j, column in enumerate(columns):
            x0 = left + pitch * (j + 0.5)
            colour = ACCUSED if column.accused else DATA
            for k, words in enumerate(_two_lines(column.label, 17)):
                axes.text(
                    x0, 14 + 16 * k, words, ha="center", va="center", weight="bold" if column.accused else "normal"
                )
            axes.plot([x0, x0], [top, foot], color=MUTED, lw=1.0)
            for i in range(len(features)):
                y = top + row * (i + 0.5)
                value, expanded = float(column.value[i]), float(column.expanded[i])
                if abs(value) + expanded <= NEGLIGIBLE_MM:
                    continue
                axes.fill_between([x0, x0 + value * scale], y - 7, y + 7, color=colour, lw=0)
                ends = [x0 + (value - expanded) * scale, x0 + (value + expanded) * scale]
                axes.plot(ends, [y, y], color=INK, lw=1.4, solid_capstyle="butt")
                axes.vlines(ends, y - 4, y + 4, color=INK, lw=1.4)
            for value in (-tick, 0.0, tick):
                x = x0 + value * scale
                axes.plot([x, x], [foot, foot + 5], color=MUTED, lw=1.0)
                axes.text(x, foot + 14, _tick(value), ha="center", va="center", size=10, color=MUTED)
        axes.text(left - 14, foot + 14, "mm", ha="right", va="center", size=10, color=MUTED)
        return _svg(figure, "budget", "Error budget: what each error adds to each reference size")


def readings(fits: tuple[ReadingFit, ...]) -> str:
    """Deviation from the ideal of every reading, measured and predicted, one row a feature, as SVG.

    Suspect readings carry a cross; what lies off the scale stands at the edge with its value.
    """
    if not fits:
        return ""
    kept = [f for f in fits if not f.suspect] or list(fits)
    measured = np.array([f.reading_mm - f.ideal_mm for f in kept])
    predicted = np.array([f.predicted_mm - f.ideal_mm for f in kept])
    expanded = COVERAGE * np.array([f.std_uncertainty_mm for f in kept])
    low = float(min(np.min(measured - expanded), np.min(predicted), 0.0))
    high = float(max(np.max(measured + expanded), np.max(predicted), 0.0))
    margin = 0.06 * max(high - low, 1e-3)
    low, high = low - margin, high + margin
    left, right, row, top = 200.0, 120.0, 22.0, 12.0
    width = 900.0
    groups: list[str] = []
    rows: list[tuple[ReadingFit, float]] = []
    y = top
    heads: list[tuple[str, float]] = []
    for fit in fits:
        if fit.coupon not in groups:
            groups.append(fit.coupon)
            y += row * (1.2 if heads else 0.5)
            heads.append((fit.coupon, y))
            y += row
        rows.append((fit, y))
        y += row
    foot = y - row / 4
    height = foot + 54

    def place(value: float) -> float:
        return left + (min(max(value, low), high) - low) / (high - low) * (width - left - right)

    with _figure(width, height) as (figure, axes):
        ticks = _ticks(low, high)
        for value in ticks:
            axes.plot([place(value)] * 2, [top, foot], color=RULE, lw=0.8)
            axes.text(place(value), foot + 14, _tick(value), ha="center", va="center", size=10, color=MUTED)
        axes.plot([place(0.0)] * 2, [top, foot], color=INK, lw=1.2)
        axes.text(
            (left + width - right) / 2, foot + 38, "deviation from a perfect print (mm)", ha="center", va="center"
        )
        for name, at in heads:
            axes.text(0, at, plain(name, 40), va="center", weight="bold")
        for fit, at in rows:
            _reading_row(axes, fit, at, place, low, high, left, width - right)
        return _svg(figure, "readings", "Measured and predicted deviation of every reading")


def _reading_row(
    axes: Any, fit: ReadingFit, y: float, place: Any, low: float, high: float, left: float, edge: float
) -> None:
    deviation = fit.reading_mm - fit.ideal_mm
    model = fit.predicted_mm - fit.ideal_mm
    expanded = COVERAGE * fit.std_uncertainty_mm
    colour = SUSPECT if fit.suspect else DATA
    axes.text(left - 12, y, plain(fit.feature, 26), ha="right", va="center")
    axes.plot([place(model)], [y], marker="|", ms=15, mew=3.0, color=ACCUSED)
    inside = low <= deviation <= high
    if inside:
        ends = [place(deviation - expanded), place(deviation + expanded)]
        axes.plot(ends, [y, y], color=colour, lw=1.6, solid_capstyle="butt")
    if fit.suspect:
        axes.plot([place(deviation)], [y], marker="x", ms=9, mew=2.2, color=colour)
        words = "suspect" if inside else f"suspect: {deviation:+.2f} mm"
        axes.text(edge + 10, y, words, va="center", color=SUSPECT, weight="bold", size=11)
    else:
        axes.plot([place(deviation)], [y], marker="o", ms=6.5, mew=0, color=colour)


def likely_region(diagnosis: Diagnosis, first: str, second: str) -> str:
    """Where two terms lie together: the 95 % region of their joint posterior, as SVG.

    The contour is the ellipse (x - m)' C^-1 (x - m) = 5.99, the 95 % point of chi-squared with 2 degrees of
    freedom. A long, slanting ellipse is an alias: many pairs explain the readings equally well.
    """
    names = [t.name for t in diagnosis.terms]
    i, j = names.index(first), names.index(second)
    terms = (diagnosis.terms[i], diagnosis.terms[j])
    if any(t.unit != "mm" for t in terms):
        return ""
    mean = np.array([t.estimate for t in terms])
    block = np.asarray(diagnosis.covariance)[np.ix_([i, j], [i, j])]
    values, vectors = np.linalg.eigh(block)
    angle = np.linspace(0.0, 2 * np.pi, 121)
    circle = np.stack([np.cos(angle), np.sin(angle)])
    ellipse = mean[:, None] + vectors @ (np.sqrt(5.991 * np.maximum(values, 0.0))[:, None] * circle)
    span = float(max(np.ptp(np.append(ellipse[0], 0.0)), np.ptp(np.append(ellipse[1], 0.0)), 1e-4)) * 1.16
    middle = [(min(e.min(), 0.0) + max(e.max(), 0.0)) / 2 for e in ellipse]
    size, left, top = 300.0, 86.0, 8.0

    def at(x: np.ndarray | float, y: np.ndarray | float) -> tuple[Any, Any]:
        return (
            left + ((x - middle[0]) / span + 0.5) * size,
            top + (0.5 - (y - middle[1]) / span) * size,
        )

    with _figure(left + size + 16, top + size + 58) as (figure, axes):
        for value in _ticks(middle[0] - span / 2, middle[0] + span / 2, 5):
            x, _ = at(value, 0.0)
            axes.plot([x, x], [top, top + size], color=RULE, lw=0.8)
            axes.text(x, top + size + 14, _tick(value), ha="center", va="center", size=10, color=MUTED)
        for value in _ticks(middle[1] - span / 2, middle[1] + span / 2, 5):
            _, y = at(0.0, value)
            axes.plot([left, left + size], [y, y], color=RULE, lw=0.8)
            axes.text(left - 8, y, _tick(value), ha="right", va="center", size=10, color=MUTED)
        x0, y0 = at(0.0, 0.0)
        axes.plot([x0, x0], [top, top + size], color=MUTED, lw=1.2)
        axes.plot([left, left + size], [y0, y0], color=MUTED, lw=1.2)
        axes.fill(*at(ellipse[0], ellipse[1]), facecolor=SOFT, edgecolor=DATA, lw=2.0)
        x, y = at(float(mean[0]), float(mean[1]))
        axes.plot([x], [y], marker="o", ms=7, color=DATA)
        axes.text(left + size / 2, top + size + 40, f"{terms[0].label} (mm)", ha="center", va="center")
        axes.text(14, top + size / 2, f"{terms[1].label} (mm)", ha="center", va="center", rotation=90)
        return _svg(figure, "region", f"Where {terms[0].label} and {terms[1].label} lie together, 95 %")


class _figure:
    """A blank figure of so many pixels whose one axes counts pixels from the upper left corner."""

    def __init__(self, width: float, height: float) -> None:
        self.size = (width, height)

    def __enter__(self) -> tuple[Any, Any]:
        import matplotlib
        from matplotlib.figure import Figure

        self._style = matplotlib.rc_context(_STYLE)
        self._style.__enter__()
        self._warnings = warnings.catch_warnings()
        self._warnings.__enter__()
        # The page's own fonts draw the text; matplotlib's need not have every character of a name.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        width, height = self.size
        figure = Figure(figsize=(width / 72, height / 72), dpi=72)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_xlim(0, width)
        axes.set_ylim(height, 0)
        axes.set_axis_off()
        axes.autoscale(False)
        figure.patch.set_visible(False)
        return figure, axes

    def __exit__(self, *exc: object) -> None:
        self._warnings.__exit__(*exc)
        self._style.__exit__(None, None, None)


def _svg(figure: Any, name: str, title: str) -> str:
    """The figure as one inline element with the page's fonts and colours; ids are its own."""
    import matplotlib

    buffer = io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": f"fitassay-{name}"}):
        empty = {"Date": None, "Creator": None, "Format": None, "Type": None}
        figure.savefig(buffer, format="svg", transparent=True, metadata=empty)
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"font: ((?:bold |normal |\d+ )*)([\d.]+)px [^;\"]*", r"font: \1\2px var(--face)", text)
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r"url\(#", f"url(#{name}-", text)
    text = re.sub(r'xlink:href="#', f'xlink:href="#{name}-', text)
    for stand_in, variable in _VARIABLES.items():
        text = text.replace(stand_in, variable)
    box = re.search(r'viewBox="([^"]+)"', text)
    assert box is not None
    width = float(box.group(1).split()[2])
    head = (
        f'<svg class="plot" xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'viewBox="{box.group(1)}" style="width:{width:g}px" role="img" aria-labelledby="{name}-title">'
        f'<title id="{name}-title">{title}</title>'
    )
    return head + text[text.index(">") + 1 :].rstrip()


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
    text = f"{value:+.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("+0", "-0") else text.replace("-", "\N{MINUS SIGN}")
