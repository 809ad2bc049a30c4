"""The verdict in words."""

from __future__ import annotations

import numpy as np

from fitassay.analysis import rounding
from fitassay.analysis.diagnosis.surface import SURFACE_OF, sum_of
from fitassay.analysis.diagnosis.verdict import LEADING, STATUSES, Judged
from fitassay.analysis.normal import Normal
from fitassay.analysis.result import Advice, Verdict
from fitassay.analysis.terms import BEAD, INDEX, NAMES, PATH, TERMS, withheld_on
from fitassay.coupons.machine import Kinematics
from fitassay.coupons.wording import listed

CONTENDER = 0.05
WINDS_UP = (
    "Short ways show less of it than long ones, as with a slack belt or a weak motor: mend that first, since a "
    "compensation in the firmware would mend about half of it."
)
# Contenders known this well (in standard uncertainties) are not in doubt: they are simply of one size.
KNOWN_SDS = 4.0


def verdict_of(
    judged: Judged,
    posterior: Normal,
    visible_mm: np.ndarray,
    misfits: tuple[str, ...],
    kinematics: Kinematics = "cartesian",
    advice: tuple[Advice, ...] = (),
    parted: frozenset[int] = frozenset(),
    unread: tuple[str, ...] = (),
) -> Verdict:
    """The verdict of the only row of `judged`.

    Parameters
    ----------
    judged : Judged
        Of one set of readings.
    posterior : Normal
    visible_mm : ndarray (f,) [mm]
        From `diagnosis.verdict.visible_limits`.
    misfits : tuple of str
        Names of the readings that fit worst.
    kinematics : Kinematics
        Of the machine; not every error is judged of each.
    advice : tuple of Advice
        What is to be set, which may be known while its cause is not.
    parted : frozenset of int
        Columns of errors for which there is evidence that tells them from their surface effect.
    unread : tuple of str
        Names of the errors that nothing read so far tells of.
    """
    status = STATUSES[int(judged.status[0])]
    mean, sd = posterior.mean, posterior.sd
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
        text = _nothing_large(float(np.max(visible_mm, initial=0.0)), kinematics, unread)
    elif status in ("dominant", "leading"):
        accused = term.name
        lead = "spoils the fit most" if status == "dominant" else "probably spoils the fit most"
        how = f"{lead} ({_percent(chance)} sure)"
        text = f"{_capital(term.label)} {how}: {term.sentence}. Typical cause: {term.cause}."
    elif status == "sum-known":
        contenders = (term.name, TERMS[SURFACE_OF[best]].name)
        text = _sum_known(posterior, best, chance, advice, best in parted)
    else:
        text = _open_question(
            judged, contenders, mean, sd, float(np.max(visible_mm, initial=0.0)), settled=bool(advice)
        )
    return Verdict(
        status=status,
        term=accused,
        probability=chance,
        text=text,
        contenders=contenders,
        not_looked_at=unread,
    )


def _nothing_large(visible_mm: float, kinematics: Kinematics, unread: tuple[str, ...]) -> str:
    if unread:
        return (
            f"Nothing that was looked at exceeds what the caliper can see ({visible_mm:.2f} mm). "
            f"{not_looked_at(unread)}"
        )
    return f"Nothing exceeds what the caliper can see ({visible_mm:.2f} mm): {_none_of(kinematics)} needs attention."


def not_looked_at(terms: tuple[str, ...]) -> str:
    """The sentence on errors that nothing read so far tells of."""
    return f"Not looked at, so of any size: {listed(TERMS[INDEX[t]].label for t in terms)}."


def _none_of(kinematics: Kinematics) -> str:
    judged = f"that is judged of a {kinematics}" if withheld_on(kinematics) else "of this printer"
    return f"no error {judged}"


def _open_question(
    judged: Judged,
    contenders: tuple[str, ...],
    mean: np.ndarray,
    sd: np.ndarray,
    visible_mm: float,
    *,
    settled: bool,
) -> str:
    """What is left open; `settled`: what to set is known all the same."""
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
    if chance >= LEADING and not judged.visible[0]:
        return (
            f"{_capital(TERMS[best].label)} is the largest error found, but what it does to a size may be less than "
            f"the caliper can see ({visible_mm:.2f} mm), so it is not accused."
        )
    if settled:
        return (
            "Sizes are off, and what to set is known; these readings cannot tell which error it comes from. It may "
            f"be {listed(labels, 'or')}."
        )
    if judged.loud[0] < LEADING:
        return (
            f"No error is surely larger than what the caliper can see ({visible_mm:.2f} mm). The largest may be "
            f"{listed(labels, 'or')}."
        )
    return f"These readings cannot tell which error spoils the fit most; it may be {listed(labels, 'or')}."


_TELLS_APART = {
    BEAD: "Readings over the rims, or the single wall weighed, would tell them apart.",
    PATH: "The sliced file, traced, would tell them apart.",
}


def _sum_known(posterior: Normal, term: int, chance: float, advice: tuple[Advice, ...], parted: bool) -> str:
    """Where two act alike and only what they do together is known."""
    value, sd = sum_of(posterior, term)
    unit = TERMS[term].unit
    together = rounding.plus_minus(float(value), float(sd), unit)
    where = " per side" if term == PATH else ""
    labels = listed((TERMS[term].label, TERMS[SURFACE_OF[term]].label), "or")
    offset = TERMS[PATH].setting
    alone = [a.setting for a in advice] == [offset]
    mends = "the horizontal size compensation mends" if alone else "the changes advised mend"
    remedy = f"; {mends} sizes whichever it is"
    why = "What was read does not part them surely" if parted else "The caliper feels both alike"
    return (
        f"{_capital(labels)}: together {together}{where} (k = {rounding.COVERAGE:g}), the largest of all errors "
        f"({_percent(chance)} sure). {why}, so neither is accused{remedy if advice else ''}."
        f"{'' if parted else f' {_TELLS_APART[term]}'}"
    )


def _percent(chance: float) -> str:
    return f"{100 * chance:.0f} %"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
