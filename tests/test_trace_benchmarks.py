"""Speed and memory of reading sliced files, beside a general-purpose parser with a grammar of RS-274.

python -m pytest -m benchmarks tests/test_trace_benchmarks.py
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from fitassay.analysis.gcode.layers import LayerRow, read_layers
from fitassay.analysis.gcode.moves import read_moves

lark = pytest.importorskip("lark", reason="the general-purpose parser to compare with is not installed")

# RS-274 lines as far as sliced files use them: numbered or not, words, comments of both kinds, checksums.
GRAMMAR = r"""
start: line*
line: word* NEWLINE
word: LETTER NUMBER
LETTER: /[A-Z*]/i
NUMBER: /[+-]?(\d+\.?\d*|\.\d+)/
COMMENT: /;[^\n]*/ | /\([^)\n]*\)/
NEWLINE: /\r?\n/
%ignore /[ \t]+/
%ignore COMMENT
"""


class Figures(lark.Transformer):
    """Printed length, filament fed into it, bounds and number of heights, line by line."""

    def __init__(self) -> None:
        super().__init__()
        self.at = dict.fromkeys("XYZ", 0.0)
        self.length = self.fed = 0.0
        self.heights: set[float] = set()
        self.low, self.high = [np.inf, np.inf], [-np.inf, -np.inf]

    def word(self, parts):
        return parts[0].upper(), float(parts[1])

    def line(self, parts):
        words = dict(parts[:-1])
        if words.get("G") not in (0, 1):
            return
        before = (self.at["X"], self.at["Y"])
        for axis in "XYZ":
            self.at[axis] = words.get(axis, self.at[axis])
        x, y = self.at["X"], self.at["Y"]
        step = float(np.hypot(x - before[0], y - before[1]))
        if words.get("E", 0.0) > 0 and step > 1e-6:
            self.length += step
            self.fed += words["E"]
            self.heights.add(self.at["Z"])
            for px, py in (before, (x, y)):
                self.low = [min(self.low[0], px), min(self.low[1], py)]
                self.high = [max(self.high[0], px), max(self.high[1], py)]


def figures_by_grammar(text: str) -> dict[str, float]:
    figures = Figures()
    lark.Lark(GRAMMAR, parser="lalr", transformer=figures).parse(text)
    return {
        "length": figures.length,
        "fed": figures.fed,
        "layers": len(figures.heights),
        "low x": figures.low[0],
        "high y": figures.high[1],
    }


def figures_of_ours(path: Path) -> dict[str, float]:
    rows = [r for r in read_layers(read_moves(path), lambda *_: False) if isinstance(r, LayerRow)]
    return {
        "length": sum(r.length for r in rows),
        "fed": sum(r.filament for r in rows),
        "layers": len({r.z for r in rows}),
        "low x": min(r.low[0] for r in rows),
        "high y": max(r.high[1] for r in rows),
    }


def plate_text(size: int) -> str:
    """A file of about `size` bytes: 25 round pieces of two walls each, layer upon layer, filament relative."""
    rng = np.random.default_rng(7)
    turn = np.linspace(0, 2 * np.pi, 90)
    layer = []
    for x, y in rng.uniform(20, 180, (25, 2)):
        for radius in (6.2, 6.65):
            px, py = x + radius * np.cos(turn), y + radius * np.sin(turn)
            layer += ["G1 E-0.8 F2400", f"G0 X{px[0]:.3f} Y{py[0]:.3f} F7200", "G1 E0.8 F2400 ; ready"]
            layer += [f"G1 X{a:.3f} Y{b:.3f} E0.01461" for a, b in zip(px[1:], py[1:], strict=True)]
    body = "\n".join(layer) + "\n"
    parts = ["G21\nG90\nM83\nM104 S200 ; warm\n"]
    total = 0
    while total < size:
        parts.append(f"G1 Z{0.2 * len(parts):.3f} F600\n")
        parts.append(body)
        total += len(body) + 20
    return "".join(parts)


def test_the_same_figures_by_a_grammar(tmp_path):
    path = tmp_path / "plate.txt"
    path.write_text(plate_text(200_000))
    ours, theirs = figures_of_ours(path), figures_by_grammar(path.read_text())
    assert ours == pytest.approx(theirs, rel=1e-9)
    assert ours["layers"] >= 1 and ours["length"] > 1000


@pytest.mark.benchmarks
@pytest.mark.parametrize("reader", ["ours", "grammar"])
def test_reading_speed(benchmark, tmp_path, reader):
    path = tmp_path / "plate.txt"
    path.write_text(plate_text(2_000_000))
    benchmark.extra_info["megabytes"] = path.stat().st_size / 1e6
    if reader == "ours":
        result = benchmark.pedantic(figures_of_ours, args=(path,), rounds=5)
    else:
        result = benchmark.pedantic(lambda: figures_by_grammar(path.read_text()), rounds=2)
    assert result["layers"] >= 10


FIFTY = """
import re, sys, time
sys.path.insert(0, {root!r})
from pathlib import Path
from fitassay.analysis.gcode.layers import Layer, read_layers
from fitassay.analysis.gcode.moves import read_moves
from fitassay.analysis.gcode.loops import loops_of
loops = 0
for layer in read_layers(read_moves(Path({path!r})), lambda low, high: low < 3.1 <= high):
    if isinstance(layer, Layer) and layer.row.covers(3.1):
        loops += len(loops_of(layer))
# The highest resident size of this very process; getrusage would count its parent's too.
peak = int(re.search(r"VmHWM:\\s*(\\d+) kB", Path("/proc/self/status").read_text())[1]) // 1024
print(loops, peak, time.process_time())
"""


@pytest.mark.benchmarks
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from /proc")
@pytest.mark.parametrize(("size", "most"), [(50, 300), (200, 500)])
def test_large_files(benchmark, tmp_path, size, most):
    path = tmp_path / "plate.txt"
    path.write_text(plate_text(size * 1_000_000))
    script = FIFTY.format(root=str(Path(__file__).parent.parent), path=str(path))

    def read() -> list[str]:
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
        return done.stdout.split()

    loops, megabytes, seconds = benchmark.pedantic(read, rounds=3)
    benchmark.extra_info["resident_megabytes"] = int(megabytes)
    benchmark.extra_info["processor_seconds"] = float(seconds)
    assert int(loops) == 50
    assert int(megabytes) < most
