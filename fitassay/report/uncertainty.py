"""The report's uncertainty budget: of each error, where its uncertainty comes from (GUM 8, table H.1)."""

from __future__ import annotations

from typing import Any

from fitassay.analysis import rounding
from fitassay.analysis.result import Diagnosis, TermEstimate
from fitassay.labels import LITTLE_INFORMED, capital, term_label


def uncertainty_budget(diagnosis: Diagnosis) -> list[dict[str, Any]]:
    """A block of lines for each error that was measured, largest share first, then surface and caliper."""
    told = diagnosis.extra.get("uncertainty_budget", {}).get("terms", {})
    order = ("printer", "surface", "instrument", "form")
    members = [
        t
        for t in diagnosis.terms
        if t.name in told and (t.kind != "printer" or t.informed >= LITTLE_INFORMED)
    ]
    members.sort(key=lambda t: (order.index(t.kind), -diagnosis.shares.get(t.name, 0.0)))
    return [_block(t, told[t.name]) for t in members]


def _block(term: TermEstimate, told: dict[str, Any]) -> dict[str, Any]:
    total = told["std_uncertainty"]
    return {
        "title": f"{capital(term_label(term.name))}: {rounding.plus_minus(term.estimate, total, term.unit)} "
        f"(k = {rounding.COVERAGE:g})",
        "rows": [
            {
                "source": line["source"],
                "type": line["type"],
                "u": _alone(line["std_uncertainty"], term.unit),
                "share": rounding.share((line["std_uncertainty"] / total) ** 2 if total else 0.0),
            }
            for line in told["sources"]
        ],
        "total": _alone(total, term.unit),
    }


def _alone(u: float, unit: str) -> str:
    """A standard uncertainty by itself, to two digits, in the unit at the face."""
    value, name = rounding.face(u, unit)
    return rounding.with_unit(rounding.matching(value, value), name)
