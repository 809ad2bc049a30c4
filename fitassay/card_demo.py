"""The reversal card on the made-up printer: read by a virtual eye, the compensation set, read once more."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from fitassay.analysis.chain.simulate import theta_of
from fitassay.analysis.prints.setting_changes import errors_after
from fitassay.analysis.readings.file import read_readings
from fitassay.analysis.readings.pairs import pair_text
from fitassay.analysis.terms import TERMS
from fitassay.case import Case, Print
from fitassay.coupons.files import write_atomic
from fitassay.coupons.machine import Machine
from fitassay.coupons.machine_file import machine_toml
from fitassay.workflow import diagnose_print, make_print, simulate_print

if TYPE_CHECKING:
    from fitassay.analysis.result import Diagnosis

BACKLASH = ("backlash_x", "backlash_y")


@dataclass(frozen=True, kw_only=True)
class ReadCard:
    """One card, printed virtually and read.

    Attributes
    ----------
    target : Print
    machine : Machine
    counts : dict of str to str
        Pair numbers by row.
    diagnosis : Diagnosis
    """

    target: Print
    machine: Machine
    counts: dict[str, str]
    diagnosis: Diagnosis


def read_card(case: Case, machine: Machine, errors: dict[str, float], seed: int) -> ReadCard:
    """The case's next print: the card, its counts, its diagnosis."""
    write_atomic(case.machine_path, machine_toml(machine))
    target = case.next_print()
    make_print(target, machine, card=True)
    simulate_print(target, machine, errors, seed=seed, force=True)
    taken = read_readings(target.readings_path, target.manifest())
    counts = {r.feature: r.fit or pair_text(r.pair or 0.0) for r in taken}
    return ReadCard(target=target, machine=machine, counts=counts, diagnosis=diagnose_print(target))


def card_twice(
    case: Case, machine: Machine, errors: dict[str, float], seed: int
) -> tuple[ReadCard, ReadCard]:
    """Before and after the backlash compensation that the first card advises is set."""
    first = read_card(case, machine, errors, seed)
    new = {
        a.setting: round(a.to_value, 3)
        for a in first.diagnosis.advice
        if a.term in BACKLASH and a.to_value is not None
    }
    mended = replace(machine, values={**machine.values, **new})
    theta = errors_after(theta_of(errors), machine, mended)
    left = {t.name: float(v) for t, v in zip(TERMS, theta, strict=True)}
    return first, read_card(case, mended, left, seed + 1)


def backlash_of(card: ReadCard) -> dict[str, tuple[float, float]]:
    """Estimate and standard uncertainty [mm] of the backlash by axis."""
    found = {name[-1]: card.diagnosis.term(name) for name in BACKLASH}
    return {axis: (t.estimate, t.std_uncertainty) for axis, t in found.items()}


def card_lines(first: ReadCard, second: ReadCard) -> list[str]:
    """What happened, a sentence each."""
    from fitassay.analysis.rounding import plus_minus
    from fitassay.labels import setting_label

    lines = []
    for number, card in enumerate((first, second), start=1):
        counts = ", ".join(f"{row} {value}" for row, value in card.counts.items())
        found = "; ".join(f"{axis} {plus_minus(v, u, 'mm')}" for axis, (v, u) in backlash_of(card).items())
        when = "As it is" if number == 1 else "With the new compensation"
        lines += [f"{when}, the eye counts: {counts}.", f"Backlash (k = 2): {found}."]
        if number == 1:
            lines += [
                f"Set the {setting_label(a.setting)} from {a.from_value:.3g} to {a.to_value:.3f} mm."
                for a in card.diagnosis.advice
                if a.term in BACKLASH and a.from_value is not None and a.to_value is not None
            ]
    return lines


def card_data(case: Case, errors: dict[str, float], cards: tuple[ReadCard, ReadCard]) -> dict[str, Any]:
    """The same for a program."""
    return {
        "schema": 1,
        "case": str(case.path),
        "errors": errors,
        "cards": [
            {
                "print": c.target.name,
                "counts": c.counts,
                "backlash_mm": {
                    axis: {"estimate": v, "std_uncertainty": u} for axis, (v, u) in backlash_of(c).items()
                },
                "diagnosis": c.diagnosis.as_json(),
            }
            for c in cards
        ],
    }
