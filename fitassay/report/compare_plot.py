"""Pictures of prints compared, as stand-alone SVG: before and after, and the history with its control limits."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from fitassay.analysis.rounding import COVERAGE, face
from fitassay.labels import term_label

if TYPE_CHECKING:
    from fitassay.analysis.prints.compare import Comparison
    from fitassay.analysis.prints.control_chart import Chart

INK, MUTED, RULE, BEFORE, AFTER, ALARM = "#1b1f24", "#5b6470", "#d4d8dd", "#8a6d3b", "#0b5c7a", "#a3123a"

_STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "fitassay",
    "text.parse_math": False,
    "font.family": "DejaVu Sans",
    "font.size": 10.0,
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

# An error that costs less than this, with its uncertainty, in both prints is not drawn [mm].
NEGLIGIBLE_MM = 0.002
MOST_CHARTS = 8


def comparison_svg(comparison: Comparison, gains: np.ndarray, index: dict[str, int]) -> str:
    """What each error costs the usual feature that it hurts most, before and after.

    Parameters
    ----------
    comparison : Comparison
    gains : ndarray (features, terms)
        Of the usual features.
    index : dict of str to int
        Column of each term.
    """
    rows = []
    for t in comparison.terms:
        column = gains[:, index[t.name]]
        gain = float(column[np.argmax(np.abs(column))]) if np.any(column) else 0.0
        if t.outcome == "not measured" or gain == 0.0:
            continue
        values = [v * gain for v in (t.before, t.after, t.expected)]
        reach = [COVERAGE * u * abs(gain) for u in (t.before_u, t.after_u)]
        if max(abs(v) + r for v, r in zip(values, (*reach, 0.0), strict=True)) >= NEGLIGIBLE_MM:
            rows.append((t, values, reach))
    height = 1.1 + 0.52 * max(len(rows), 1)
    with _drawing(7.2, height) as (figure, out):
        axes = figure.add_axes((0.27, 0.62 / height, 0.69, 1 - 1.1 / height))
        for i, (t, values, reach) in enumerate(rows):
            hollow = {"mfc": "white", "mec": BEFORE, "ecolor": BEFORE}
            axes.errorbar(values[0], 0.14 - i, xerr=reach[0], fmt="o", ms=6, capsize=3, **hollow)
            axes.errorbar(values[1], -0.14 - i, xerr=reach[1], fmt="o", ms=6, capsize=3, color=AFTER)
            if t.set_anew:
                axes.plot([values[2]] * 2, [-0.32 - i, 0.04 - i], color=INK, lw=1.2)
        axes.axvline(0, color=MUTED, lw=0.8, zorder=0)
        axes.set_yticks([-i for i in range(len(rows))], [term_label(t.name) for t, _, _ in rows])
        axes.set_ylim(0.45 - max(len(rows), 1), 0.55)
        axes.set_xlabel("effect on a 20 mm outline or opening or an 8 mm bore, mm (bars: k = 2)")
        axes.grid(axis="x", color=RULE, lw=0.6)
        axes.set_axisbelow(True)
        title = f"Print {comparison.before} (hollow) and print {comparison.after} (filled)"
        figure.text(0.02, 1 - 0.1 / height, title, va="top", weight="bold")
        if any(t.set_anew for t, _, _ in rows):
            words = "upright stroke: what the new setting should leave"
            figure.text(0.98, 1 - 0.1 / height, words, va="top", ha="right", color=MUTED)
    return out.text


def history_svg(charts: tuple[Chart, ...]) -> str:
    """Control charts of the terms that moved most against their uncertainty, one under the other."""
    ranked = sorted(charts, key=lambda c: -float(np.max(np.abs(c.values) / c.uncertainties)))
    drawn = [c for c in charts if c in ranked[:MOST_CHARTS]]
    height = 0.7 + 1.55 * max(len(drawn), 1)
    names = list(dict.fromkeys(p for c in drawn for p in c.prints))
    with _drawing(7.2, height) as (figure, out):
        for k, chart in enumerate(drawn):
            axes = figure.add_axes((0.12, 1 - (0.15 + 1.55 * (k + 1)) / height, 0.85, 1.0 / height))
            _chart(axes, chart, names)
        title = "Errors over the prints, carried to the first print's settings"
        key = "hollow: under the settings of that print; dashed: control limits; bars: k = 2"
        figure.text(0.02, 1 - 0.1 / height, title, va="top", weight="bold")
        figure.text(0.02, 1 - 0.3 / height, key, va="top", color=MUTED)
    return out.text


def _chart(axes: Any, chart: Chart, names: list[str]) -> None:
    factor, unit = face(1.0, chart.unit)
    x = np.array([names.index(p) for p in chart.prints])
    v, u = chart.values * factor, COVERAGE * chart.uncertainties * factor
    if np.isfinite(chart.centre):
        axes.axhline(chart.centre * factor, color=AFTER, lw=0.8)
        for limit in (chart.lower, chart.upper):
            axes.axhline(limit * factor, color=ALARM, lw=0.8, ls="--")
    axes.plot(x, v, color=AFTER, lw=0.8)
    axes.errorbar(x, v, yerr=u, fmt="o", color=AFTER, ms=5, capsize=2)
    axes.plot(x, chart.in_force * factor, "o", mfc="white", mec=BEFORE, ms=4)
    for p in chart.outside:
        i = chart.prints.index(p)
        axes.plot(x[i], v[i], "s", mfc="none", mec=ALARM, ms=11, mew=1.4)
    axes.set_xticks(range(len(names)), names)
    axes.set_xlim(-0.4, len(names) - 0.6 if len(names) > 1 else 0.4)
    axes.set_ylabel(unit)
    axes.set_title(term_label(chart.name), loc="left", fontsize=10)
    axes.grid(axis="y", color=RULE, lw=0.6)


@dataclass
class _Drawn:
    text: str = ""


@contextmanager
def _drawing(width: float, height: float) -> Iterator[tuple[Any, _Drawn]]:
    """A figure [inch] to draw on; its SVG is there once the block ends, the same bytes for the same numbers."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    drawn = _Drawn()
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(width, height), facecolor="white")
        yield figure, drawn
        raw = io.StringIO()
        figure.savefig(raw, format="svg", metadata={"Date": None})
        drawn.text = raw.getvalue()
