"""The printer's figures asked for at the terminal, each with its default, its range and where to find it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fitassay.coupons.files import read_input
from fitassay.coupons.machine import FIGURES, SETTING_PLACES, Kinematics, Machine
from fitassay.coupons.numbers import parse_number
from fitassay.coupons.rules import Rules
from fitassay.coupons.wording import must_lie, shown
from fitassay.terminal import ask, clean, say

# Asked for one by one; compensations only if there are any, the rest stands in the file with its default.
ASKED = (
    *(f"volume.{axis}_mm" for axis in "xyz"),
    *(
        f"process.{name}"
        for name in ("nozzle_mm", "line_width_mm", "layer_height_mm", "walls", "filling_percent")
    ),
    *(f"settings.{name}" for name in ("filament_diameter_mm", "flow_percent")),
    *(f"settings.steps_per_mm_{axis}" for axis in "xyz"),
    *(f"caliper.{name}" for name in ("resolution_mm", "error_limit_mm", "range_mm")),
)
SIDES = ("volume.x_mm", "volume.y_mm")
COMPENSATIONS = tuple(f.key for f in FIGURES if f.default == 0.0)
MATERIAL = "PLA"
FIGURE = {f.key: f for f in FIGURES}

# What is said to a question mark.
WHERE = {
    **{f"volume.{axis}_mm": "The machine's data sheet; less is safe, more is not." for axis in "xyz"},
    "process.nozzle_mm": "Marked on the nozzle, or in the machine's data sheet.",
    "process.line_width_mm": "Slicer: line or extrusion width, of the outer wall if there are several.",
    "process.walls": "Slicer: walls or perimeters beside each other, as for the parts that are to fit.",
    "process.filling_percent": "Slicer; 15 is plenty for coupons, and a dense filling presses on the walls.",
    "process.layer_height_mm": "Slicer; the height you usually print with.",
    **{
        f"settings.steps_per_mm_{axis}": "Firmware: menu or configuration. If you cannot find it, keep this "
        "one: the advice also comes as a factor on whatever is set."
        for axis in "xyz"
    },
    "caliper.resolution_mm": "The last step of its display, or of its vernier.",
    "caliper.error_limit_mm": "Its data sheet; usual up to 100 mm: 0.02 mm with steps of 0.01 mm, 0.05 mm with "
    "steps of 0.05 mm (DIN 862).",
    "caliper.range_mm": "How far the jaws open.",
}
OTHERWISE = "The slicer or the firmware; 0 where there is no such setting."

# A usual bead is about an eighth wider than the bore, a usual layer half as high.
BEAD_PER_NOZZLE, LAYER_PER_NOZZLE = 1.125, 0.5

# Plastics that give under the jaws, by the letters their names begin with.
FLEXIBLE = ("tpu", "tpe", "tpc", "flex", "rubber")
NAME, PLASTIC, SOFT, DRIVE, ANY_SET = "name", "material", "soft", "kinematics", "compensations"

# What moves the nozzle over the bed, as it is asked for: a number, the kinematics, the words.
DRIVES: tuple[tuple[str, Kinematics, str], ...] = (
    ("1", "cartesian", "one motor moves x, another y"),
    ("2", "crossed-belts", "two motors move both together, their belts crossed"),
    ("3", "delta", "three arms"),
)
DRIVE_HINT = (
    "Switch the machine off and push the head slowly from front to back: if one motor turns, the answer is 1; if two "
    "turn at once, 2. Arms that rise on three columns: 3."
)
LAYER, BEAD = "process.layer_height_mm", "process.line_width_mm"


class Back(Exception):
    """To the question before."""


@dataclass(kw_only=True)
class Answers:
    """What is known of the machine so far; None where it is not."""

    name: str | None = None
    material: str | None = None
    soft: bool | None = None
    kinematics: Kinematics | None = None
    values: dict[str, float] = field(default_factory=dict)


def read_answers(path: Path) -> Answers | None:
    """Answers kept from a dialog that was stopped; None where there are none that can be read."""
    from fitassay.coupons.errors import FitassayError

    try:
        kept = Answers(**json.loads(read_input(path, "machine file")))
        Machine(
            name=str(kept.name),
            material=str(kept.material),
            kinematics=kept.kinematics or "cartesian",
            values=sensible(kept.values),
        )
        return kept
    except (ValueError, TypeError, AttributeError, RecursionError, FitassayError):
        return None


def sensible(given: dict[str, float]) -> dict[str, float]:
    """`given` with bead and layer that suit the nozzle, or the bead, where only that was told."""
    values = dict(given)
    nozzle, bead = given.get("process.nozzle_mm"), given.get(BEAD)
    if nozzle is not None and bead is None:
        bead = values[BEAD] = round(nozzle * BEAD_PER_NOZZLE, 2)
    if (nozzle is not None or bead is not None) and LAYER not in given:
        usual = FIGURE[LAYER].default if nozzle is None else nozzle * LAYER_PER_NOZZLE
        values[LAYER] = round(usual if bead is None else min(usual, bead * LAYER_PER_NOZZLE), 2)
    return values


def too_small(values: Mapping[str, float]) -> str:
    """That the bed is too small for any coupon; empty where it is not."""
    least = Rules().smallest_side
    if all(values.get(side, least) >= least for side in SIDES):
        return ""
    return f"Coupons with room for the jaws need a bed of at least {least:g} mm a side; none will fit."


@dataclass(kw_only=True)
class FiguresDialog:
    """One round of questions; `b` goes back one, `?` says where a figure is found.

    Attributes
    ----------
    folder_name : str
        The name offered.
    given : Answers
        Told as options: not asked for.
    before : Answers
        Of an earlier round or of the file that is to be replaced: offered.
    """

    folder_name: str
    given: Answers
    before: Answers
    _now: dict[str, Any] = field(default_factory=dict)

    @property
    def answered(self) -> bool:
        """Whether anything was answered in this round."""
        return bool(self._now)

    def kept(self) -> str:
        """The answers so far, for `read_answers`."""
        now = self._all()
        content = {
            "name": now.name,
            "material": now.material,
            "soft": now.soft,
            "kinematics": now.kinematics,
            "values": now.values,
        }
        return json.dumps(content, indent=2, ensure_ascii=False) + "\n"

    def machine(self) -> Machine:
        """The machine as told; raises KeyboardInterrupt and EOFError as they come."""
        say(
            "Figures of the printer, in mm. Enter takes the figure in [brackets], ? says where to find it, b goes "
            "back; all can be changed later."
        )
        questions = (NAME, PLASTIC, SOFT, DRIVE, *ASKED, ANY_SET, *COMPENSATIONS)
        done: list[int] = []
        i = 0
        while i < len(questions):
            if not self._to_be_asked(questions[i]):
                i += 1
                continue
            try:
                self._now[questions[i]] = self._question(questions[i])
            except Back:
                i = done.pop() if done else i
                continue
            if self._fits(questions[i]):
                done.append(i)
                i += 1
        now = self._all()
        return Machine(
            name=now.name or self.folder_name,
            material=now.material or MATERIAL,
            soft=bool(now.soft),
            kinematics=now.kinematics or "cartesian",
            values=now.values,
        )

    def _all(self) -> Answers:
        values = {**self.given.values, **{k: v for k, v in self._now.items() if "." in k}}
        return Answers(
            name=self.given.name if self.given.name is not None else self._now.get(NAME),
            material=self.given.material if self.given.material is not None else self._now.get(PLASTIC),
            soft=self.given.soft if self.given.soft is not None else self._now.get(SOFT),
            kinematics=self.given.kinematics or self._now.get(DRIVE),
            values=values,
        )

    def _to_be_asked(self, question: str) -> bool:
        if question in (NAME, PLASTIC, SOFT, DRIVE):
            material_given = question == SOFT and self.given.material is not None
            return getattr(self.given, question) is None and not material_given
        if question == ANY_SET:
            return any(key not in self.given.values for key in COMPENSATIONS)
        if question in COMPENSATIONS and not self._now.get(ANY_SET):
            return False
        return question not in self.given.values

    def _question(self, question: str) -> Any:
        if question == NAME:
            default = self.before.name or self.folder_name
            return _text(f"name [{clean(default)}]: ", "Any text; it stands on sheet and report.") or default
        if question == PLASTIC:
            default = self.before.material or MATERIAL
            return _plastic(default)
        if question == SOFT:
            plastic = str(self._all().material).casefold()
            likely = self.before.soft if self.before.soft is not None else plastic.startswith(FLEXIBLE)
            return _yes("is it flexible, such as TPU?", likely, "It gives when you press it with a nail.")
        if question == DRIVE:
            return _drive(self.before.kinematics or "cartesian")
        if question == ANY_SET:
            likely = any(self.before.values.get(key) for key in COMPENSATIONS)
            words = "are any compensations set now: backlash, size, holes, first layer, skew?"
            return _yes(words, likely, "Slicer and firmware; no where you never set one.")
        return _figure(question, self._default(question))

    def _default(self, key: str) -> float:
        if key in self.before.values:
            return self.before.values[key]
        usual = 0.0 if key in COMPENSATIONS else FIGURE[key].default
        return sensible(self._all().values).get(key, usual)

    def _fits(self, question: str) -> bool:
        """Whether the answer goes with those before it; says so at once where it does not."""
        values = self._all().values
        if question in SIDES and (small := too_small({question: values[question]})):
            say(small)
        if question in (BEAD, LAYER) and BEAD in values and LAYER in values and values[BEAD] <= values[LAYER]:
            say("The bead must be wider than the layer is high.")
            return False
        return True


def _text(prompt: str, hint: str) -> str:
    """One typed line; raises `Back`."""
    while True:
        text = ask(prompt)
        if text in ("?", "h", "help"):
            say(hint, indent="  ")
        elif text == "b":
            raise Back
        else:
            return text


def _plastic(default: str) -> str:
    """What is printed; a figure typed one question too early is no plastic."""
    while True:
        text = _text(f"material [{clean(default)}]: ", "What stands on the spool.") or default
        if any(c.isalpha() for c in text):
            return text
        say("That has no letters; type what stands on the spool, such as PLA.")


def _figure(key: str, default: float) -> float:
    """One figure, asked for until it is good."""
    figure = FIGURE[key]
    hint = WHERE.get(key) or SETTING_PLACES.get(key, OTHERWISE)
    span = f"{figure.low:g} to {figure.high:g} {figure.unit}".rstrip()
    prompt = f"{figure.text} ({span}) [{default:g}]: "
    while True:
        text = _text(prompt, f"{hint[:1].upper()}{hint[1:].rstrip('.')}.")
        if not text:
            return default
        try:
            value = parse_number(text, figure.unit)
        except ValueError as exc:
            say(f"{exc}.")
            continue
        if figure.low <= value <= figure.high:
            return value
        say(f"{shown(text)} is out of range; it {must_lie(figure.low, figure.high, figure.unit)}.")


def _drive(likely: Kinematics) -> Kinematics:
    """How the nozzle is moved over the bed, by the number of its line."""
    say("How is the nozzle moved over the bed?")
    for number, _, words in DRIVES:
        say(f"{number}  {words}", indent="  ")
    usual = next(number for number, name, _ in DRIVES if name == likely)
    while True:
        text = _text(f"1, 2 or 3 [{usual}]: ", DRIVE_HINT).casefold() or usual
        for number, name, _ in DRIVES:
            if text in (number, name):
                return name
        say("Type 1, 2 or 3.")


def _yes(words: str, likely: bool, hint: str) -> bool:
    while True:
        text = _text(f"{words} [{'yes' if likely else 'no'}]: ", hint).casefold()
        if not text:
            return likely
        if text in ("y", "yes"):
            return True
        if text in ("n", "no"):
            return False
        say("Type yes or no.")
