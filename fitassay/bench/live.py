"""The verdict as it forms: worked out beside the page after each reading, the newest readings first."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Hashable
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from fitassay.analysis.rounding import fixed, probability, reading
from fitassay.case import Print
from fitassay.coupons.errors import FitassayError
from fitassay.coupons.wording import listed
from fitassay.labels import (
    CAUTIONS,
    advice_check,
    advice_values,
    capital,
    minus,
    order_remark,
    sentence,
    setting_label,
    term_label,
    unbroken,
    unsettled_lists,
)

if TYPE_CHECKING:
    from fitassay.analysis.diagnosis.sequential import Guide
    from fitassay.analysis.readings.file import Reading
    from fitassay.analysis.result import Advice, Diagnosis
    from fitassay.drawn_instead import Drawn
    from fitassay.inputs import Inputs

# A burst of readings is judged once, when it pauses, but not later than this [s].
PAUSE_S = 0.12
LONGEST_WAIT_S = 1.0
# Rivals shown at most, and from which chance on.
RIVALS = 4
SMALLEST_CHANCE = 0.02

NOTHING = {
    "state": "none",
    "text": "Nothing read yet. The verdict begins with the first reading and firms up as you go on.",
}


class LiveVerdict:
    """Judges the readings in a thread of its own, by the same inputs as `diagnose`.

    Parameters
    ----------
    target : Print
    carry : str or None
        Number of an earlier print whose result is taken as known before.
    changed : callable
        Called without arguments whenever `current` has changed.
    """

    def __init__(self, target: Print, carry: str | None, changed: Callable[[], None]) -> None:
        self._target, self._carry = target, carry
        self._changed = changed
        self._wake = threading.Condition()
        self._job: tuple[Any, ...] | None = None
        self._asked = 0.0
        self._first_asked = 0.0
        self._stop = False
        self._current: dict[str, Any] = NOTHING
        self._ready: tuple[Hashable, Inputs, Guide] | None = None
        self._thread: threading.Thread | None = None

    @property
    def current(self) -> dict[str, Any]:
        """What the page shows, plain data."""
        with self._wake:
            return self._current

    def start(self) -> None:
        """Begin to work; libraries are loaded now so that the first verdict comes quickly."""
        self._thread = threading.Thread(target=self._run, name="verdict", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Finish; waits for the work at hand."""
        with self._wake:
            self._stop = True
            self._wake.notify()
        if self._thread is not None:
            self._thread.join(timeout=10)

    def judge(self, readings: tuple[Reading, ...], files: Hashable) -> None:
        """Ask for the verdict on `readings`; an older question not yet begun is dropped.

        Parameters
        ----------
        readings : tuple of Reading
        files : hashable
            Changes whenever one of the print's other files does.
        """
        with self._wake:
            now = time.monotonic()
            if not readings:
                self._job = None
                self._current = NOTHING
                return
            if self._job is None:
                self._first_asked = now
            self._asked = now
            self._job = (readings, files)
            self._current = {**self._current, "state": "thinking"}
            self._wake.notify()

    def _run(self) -> None:
        with suppress(Exception):  # half a second of libraries, loaded while the page is being opened
            import fitassay.analysis.diagnosis.diagnose  # noqa: F401

        while True:
            job = self._next_job()
            if job is None:
                return
            answer = self._answer(*job)
            with self._wake:
                if self._job is None and self._current.get("state") == "thinking":
                    self._current = answer
                elif self._job is not None:
                    self._current = {**answer, "state": "thinking"}
            self._changed()

    def _next_job(self) -> tuple[Any, ...] | None:
        with self._wake:
            while not self._stop:
                if self._job is None:
                    self._wake.wait()
                    continue
                now = time.monotonic()
                due = min(self._asked + PAUSE_S, self._first_asked + LONGEST_WAIT_S)
                if now < due:
                    self._wake.wait(due - now)
                    continue
                job, self._job = self._job, None
                return job
            return None

    def _answer(self, readings: tuple[Reading, ...], files: Hashable) -> dict[str, Any]:
        try:
            inputs, guide = self._inputs(files)
            step = guide.taken(readings).step()
            telling = guide.walk.keys[step.column] if step.column >= 0 else None
            diagnosis = inputs.diagnose(readings)
            diagnosis.extra["drawn"] = self._drawn(diagnosis, inputs)
            return verdict_data(diagnosis, telling)
        except FitassayError as exc:
            return {"state": "unable", "text": f"No verdict: {exc}"}
        except Exception as exc:  # a fault of ours must not take the readings' page down
            return {"state": "unable", "text": f"No verdict: {type(exc).__name__}: {exc}. Readings are kept."}

    def _drawn(self, diagnosis: Diagnosis, inputs: Inputs) -> tuple[Drawn, ...]:
        from fitassay.drawn_instead import drawn_instead

        return drawn_instead(self._target.case, diagnosis, inputs.machine, inputs.trace)

    def _inputs(self, files: Hashable) -> tuple[Inputs, Guide]:
        """The print's inputs and what tells most of it, read anew when its files have changed."""
        from fitassay.analysis.diagnosis.sequential import Guide
        from fitassay.inputs import read_inputs

        if self._ready is None or self._ready[0] != files:
            inputs = read_inputs(self._target, carry=self._carry)
            self._ready = (files, inputs, Guide(inputs.walk, inputs.machine, known=inputs.known))
        return self._ready[1:]


def verdict_data(diagnosis: Diagnosis, telling: tuple[str, str] | None = None) -> dict[str, Any]:
    """What the page shows of a diagnosis, plain data.

    Parameters
    ----------
    diagnosis : Diagnosis
    telling : (coupon, feature), optional
        The feature that would tell most, of those not yet read.
    """
    from fitassay.analysis.diagnosis.verdict import SUREST

    verdict = diagnosis.verdict
    enough = verdict.status in ("dominant", "within-noise")
    next_ = [minus(f"Next: {sentence(following.text)}") for following in diagnosis.next[:1]]
    if telling and not enough:
        next_ = []  # what is to be read now comes first; one page names one next step
    if enough:
        next_.insert(0, "Enough has been read for this verdict; further readings sharpen its figures.")
    return {
        "state": "ready",
        "status": verdict.status,
        "text": minus(sentence(verdict.text)),
        "rivals": [
            {
                "label": label,
                "probability": round(p, 4),
                # As the sentence above has it: no model of a printer is surer.
                "chance": minus(probability(min(p, SUREST))),
                "accused": bool(name) and name == verdict.term,
            }
            for name, label, p in _rivals(diagnosis)
        ],
        "suspects": [
            {
                "coupon": s.coupon,
                "feature": s.feature,
                "text": minus(
                    f"{s.coupon} {s.feature} reads {reading(s.reading_mm)} mm where about "
                    f"{fixed(s.expected_mm, 2)} mm was to be expected; it is left out. {sentence(s.reason)}"
                ),
            }
            for s in diagnosis.suspects
        ],
        "next": next_,
        "telling": {"coupon": telling[0], "feature": telling[1]} if telling and not enough else None,
        "advice": [_change(advice) for advice in diagnosis.advice],
        "order": sentence(order_remark(diagnosis)),
        "unsettled": [
            {"head": f"{head}:", "texts": [minus(text) for text in texts]}
            for head, texts in unsettled_lists(diagnosis)
        ],
        "cautions": [*CAUTIONS, "fitassay diagnose writes the report with the reasons."],
    }


def _rivals(diagnosis: Diagnosis) -> list[tuple[str, str, float]]:
    """Terms that may be the largest error, the likeliest first: name, label, chance; none where none is accused.

    Two that readings cannot part are one rival, with the chance of their sum; the others share what that leaves.
    """
    verdict = diagnosis.verdict
    if verdict.status in ("within-noise", "unexplained"):
        return []
    chances = {n: p for n, p in diagnosis.probabilities.items() if math.isfinite(p)}
    found = [(n, term_label(n), p) for n, p in chances.items()]
    if verdict.status == "sum-known":
        others = [r for r in found if r[0] not in verdict.contenders]
        left = (1 - verdict.probability) / (sum(p for *_, p in others) or 1.0)
        both = listed([term_label(n) for n in verdict.contenders], "or")
        found = [("", both, verdict.probability), *((n, label, p * left) for n, label, p in others)]
    found.sort(key=lambda rival: -rival[2])
    return [r for r in found[:RIVALS] if r[2] >= SMALLEST_CHANCE]


def _change(advice: Advice) -> str:
    """One step of the advice: ``backlash compensation of y: 0 -> 0.240 ± 0.017 mm``.

    The new value may be copied into a machine's settings, so its sign stays a hyphen.
    """
    old, new = advice_values(advice)
    label = setting_label(advice.setting)
    if not new:
        return minus(sentence(f"{label}: {advice.why}"))
    step = f"{old} \N{RIGHTWARDS ARROW}\N{NO-BREAK SPACE}{new}" if old else new
    check = advice_check(advice)
    return unbroken(capital(f"{label}: {step}{f'; {check}' if check else ''}"))
