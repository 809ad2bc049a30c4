"""One print of one case on the bench: what is to be measured, what has been, and each action done once."""

from __future__ import annotations

import hashlib
import itertools
import math
import threading
from collections import OrderedDict
from pathlib import Path
from typing import Any

from fitassay.analysis.readings.book import SKIPPED, ReadingsBook
from fitassay.analysis.readings.filament_files import FEED, FILAMENT
from fitassay.analysis.readings.file import read_readings
from fitassay.analysis.readings.pairs import doubtful_pair, pair_text
from fitassay.analysis.readings.plausibility import off_of_others, plausible, suggestion
from fitassay.analysis.readings.reading import (
    REFERENCE,
    Names,
    is_trial,
    open_table,
    parse_answer,
    reference_id,
    reference_piece,
)
from fitassay.analysis.readings.weighings import WEIGHED, weighing_of
from fitassay.bench.actions import Action
from fitassay.bench.beside import BESIDE, read_piece, weigh, weighable
from fitassay.bench.feature_data import LONGEST_SHOWN, feature_data
from fitassay.bench.live import LiveVerdict
from fitassay.case import Print
from fitassay.coupons.errors import FitassayError, InputError
from fitassay.coupons.feature import Coupon, Feature, Manifest
from fitassay.coupons.machine import Machine
from fitassay.labels import plain
from fitassay.own_paths import is_own
from fitassay.traced import trace_path

# Answers remembered, so that an action sent twice is done once.
MOST_TABS = 200
MOST_ANSWERS = 2000


class Bench:
    """The bench of one print; all methods may be called from any thread.

    Parameters
    ----------
    target : Print
    carry : str, optional
        Number of an earlier print of the case whose result the verdict takes as known before.

    Raises
    ------
    InputError, InputErrors
        One of the print's files is missing or wrong.
    """

    def __init__(self, target: Print, carry: str | None = None) -> None:
        self.target = target
        self.name = plain(target.case.path.resolve().name)
        self.folder = target.folder.resolve()
        self.room = hashlib.sha256(str(self.folder).encode("utf-8", "surrogateescape")).hexdigest()[:16]
        self._sources = {
            "machine": target.case.machine_path,
            "machine then": target.machine_path,
            "manifest": target.manifest_path,
            "readings": target.readings_path,
            # The verdict alone goes by these.
            "trace": trace_path(target),
            **{
                f"{name} of {where}": folder / name
                for name in (FILAMENT, FEED)
                for where, folder in (("print", target.folder), ("case", target.case.path))
            },
        }
        if carry is not None:
            self._sources["carried"] = target.case.print(carry).readings_path
        self._lock = threading.RLock()
        self._versions = itertools.count()
        self._version = next(self._versions)
        self._answers: OrderedDict[str, dict[int, dict[str, Any]]] = OrderedDict()
        self._drawings: dict[str, dict[str, Any]] = {}
        self._seen: dict[str, tuple[int, ...] | None] = {}
        self._problem = ""
        self._taken: dict[tuple[str, str], list[dict[str, Any]]] = {}
        self._skipped: set[tuple[str, str]] = set()
        self._live = LiveVerdict(target, carry, self._bump)
        self.machine: Machine = target.machine()
        self.manifest: Manifest = target.manifest()
        self._book = ReadingsBook(self._sources["readings"], self.manifest)
        for source in self._sources:
            self._seen[source] = self._signature(source)
        self._look()

    def __enter__(self) -> Bench:
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()

    # What the page asks for

    def plan(self) -> dict[str, Any]:
        """What is to be measured, in measuring order; changes only when the coupons are made anew."""
        with self._lock:
            self._follow()
            pairs = (*self.manifest.asked, *self.manifest.optional)
            step = self.machine["caliper.resolution_mm"]
            return {
                "id": self._plan_id(),
                "room": self.room,
                "case": self.name,
                "where": f"print {self.folder.name}, {plain(self.machine.name)}, {plain(self.machine.material)}",
                "decimals": max(2, min(4, math.ceil(-math.log10(step) - 1e-9))),
                "coupons": [c.id for c in self.manifest.coupons if c.features],
                "features": [feature_data(i + 1, c, f) for i, (c, f) in enumerate(pairs)],
                "scale": weighable(self.manifest, self._sources["trace"].exists() or is_own(self.target)),
            }

    def state(self) -> dict[str, Any]:
        """What has been measured and what it says so far."""
        with self._lock:
            self._follow()
            keys = [(c.id, f.id) for c, f in (*self.manifest.asked, *self.manifest.optional)]
            return {
                "version": self._version,
                "plan": self._plan_id(),
                "problem": self._problem,
                "readings": [self._taken.get(k, []) for k in keys],
                "skipped": [i for i, k in enumerate(keys) if k in self._skipped],
                "references": [
                    {"coupon": coupon, "feature": feature, **reading}
                    for (coupon, feature), readings in self._taken.items()
                    if coupon in BESIDE and (coupon, feature) not in keys
                    for reading in readings
                ],
                "verdict": self._live.current,
            }

    def drawing(self, coupon_id: str) -> dict[str, Any]:
        """Outlines of one coupon; where there are none, the reason as ``missing``."""
        from fitassay.bench.drawing import coupon_drawing

        with self._lock:
            manifest, found = self.manifest, self._drawings.get(coupon_id)
        if found is not None:
            return found
        coupon = next((c for c in manifest.coupons if c.id == coupon_id), None)
        if coupon is None:
            return {"missing": "There is no such coupon."}
        try:
            data = coupon_drawing(coupon, self.folder)
        except FitassayError as exc:
            return {"missing": f"No drawing: {plain(str(exc))}"}
        with self._lock:
            if self.manifest is manifest:
                self._drawings[coupon_id] = data
        return data

    def act(self, tab: str, actions: list[Action]) -> list[dict[str, Any]]:
        """Do the actions of one page in order, each at most once, and say how each went.

        Returns
        -------
        list of dict
            ``seq``; ``outcome``: ``kept``, ``ask`` (looks wrong: send it again with keep), ``refused`` (is no
            reading, or cannot be written) or ``gone`` (no such feature or reading); ``note``; ``shown``; of a doubted
            reading ``suggested``, what was probably meant, or empty.
        """
        with self._lock:
            self._follow()
            answers = self._answers.setdefault(tab, {})
            self._answers.move_to_end(tab)
            while len(self._answers) > MOST_TABS:
                self._answers.popitem(last=False)
            results = []
            for action in actions:
                if action.seq not in answers:
                    answers[action.seq] = {"seq": action.seq, **self._do(action)}
                results.append(answers[action.seq])
            while len(answers) > MOST_ANSWERS:
                del answers[min(answers)]
            self._follow()
            return results

    # One action

    def _do(self, action: Action) -> dict[str, Any]:
        try:
            if action.act in ("reference", "weigh"):
                return self._read_beside(action)
            try:
                coupon, feature = self.manifest.feature(action.coupon, action.feature)
            except KeyError:
                if action.act == "remove" and action.coupon in BESIDE:
                    return self._remove(action)
                return _gone(f"{plain(action.coupon)} {plain(action.feature)} is not part of this print.")
            if action.act == "remove":
                return self._remove(action)
            if action.act == "skip":
                self._book.skip(coupon.id, feature.id)
                return {"outcome": "kept", "note": f"{feature.id} is passed over.", "shown": ""}
            return self._read(action, coupon, feature)
        except InputError as exc:
            return {"outcome": "refused", "note": _sentence(exc.message), "shown": ""}
        except FitassayError as exc:
            return {"outcome": "refused", "note": _sentence(str(exc)), "shown": ""}

    def _read(self, action: Action, coupon: Coupon, feature: Feature) -> dict[str, Any]:
        try:
            value, fit = parse_answer(action.text, feature)
        except ValueError as exc:
            trial = " Where a peg is tried: goes, sticks or does not go." if is_trial(coupon, feature) else ""
            return {"outcome": "refused", "note": _sentence(str(exc)) + trial, "shown": ""}
        if value is None and not feature.by_eye and not is_trial(coupon, feature):
            note = f"'{fit}' is for pegs tried in holes; type the size in mm here."
            return {"outcome": "refused", "note": note, "shown": ""}
        self._follow()
        there = [r["text"] for r in self._taken.get((coupon.id, feature.id), [])]
        wanted = _key(action.text, feature)
        if action.resent and len(there) > action.before and _key(there[action.before], feature) == wanted:
            return {"outcome": "kept", "note": "", "shown": there[action.before]}
        if value is not None and not action.keep:
            doubt = self._doubt(coupon, feature, value)
            if doubt:
                others = off_of_others(feature, self._book.order, self._book.values)
                meant = None if feature.by_eye else suggestion(feature, value, others)
                suggested = "" if meant is None else f"{meant:.{_decimals(meant)}f}"
                return {"outcome": "ask", "note": doubt, "shown": "", "suggested": suggested}
        self._book.add(coupon.id, feature.id, action.text)
        self._look()
        note = ""
        if len(there) > action.before:
            note = "Another window had read it meanwhile; both are kept."
        now = self._taken.get((coupon.id, feature.id), [])
        shown = next((r["text"] for r in reversed(now) if _key(r["text"], feature) == wanted), action.text)
        return {"outcome": "kept", "note": note, "shown": shown}

    def _doubt(self, coupon: Coupon, feature: Feature, value: float) -> str:
        """A sentence of doubt about a reading or a count; empty without."""
        if feature.by_eye:
            return doubtful_pair(feature, value, self._book.values(coupon.id, feature.id))
        return plausible(
            feature, value, self.machine, off_of_others(feature, self._book.order, self._book.values)
        )

    def _read_beside(self, action: Action) -> dict[str, Any]:
        """A piece of known size, or a mass."""
        try:
            if action.act == "weigh":
                name = weighing_of(action.feature, [c.id for c in self.manifest.coupons]).feature
                note = weigh(action, self._book, self.manifest, self._keys_of(WEIGHED, name))
            else:
                piece = reference_id(*reference_piece(action.feature))
                note = read_piece(action, self._book, self._keys_of(REFERENCE, piece))
        except ValueError as exc:
            return {"outcome": "refused", "note": _sentence(str(exc)), "shown": ""}
        return {"outcome": "kept", "note": note, "shown": ""}

    def _keys_of(self, coupon: str, feature: str) -> list[str]:
        return [_key(r["text"], None, coupon) for r in self._taken.get((coupon, feature), [])]

    def _remove(self, action: Action) -> dict[str, Any]:
        if not self._book.remove(action.coupon, action.feature, action.text):
            return _gone("That reading is no longer there.")
        unit = " g" if action.coupon == WEIGHED else " mm"
        size = plain(action.text) + (unit if action.text[:1].isdigit() else "")
        note = f"{size} of {plain(action.coupon)} {plain(action.feature)} is taken back."
        return {"outcome": "kept", "note": note, "shown": ""}

    # Keeping up with the files

    def _bump(self) -> None:
        with self._lock:
            self._version = next(self._versions)

    def _signature(self, source: str) -> tuple[int, ...] | None:
        try:
            at = self._sources[source].stat()
        except OSError:
            return None
        return at.st_mtime_ns, at.st_size, at.st_ino

    def _follow(self) -> None:
        """Take over what an editor, the terminal or another bench has changed in the files."""
        changed = [s for s in self._sources if self._signature(s) != self._seen[s]]
        if not changed:
            return
        for source in changed:
            self._seen[source] = self._signature(source)
        try:
            if {"machine", "machine then"} & set(changed):
                self.machine = self.target.machine()
            if "manifest" in changed:
                self.manifest = self.target.manifest()
                self._drawings.clear()
                self._book = ReadingsBook(self._sources["readings"], self.manifest)
        except FitassayError as exc:
            self._problem = plain(str(exc))
            self._bump()
            return
        self._look()

    def _look(self) -> None:
        """Read readings.csv anew: for the page as far as it can be read, for the verdict if all of it can."""
        self._taken, self._skipped, self._problem = {}, set(), ""
        path = self._sources["readings"]
        readings = ()
        if path.exists():
            try:
                self._take_rows(path)
                readings = read_readings(path, self.manifest)
            except FitassayError as exc:
                self._problem = plain(str(exc))
        self._seen["readings"] = self._signature("readings")
        self._live.judge(readings, tuple(seen for name, seen in self._seen.items() if name != "readings"))
        self._bump()

    def _take_rows(self, path: Path) -> None:
        table = open_table(path)
        names = Names(self.manifest)
        for record in table.records:
            cells = {c: table.cell(record, c) for c in ("coupon", "feature", "reading_mm", "note")}
            found = names.find(cells["coupon"], cells["feature"])
            if found is None:
                continue
            text, note = cells["reading_mm"], cells["note"]
            if not text:
                if note == SKIPPED or note.endswith(f"; {SKIPPED}"):
                    self._skipped.add(found)
                continue
            feature = names.feature(*found)
            try:
                value, fit = parse_answer(text, feature, found[0])
            except ValueError:
                continue
            shown = fit if value is None else f"{value:.{_decimals(value)}f}"
            if value is not None and feature is not None and feature.by_eye:
                shown = f"pair {pair_text(value)}"
            entry = {"text": shown, "note": plain(note, LONGEST_SHOWN)}
            self._taken.setdefault(found, []).append(entry)
        self._skipped -= set(self._taken)

    def _plan_id(self) -> str:
        return "-".join(map(str, self._seen["manifest"] or ()))


def _decimals(value: float) -> int:
    """Decimal places that show `value` as it was written, two to six."""
    return next((n for n in range(2, 6) if round(value, n) == round(value, 6)), 6)


def _key(text: str, feature: Feature | None = None, coupon: str = "") -> str:
    """A reading's text, such that equal readings have equal keys."""
    try:
        value, fit = parse_answer(text, feature, coupon)
    except ValueError:
        return text
    return fit if value is None else f"{value:.6f}"


def _sentence(text: str) -> str:
    text = plain(text)
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?", "!")) else ".")


def _gone(note: str) -> dict[str, Any]:
    return {"outcome": "gone", "note": note, "shown": ""}
