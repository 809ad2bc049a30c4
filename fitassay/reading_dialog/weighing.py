"""What is put on the scale, at the terminal: a length of filament, the single wall, all that was printed."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from fitassay.analysis.readings.file import ReadingsBook, read_readings
from fitassay.analysis.readings.weighings import WEIGHED, Weighing, parse_mass, plausible_mass, weighing_of
from fitassay.analysis.rounding import plus_minus
from fitassay.case import Print
from fitassay.coupons.files import write_atomic
from fitassay.coupons.machine import figure
from fitassay.coupons.numbers import parse_number
from fitassay.coupons.wording import count, listed
from fitassay.terminal import ask, say, typed, working

if TYPE_CHECKING:
    from fitassay.analysis.estimation.weighed import Commanded
    from fitassay.analysis.readings.file import Reading
    from fitassay.inputs import Inputs

STEP, LINEARITY = "scale.step_g", "scale.linearity_g"


class _Enough(Exception):
    """The user has had enough for now."""


@dataclass(kw_only=True)
class _Weighing:
    """One round with the scale.

    Attributes
    ----------
    target : Print
    inputs : Inputs
    book : ReadingsBook
    commanded : Commanded
    """

    target: Print
    inputs: Inputs
    book: ReadingsBook
    commanded: Commanded

    def scale(self) -> None:
        """The scale's step; another one is kept in the case's machine.toml."""
        machine = self.inputs.machine
        while text := _typed(f"steps of the scale in g, Enter keeps {machine[STEP]:g}: "):
            try:
                step = parse_number(text, "g")
                if not figure(STEP).low <= step <= figure(STEP).high:
                    raise ValueError(f"steps lie between {figure(STEP).low:g} and {figure(STEP).high:g} g")
            except ValueError as exc:
                say(f"  {exc}.")
                continue
            self._keep_step(step)
            return

    def _keep_step(self, step: float) -> None:
        from fitassay.coupons.machine_file import machine_toml

        place = self.target.case
        today = place.machine()
        values = {**today.values, STEP: step, LINEARITY: max(step, today[LINEARITY])}
        write_atomic(place.machine_path, machine_toml(replace(today, values=values)))
        say(f"  Steps of {step:g} g, linearity ±{values[LINEARITY]:g} g; kept in {place.machine_path}.")

    def filament(self) -> None:
        """Lengths of filament until Enter alone."""
        say()
        say(
            "Filament: cut a metre or more off the spool that was printed from, straighten it, measure and weigh it; "
            "its diameter belongs to that piece, too (enter --filament). Type length in mm and mass in g, such as "
            "1000 2.98; Enter alone goes on."
        )
        has = [w for w in map(self._of, self.book.weighings()) if w.what == "filament"]
        for w in has:
            say(f"  has {self._shown(w)} for {w.length_mm:g} mm")
        while text := _typed("  length and mass: "):
            words = [w.removesuffix(",") for w in re.split(r"[\s;/]+", text) if w not in ("mm", "g")]
            try:
                if len(words) != 2:
                    raise ValueError("length in mm and mass in g are wanted, such as 1000 2.98")
                what = weighing_of(f"filament_g:{words[0]}", ())
                self._take(what, words[1])
            except ValueError as exc:
                say(f"  {exc}.")

    def piece(self, what: Weighing, said: str) -> None:
        """One mass; Enter keeps what there is, or does without."""
        say()
        say(said)
        has = self.book.values(WEIGHED, what.feature)
        if has:
            say(f"  has {self._shown(what)}; Enter keeps, a new one replaces, + before it adds")
        while text := _typed("  mass in g: "):
            try:
                if self._take(what, text.removeprefix("+"), () if text.startswith("+") else has):
                    return
            except ValueError as exc:
                say(f"  {exc}.")

    def _take(self, what: Weighing, text: str, replaced: tuple[float, ...] = ()) -> bool:
        """Write a mass down, if it is meant."""
        mass = parse_mass(text)
        doubt = plausible_mass(what, mass) or self._far(what, mass)
        if doubt:
            say(doubt, indent="  ")
            if _typed(f"  k keeps {text}; Enter or n types again: ").casefold() not in ("k", "keep"):
                return False
        if replaced:
            self.book.replace(WEIGHED, what.feature, mass, shown=replaced)
        else:
            self.book.add(WEIGHED, what.feature, mass)
        return True

    def _far(self, what: Weighing, mass: float) -> str:
        """A doubt where the mass is not what the file asks for, by half or more."""
        import numpy as np

        from fitassay.analysis.estimation.weighed import extruded_of, masses_of

        masses = masses_of(self._readings(), tuple(c.id for c in self.inputs.manifest.coupons))
        lengths = {w: m for w, m in masses.items() if w.what == "filament"}
        found = extruded_of({**lengths, what: np.array([mass])}, self.commanded, self.inputs.machine)
        if what.what == "filament" or found is None or not found.far:
            return ""
        return f"{mass:g} g is not what the sliced file asks for, by half or more; is it that piece, whole and alone?"

    def _readings(self) -> tuple[Reading, ...]:
        return read_readings(self.target.readings_path, self.inputs.manifest)

    def _of(self, feature: str) -> Weighing:
        return weighing_of(feature, [c.id for c in self.inputs.manifest.coupons])

    def _shown(self, what: Weighing) -> str:
        return ", ".join(f"{v:g}" for v in self.book.values(WEIGHED, what.feature)) + " g"

    def result(self) -> None:
        """What the scale says now."""
        from fitassay.inputs import read_inputs

        inputs = read_inputs(self.target, alone=True)
        found = inputs.scale(inputs.readings)
        say()
        if found.fact is None or found.extruded is None:
            say(
                "All saved; a length of filament and a printed piece are both needed before the scale tells anything."
            )
            return
        fed = plus_minus(100 * found.extruded.ratio, 100 * found.extruded.u_ratio, "%", signed=False)
        bead = plus_minus(found.fact.value, found.fact.u, "mm")
        say(
            f"All saved. By the scale the extruder feeds {fed} of what the file asks for, and the bead is off by "
            f"{bead} (k = 2)."
        )
        if inputs.filament is None:
            say(
                f"Most of that doubt is the filament's diameter, which nobody measured: fitassay enter "
                f"{typed(self.target.case.path)} --filament"
            )


def enter_weighed(target: Print) -> None:
    """A round with the scale; says why where the sliced file is wanting."""
    from fitassay.inputs import read_inputs

    with working("Reading the sliced file"):
        inputs = read_inputs(target, alone=True)
        commanded = inputs.commanded
    case = typed(target.case.path)
    if commanded is None:
        say(
            "Masses tell nothing unless it is known how much filament the file asks for. Trace the sliced file that "
            f"was printed: fitassay trace {case} FILE; then come back."
        )
        for remark in inputs.remarks:
            say(remark.text)
        return
    book = ReadingsBook(target.readings_path, inputs.manifest)
    round_ = _Weighing(target=target, inputs=inputs, book=book, commanded=commanded)
    machine = inputs.machine
    say(
        "Weighing parts a wide bead from uneven layers, which flat jaws cannot. Let the scale warm up and zero it "
        f"empty, on a firm table out of draughts. It is taken to have steps of {machine[STEP]:g} g and to be linear "
        f"within ±{machine[LINEARITY]:g} g (machine.toml, [scale]). q ends; every mass is saved at once in "
        f"{target.readings_path}."
    )
    try:
        round_.scale()
        round_.filament()
        for key in sorted(commanded.walls):
            round_.piece(
                Weighing("piece", coupon=key),
                f"Coupon {key}, whole, with its tag and without skirt or strings. Enter alone does without.",
            )
        if commanded.everything is not None:
            round_.piece(Weighing("plates"), _everything(inputs))
    except (_Enough, EOFError):
        say()
    round_.result()


def _everything(inputs: Inputs) -> str:
    coupons = inputs.manifest.coupons
    plates = count(len({c.plate for c in coupons}), "plate")
    return (
        f"Everything printed from {plates} in one heap: {listed([c.id for c in coupons])}, skirt, brim and purge "
        "line too. Enter alone does without."
    )


def _typed(prompt: str) -> str:
    """What is typed; raises `_Enough` for q."""
    text = ask(prompt)
    if text.casefold() in ("q", "quit"):
        raise _Enough
    return text
