"""Every option of every command, found by looking: hostile files, numbers, names and streams are each one sentence.

A new command or option is tried by itself. The default suite tries some values of each, the long tests all of them.
"""

from __future__ import annotations

import os
import random
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from fitassay.cli import cli
from tests.own_process import MOST_MB, Answer, Run, answered
from tests.parts import box, part_of
from tests.pathwriter import Style, write

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(sys.platform != "linux", reason="devices, names and limits as Linux has them"),
]

SERVES = "bench"
"""Does not end by itself: tried with what it refuses only."""
START = "G21\nG90\nM82\nM104 S205\nM109 S205\nG28\nG92 E0\n"
END = "M104 S0\nM84\n"

# What a command is given beside the option that is tried; other needs are filled by the parameter's kind.
BASE: dict[str, dict[str, str]] = {
    "init": {"case": "{new}", "--yes": ""},
    "path": {"case": "{blank}", "--start": "{start}", "--end": "{end}", "--yes": ""},
    "trace": {"case": "{case}", "files": "{plate}"},
    "enter": {"case": "{blank}"},
    "compare": {"case": "{twice}"},
    "correct": {"case": "{case}", "part": "{part}", "-o": "{out}"},
    "demo": {"folder": "{new}"},
    "simulate": {"case": "{case}", "--force": ""},
}
# What goes together with an option, so that its file is looked at; an empty one is left out.
BESIDE: dict[tuple[str, str], dict[str, str]] = {
    ("path", "--like"): {"--start": "", "--end": ""},
    ("predict", "--with"): {"--part": "{part}"},
}
# Written to, or made: nothing need be there.
MADE = {("init", "case"), ("correct", "-o"), ("demo", "folder")}


def parameters() -> Iterator[tuple[str, click.Parameter]]:
    group = click.Context(cli)
    for name in cli.list_commands(group):
        command = cli.get_command(group, name)
        assert command is not None
        for parameter in command.params:
            yield name, parameter


def of_kind(*kinds: type) -> list[tuple[str, click.Parameter]]:
    return [(name, p) for name, p in parameters() if isinstance(p.type, kinds)]


def label(found: object) -> str:
    return f"{found[0]} {found[1].opts[-1]}" if isinstance(found, tuple) else str(found)


PATHS = of_kind(click.Path, click.File)
WORDS = of_kind(click.types.StringParamType, click.Choice)
PLAIN = (click.Path, click.File, click.types.StringParamType, click.Choice, click.types.BoolParamType)
NUMBERS = [(name, p) for name, p in parameters() if not isinstance(p.type, PLAIN)]
"""All kinds of the project's own, too: one number or several."""


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> Path:
    """Cases, a part, a sliced file, a start and an end."""
    from fitassay.analysis.parts.part_file import write_parts
    from fitassay.coupons.export.manifest import read_manifest
    from fitassay.coupons.export.stl import read_coupon

    folder = tmp_path_factory.mktemp("good")
    case = str(folder / "case")
    for words in (["init", case, "--yes"], ["make", case, "--family", "single-wall"]):
        _done(*words)
    shutil.copytree(case, folder / "blank")
    _done("simulate", case, "--bead-excess", "0.05")
    shutil.copytree(case, folder / "twice")
    _done("make", str(folder / "twice"), "--family", "single-wall", "--new-print")
    _done("simulate", str(folder / "twice"))
    here = folder / "case/prints/01"
    pieces = [(c, read_coupon(c, here)) for c in read_manifest(here / "coupons.json").coupons]
    (folder / "plate.txt").write_text(write(pieces, Style(infill=False, decimals=3)).text, "utf-8")
    write_parts(folder / "part.stl", (part_of(box(0, 0, 30, 20, 0, 8), "arm"),), "arm")
    (folder / "start.gcode").write_text(START, "utf-8")
    (folder / "end.gcode").write_text(END, "utf-8")
    return folder


def _done(*words: str) -> None:
    done = CliRunner().invoke(cli, list(words))
    assert done.exit_code == 0, done.output


def run_of(name: str, place: Path, tried: click.Parameter | None = None, value: str = "", **how) -> Run:
    """The command's words with good values, but for the parameter that is tried."""
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    key = tried.opts[0] if tried else ""
    base = BASE.get(name, {"case": "{case}"}) | BESIDE.get((name, key), {})
    arguments, options = [], []
    for parameter in command.params:
        own = parameter.opts[0]
        text = base.get(own, "") or (_some(parameter) if parameter.required else "")
        text = value if own == key else text.format(**_places(place))
        if isinstance(parameter, click.Argument):
            arguments += [text] if text or own == key else []
        elif own in base and getattr(parameter, "is_flag", False):
            options.append(own)
        elif own == key or text:
            options += _given(own, text, parameter.nargs)
    return Run(words=(name, *options, "--", *arguments), **how)


def _given(option: str, text: str, count: int) -> list[str]:
    if count > 1:
        return [option, *[text] * count]
    return [f"{option}={text}"] if option.startswith("--") else [option, text]


def _places(place: Path) -> dict[str, str]:
    names = {"plate": "plate.txt", "part": "part.stl", "start": "start.gcode", "end": "end.gcode"}
    plain = {n: n for n in ("case", "blank", "twice", "new")}
    return {k: str(place / v) for k, v in {**names, **plain, "out": "out.stl"}.items()}


def _some(parameter: click.Parameter) -> str:
    if parameter.name == "case":
        return "{case}"
    return "{part}" if isinstance(parameter.type, (click.Path, click.File)) else "1"


def complaint(answer: Answer, what: str, *names: str) -> str:
    """What is wrong with a refusal: exit 2 with short sentences that have one of the names in them is not."""
    lines = [line for line in answer.errors.splitlines() if line.startswith("fitassay: ")]
    good = (
        answer.code == 2
        and lines != []
        and all(len(line) < 900 for line in answer.errors.splitlines())
        and "Traceback" not in answer.errors
        and (not names or any(name in answer.errors for name in names))
        and answer.peak_mb < MOST_MB
    )
    return "" if good else f"{what}: exit {answer.code} {answer.output[-200:]} {answer.errors[-500:]}"


PLACED = (
    "pipe",
    "endless device",
    "nothing, no text",
    "folder",
    "link to itself",
    "nothing",
    "closed folder",
)


def put(kind: str, folder: Path) -> str:
    """The name of something that is no readable file, below the folder."""
    folder.mkdir()
    path = folder / "wrong.stl"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
        (path / "inside").touch()
    elif kind == "endless device":
        path.symlink_to("/dev/zero")
    elif kind == "link to itself":
        path.symlink_to(path)
    elif kind == "nothing, no text":
        return os.fsdecode(bytes(folder) + b"/wrong\xff.stl")
    elif kind == "closed folder":
        path = folder / "shut" / "wrong.stl"
        path.parent.mkdir()
        path.write_bytes(b"solid")
        path.parent.chmod(0)
    return str(path)


def _may_be_made(name: str, parameter: click.Parameter, kind: str) -> bool:
    """Whether the command makes what is not there, or fills a folder: no fault then."""
    return (name, parameter.opts[0]) in MADE and kind in ("nothing", "nothing, no text", "folder")


@pytest.mark.parametrize(
    "kind", [*PLACED[:3], *(pytest.param(k, marks=pytest.mark.long) for k in PLACED[3:])]
)
def test_what_is_no_file_is_refused_wherever_a_file_is_named(good, tmp_path, kind):
    tried = [f for f in PATHS if not _may_be_made(*f, kind)]
    assert len(tried) > 20
    runs = [
        run_of(name, good, p, put(kind, tmp_path / f"{i}"), powerless=kind == "closed folder")
        for i, (name, p) in enumerate(tried)
    ]
    try:
        answers = answered(tmp_path, runs)
    finally:
        for shut in tmp_path.glob("*/shut"):
            shut.chmod(0o700)
    told = [
        complaint(answer, f"{kind} as {label(found)}", "wrong")
        for found, answer in zip(tried, answers, strict=True)
    ]
    assert not any(told), "\n".join(t for t in told if t)


BAD_NUMBERS = (
    "9" * 5000, "-" + "9" * 5000, "0." + "3" * 5000 + "x", "nan", "-nan", "inf", "-inf", "1e999", "", " ", "0x10",
    "1_0", "1.2.3", "--1", "\u0663", "\u00bd", "1e", "ten", "\udcff", "1\n2", "1;2;3", "[" * 5000,
)  # fmt: skip


@pytest.mark.parametrize("count", [1, pytest.param(len(BAD_NUMBERS), marks=pytest.mark.long)])
def test_what_is_no_number_is_refused_wherever_a_number_is_asked_for(good, tmp_path, count):
    rng = random.Random(15)
    tried = [(name, p, v) for name, p in NUMBERS for v in rng.sample(BAD_NUMBERS, count)]
    assert len({(name, p.name) for name, p, _ in tried}) > 60
    runs = [run_of(name, good, p, value) for name, p, value in tried]
    told = [
        complaint(answer, f"{name} {p.opts[0]} {value[:20]!r}", *p.opts)
        for (name, p, value), answer in zip(tried, answered(tmp_path, runs), strict=True)
    ]
    assert not any(told), "\n".join(t for t in told if t)


ODD_WORDS = (
    "9" * 5000, "x" * 100_000, "", " ", "nan", "-1", "\udcff", "\u202e", "=1+1", "../../etc", "1\n2", "\x1b[2J", "%s",
    "{0}", "'", '"', "\U0001fa90" * 300, ":", "::", "=", "a=b=c", ",", "[" * 3000,
)  # fmt: skip


@pytest.mark.parametrize("count", [1, pytest.param(len(ODD_WORDS), marks=pytest.mark.long)])
def test_odd_words_are_taken_or_refused_in_a_sentence(good, tmp_path, count):
    rng = random.Random(16)
    tried = [(name, p, v) for name, p in WORDS for v in rng.sample(ODD_WORDS, count) if name != SERVES]
    runs = [
        run_of(name, Path(shutil.copytree(good, tmp_path / f"{i}")), p, value)
        for i, (name, p, value) in enumerate(tried)
    ]
    told = []
    for (name, p, value), answer in zip(tried, answered(tmp_path, runs), strict=True):
        what = f"{name} {p.opts[0]} {value[:20]!r}"
        if (
            answer.code not in (0, 1)
            or "Traceback" in answer.errors
            or "\x1b" in answer.output + answer.errors
        ):
            told.append(complaint(answer, what))
    assert not any(told), "\n".join(t for t in told if t)
