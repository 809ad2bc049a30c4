"""What the report says of the errors: each as far as it is known, and which of them act alike."""

from __future__ import annotations

from typing import Any

import numpy as np

from fitassay.analysis import rounding
from fitassay.analysis.result import Confounded, Diagnosis, TermEstimate
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.labels import (
    LITTLE_INFORMED,
    capital,
    confounded_words,
    informed_words,
    sentence,
    term_label,
    together_label,
)
from fitassay.report import plots

MOST_CONTENDERS = 5
"""Terms in the correlation table."""

TIED = 0.5
"""Correlations beyond this, either sign, are shown."""


def term_groups(diagnosis: Diagnosis) -> list[dict[str, Any]]:
    groups = (
        ("printer", ""),
        ("surface", "How the surface is felt: estimated with the rest, never blamed for the fit"),
        ("instrument", "The caliper's own errors: estimated with the rest, never blamed for the fit"),
        ("form", "Not claimed by the model"),
    )
    blocks = []
    for kind, title in groups:
        members = [t for t in diagnosis.terms if t.kind == kind]
        members.sort(key=lambda t: -diagnosis.shares.get(t.name, 0.0))
        if members:
            rows = [_term_row(diagnosis, t) for t in members]
            rows += [_sum_row(pair) for pair in diagnosis.extra.get("together", ()) if kind == "surface"]
            blocks.append({"title": title, "rows": rows})
    return blocks


def _term_row(diagnosis: Diagnosis, term: TermEstimate) -> dict[str, Any]:
    effects = {t.name: t.sentence for t in TERMS}
    # The strip's 240 units span six prior standard deviations; its pale part the middle four (k = 2).
    reach = 3.0 * term.prior_sd if term.prior_sd > 0 else 1.0
    low, high = (
        float(
            np.clip(
                120 + 120 * (term.estimate + s * rounding.COVERAGE * term.std_uncertainty) / reach, 0, 240
            )
        )
        for s in (-1.0, 1.0)
    )
    width = max(high - low, 2.5)
    return {
        "label": term_label(term.name),
        "amount": rounding.plus_minus(term.estimate, term.std_uncertainty, term.unit),
        "x": f"{min(low, 240 - width):.2f}",
        "width": f"{width:.2f}",
        "known": informed_words(term.informed),
        "share": rounding.share(diagnosis.shares[term.name]) if term.name in diagnosis.shares else "",
        "effect": effects.get(term.name, ""),
        "accused": term.name == diagnosis.verdict.term,
    }


def _sum_row(pair: dict[str, Any]) -> dict[str, Any]:
    """An error and what feels like it, as one: better known than either."""
    return {
        "label": together_label(pair["terms"]),
        "amount": rounding.plus_minus(pair["estimate"], pair["std_uncertainty"], pair["unit"]),
        "effect": "both as one, which is what readings and fits feel",
    }


def contenders(diagnosis: Diagnosis) -> list[str]:
    """The terms whose likeness matters: the verdict's contenders, the confounded, then closely tied pairs."""
    wanted = [n for c in diagnosis.confounded for n in c.terms]
    if len(diagnosis.verdict.contenders) > 1:
        wanted = [*diagnosis.verdict.contenders, *wanted]
    wanted += [name for _, pair in _tied_pairs(diagnosis) for name in pair]
    known = [t.name for t in diagnosis.terms]
    return [n for n in dict.fromkeys(wanted) if n in known][:MOST_CONTENDERS]


def _tied_pairs(diagnosis: Diagnosis) -> list[tuple[float, tuple[str, str]]]:
    """Pairs of measured printer terms with a correlation beyond ±`TIED`, the strongest first."""
    matrix = _correlations(diagnosis)
    members = [
        (INDEX[t.name], t.name)
        for t in diagnosis.terms
        if t.kind == "printer" and t.informed >= LITTLE_INFORMED
    ]
    pairs = [
        (float(matrix[i, j]), (a, b))
        for k, (i, a) in enumerate(members)
        for j, b in members[k + 1 :]
        if abs(matrix[i, j]) >= TIED
    ]
    return sorted(pairs, key=lambda pair: -abs(pair[0]))


def _correlations(diagnosis: Diagnosis) -> np.ndarray:
    covariance = diagnosis.posterior.cov
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    scale = np.outer(sd, sd)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(scale > 0, covariance / scale, np.eye(len(sd)))


def correlation_table(diagnosis: Diagnosis, names: list[str]) -> dict[str, Any] | None:
    if len(names) < 2:
        return None
    matrix = _correlations(diagnosis)
    rows = []
    for a in names:
        values = [float(matrix[INDEX[a], INDEX[b]]) for b in names]
        cells = [
            {"text": rounding.fixed(v, 2, signed=True), "strength": f"{100 * abs(v):.0f}"} for v in values
        ]
        rows.append({"name": term_label(a), "cells": cells})
    return {"heads": [term_label(n) for n in names], "rows": rows}


def region(diagnosis: Diagnosis, names: list[str]) -> dict[str, Any] | None:
    """The most alike pair of the contenders, drawn."""
    from markupsafe import Markup

    lengths = [n for n in names if diagnosis.term(n).unit == "mm"]
    matrix = _correlations(diagnosis)
    pairs = [(abs(matrix[INDEX[a], INDEX[b]]), a, b) for k, a in enumerate(lengths) for b in lengths[k + 1 :]]
    if not pairs:
        return None
    strength, a, b = max(pairs, key=lambda pair: pair[0])
    svg = plots.likely_region(diagnosis, a, b)
    signed = rounding.fixed(float(matrix[INDEX[a], INDEX[b]]), 2, signed=True)
    names_text = f"{term_label(a)} and {term_label(b)}"
    caption = f"{capital(names_text)}: all pairs inside explain the readings (95 %), correlation {signed}."
    return {"svg": Markup(svg), "caption": caption} if svg else None


def alike(confounded: Confounded) -> dict[str, str]:
    text, known = confounded_words(confounded)
    return {"text": text, "known": known, "fix": sentence(confounded.remedy.text)}
