"""The guide's page on bead and layers: every line of it worked out again, and the program says the same."""

from __future__ import annotations

import ast
import math
import operator
import re
from pathlib import Path

import pytest

from fitassay.analysis.chain.extrusion import extrusion_row
from fitassay.analysis.chain.uneven_surface import mean_range
from fitassay.analysis.estimation import weighed
from fitassay.analysis.readings.reading import Reading
from fitassay.coupons.machine import Machine
from tests.sets import walk

PAGE = Path(__file__).parent.parent / "gallery" / "guide" / "bead-or-layers.md"
LINE = re.compile(r"^(\w+) +=\s*(.+?)\s{2,}=\s*([\d.]+)$", re.MULTILINE)
OPERATIONS = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Pow: operator.pow,
}


def worked(node: ast.AST, names: dict[str, float]) -> float:
    """The value of a line's arithmetic; nothing but numbers, earlier names and sqrt."""
    match node:
        case ast.Expression(body):
            return worked(body, names)
        case ast.Constant(value) if isinstance(value, int | float):
            return float(value)
        case ast.Name(name):
            return names[name]
        case ast.Call(func=ast.Name("sqrt"), args=[inside]):
            return math.sqrt(worked(inside, names))
        case ast.BinOp(left, sign, right):
            return OPERATIONS[type(sign)](worked(left, names), worked(right, names))
    raise AssertionError(ast.dump(node))


def told() -> dict[str, tuple[float, str]]:
    """Worked out value, and the text printed for it, by name in the page's order."""
    names, found = {"pi": math.pi}, {}
    for name, text, shown in LINE.findall(PAGE.read_text("utf-8")):
        names[name] = worked(ast.parse(text, mode="eval"), names)
        found[name] = (names[name], shown)
    return found


def test_every_line_of_the_page():
    lines = told()
    assert list(lines) == [
        "G",
        "s",
        "excess",
        "lam",
        "F",
        "A",
        "e",
        "e_d",
        "u_m",
        "u_lam",
        "u_F",
        "u_d",
        "u_e",
    ]
    for name, (value, shown) in lines.items():
        # To the last digit printed.
        assert f"{value:.{len(shown.partition('.')[2])}f}" == shown, name


def test_the_program_says_the_same():
    lines = {name: value for name, (value, _) in told().items()}
    machine = Machine()
    rows = (
        Reading(coupon="weighed", feature="filament_g:1000", reading_mm=2.98),
        Reading(coupon="weighed", feature="wall_g", reading_mm=0.36),
    )
    commanded = weighed.Commanded(pieces={"wall": 113.7}, walls=frozenset({"wall"}))
    extruded = weighed.extruded_of(weighed.masses_of(rows, ("wall",)), commanded, machine)
    assert extruded is not None and extruded.ratio == pytest.approx(lines["F"], rel=1e-9)
    feed = weighed.feed_with_scale(extruded, None, machine)
    assert feed is not None
    fact = weighed.weighed_fact(
        weighed.filament_as_set(machine), feed, extrusion_row(walk(quick=True)), machine
    )
    assert fact.value == pytest.approx(lines["e"], rel=1e-6)
    assert fact.u == pytest.approx(lines["u_e"], rel=1e-3)
    assert mean_range(15) - mean_range(2) == pytest.approx(lines["G"], abs=1e-3)
