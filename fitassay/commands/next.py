"""`fitassay next`: what to read or print next, and how few readings would have done."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from fitassay.card_hint import card_hint
from fitassay.case import Case, Print
from fitassay.options import Number, Whole, carry_option, case_argument, json_option, print_option
from fitassay.terminal import answer, say, table, typed, working

if TYPE_CHECKING:
    from fitassay.analysis.diagnosis.lookahead import Enough, Outlook
    from fitassay.analysis.result import Diagnosis, NextPrint
    from fitassay.inputs import Inputs

LEAST_CHANCE, MOST_CHANCE = 0.8, 0.999
# Where the bead has this share in the doubt, weighing is spoken of.
WORTH_WEIGHING = 0.1


@click.command()
@case_argument
@print_option
@click.option(
    "--stop-when",
    "wanted",
    type=Number(low=LEAST_CHANCE, high=MOST_CHANCE),
    metavar="CHANCE",
    help="Say also how few of the readings taken would have made the verdict this sure, such as 0.95.",
)
@click.option("--top", type=Whole(min=1), default=6, show_default=True, help="How many to show of each kind.")
@carry_option
@json_option
def command(
    case: str, number: str | None, wanted: float | None, top: int, carry: str | None, as_json: bool
) -> None:
    """Rank what could be read or printed next by the doubt that it removes per minute.

    Doubt is the chance that the verdict is wrong; once it is settled, what errors act alike. Works before the
    first reading too.
    """
    place = Case.open(case)
    hint = card_hint(place) if number is None else ""
    if not place.prints():
        _nothing_made(case, hint, as_json)
        return
    target = place.print(number)
    with working("Working out what would tell most"):
        from fitassay.inputs import read_inputs

        inputs = read_inputs(target, carry=carry)
        from fitassay.analysis.diagnosis.lookahead import few_enough, look_ahead

        walk, readings, known, machine = inputs.walk, inputs.readings, inputs.known, inputs.machine
        diagnosis = inputs.diagnose() if readings else None
        outlook = look_ahead(walk, machine, diagnosis, readings, known, inputs.offers)
        enough = few_enough(walk, readings, machine, wanted, known) if wanted is not None else None
    if as_json:
        answer({**_as_json(target, diagnosis, outlook, enough), "card_first": bool(hint)})
        return
    _tell(case, number, diagnosis, outlook, top, hint)
    _tell_evidence(case, inputs, outlook, top)
    if enough is not None:
        say()
        say(_enough_words(enough))


def _nothing_made(case: str, hint: str, as_json: bool) -> None:
    if as_json:
        answer({"schema": 1, "print": None, "verdict": None, "card_first": bool(hint)})
        return
    say(hint or f"Nothing has been made yet; begin with: fitassay make {typed(case)}")


def _tell(
    case: str, number: str | None, diagnosis: Diagnosis | None, outlook: Outlook, top: int, hint: str
) -> None:
    from fitassay.analysis.diagnosis.verdict_words import not_looked_at
    from fitassay.analysis.rounding import share
    from fitassay.labels import sentence, term_label

    suffix = f" --print {number}" if number else ""
    if diagnosis is None:
        say("Nothing has been read yet.")
        if hint:
            say(hint)
    else:
        say(sentence(diagnosis.verdict.text))
    if not outlook.about:
        then = f"; take the changes advised by: fitassay diagnose {typed(case)}{suffix}"
        say(f"No doubt is left that a reading could remove{then if diagnosis and diagnosis.advice else '.'}")
        if diagnosis and diagnosis.verdict.not_looked_at:
            say(not_looked_at(diagnosis.verdict.not_looked_at))
        return
    if diagnosis is None or diagnosis.verdict.status != "within-noise":
        parts = ", ".join(f"{term_label(name)} {share(part)}" for name, part in outlook.about[:5])
        say(f"In doubt: {parts}.")
    read = frozenset((f.coupon, f.feature) for f in diagnosis.fits) if diagnosis else frozenset()
    _ranking("Read next", outlook.readings[:top], single=True, read=read)
    _ranking("Coupons at hand, all that is unread on them", outlook.coupons[:top], single=False)
    _ranking("Worth printing", outlook.unprinted[:top], single=False)
    if not (outlook.readings or outlook.coupons or outlook.unprinted):
        say("Nothing that could be read or printed would remove much of it.")
    elif outlook.readings or outlook.coupons:
        say()
        say(f"Readings in this order, one by one: fitassay enter {typed(case)}{suffix} --guided")


def _tell_evidence(case: str, inputs: Inputs, outlook: Outlook, top: int) -> None:
    """How to take what is no usual reading, where that is among what tells most."""
    from fitassay.analysis.readings.reading import WEIGHED
    from fitassay.analysis.terms import BEAD, NAMES

    surface = {(c.id, f.id) for c, f in inputs.manifest.optional if f.of_surface}
    checks = {(c.id, f.id) for c, f in inputs.manifest.optional if f.cross_check}
    shown = {(n.coupon, n.feature) for n in outlook.readings[:top]}
    if shown & checks:
        say()
        say(
            "A second long size shows whether the frame's plate or the axes are off; the sheet's last pages show how "
            f"the jaws sit. Enter it with: fitassay enter {typed(case)} --rims"
        )
    if shown & surface:
        say()
        say(
            "Rims and single layers part a wide bead from uneven layers; the sheet's last page shows how the jaws "
            f"sit. Enter them with: fitassay enter {typed(case)} --rims"
        )
    if any(coupon == WEIGHED for coupon, _ in shown):
        say()
        say(f"What is put on the scale is entered with: fitassay enter {typed(case)} --weighed")
    bead = dict(outlook.about).get(NAMES[BEAD], 0.0)
    walls = any(c.single_wall for c in inputs.manifest.coupons)
    if inputs.commanded is None and walls and bead >= WORTH_WEIGHING:
        say()
        say(
            "With a scale of 0.01 g the single wall would tell the bead from all that looks like it; for that the "
            "sliced file must be known, which tells how much filament it asks for: "
            f"fitassay trace {typed(case)} FILE"
        )


def _ranking(
    title: str, found: tuple[NextPrint, ...], *, single: bool, read: frozenset[tuple[str, str]] = frozenset()
) -> None:
    if not found:
        return
    say()
    say(title)
    rows = [
        (
            f"{100 * n.gain:.0f} %",
            f"{n.minutes:.1f}" if single else f"{n.minutes:.0f}",
            n.coupon,
            (f"{n.feature}, again" if (n.coupon, n.feature) in read else n.feature)
            if single
            else f"begin with {n.feature}",
        )
        for n in found
    ]
    table((("removes", True), ("minutes", True), ("coupon", False), ("feature", False)), rows)


def _enough_words(enough: Enough) -> str:
    from fitassay.analysis.notes import status_in_sentence
    from fitassay.analysis.rounding import probability
    from fitassay.labels import term_label

    what = status_in_sentence(enough.status)
    if enough.term:
        what = f"{what}, {term_label(enough.term)}"
    if not enough.reached:
        return (
            f"All {enough.available} features read do not make a verdict {100 * enough.wanted:.3g} % sure; they "
            f"come to: {what} ({probability(enough.probability)})."
        )
    names = ", ".join(f"{coupon} {feature}" for coupon, feature in enough.keys)
    return (
        f"{len(enough.keys)} of the {enough.available} features read would have made the verdict "
        f"{100 * enough.wanted:.3g} % sure ({what}): {names}."
    )


def _as_json(
    target: Print, diagnosis: Diagnosis | None, outlook: Outlook, enough: Enough | None
) -> dict[str, Any]:
    def listed(found: tuple[NextPrint, ...]) -> list[dict[str, Any]]:
        return [
            {
                "coupon": n.coupon,
                "feature": n.feature,
                "gain": n.gain,
                "minutes": n.minutes,
                "gain_per_minute": n.gain / n.minutes,
                "text": n.text,
            }
            for n in found
        ]

    data: dict[str, Any] = {
        "schema": 1,
        "print": target.name,
        "verdict": None,
        "doubt": dict(outlook.about),
        "readings": listed(outlook.readings),
        "coupons": listed(outlook.coupons),
        "unprinted": listed(outlook.unprinted),
    }
    if diagnosis is not None:
        data["verdict"] = {
            "status": diagnosis.verdict.status,
            "term": diagnosis.verdict.term or None,
            "probability": diagnosis.verdict.probability,
        }
    if enough is not None:
        data["stop_when"] = {
            "chance": enough.wanted,
            "reached": enough.reached,
            "needed": len(enough.keys) if enough.reached else None,
            "available": enough.available,
            "readings": [{"coupon": c, "feature": f} for c, f in enough.keys],
            "status": enough.status,
            "term": enough.term or None,
            "probability": enough.probability,
        }
    return data
