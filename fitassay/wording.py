"""Names of terms and settings as the user reads them, and text from outside made harmless."""

from __future__ import annotations

import unicodedata

from analysis.terms import TERMS
from coupons.machine import FIGURES

LONGEST_TEXT = 400
"""Text from outside is cut here; a name needs no more, and a page must stay readable."""

LITTLE_INFORMED = 0.3
"""Under this a term is called not measured: its uncertainty is still over 70 % of what it was beforehand."""

WELL_INFORMED = 0.7
"""From here on a term is called measured."""

_TERM_LABELS = {t.name: t.label for t in TERMS}
_SYMBOLS = {t.name: t.symbol for t in TERMS}
_SETTINGS = {f"{f.section}.{f.name}": f for f in FIGURES}

STATUS_WORDS = {
    "dominant": "One error dominates",
    "leading": "One error leads",
    "undetermined": "Not settled yet",
    "within-noise": "Nothing to mend",
    "unexplained": "Readings do not fit together",
}

CAUTIONS = (
    "Let nozzle and bed cool down, switch the machine off and unplug it before you touch belts, screws, nozzle "
    "or wiring; keep fingers, hair and sleeves off moving axes.",
    "Change firmware settings one at a time and note the old value first; watch the first moves with a hand "
    "at the switch. Air the room while you print.",
    "The machine's manual, local codes and licensed practice come before anything said here.",
)


def term_label(name: str) -> str:
    """The term in words, e.g. ``backlash in y``; an unknown name as it is."""
    return _TERM_LABELS.get(name, plain(name))


def term_symbol(name: str) -> str:
    """The term's symbol; an unknown name as it is."""
    return _SYMBOLS.get(name, plain(name))


def setting_label(setting: str) -> str:
    """A setting in words, from the table of machine.toml's figures; other text as it is."""
    for key in (setting, f"settings.{setting}"):
        if key in _SETTINGS:
            text = _SETTINGS[key].text
            before, _, after = text.partition(" set now")
            return f"{before}{after}"
    return plain(setting)


def informed_words(informed: float) -> str:
    """How far the readings reached a term."""
    if informed < LITTLE_INFORMED:
        return "not measured by these readings"
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
        elif unicodedata.bidirectional(char) in ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"):
            continue
        else:
            kept.append(char)
    line = " ".join("".join(kept).split())
    return line if len(line) <= longest else line[: longest - 1] + "…"
