"""Notes of a diagnosis: a code with its figures, and the one place that makes sentences of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from fitassay.analysis import rounding
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.coupons.machine import figure
from fitassay.coupons.wording import count, listed

Place = tuple[str, str]
"""Coupon and feature."""

MOST_PLACES = 6


@dataclass(frozen=True)
class Note:
    """Something the user should know that fits nowhere else.

    Attributes
    ----------
    code : str
        One of `CODES`.
    data : dict
        What its sentence is made of; lengths in mm.

    Raises
    ------
    ValueError
        No such code.
    """

    code: str
    data: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.code not in _SENTENCES:
            raise ValueError(f"no note has the code {self.code}; known: {', '.join(CODES)}")

    @property
    def text(self) -> str:
        """The sentence."""
        return _SENTENCES[self.code](**self.data)


def label(term: str) -> str:
    """A term in words."""
    return TERMS[INDEX[term]].label


def sum_words(combination: dict[str, float], unit: str, times: str = "x") -> str:
    """A sum of terms, ``bead width + 2 x path offset``, a positive part first.

    In a length a factor of a fraction or an angle is a length: ``backlash in x - 15.0 mm x scale in x``.
    """
    parts = []
    for name, factor in sorted(combination.items(), key=lambda item: item[1] < 0):
        length = " mm" if unit == "mm" and TERMS[INDEX[name]].unit != "mm" else ""
        once = abs(abs(factor) - 1) < 1e-9 and not length
        amount = "" if once else f"{rounding.three_digits(abs(factor))}{length} {times} "
        parts.append(f"{'-' if factor < 0 else '+'} {amount}{label(name)}")
    return " ".join(parts).removeprefix("+ ")


def _one_setting(
    *, setting: str, now: float, new: float, u_new: float, wall_open: bool, length_open: bool
) -> str:
    row = figure(setting)
    name = row.text.partition(" set now")[0]
    value = rounding.with_unit(rounding.matching(new, rounding.COVERAGE * u_new), row.unit)
    left = ["single walls stay off if it was the bead"] * wall_open
    left += ["much longer or shorter sizes may stay off"] * length_open
    warning = f", though {' and '.join(left)}" if left else ""
    right = "the sizes measured come right whichever it is"
    return f"set the {name} from {rounding.exact(now)} to {value}: {right}{warning}"


def _known_badly(*, setting: str) -> str:
    name = figure(setting).text.partition(" set now")[0]
    return f"the {name} would serve whichever it is, but by how much is not known well enough for a number"


def places(keys: tuple[Place, ...] | list[Place], last: str = "") -> str:
    """``step20-x on boss, ...``, all of them before `last` or the first few without it."""
    names = tuple(f"{feature} on {coupon}" for coupon, feature in keys)
    if last:
        return listed(names, last)
    rest = len(names) - MOST_PLACES
    return ", ".join(names[:MOST_PLACES]) + (f" and {count(rest, 'other')}" if rest > 0 else "")


STATUS_WORDS = {
    "dominant": "One error dominates",
    "leading": "One error leads",
    "sum-known": "Two look alike, one remedy",
    "undetermined": "Not settled yet",
    "within-noise": "Nothing to mend",
    "unexplained": "Readings do not fit together",
}


def status_in_sentence(status: str) -> str:
    """Such a heading within a sentence."""
    words = STATUS_WORDS[status]
    return words[:1].lower() + words[1:]


def _leans(changes: list[dict[str, str]]) -> str:
    parts = [
        f"with priors {c['priors']} it would be: {status_in_sentence(c['status'])}"
        + (f", {label(c['term'])}" if c["term"] else "")
        for c in changes
    ]
    return f"The verdict leans on how large such errors commonly are (the priors): {'; '.join(parts)}."


def _repeats(*, more: bool, sd_mm: float, dof: int, stated_mm: float, used_mm: float) -> str:
    text = (
        f"Repeats scatter by {sd_mm:.3f} mm (standard deviation of one reading, {dof} degrees of freedom), "
        f"{'more' if more else 'less'} than the {stated_mm:g} mm stated for the caliper: readings are weighed by "
        f"{used_mm:.3f} mm, both pooled."
    )
    if more:
        text += " Open and close the jaws alike each time, or state in machine.toml what is seen."
    return text


def _ladder(
    *,
    coupon: str,
    peg_mm: float,
    tried_mm: tuple[float, float],
    enters_mm: float | None,
    turns_mm: float | None,
) -> str:
    peg = f"{coupon}: {peg_mm:g} mm pegs"
    if enters_mm is None:
        return (
            f"{peg} go in nowhere up to {tried_mm[1]:.2f} mm of drawn clearance: print a looser ladder "
            f"(make --new-print --family fit-ladder --clearance {tried_mm[1] + 0.4:.2f})."
        )
    if turns_mm == tried_mm[0]:
        return (
            f"{peg} turn in every bore, from {turns_mm:.2f} mm of drawn clearance on: for closer fits print a "
            f"tighter ladder (make --new-print --family fit-ladder --clearance {max(tried_mm[0], 0.05):.2f} "
            "--clearance-step 0.02)."
        )
    enters = f"go in from {enters_mm:.2f} mm of drawn clearance"
    if turns_mm is None:
        return f"{peg} {enters} and turn in none up to {tried_mm[1]:.2f} mm."
    return f"{peg} {enters}, turn from {turns_mm:.2f} mm."


def _manner(*, jumps: bool | None, chance: float) -> str:
    """What the bores say of a compensation set too high: it jumps, it mirrors the play, or they do not tell."""
    if jumps is None:
        return (
            "A backlash compensation is set too high. Whether it jumps at the reversal or mirrors the play these "
            "readings do not tell: read round bores in x and y, or take the compensation back first. Until then the "
            "closing of round holes and clearances are stated as wide as both."
        )
    fits, not_so = ("jumps at the reversal", "mirroring the play")
    if not jumps:
        fits, not_so = ("mirrors the play", "jumping at the reversal")
    surely = rounding.probability(chance if jumps else 1 - chance)
    return (
        f"A backlash compensation is set too high. By the round bores it {fits} rather than {not_so} ({surely}), and "
        "round holes are foretold so."
    )


def _filament(
    *,
    mean_mm: float,
    u_mean_mm: float,
    ovality_mm: float,
    places: int,
    set_mm: float,
    filament_mm: float,
    u_filament_mm: float,
    flow_mm: float,
    feed_mm: float,
    u_feed_mm: float,
    feed_percent: float,
    u_feed_percent: float,
    share: float | None,
) -> str:
    diameter = rounding.plus_minus(mean_mm, u_mean_mm, "mm", signed=False)
    part = rounding.plus_minus(filament_mm, u_filament_mm, "mm")
    rest = rounding.plus_minus(feed_mm, u_feed_mm, "mm")
    percent = rounding.plus_minus(feed_percent, u_feed_percent, "%")
    of_it = f" ({100 * share:.0f} % of the bead error found)" if share is not None else ""
    flow = f", the flow set now by {flow_mm:+.3f} mm" if abs(flow_mm) > 5e-4 else ""
    return (
        f"The filament measures {diameter} across (ovality {ovality_mm:.2f} mm, {count(places, 'place')}), set is "
        f"{set_mm:g} mm. That changes the bead's width by {part}{of_it}{flow}; {rest} is left for the feed "
        f"({percent})."
    )


def _weighed(
    *,
    feed_percent: float,
    u_feed_percent: float,
    bead_mm: float,
    u_bead_mm: float,
    per_metre_g: float,
    weighed: list[str],
    places: int,
    far: list[str],
) -> str:
    fed = rounding.plus_minus(feed_percent, u_feed_percent, "%", signed=False)
    bead = rounding.plus_minus(bead_mm, u_bead_mm, "mm")
    diameter = "as measured" if places else "as set (nobody measured it)"
    text = (
        f"By the scale the extruder feeds {fed} of what the sliced file asks for ({_on_scale(weighed)}; filament "
        f"{per_metre_g:.3g} g a metre). With the filament's diameter {diameter} the bead is off by {bead}."
    )
    return text + (f" {_weighed_far(weighed=far)}" if far else "")


def _not_measured(terms: list[str], kept: list[str] | tuple[str, ...]) -> str:
    """What no print tells of, and what only an earlier one does."""
    unknown = ", ".join(label(t) for t in terms if t not in kept)
    stands = ", ".join(label(t) for t in kept)
    return " ".join(
        ([f"Not measured by these readings, which does not mean fine: {unknown}."] if unknown else [])
        + ([f"Not measured anew, so as earlier prints left it: {stands}."] if stands else [])
    )


def _on_scale(weighed: list[str]) -> str:
    """``wall and all plates`` of ``wall_g``, ``plates_g``."""
    return listed(["all plates" if w == "plates_g" else w.removesuffix("_g") for w in weighed])


def _weighed_far(*, weighed: list[str]) -> str:
    return (
        f"The mass given for {_on_scale(weighed)} is not what the sliced file asks for, by half or more, and was "
        "left out: was it that piece, that file, and in grams?"
    )


_LACKS = {
    "file": "the sliced file, which tells how much filament was asked for (fitassay trace)",
    "filament": "a weighed length of the same filament",
    "piece": "a printed piece on the scale",
}

_CONTRADICTED = {
    "path place": "The path offset in the sliced file does not fit the readings and was left out; was it printed?",
    "feed": "The bead's width that filament and feed test foretell does not fit the readings and was left out; do "
    "the feed test again.",
    "weighed": "The bead's width that the scale foretells does not fit the readings and was left out; weigh again, "
    "and check that the traced file was printed.",
}

_SENTENCES: dict[str, Callable[..., str]] = {
    "confounded": lambda terms: f"{listed([label(t) for t in terms])} act alike in these readings",
    "confounded-belts": lambda: (
        "a frame out of square and a scale of belt a unlike that of belt b act alike in all readings"
    ),
    "confounded-belts-remedy": lambda: (
        "see first that the steps per mm of both motors are set alike and their pulleys have as many teeth; "
        "the skew correction mends what is left, whichever it is"
    ),
    "confounded-sum-nil": lambda: "the sum is zero within its uncertainty, so nothing needs changing for it",
    "confounded-one-setting": _one_setting,
    "confounded-known-badly": _known_badly,
    "confounded-no-setting": lambda: (
        "no one setting serves whichever it is; take the readings named under what comes next to split them"
    ),
    "not-measured": lambda terms, kept=(): _not_measured(terms, kept),
    "withheld": lambda kinematics, terms: (
        f"Not told of a {kinematics}, whose arms move x and y together by where the nozzle stands: "
        f"{listed(label(t) for t in terms)}; bead, path, closing, heights and first layer are judged."
    ),
    "excess-scatter": lambda scatter_mm: (
        f"The readings disagree by {scatter_mm:.3f} mm more than the caliper explains: the print is that uneven. "
        "All uncertainties are widened for it."
    ),
    "uneven-layers": lambda shift_mm: (
        f"This print's layers are uneven by about {shift_mm:.2f} mm (standard deviation of a layer's shift): look "
        "for play in the z guide, a loose nozzle or a bent screw, the machine off and unplugged."
    ),
    "foot-smaller": lambda by_mm: (
        f"The foot is {by_mm:.2f} mm smaller than the body above it, as where layers are uneven and the jaws rest on "
        "the outermost: look for play in the z guide, a loose nozzle or a bent screw, the machine off and unplugged."
    ),
    "elastic-play": lambda term, share: (
        f"The combs show {100 * share:.0f} % less of the {label(term)} than larger pieces do: it is wound up over "
        "some millimetres of way, as by a slack belt or a weak motor. A compensation in the firmware would mend "
        "about half of it; mend the belt or motor first, the machine off and unplugged, and as its manual says."
    ),
    "many-outliers": lambda readings: (
        f"{readings} readings do not fit the others, more than slips of the hand explain: look for a seam on the "
        "measured faces, for blobs and for lifted corners."
    ),
    "over-compensated": _manner,
    "exchanged": lambda first, second: (
        f"The readings of {first} and {second} look exchanged: each fits under the other's name, and then all "
        "readings fit together. Look at the names on the pieces, and swap the readings if so."
    ),
    "cancelling": lambda terms, hidden_mm: (
        f"{_capital(listed([label(t) for t in terms]))} work against each other: together they hide up to "
        f"{hidden_mm:.2f} mm on the sizes measured, so your parts nearly fit now. Change "
        f"{'both' if len(terms) == 2 else 'all of these'} or none."
    ),
    "leans-on-priors": _leans,
    "sole-witness": lambda coupon, feature: (
        f"The verdict rests on one reading, {feature} on {coupon}: take it again before you act on it."
    ),
    "unchecked": lambda readings: (
        f"No other reading checks {places(readings, 'or')}: a slip of 1 mm there would be taken for the printer's. "
        "Read them twice."
    ),
    "repeats-scatter": _repeats,
    "few-degrees-of-freedom": lambda term, dof, coverage_factor: (
        f"The estimate of {label(term)} has {dof:.0f} effective degrees of freedom, since few readings were "
        f"repeated: a coverage factor of {coverage_factor:.2f} in place of 2 covers 95 % (GUM G.4)."
    ),
    "transfer-used": lambda print: (
        f"What print {print} left known, with its usual drift, was taken as known before these readings."
    ),
    "transfer-contradicted": lambda print: (
        f"These readings contradict what print {print} left known, even with its usual drift, so it was not used: "
        "the printer has changed since."
    ),
    "fact-contradicted": lambda fact: _CONTRADICTED[fact],
    "ladder": _ladder,
    "ladder-order": lambda pairs, coupon: (
        f"On {coupon}, {pairs[0][0]} {pairs[0][1]} but the wider {pairs[0][2]} {pairs[0][3]}: no printer does that. "
        "Try both again; look for burrs and blobs."
    ),
    "trials-contradict": lambda trials: (
        "What was tried by hand does not fit the sizes read: "
        f"{', '.join(f'{feature} on {coupon} ({answer})' for coupon, feature, answer in trials)}. "
        "Look for burrs and blobs, and try again."
    ),
    "counts-apart": lambda rows: (
        f"Counts of {places(rows)} are more than one pair apart: count there once more, from the nearest number."
    ),
    "play-with-speed": lambda axis, slow_mm, usual_mm, u_mm: (
        f"Lost motion in {axis} goes with the speed: {slow_mm:.2f} mm slowly, {usual_mm:.2f} mm at the usual speed "
        f"(difference ± {2 * u_mm:.2f} mm, k = 2). A loose belt or a weak motor does that; a compensation mends one "
        "speed only."
    ),
    "file-path": lambda file: f"Sensitivities follow the path in {file}, not an ideal one.",
    "file-backlash": lambda readings: (
        "In that file backlash acts otherwise than in an ideal path on "
        f"{count(len(readings), 'reading')}: {places(readings)}."
    ),
    "file-seams": lambda readings, blob_mm: (
        f"The seam lies under the jaws of {places(readings)}: weighed less, by {blob_mm:g} mm more of standard "
        "uncertainty."
    ),
    "file-lacks": lambda coupons: f"Not in that file, so the ideal path is assumed: {', '.join(coupons)}.",
    "file-offset": lambda in_file_mm, left_mm, u_mm: (
        f"Of the path offset, {in_file_mm:+.3f} mm are in the file; {left_mm:+.3f} ± {2 * u_mm:.3f} mm (k = 2) are "
        "left to the machine."
    ),
    "own-path": lambda u_mm: (
        "This print was drawn by a path of our own: seams lie in their notches, sensitivities are that path's, and "
        f"no slicing program moved it (path offset 0 ± {2 * u_mm:.3f} mm, k = 2, is left to the machine)."
    ),
    "own-path-changed": lambda files: (
        f"{listed(files)} is not as it was written, so nothing is taken from the path that drew this print."
    ),
    "trace-unreadable": lambda path: (
        f"what was traced before cannot be read ({path}), so ideal paths are assumed; run trace again."
    ),
    "earlier-unread": lambda name, reason: (
        f"Print {name} of this case cannot be read ({reason}), so nothing that it showed is taken as known."
    ),
    "file-gone": lambda path: (
        f"The sliced file {path} is gone, so ideal paths are assumed; trace it where it is now."
    ),
    "file-changed": lambda path: (
        f"The sliced file {path} is not the one traced before, so ideal paths are assumed; trace it again."
    ),
    "filament": _filament,
    "weighed": _weighed,
    "weighed-far": _weighed_far,
    "weighed-lacks": lambda lacks: (
        f"What was weighed tells nothing yet: there is still wanting {listed([_LACKS[x] for x in lacks])}."
    ),
}

CODES: tuple[str, ...] = tuple(_SENTENCES)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
