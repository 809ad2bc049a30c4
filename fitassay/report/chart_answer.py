"""The answer to `predict --chart`: the wall chart as a page and a PDF beside the print's report."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fitassay.terminal import answer, note, say, working

if TYPE_CHECKING:
    from fitassay.case import Print


def show_chart(target: Print, carry: str | None, scatter: float | None, as_json: bool) -> None:
    """Write the wall chart and say where it lies."""
    from dataclasses import asdict

    with working("Working out what to draw"):
        from fitassay.analysis.parts.wall_chart import wall_chart
        from fitassay.coupons.files import write_atomic
        from fitassay.inputs import read_inputs, state_of
        from fitassay.report.chart import FEELS, chart_words
        from fitassay.report.chart_pdf import chart_pdf
        from fitassay.report.render import render

        inputs = read_inputs(target, carry=carry)
        diagnosis = inputs.diagnose()
        state = state_of(diagnosis, inputs.machine, scatter, inputs.trace)
        chart = wall_chart(state, inputs.machine.layer_height_mm)
        words = chart_words(chart, diagnosis, inputs.machine, target.name)
        half = (len(words.bought) + 1) // 2
        context = {"words": words, "feels": FEELS, "halves": (words.bought[:half], words.bought[half:])}
        page, pdf = target.folder / "chart.html", target.folder / "chart.pdf"
        write_atomic(page, render("chart.html.j2", context))
        write_atomic(pdf, chart_pdf(words))
    if as_json:
        answer({"schema": 1, "print": target.name, "page": str(page), "pdf": str(pdf), **asdict(words)})
        return
    for text in words.sharpen:
        note(f"Note: {text}")
    say(f"To hang up: {pdf}; as a page: {page}")
