"""Names of terms and settings as the user reads them, and text from outside made harmless."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

from fitassay.analysis import rounding
from fitassay.analysis.notes import STATUS_WORDS, Note, sum_words
from fitassay.analysis.result import Advice, Confounded, Diagnosis, Verdict
from fitassay.analysis.terms import TERMS
from fitassay.counting import other_counts
from fitassay.coupons.machine import FIGURES, SETTING_PLACES

LONGEST_TEXT = 400
"""Text from outside is cut here; a name needs no more, and a page must stay readable."""

LONGEST_SENTENCE = 1000
"""The same for sentences."""

LITTLE_INFORMED = 0.2
"""Under this a term is called not measured, as in the interpreter: over 80 % of the prior doubt is left."""

WELL_INFORMED = 0.7
"""From here on a term is called measured."""

_TERM_LABELS = {t.name: t.label for t in TERMS}
_FIGURES = {f.key: f for f in FIGURES}


def status_words(verdict: Verdict) -> str:
    """The heading of a verdict."""
    if verdict.status == "within-noise" and verdict.not_looked_at:
        return "Nothing to mend in what was looked at"
    return STATUS_WORDS[verdict.status]


def noted(diagnosis: Diagnosis) -> tuple[Note, ...]:
    """The notes, without what the headline says already: that some errors were not looked at."""
    verdict = diagnosis.verdict
    told = set() if verdict.status == "unexplained" else set(verdict.not_looked_at)
    return tuple(
        n for n in diagnosis.notes if n.code != "not-measured" or not told.issuperset(n.data["terms"])
    )


CAUTIONS = (
    "Let nozzle and bed cool down, switch the machine off and unplug it before you touch belts, screws, nozzle "
    "or wiring; keep fingers, hair and sleeves off moving axes.",
    "Change firmware settings one at a time and note the old value first; watch the first moves with a hand "
    "at the switch. Air the room while you print.",
    "The machine's manual, local codes and licensed practice come before anything said here.",
)

TO = {"turn": "to turn", "slide": "to slide in", "press": "to be pressed in"}
"""What a joint is to do."""

_SIDES = {
    "slot": ("tongue", "slot"),
    "key": ("key", "slot"),
    "tab": ("tab", "opening"),
    "dovetail": ("tongue", "slot"),
    "t-slot": ("stem", "neck"),
    "t-head": ("head", "chamber"),
    "rack": ("tooth", "gap"),
}


def side_words(shape: str) -> tuple[str, str]:
    """What the two sides of a joint of that shape are called, such as peg and hole."""
    return _SIDES.get(shape, ("peg", "hole"))


def term_label(name: str) -> str:
    """The term in words, e.g. ``backlash in y``; an unknown name as it is."""
    return _TERM_LABELS.get(name, plain(name))


def together_label(names: Sequence[str]) -> str:
    """An error with what feels like it, as one: ``bead width + uneven layers``."""
    return " + ".join(term_label(name).partition(" of ")[0] for name in names)


def setting_label(setting: str) -> str:
    """A figure of machine.toml in words; other text as it is."""
    return _FIGURES[setting].label if setting in _FIGURES else plain(setting)


def setting_words(setting: str) -> str:
    """A figure of machine.toml in words, with what a positive value does."""
    figure = _FIGURES.get(setting)
    return "; ".join(
        (setting_label(setting), *((figure.sign,) if figure is not None and figure.sign else ()))
    )


def informed_words(informed: float) -> str:
    """How far the readings reached a term."""
    if informed < LITTLE_INFORMED:
        return "not measured"
    return "measured" if informed >= WELL_INFORMED else "partly measured"


def plain(text: str, longest: int = LONGEST_TEXT) -> str:
    """Text from outside on one line: no control or direction-changing characters, not endless.

    Names and notes come from files; a terminal would obey escape sequences in them, and a direction override
    would turn the words after it round.
    """
    kept = []
    for char in str(text)[: 4 * longest]:
        if char in "\t\n\r":
            kept.append(" ")
        elif unicodedata.category(char) in ("Cc", "Cs", "Co", "Cn", "Zl", "Zp"):
            continue
        elif unicodedata.bidirectional(char) in (
            "LRE",
            "RLE",
            "LRO",
            "RLO",
            "PDF",
            "LRI",
            "RLI",
            "FSI",
            "PDI",
        ):
            continue
        else:
            kept.append(char)
    line = " ".join("".join(kept).split())
    return line if len(line) <= longest else line[: longest - 1] + "…"


def capital(text: str) -> str:
    """Text from the interpreter on one line with a capital letter."""
    line = plain(text, LONGEST_SENTENCE)
    return line[:1].upper() + line[1:]


def sentence(text: str) -> str:
    """Text from the interpreter with a capital letter and a full stop; empty text stays empty."""
    line = capital(text)
    return line + "." if line and line[-1] not in ".!?:…" else line


def first_sentence(text: str) -> tuple[str, str]:
    """The first sentence of `text` and the rest; a point within a number or a name ends none."""
    for end in re.finditer(r"[.!?] (?=[A-Z])", text):
        return text[: end.start() + 1], text[end.end() :]
    return text, ""


def minus(text: object) -> str:
    """`text` for reading: a true minus sign before numbers, and numbers kept on one line with their units.

    Values to be typed elsewhere do not pass through here; they keep the ASCII hyphen.
    """
    return unbroken(re.sub(r"(?<![\w.\-])-(?=\d)", "\N{MINUS SIGN}", str(text)))


def unbroken(text: str) -> str:
    """`text` with its numbers kept on one line with their units and uncertainties."""
    return re.sub(r"(?<=\d) (?=(?:±|mm\b|%|degrees\b))|(?<=±) ", "\N{NO-BREAK SPACE}", text)


def reading(value: float) -> str:
    """A reading [mm] as a caliper shows it: two decimals, more where more were typed."""
    return rounding.reading(value)


def advice_values(advice: Advice) -> tuple[str, str]:
    """Old and new value as text in plain ASCII digits, ready to be typed; ``""`` where there is none."""
    old = new = ""
    if advice.from_value is not None:
        value, unit = rounding.face(advice.from_value, advice.unit)
        # The unit stands once, behind the new value.
        old = (
            rounding.exact(value)
            if advice.to_value is not None
            else rounding.with_unit(rounding.exact(value), unit)
        )
    if advice.to_value is not None:
        new = rounding.plus_minus(advice.to_value, advice.std_uncertainty, advice.unit, signed=False)
    return old, new


def advice_check(advice: Advice) -> str:
    """That it rests on one reading which nothing checks, and to take that again; empty where others do."""
    if advice.rests_on is None:
        return ""
    coupon, feature = advice.rests_on
    return (
        f"rests on one reading: take {plain(feature, 60)} on {plain(coupon, 60)} again before you change this"
    )


def unsettled_lists(diagnosis: Diagnosis) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Headings and their sentences where no number is known: which way changes lean, and what to draw meanwhile."""
    leans = tuple(f"{sentence(s.text)} {sentence(s.settle)}".strip() for s in diagnosis.unsettled)
    drawn = tuple(sentence(each.text) for each in diagnosis.extra.get("drawn", ()))
    left = "with the changes above made" if diagnosis.advice else "the machine left as it is"
    lists = (("Not known well enough for a number", leans), (f"To fit tonight, {left}", drawn))
    return tuple((head, texts) for head, texts in lists if texts)


def advice_remarks(advice: Advice) -> tuple[str, ...]:
    """What else must be known to act on it: the setting's sign, where it is found, steps as a factor."""
    figure = _FIGURES.get(advice.setting)
    remarks = [figure.sign] if figure is not None and figure.sign else []
    if place := SETTING_PLACES.get(advice.setting, ""):
        remarks.append(f"where: {place}")
    remarks += other_counts(advice)
    if advice.unit == "steps/mm" and advice.from_value and advice.to_value:
        # Steps per mm are often not known; what the readings tell is their ratio.
        ratio = advice.to_value / advice.from_value
        factor = rounding.matching(ratio, rounding.COVERAGE * advice.std_uncertainty / advice.from_value)
        remarks.append(
            f"if {rounding.exact(advice.from_value)} is not what is set: {factor} times what is set"
        )
    return tuple(remarks)


def order_remark(diagnosis: Diagnosis) -> str:
    """Why the error that is accused is not the first to be set right; empty where it is, or none is accused."""
    terms = [advice.term for advice in diagnosis.advice]
    accused = diagnosis.verdict.term
    before = terms.index(accused) if accused and accused in terms else 0
    if not before:
        return ""
    many = f"steps 1 {'and' if before == 2 else 'to'} {before} go before it, since they move"
    others = "step 1 goes before it, since it moves" if before == 1 else many
    return (
        f"Step {before + 1} mends the error that spoils the fit most; {others} the sizes that step {before + 1} is "
        "proved on"
    )


def confounded_words(group: Confounded) -> tuple[str, str]:
    """What acts alike, and the sum that is known as an equation.

    E.g. ``bead width + 2 × path offset = +0.110 ± 0.022 mm``.
    """
    total = rounding.plus_minus(group.value, group.std_uncertainty, group.unit)
    return sentence(group.alike.text), f"{sum_words(group.combination, group.unit, '×')} = {total}"
