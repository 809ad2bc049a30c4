"""The verdict for the terminal: plain words first, then the figures behind them."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Any

from fitassay import labels as wording
from fitassay.analysis import rounding
from fitassay.analysis.diagnosis.verdict_words import not_looked_at
from fitassay.analysis.result import Diagnosis, TermEstimate
from fitassay.coupons.machine import Machine
from fitassay.labels import plain, term_label

if TYPE_CHECKING:
    from rich.console import Console

NARROWEST = 60
"""Narrower terminals get lines for this width [columns]."""

WIDEST = 110
"""Lines longer than this are hard to read [columns]."""


def verdict_lines(diagnosis: Diagnosis, machine: Machine, width: int, *, colour: bool | None = None) -> str:
    """The whole answer as text.

    Parameters
    ----------
    diagnosis : Diagnosis
    machine : Machine
    width : int
        Columns of the terminal; held between 60 and 110.
    colour : bool, optional
        With colours; default: if standard output is a terminal and NO_COLOR is not set.

    Returns
    -------
    str
        Lines, the last one ended.
    """
    import io

    from rich.console import Console

    if colour is None:
        colour = sys.stdout.isatty() and not os.environ.get("NO_COLOR")
    buffer = io.StringIO()
    console = Console(
        file=buffer,
        width=min(max(width, NARROWEST), WIDEST),
        force_terminal=colour,
        color_system="standard" if colour else None,
        no_color=not colour,
        highlight=False,
        markup=False,
        emoji=False,
        legacy_windows=False,
    )
    _verdict(console, diagnosis, machine)
    if not (diagnosis.verdict.term or diagnosis.verdict.status == "within-noise"):
        _next(console, diagnosis)
    _advice(console, diagnosis)
    _unsettled(console, diagnosis)
    _suspects(console, diagnosis)
    _terms(console, diagnosis)
    _confounded(console, diagnosis)
    if diagnosis.verdict.term or diagnosis.verdict.status == "within-noise":
        _next(console, diagnosis)
    _notes(console, diagnosis)
    return _encodable("\n".join(line.rstrip() for line in buffer.getvalue().splitlines()) + "\n")


def _encodable(text: str) -> str:
    """`text` with what standard output's encoding lacks spelt in ASCII."""
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    try:
        text.encode(encoding)
        return text
    except (UnicodeEncodeError, LookupError):
        for sign, spelt in (("±", "+-"), ("×", "x"), ("…", "..."), ("°", " deg")):
            text = text.replace(sign, spelt)
        return text.encode("ascii", "replace").decode("ascii")


def _wrapped(console: Console, text: str, *, style: str = "", indent: int = 2, hang: int = 0) -> None:
    from rich.padding import Padding
    from rich.text import Text

    block = Text(text, style=style)
    if hang:
        lines = block.wrap(console, console.width - indent - hang)
        for n, line in enumerate(lines):
            line.rstrip()
            console.print(" " * (indent if n == 0 else indent + hang), line, sep="")
    else:
        console.print(Padding(block, (0, 0, 0, indent)))


def _heading(console: Console, text: str) -> None:
    console.print()
    console.print(text, style="bold")


def _verdict(console: Console, diagnosis: Diagnosis, machine: Machine) -> None:
    verdict = diagnosis.verdict
    style = "bold yellow"
    if verdict.status in ("dominant", "leading", "sum-known"):
        style = "bold red"
    elif verdict.status == "within-noise":
        style = "bold green"
    console.print(f"{wording.status_words(verdict)}: {plain(machine.name, 60) or 'printer'}", style=style)
    _wrapped(console, plain(verdict.text, 2000), style="bold")
    if verdict.not_looked_at and verdict.status not in ("within-noise", "unexplained"):
        _wrapped(console, not_looked_at(verdict.not_looked_at))
    now, then = diagnosis.expected_misfit_before_mm, diagnosis.expected_misfit_after_mm
    if diagnosis.reference_features:
        words = f"Misfit of ordinary sizes (root mean square): {_rms(now)} now"
        if diagnosis.advice:
            words += f", {_rms(then)} expected after the changes"
        _wrapped(console, f"{words}.")


def _rms(value: float) -> str:
    return f"{rounding.matching(value, abs(value))} mm"


def _advice(console: Console, diagnosis: Diagnosis) -> None:
    if not diagnosis.advice:
        return
    meanwhile = "" if diagnosis.verdict.term else " meanwhile"
    _heading(console, f"Change{meanwhile}, in this order (± expanded uncertainty, k = 2)")
    if remark := wording.order_remark(diagnosis):
        _wrapped(console, f"{remark}.")
    for n, advice in enumerate(diagnosis.advice, start=1):
        old, new = wording.advice_values(advice)
        change = f": {old} -> {new}" if old and new else f": {new}" if new else ""
        label = wording.setting_label(advice.setting)
        _wrapped(console, f"{n}. {label}{change}", style="bold", hang=3)
        for text in (plain(advice.why, 1000), wording.advice_check(advice), *wording.advice_remarks(advice)):
            if text:
                _wrapped(console, text, indent=5)
    _wrapped(console, "Cautions", style="bold yellow")
    for caution in wording.CAUTIONS:
        _wrapped(console, f"- {caution}", hang=2)


def _unsettled(console: Console, diagnosis: Diagnosis) -> None:
    for head, texts in wording.unsettled_lists(diagnosis):
        _heading(console, head)
        for text in texts:
            _wrapped(console, f"- {text}", hang=2)


def _suspects(console: Console, diagnosis: Diagnosis) -> None:
    if not diagnosis.suspects:
        return
    _heading(console, "Suspect readings, left out: measure again")
    for s in diagnosis.suspects:
        likely = "" if s.likely_mm is None else f", perhaps {rounding.fixed(s.likely_mm, 2)} mm was meant"
        _wrapped(
            console,
            f"- {plain(s.coupon, 60)} / {plain(s.feature, 60)}: read {wording.reading(s.reading_mm)} mm, expected "
            f"{rounding.fixed(s.expected_mm, 2)} mm{likely}: {plain(s.reason, 1000)}",
            style="magenta",
            hang=2,
        )


def _terms(console: Console, diagnosis: Diagnosis) -> None:
    from rich.table import Table
    from rich.text import Text

    _heading(console, "Error terms (± expanded uncertainty, k = 2, about 95 %)")
    table = Table(
        box=None,
        pad_edge=False,
        padding=(0, 2 if console.width >= 70 else 1, 0, 0),
        show_edge=False,
        expand=False,
    )
    table.add_column(Text("  error"), overflow="fold", ratio=None)
    for name in ("found", "±", "unit", "share"):
        table.add_column(Text(name), justify="left" if name == "unit" else "right", no_wrap=True)
    wide = console.width >= 92
    if wide:
        table.add_column(Text("known?"), no_wrap=True)
    for kind, title in (
        ("printer", ""),
        ("surface", "  surface, never blamed"),
        ("instrument", "  caliper, never blamed"),
        ("form", "  not claimed"),
    ):
        members = [t for t in diagnosis.terms if t.kind == kind]
        members.sort(key=lambda t: -diagnosis.shares.get(t.name, 0.0))
        measured = [t for t in members if t.informed >= wording.LITTLE_INFORMED or kind != "printer"]
        if title and measured:
            table.add_row(Text(title, style="dim"))
        for term in measured:
            table.add_row(*_row(diagnosis, term, wide))
        for pair in diagnosis.extra.get("together", ()) if kind == "surface" and measured else ():
            table.add_row(*_sum_row(pair, wide))
    console.print(table)
    for missing in (n for n in wording.noted(diagnosis) if n.code == "not-measured"):
        _wrapped(console, missing.text)
    if diagnosis.dof > 0:
        _wrapped(
            console,
            f"Fit of the readings: chi-squared {rounding.fixed(diagnosis.chi2, 1)}, {diagnosis.dof} degrees of "
            f"freedom, p {rounding.p_value(diagnosis.p_value)}.",
        )


def _row(diagnosis: Diagnosis, term: TermEstimate, wide: bool) -> list[Any]:
    from rich.text import Text

    shown = rounding.shown(term.estimate, term.std_uncertainty, term.unit)
    share = rounding.share(diagnosis.shares[term.name]) if term.name in diagnosis.shares else ""
    style = "bold red" if term.name == diagnosis.verdict.term else ""
    cells = [f"  {term_label(term.name)}", shown.value, shown.uncertainty, shown.unit, share]
    if wide:
        cells.append(wording.informed_words(term.informed) if term.kind == "printer" else "")
    return [Text(c, style=style) for c in cells]


def _sum_row(pair: dict[str, Any], wide: bool) -> list[Any]:
    """An error and what feels like it, as one: better known than either."""
    from rich.text import Text

    shown = rounding.shown(pair["estimate"], pair["std_uncertainty"], pair["unit"])
    label = wording.together_label(pair["terms"])
    return [Text(c) for c in (f"  {label}", shown.value, shown.uncertainty, shown.unit, "", *[""] * wide)]


def _confounded(console: Console, diagnosis: Diagnosis) -> None:
    if not diagnosis.confounded:
        return
    _heading(console, "What these readings cannot tell apart")
    for group in diagnosis.confounded:
        text, known = wording.confounded_words(group)
        _wrapped(console, f"- {text}", hang=2)
        if known:
            _wrapped(console, known, style="bold", indent=4)
        _wrapped(console, wording.sentence(group.remedy.text), indent=4)


def _next(console: Console, diagnosis: Diagnosis) -> None:
    if not diagnosis.next:
        return
    _heading(console, "Print or measure next")
    for n, step in enumerate(diagnosis.next, start=1):
        _wrapped(console, f"{n}. {wording.sentence(step.text)}", hang=3)


def _notes(console: Console, diagnosis: Diagnosis) -> None:
    # What was not measured stands with the terms already.
    notes = [n.text for n in diagnosis.notes if n.code != "not-measured"]
    if not notes:
        return
    _heading(console, "Worth knowing")
    for note in notes:
        _wrapped(console, f"- {wording.sentence(note)}", hang=2)
