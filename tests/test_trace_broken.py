"""Broken and hostile files: a sentence or an answer, within bounded memory and time, never a traceback."""

from __future__ import annotations

import random
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fitassay.analysis.gcode.trace import trace_file, trace_templates
from fitassay.analysis.gcode.words import Limits
from fitassay.coupons.errors import InputError
from fitassay.coupons.export.manifest import read_manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import build_set, write_set
from tests.pathwriter import Style
from tests.test_trace import drawn, full_set, templates

ROOT = Path(__file__).parent.parent

# Traces a file as the command does and tells how it ended and how much memory it took.
SCRIPT = """
import re, sys
sys.path.insert(0, {root!r})
from pathlib import Path
from fitassay.analysis.gcode.trace import trace_file
from fitassay.analysis.gcode.words import Limits
from fitassay.coupons.errors import FitassayError
from fitassay.coupons.machine import Machine
from fitassay.coupons.export.manifest import read_manifest
folder = Path({folder!r})
try:
    manifest = read_manifest(folder / "coupons.json")
    trace = trace_file(Path({path!r}), manifest, folder, Machine(), Limits(**{limits!r}))
    print("found", *trace.found)
except FitassayError as exc:
    print("refused", exc)
print(int(re.search(r"VmHWM:\\s*(\\d+) kB", Path("/proc/self/status").read_text())[1]) // 1024)
"""


# For files that are a twentieth as long.
SMALL = Limits(
    line_bytes=1 << 16, resets=500, arc_pieces=400_000, layers=2_000, layer_moves=20_000, loops=1_000
)


def plate() -> bytes:
    return drawn(Style(infill=False), ("boss",)).text.encode()


def repeated(line: bytes, megabytes: float) -> bytes:
    return b"G21\nG90\nM83\nG1 Z0.2 F600\n" + line * int(megabytes * 1e6 / len(line))


def many_heights(count: int) -> bytes:
    return b"M83\n" + b"".join(b"G1 Z%d.%d X%d E1\n" % (i % 90, i % 10, i % 7) for i in range(count))


def noise(size: int) -> bytes:
    return random.Random(5).randbytes(size).replace(b"\0", b"\1")


def shuffled() -> bytes:
    lines = plate().split(b"\n")
    random.Random(6).shuffle(lines)
    return b"\n".join(lines)


# Each makes its file at a share of its full size, 1 where the default limits are tried.
CORPUS: dict[str, tuple[Callable[[float], bytes], str]] = {
    "nothing": (lambda _: b"", "feeds no plastic"),
    "half a plate": (lambda _: plate()[: plate().rindex(b"\n", 0, len(plate()) // 2)], "boss"),
    "half a plate, cut within a line": (
        lambda _: plate()[: plate().index(b" E", len(plate()) // 2) + 2],
        "'E' is not a letter with a number; the file is damaged or cut off",
    ),
    "zip": (lambda _: b"PK\x03\x04" + bytes(1000), "zip archive"),
    "binary": (lambda _: bytes(range(256)) * 4000, "zero bytes"),
    "noise": (lambda share: noise(int(3e6 * share)), "refused"),
    "a line of 60 MB": (lambda share: b"G1 X1 E1\n" + b"X1" * int(3e7 * share), "line 2: is longer than"),
    "a comment of 60 MB": (lambda share: b"G1 X1 E1\n;" + b"-" * int(6e7 * share), "line 2: is longer than"),
    "20 MB of line ends": (lambda share: b"\r\n" * int(1e7 * share), "feeds no plastic"),
    "20 MB of one word": (lambda share: repeated(b"X1", 20 * share), "is longer than"),
    "not a number": (lambda _: b"G1 X10 E1\nG1 Xnan E1\n", "line 2: 'X' is not"),
    "endless subprogram": (lambda share: repeated(b"O100 call\nM99\n", 8 * share), "feeds no plastic"),
    "modes without end": (
        lambda share: repeated(b"G91\nG90\nG20\nG21\nM82\nM83\n", 8 * share),
        "feeds no plastic",
    ),
    "homing without end": (lambda share: repeated(b"G28\n", 4 * share), "homes or resets offsets more than"),
    "circles without end": (
        lambda share: repeated(b"G2 I9\n", 8 * share),
        "pieces, so it is no sliced file",
    ),
    "heights without end": (
        lambda share: many_heights(int(3e5 * share)),
        "layers, so it is no sliced file",
    ),
    "one layer without end": (
        lambda share: repeated(b"G1 X1 E1\nG1 X2 E1\n", 25 * share),
        "moves in the layer",
    ),
    "travel without end": (lambda share: repeated(b"G0 X1\nG0 X2\n", 15 * share), "feeds no plastic"),
    "loops without end": (
        lambda share: repeated(b"G0 X2\nG1 X3 E1\nG1 Y2 E1\nG1 X2 E1\nG1 Y0 E1\n", 2 * max(share, 0.1)),
        "loops in the layer",
    ),
    "one loop without end": (lambda share: repeated(b"X1E1\nY1E1\nX0E1\nY0E1\n", 8 * share), "refused"),
    "all lines shuffled": (lambda _: shuffled(), ""),
    "another kind of text": (lambda share: b"It was a dark night.\n" * int(1e5 * share), "feeds no plastic"),
}


@pytest.fixture(scope="module")
def print_folder(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("print")
    write_set(build_set(Machine()), folder)
    return folder


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from /proc")
@pytest.mark.calibration
@pytest.mark.parametrize("name", CORPUS)
def test_corpus_at_full_size(tmp_path, print_folder, name):
    make, expected = CORPUS[name]
    path = tmp_path / "plate.txt"
    path.write_bytes(make(1.0))
    script = SCRIPT.format(root=str(ROOT), folder=str(print_folder), path=str(path), limits={})
    # The limit is there to catch what never ends, not to measure.
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    answer, megabytes = done.stdout.strip().split("\n")
    check_answer(answer, expected)
    assert int(megabytes) < 200, megabytes


@pytest.mark.parametrize("name", CORPUS)
def test_corpus(tmp_path, print_folder, name):
    """The same files at a twentieth, with limits as much smaller."""
    make, expected = CORPUS[name]
    path = tmp_path / "plate.txt"
    path.write_bytes(make(0.05))
    try:
        trace = trace_file(path, read_manifest(print_folder / "coupons.json"), print_folder, Machine(), SMALL)
        answer = "found " + " ".join(trace.found)
    except InputError as exc:
        answer = f"refused {exc}"
    check_answer(answer, expected)


def check_answer(answer: str, expected: str) -> None:
    assert expected in answer
    if answer.startswith("refused"):
        assert re.match(r"refused (plate\.txt(, line \d+)?: |coupon )", answer), answer
        assert "\n" not in answer


LINES = drawn(Style(infill=False, decimals=3), ("boss",)).text.split("\n")


@pytest.mark.long
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_damaged_plates(tmp_path_factory, data):
    """Lines lost, doubled, cut, their characters changed: read, or refused in one sentence."""
    lines = list(LINES)
    for _ in range(data.draw(st.integers(1, 5))):
        i = data.draw(st.integers(0, len(lines) - 1))
        kind = data.draw(st.sampled_from(["lose", "double", "cut", "change", "insert", "rest"]))
        if kind == "lose":
            del lines[i : i + data.draw(st.integers(1, 500))]
        elif kind == "double":
            lines[i:i] = lines[i : i + 200]
        elif kind == "cut":
            lines[i] = lines[i][: data.draw(st.integers(0, 12))]
        elif kind == "change":
            lines[i] = lines[i].replace(
                data.draw(st.sampled_from("XYE1.")), data.draw(st.sampled_from("YZ9-#"))
            )
        elif kind == "insert":
            lines.insert(
                i, data.draw(st.sampled_from(["G91", "G20", "G92 X0 Y0", "M82", "G2 I1 J0 E1", "G18", "M2"]))
            )
        else:
            del lines[i:]
        lines = lines or [""]
    path = tmp_path_factory.mktemp("plate") / "plate.txt"
    path.write_text("\n".join(lines))
    try:
        # Two pieces are enough to look for, one of them in the file.
        pieces = tuple(c for c in full_set().manifest.coupons if c.id in ("boss", "wall"))
        known = {c.id: templates()[c.id] for c in pieces}
        trace = trace_templates(path, replace(full_set().manifest, coupons=pieces), known, Machine())
        assert set(trace.found) <= set(known)
    except InputError as exc:
        assert str(exc).startswith(("plate.txt", "coupon ")) and "\n" not in str(exc)
