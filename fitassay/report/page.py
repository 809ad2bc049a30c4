"""The report: one self-contained page made from a diagnosis, nothing computed, nothing fetched."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitassay import labels as wording
from fitassay.analysis import rounding
from fitassay.analysis.diagnosis.verdict_words import not_looked_at
from fitassay.analysis.readings.reading import REFERENCE, WEIGHED
from fitassay.analysis.result import Advice, Diagnosis, NextPrint
from fitassay.coupons.feature import Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.wording import listed
from fitassay.labels import first_sentence, noted, plain, sentence, term_label
from fitassay.report import plots
from fitassay.report.estimates import (
    MOST_CONTENDERS,
    alike,
    contenders,
    correlation_table,
    region,
    term_groups,
)
from fitassay.report.provenance import provenance
from fitassay.report.render import render
from fitassay.report.section import Picture, Section
from fitassay.report.trace_section import trace_section
from fitassay.report.uncertainty import uncertainty_budget

if TYPE_CHECKING:
    from fitassay.analysis.gcode.trace_data import Trace

SMALLEST_SHARE = 0.03
"""Shares under this are drawn as one rest."""


def report_html(
    diagnosis: Diagnosis,
    manifest: Manifest,
    folder: Path,
    machine: Machine,
    *,
    trace: Trace | None = None,
    compare: Sequence[Section] = (),
    joints: Sequence[str] = (),
) -> str:
    """The report as one HTML page, the same text for the same input.

    Parameters
    ----------
    diagnosis : Diagnosis
    manifest : Manifest
        What was printed.
    folder : Path
        Where the manifest, its STL files and readings.csv lie; missing meshes only cost the pictures.
    machine : Machine
        Its name and settings in force.
    trace : Trace, optional
        The sliced file that was printed; drawn after the readings.
    compare : sequence of Section
        Sections that compare prints; after the trace.
    joints : sequence of str
        What becomes of the user's own joints; the page opens with them.
    """
    context = _context(diagnosis, manifest, Path(folder), machine)
    context["joints"] = [plain(text, 400) for text in joints]
    sections = [] if trace is None else [trace_section(trace)]
    context["extras"] = [s.harmless() for s in (*sections, *compare)]
    return render("report.html.j2", context)


def _context(diagnosis: Diagnosis, manifest: Manifest, folder: Path, machine: Machine) -> dict[str, Any]:
    verdict = diagnosis.verdict
    headline, more = first_sentence(sentence(verdict.text))
    if verdict.not_looked_at and verdict.status not in ("within-noise", "unexplained"):
        more = f"{more} {not_looked_at(verdict.not_looked_at)}".strip()
    used = sum(1 for f in diagnosis.fits if not f.suspect)
    tied = contenders(diagnosis)
    return {
        "machine_name": plain(machine.name, 120) or "printer",
        "material": plain(machine.material, 60),
        "readings_used": f"{used} of {len(diagnosis.fits)} features used",
        "accused": verdict.status in ("dominant", "leading"),
        "status": wording.status_words(verdict),
        "sentence": headline,
        "more": more,
        "how_sure": _how_sure(diagnosis),
        "shares": _shares(diagnosis),
        "advice": [_advice(a, verdict.term) for a in diagnosis.advice],
        "order_remark": sentence(wording.order_remark(diagnosis)),
        "unsettled": wording.unsettled_lists(diagnosis),
        "no_advice": _no_advice(diagnosis),
        "misfit": _misfit(diagnosis),
        "cautions": wording.CAUTIONS,
        "suspects": [_suspect(s) for s in diagnosis.suspects],
        "budget": _budget(diagnosis),
        "pictures": _pictures(diagnosis, manifest, folder),
        "terms": term_groups(diagnosis),
        "uncertainties": uncertainty_budget(diagnosis),
        "confounded": [alike(c) for c in diagnosis.confounded],
        "correlation": correlation_table(diagnosis, tied),
        "region": region(diagnosis, tied),
        "fit_quality": _fit_quality(diagnosis),
        "readings": _readings(diagnosis, machine),
        "next": [
            {"text": sentence(n.text), "why": _next_why(n), "command": _next_command(n, manifest)}
            for n in diagnosis.next
        ],
        "notes": [sentence(n.text) for n in noted(diagnosis)],
        "source": provenance(diagnosis, manifest, folder, machine),
    }


def _how_sure(diagnosis: Diagnosis) -> str:
    verdict = diagnosis.verdict
    if verdict.status == "undetermined" and verdict.contenders:
        names = listed(term_label(c) for c in verdict.contenders[:MOST_CONTENDERS])
        return f"Still possible: {names}. The next section says what would settle it."
    return ""


def _shares(diagnosis: Diagnosis) -> list[dict[str, Any]]:
    """Segments of the share bar, the largest first; small ones together."""
    accused = plots.highlighted(diagnosis)
    ranked = sorted(diagnosis.shares.items(), key=lambda item: -item[1])
    segments = [
        {
            "label": _share_label(name, diagnosis),
            "text": rounding.share(value),
            "percent": f"{100 * value:.3f}",
            "style": "accused" if name in accused else "",
        }
        for name, value in ranked
        if value >= SMALLEST_SHARE
    ]
    rest = sum(value for _, value in ranked if value < SMALLEST_SHARE)
    if segments and rest > 0:
        segments.append(
            {
                "label": "the others",
                "text": rounding.share(rest),
                "percent": f"{100 * rest:.3f}",
                "style": "rest",
            }
        )
    return segments


def _share_label(name: str, diagnosis: Diagnosis) -> str:
    """An error, with what it looks like where the two are told as one."""
    verdict = diagnosis.verdict
    alike = verdict.contenders if verdict.status == "sum-known" else ()
    return listed((term_label(n) for n in alike), "or") if name in alike[:1] else term_label(name)


def _advice(advice: Advice, accused: str) -> dict[str, Any]:
    old, new = wording.advice_values(advice)
    what = wording.setting_label(advice.setting)
    return {
        "what": wording.capital(what),
        "remarks": [sentence(text) for text in wording.advice_remarks(advice)],
        "old": old,
        "to": new,
        "why": sentence(advice.why),
        "check": sentence(wording.advice_check(advice)),
        "accused": advice.term != "" and advice.term == accused,
    }


def _no_advice(diagnosis: Diagnosis) -> str:
    looked = "that was looked at " if diagnosis.verdict.not_looked_at else ""
    return {
        "within-noise": f"Nothing: no error {looked}is larger than what the caliper can see.",
        "unexplained": "Nothing yet: first look again at the readings that do not fit.",
    }.get(
        diagnosis.verdict.status,
        "Nothing yet: no error is known well enough, or is large enough, for a setting to be changed.",
    )


def _misfit(diagnosis: Diagnosis) -> dict[str, str]:
    now, then = diagnosis.expected_misfit_before_mm, diagnosis.expected_misfit_after_mm
    largest = max(now, then, 1e-9)
    return {
        "now": _two_digits(now),
        "then": _two_digits(then),
        # The longest line leaves room for its number.
        "now_width": f"{75 * now / largest:.2f}",
        "then_width": f"{75 * then / largest:.2f}",
    }


def _two_digits(value_mm: float) -> str:
    """A root mean square as two significant digits: it is itself an uncertainty-like figure."""
    return f"{rounding.matching(value_mm, abs(value_mm))} mm"


def _suspect(suspect: Any) -> dict[str, str]:
    return {
        "name": f"{plain(suspect.coupon, 60)} / {plain(suspect.feature, 60)}",
        "read": f"{wording.reading(suspect.reading_mm)} mm",
        "expected": f"{rounding.fixed(suspect.expected_mm, 2)} mm",
        "likely": "" if suspect.likely_mm is None else f"{rounding.fixed(suspect.likely_mm, 2)} mm",
        "reason": sentence(suspect.reason),
    }


def _budget(diagnosis: Diagnosis) -> dict[str, Any] | None:
    from markupsafe import Markup

    columns = plots.budget_columns(diagnosis)
    svg = plots.error_budget(diagnosis)
    if not svg:
        return None
    rows = []
    for i, feature in enumerate(diagnosis.reference_features):
        cells = [_contribution(float(c.value[i]), float(c.expanded[i])) for c in columns]
        rows.append({"name": plain(feature, 80), "cells": cells})
    rest = ", ".join(c.label for c in columns[plots.MOST_COLUMNS :])
    return {"svg": Markup(svg), "heads": [c.label for c in columns], "rows": rows, "rest": rest}


def _contribution(value: float, expanded: float) -> str:
    """A contribution and its expanded uncertainty [mm] as text without unit; nothing under half a micrometre."""
    if abs(value) + expanded <= plots.NEGLIGIBLE_MM:
        return "0"
    shown = rounding.shown(value, expanded, "mm", coverage=1.0)
    return f"{shown.value} ± {shown.uncertainty}"


def _pictures(diagnosis: Diagnosis, manifest: Manifest, folder: Path) -> list[Picture]:
    from markupsafe import Markup

    from fitassay.report import picture

    theta = picture.printer_terms(diagnosis.posterior.mean)
    pictures = []
    for coupon, plan in picture.coupon_plans(manifest, folder, theta, diagnosis.verdict.term):
        name = plain(coupon.id, 60)
        much = (
            f"misfit drawn {plan.factor} times as large as it is"
            if plan.factor > 1
            else "misfit true to size"
        )
        caption = f"Coupon {name}, cut at height {rounding.exact(round(plan.z, 3))} mm; {much}"
        svg = picture.plan_svg(plan, f"{caption}, dashed as drawn, solid as printed")
        pictures.append(Picture(svg=Markup(svg), caption=f"{caption}."))
    return pictures


def _fit_quality(diagnosis: Diagnosis) -> str:
    if diagnosis.dof <= 0:
        return "There are no more readings than the errors need, so they cannot check each other."
    chi2 = rounding.fixed(diagnosis.chi2, 1)
    words = "hang together" if diagnosis.p_value >= 0.05 else "scatter more than the caliper explains"
    return (
        f"The readings {words}: chi-squared {chi2} with {diagnosis.dof} degrees of freedom, "
        f"p {rounding.p_value(diagnosis.p_value)}."
    )


def _readings(diagnosis: Diagnosis, machine: Machine) -> dict[str, Any] | None:
    from markupsafe import Markup

    if not diagnosis.fits:
        return None
    rows = []
    for f in diagnosis.fits:
        measured = rounding.shown(f.reading_mm, f.std_uncertainty_mm, "mm", signed=False)
        rows.append(
            {
                "coupon": plain(f.coupon, 60),
                "feature": plain(f.feature, 60),
                "kind": f.kind,
                "drawn": rounding.exact(round(f.nominal_mm, 3)),
                "ideal": rounding.exact(round(f.ideal_mm, 3)),
                "measured": f"{measured.value} ± {measured.uncertainty}",
                "predicted": rounding.matching(f.predicted_mm, rounding.COVERAGE * f.std_uncertainty_mm),
                "repeats": str(f.repeats),
                "z": rounding.fixed(f.z_score, 1, signed=True),
                "suspect": f.suspect,
            }
        )
    return {"svg": Markup(plots.readings(diagnosis.fits)), "rows": rows}


def _next_why(n: NextPrint) -> str:
    if n.coupon == WEIGHED:
        return ""
    return f"Begin with {plain(n.coupon, 60)} / {plain(n.feature, 60)}." if n.feature else ""


def _next_command(n: NextPrint, manifest: Manifest) -> str:
    """What to type for it; the page may be read anywhere, so the case's folder stands as CASE."""
    if n.coupon == WEIGHED:
        return "fitassay enter CASE --weighed"
    if (n.coupon, n.feature) in {(c.id, f.id) for c, f in manifest.optional}:
        return "fitassay enter CASE --rims"
    if n.coupon == REFERENCE or any(c.id == n.coupon for c in manifest.coupons):
        return "fitassay enter CASE"
    return f"fitassay make CASE --new-print --family {plain(n.coupon, 60)}"
