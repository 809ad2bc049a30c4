"""What `fitassay plan` says, read as a person reads it: sentences in, dials turned, nothing of the objects behind."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from tests.dialled_printer import DialledPrinter

STEP = re.compile(r"^(\d+)\. (.+?): (-?[\d.]+) -> (-?[\d.]+) ?(\S*)")
PRINT = re.compile(r"print ([\w, -]+?) \(\d+ minutes")
GRADE = re.compile(r"^(\d+) to (\d+) +(IT\d+|beyond IT18)(?: +(?:IT\d+|beyond IT18))?$")
BEYOND = 19


@dataclass(frozen=True)
class Told:
    """One numbered step: what to set, to how much, all that is said of it, and what to print then."""

    label: str
    value: str
    text: str
    prints: tuple[str, ...]
    hardly: bool
    with_next: bool


@dataclass(frozen=True)
class Page:
    """All that one run of plan prints."""

    done: bool
    steps: tuple[Told, ...]
    grades: dict[tuple[int, int], int] = field(default_factory=dict)


def read(page: str) -> Page:
    """The page's steps and grades."""
    steps = []
    for block in re.split(r"\n\s*\n", page):
        lines = " ".join(block.split())
        found = STEP.match(lines)
        if found:
            names = PRINT.search(lines)
            steps.append(
                Told(
                    label=found[2],
                    value=found[4],
                    text=lines,
                    prints=tuple(names[1].split(", ")) if names else (),
                    hardly="even that hardly tells" in lines,
                    with_next=f"make it together with step {int(found[1]) + 1}" in lines,
                )
            )
        elif re.match(r"\d+\. (?!not yet: )", lines):
            raise AssertionError(f"a step that cannot be read: {lines}")
    grades = {}
    for line in page.splitlines():
        if found := GRADE.match(line.strip()):
            now = found[3]
            grades[int(found[1]), int(found[2])] = BEYOND if now.startswith("beyond") else int(now[2:])
    return Page(done=page.startswith("Done."), steps=tuple(steps), grades=grades)


def number(text: str, words: str) -> float:
    """The number behind `words`."""
    found = re.search(re.escape(words) + r" (-?\d+(?:\.\d+)?)", text)
    assert found, f"nothing behind {words!r} in: {text}"
    return float(found[1])


def turn(step: Told, machine: DialledPrinter) -> None:
    """Set the dial that a step names, counted as this machine counts, by what the step says of its sign."""
    label, text, value, dials = step.label, step.text, float(step.value), machine.dials
    if found := re.fullmatch(r"steps per mm of ([xyz])", label):
        dials.steps[found[1]] = value
    elif found := re.fullmatch(r"backlash compensation of ([xy])", label):
        assert "the whole play, not half of it" in text
        dials.taken_up[found[1]] = value
    elif label == "flow":
        dials.flow = value
    elif label.startswith("skew correction"):
        found = re.search(r"positive leans the y axis towards ([+-])x", text)
        assert found, text
        dials.lean = (1 if found[1] == "+" else -1) * (-1 if machine.lean_other else 1) * value
    elif label.startswith("nozzle-to-bed offset"):
        found = re.search(r"positive is (higher|lower)", text)
        assert found, text
        dials.gap = value * (1 if found[1] == "higher" else -1)
    else:
        _turn_slicer(step, machine)


def _turn_slicer(step: Told, machine: DialledPrinter) -> None:
    """The same of what a slicing program compensates."""
    label, text, value, dials = step.label, step.text, float(step.value), machine.dials
    if label.startswith("horizontal size compensation, per side"):
        if machine.size_in_all and value:
            value = number(text, "in all, both sides together:")
        dials.size = value * _larger(text, "makes the part") * (-1 if machine.size_inwards else 1)
    elif label.startswith("first-layer compensation, per side"):
        sign = _larger(text, "makes the first layer")
        dials.first_layer = value * sign * (-1 if machine.foot_inwards else 1)
        if machine.foot_inwards and value:
            assert dials.first_layer == sign * number(text, "where it is counted inward:")
    elif label.startswith("round hole compensation, on the diameter of a 3 mm hole"):
        assert not machine.holes_constant, "the manner is told in machine.toml"
        dials.holes = value * _larger(text, "makes holes")
    elif label.startswith("constant hole compensation, on the diameter of every round hole"):
        assert machine.holes_constant
        if machine.holes_per_side and value:
            value = number(text, "where it is counted per side:")
        dials.holes = value * _larger(text, "makes holes")
    else:
        raise AssertionError(f"no dial for: {label}")


def _larger(text: str, what: str) -> int:
    found = re.search(rf"positive {what} (larger|smaller)", text)
    assert found, f"no sign said: {text}"
    return 1 if found[1] == "larger" else -1


def written(machine_toml: str, step: Told) -> str:
    """machine.toml with the step's value behind the comment that has its label."""
    lines = machine_toml.splitlines()
    words = step.label.split(", ")[0]
    at = [i for i, line in enumerate(lines) if line.startswith(f"# {words} set now")]
    assert len(at) == 1, step.label
    key = lines[at[0] + 1].split(" = ")[0]
    lines[at[0] + 1] = f"{key} = {step.value}"
    return "\n".join(lines) + "\n"
