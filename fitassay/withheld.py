"""What is not told of a machine whose readings cannot tell it, as the faces say it: one sentence, one share."""

from __future__ import annotations

from typing import Any

from fitassay.coupons.machine import Machine

WITHHELD = "withheld"
"""In a prediction, the errors that are not told, counted together."""


def withheld_sentence(machine: Machine) -> str:
    """Which errors are not told of such a machine; empty where all are."""
    from fitassay.analysis.diagnosis.diagnosis_notes import withheld_notes

    return " ".join(n.text for n in withheld_notes(machine))


def withhold(prediction: dict[str, Any], machine: Machine) -> dict[str, Any]:
    """The prediction with nothing in it that names an error that is not told, and with the sentence about them."""
    from fitassay.analysis.terms import NAMES, withheld_on

    names = {NAMES[i] for i in withheld_on(machine.kinematics)}
    for row in (*prediction["sizes"], *prediction["pairs"]) if names else ():
        each = row["contributions_mm"]
        together = sum(mm for name, mm in each.items() if name in names)
        row["contributions_mm"] = {n: mm for n, mm in each.items() if n not in names} | {WITHHELD: together}
        if "open_questions" in row:
            row["open_questions"] = [q for q in row["open_questions"] if q != "manner"]
    return prediction | {"withheld": withheld_sentence(machine)}
