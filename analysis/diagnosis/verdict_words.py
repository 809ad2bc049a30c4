"""The verdict in words."""

from __future__ import annotations

import numpy as np

from fitassay.analysis import rounding
from fitassay.analysis.diagnosis.verdict import LEADING, LOUD_SDS, STATUSES, Judged
from fitassay.analysis.result import Verdict
from fitassay.analysis.terms import BEAD, INDEX, NAMES, TERMS
from fitassay.coupons.wording import listed

CONTENDER = 0.05
# Contenders known this well (in standard uncertainties) are not in doubt: they are simply of one size.
KNOWN_SDS = 4.0


def verdict_of(
    judged: Judged, mean: np.ndarray, sd: np.ndarray, visible_mm: np.ndarray, misfits: tuple[str, ...]
) -> Verdict:
    """The verdict of the only row of `judged`.

    Parameters
    ----------
    judged : Judged
        Of one set of readings.
    mean, sd : ndarray (terms,)
        Posterior, standard uncertainties.
    visible_mm : ndarray (f,) [mm]
        From `diagnosis.verdict.visible_limits`.
    misfits : tuple of str
        Names of the readings that fit worst.
    """
    status = STATUSES[int(judged.status[0])]
    chances = judged.chances[0]
    best = int(judged.term[0])
    contenders = tuple(NAMES[i] for i in np.argsort(-chances, kind="stable") if chances[i] >= CONTENDER)
    term = TERMS[best]
    chance = float(judged.probability[0])
    accused = ""
    if status == "unexplained":
        contenders = ()
        text = (
            "These readings do not fit any mix of the errors known here, so no error is accused. They fit worst at "
            f"{listed(misfits, 'or')}: measure these again, and look there for a blob, a seam or a lifted corner."
        )
    elif status == "within-noise":
        contenders = ()
        text = (
            f"Nothing exceeds what the caliper can see ({float(np.max(visible_mm, initial=0.0)):.2f} mm): "
            "no error of this printer needs attention."
        )
    elif status in ("dominant", "leading"):
        accused = term.name
        lead = "spoils the fit most" if status == "dominant" else "probably spoils the fit most"
        how = f"{lead} ({_percent(chance)} sure)"
        text = f"{_capital(term.label)} {how}: {term.sentence}. Typical cause: {term.cause}."
    else:
        text = _open_question(judged, contenders, mean, sd, float(np.max(visible_mm, initial=0.0)))
    return Verdict(status=status, term=accused, probability=chance, text=text, contenders=contenders)


def _open_question(
    judged: Judged, contenders: tuple[str, ...], mean: np.ndarray, sd: np.ndarray, visible_mm: float
) -> str:
    best, sturdy = int(judged.term[0]), float(judged.sturdy[0])
    chance = float(judged.chances[0, best])
    if not contenders:
        return "No size of a part was measured yet, so nothing can be said about what spoils it."
    labels = [TERMS[INDEX[c]].label for c in contenders]
    known = [abs(mean[INDEX[c]]) >= KNOWN_SDS * sd[INDEX[c]] for c in contenders]
    if len(contenders) > 1 and all(known):
        return (
            f"{_capital(listed(labels))} spoil the fit about alike: each is well known, and each is "
            "worth setting right."
        )
    if chance >= LEADING and sturdy < LEADING:
        return (
            f"These readings cannot tell which error spoils the fit most. {_capital(TERMS[best].label)} is the "
            "likeliest, but only because printers usually err that way; the readings themselves leave it open."
        )
    seen = abs(mean[best]) - LOUD_SDS * sd[best] > visible_mm
    if chance >= LEADING and best == BEAD and seen and not judged.visible[0]:
        together = rounding.plus_minus(float(mean[best]), float(sd[best]), TERMS[best].unit)
        return (
            f"Bead width or uneven layers spoil the fit most, together by {together}: to flat jaws both look alike, "
            "so neither is accused. What to change serves whichever it is; a feed test would tell them apart."
        )
    if chance >= LEADING and not judged.visible[0]:
        return (
            f"{_capital(TERMS[best].label)} is the largest error found, but what it does to a size may be less than "
            f"the caliper can see ({visible_mm:.2f} mm), so it is not accused."
        )
    return f"These readings cannot tell which error spoils the fit most; it may be {listed(labels, 'or')}."


def _percent(chance: float) -> str:
    return f"{100 * chance:.0f} %"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
