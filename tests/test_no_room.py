"""Full disks, read-only folders and closed streams under every command: a sentence, and nothing lost."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from fitassay.cli import cli
from tests.own_process import ROOT, Answer, Run, answered
from tests.parts import box, part_of

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(sys.platform != "linux", reason="limits and rights as Linux has them"),
]

# Every command that ends by itself, with what it is given; {} is a folder of its own.
COMMANDS = {
    "init": ("init", "{}/new", "--yes"),
    "make": ("make", "{}/blank", "--family", "single-wall"),
    "make anew": ("make", "{}/case", "--family", "single-wall", "--new-print"),
    "path": ("path", "{}/blank", "--start", "{}/start.gcode", "--end", "{}/end.gcode", "--yes"),
    "enter": ("enter", "{}/blank"),
    "next": ("next", "{}/case"),
    "diagnose": ("diagnose", "{}/case"),
    "apply": ("apply", "{}/case", "--no-proof"),
    "plan": ("plan", "{}/case"),
    "predict": ("predict", "{}/case"),
    "correct": ("correct", "{}/case", "{}/part.stl", "-o", "{}/out.stl"),
    "simulate": ("simulate", "{}/blank"),
    "help": ("--help",),
}
TYPED = "0.47\n0.46\nq\n"


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> Path:
    from fitassay.analysis.parts.part_file import write_parts

    folder = tmp_path_factory.mktemp("good")
    for words in (("init", "--yes"), ("make", "--family", "single-wall")):
        done = CliRunner().invoke(cli, [words[0], str(folder / "case"), *words[1:]])
        assert done.exit_code == 0, done.output
    shutil.copytree(folder / "case", folder / "blank")
    assert CliRunner().invoke(cli, ["simulate", str(folder / "case"), "--bead-excess", "0.05"]).exit_code == 0
    write_parts(folder / "part.stl", (part_of(box(0, 0, 30, 20, 0, 8), "arm"),), "arm")
    (folder / "start.gcode").write_text("G21\nG90\nM82\nM104 S205\nM109 S205\nG28\nG92 E0\n", "utf-8")
    (folder / "end.gcode").write_text("M104 S0\nM84\n", "utf-8")
    return folder


def started(good: Path, tmp_path: Path, cases: list[tuple[str, dict]]) -> list[tuple[Path, Answer]]:
    """Each command in a copy of its own, with what is done to its surroundings."""
    places = [Path(shutil.copytree(good, tmp_path / f"{i}")) for i in range(len(cases))]
    runs = [
        Run(words=tuple(w.format(place) for w in COMMANDS[name]), **{"typed": TYPED, **how})
        for (name, how), place in zip(cases, places, strict=True)
    ]
    return list(zip(places, answered(tmp_path, runs), strict=True))


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def plain(answer: Answer, what: str) -> str:
    """No traceback, and a sentence wherever the job was not done."""
    said = f"{what}: exit {answer.code} {answer.output[-200:]} {answer.errors[-700:]}"
    if answer.code not in (0, 1, 2) or "Traceback" in answer.errors or "Exception ignored" in answer.errors:
        return said
    return said if answer.code and "fitassay: " not in answer.errors else ""


def test_the_commands_do_their_job_where_nothing_is_in_the_way(good, tmp_path):
    got = started(good, tmp_path, [(name, {}) for name in COMMANDS])
    told = [(name, a.code, a.errors[-300:]) for name, (_, a) in zip(COMMANDS, got, strict=True) if a.code]
    assert not told
    others = {"trace", "bench", "compare", "demo"}
    assert {*COMMANDS, *others} >= set(cli.list_commands(click.Context(cli)))


CLOSED = [(0,), (1,), (2,), (0, 1, 2)]


@pytest.mark.parametrize("closed", CLOSED, ids=str)
def test_closed_streams_change_no_exit_code_and_no_file(good, tmp_path, closed):
    names = [n for n in COMMANDS if n != "make anew"]
    open_ = started(good, tmp_path / "open", [(n, {"typed": "" if 0 in closed else TYPED}) for n in names])
    shut = started(good, tmp_path / "shut", [(n, {"closed": closed}) for n in names])
    for name, (left, a), (right, b) in zip(names, open_, shut, strict=True):
        assert b.code == a.code, f"{name}: {b.errors[-500:]}"
        assert "Traceback" not in b.errors + b.output
        assert set(contents(left)) == set(contents(right)), name
        same = [n for n, data in contents(left).items() if n.endswith(("readings.csv", "machine.toml"))]
        assert all(contents(left)[n] == contents(right)[n] for n in same), name


@pytest.mark.parametrize("name", ["help", "diagnose", "make", "predict"])
def test_an_output_that_is_full_is_said(good, tmp_path, name):
    """In a process that ends as any does, with what is still to be written."""
    place = Path(shutil.copytree(good, tmp_path / "place"))
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "fitassay", *(w.format(place) for w in COMMANDS[name])],
            cwd=ROOT,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
        )
    assert (done.returncode, done.stderr) == (1, "fitassay: No space left on device\n")


SIZES = (200, 3000)
MORE_SIZES = (0, 1, 1000, 20_000, 100_000)


@pytest.mark.parametrize("size", [*SIZES, *(pytest.param(s, marks=pytest.mark.long) for s in MORE_SIZES)])
def test_a_disk_that_is_full_loses_nothing(good, tmp_path, size):
    """No file may grow beyond a size: each command meets it at another of the files that it writes."""
    before = contents(good)
    names = list(COMMANDS)
    got = started(good, tmp_path, [(name, {"most_bytes": size}) for name in names])
    told = []
    for name, (place, a) in zip(names, got, strict=True):
        told.append(plain(a, f"{name} at {size} bytes"))
        after = contents(place)
        gone = [n for n in before if n not in after]
        left = [n for n in after if Path(n).name.startswith(".") and not n.endswith(".lock")]
        cut = [
            n for n in before if n.endswith((".csv", ".toml")) and not _whole(before[n], after.get(n, b""))
        ]
        if gone or left or cut or (a.code and not _prints_whole(place)):
            told.append(f"{name} at {size} bytes: gone {gone}, left {left}, cut {cut}")
    assert not any(told), "\n".join(t for t in told if t)


def _whole(before: bytes, now: bytes) -> bool:
    """The old content, or a new one with the same head and to the end of its last line."""
    return now == before or (now.endswith(b"\n") and now.splitlines()[0] == before.splitlines()[0])


def _prints_whole(place: Path) -> bool:
    folders = [p for p in place.glob("*/prints/*") if not p.name.startswith(".")]
    return all(
        (p / name).exists() for p in folders for name in ("readings.csv", "coupons.json", "machine.toml")
    )


@pytest.mark.parametrize("where", ["", "case", "case/prints", "case/prints/01"])
def test_a_folder_that_is_read_only_is_said_and_left_as_it_was(good, tmp_path, where):
    names = list(COMMANDS)
    places = [Path(shutil.copytree(good, tmp_path / f"{i}")) for i in range(len(names))]
    runs = []
    for name, place in zip(names, places, strict=True):
        for folder in (place, *place.rglob("*")):
            shut = str(folder.relative_to(place)).replace("blank", "case")
            if folder.is_dir() and (where == "" or shut == where or shut.startswith(f"{where}/")):
                folder.chmod(0o555)
        words = tuple(w.format(place) for w in COMMANDS[name])
        runs.append(Run(words=words, typed=TYPED, powerless=True))
    try:
        got = answered(tmp_path, runs)
        told = [
            plain(a, f"{name} in a read-only {where or 'place'}") for name, a in zip(names, got, strict=True)
        ]
        after = [contents(place) for place in places]
    finally:
        for place in places:
            for folder in (place, *place.rglob("*")):
                if folder.is_dir():
                    folder.chmod(0o755)
    assert not any(told), "\n".join(t for t in told if t)
    if where == "":
        assert all(now == contents(good) for now in after)
        writing = ("init", "make", "make anew", "path", "enter", "correct", "simulate")
        codes = {name: a.code for name, a in zip(names, got, strict=True) if name in writing}
        assert codes == dict.fromkeys(writing, 2)


KEPT = (
    "machine.toml",
    *(f"prints/01/{n}" for n in ("machine.toml", "coupons.json", "readings.csv", "wall.stl")),
)


@pytest.mark.parametrize("name", KEPT)
def test_a_file_that_must_not_be_read_is_named(good, tmp_path, name):
    place = Path(shutil.copytree(good, tmp_path / "place"))
    (place / "case" / name).chmod(0)
    words = ("diagnose", "next", "plan", "predict", "apply")
    got = answered(tmp_path, [Run(words=(w, str(place / "case")), powerless=True) for w in words])
    for word, a in zip(words, got, strict=True):
        assert a.code == 2 and a.errors.count("\n") == 1, f"{word}: {a.errors}"
        assert Path(name).name in a.errors and "permissions" in a.errors, a.errors
