"""Kinds of files that the program reads: good ones to begin from, how they are changed, and what reads them."""

from __future__ import annotations

import random
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from click.testing import CliRunner

from tests.fuzz.mutate import mutate, mutate_facets, mutate_package, mutate_typed

LINE = re.compile(r", line \d+")
FIELD = re.compile(r": (line \d+(, column \d+)?|[a-z_]+(\[\d+\])?(\.[a-z_]+(\[\d+\])?)*):")
SPOT = re.compile(r", facet \d+|.*\(-?[\d.e+-]+, -?[\d.e+-]+, -?[\d.e+-]+\) mm")
MEMBER = re.compile(rf", \S+, line \d+|, body .+|{SPOT.pattern}")
WHOLE = re.compile(
    r": (is empty|is (not |UTF-16 |UTF-32 |not plain |not UTF-8 )text|is too large for|is a spreadsheet's own format"
    r"|\d+ more problems of the same file|holds no (readings|feed test|sizes|body|facet|joints|diameter))"
)
"""What is wrong with a file as a whole, whatever its kind: the file is the place."""
UNREADABLE = re.compile(
    r": (is no (whole )?STL|is an archive without a 3MF model|measures .* (in its own unit|more than any bed)"
    # Of the archive itself; of the XML within it the member and line are said.
    r"|is no readable 3MF file \((?!.*(well-formed|token|document element|XML|entity|tag)))"
)
MISSING_WORDS = re.compile(r": has no (heat-up|word that|homing)")
OTHER_FILE = re.compile(r": holds none of this print's coupons")
OTHER_JSON = re.compile(r": (must hold one JSON object|is nested too deeply)")
NEVER = re.compile(r"(?!)")

Change = Callable[[bytes, random.Random], bytes]

PRINT = "case/prints/01"
TRACED = "traced/prints/01"
WALLED = "walled/prints/01"
HALF = "half/prints/01/readings.csv"
ANSWERS = tuple(f"{p}/{name}" for p in (PRINT, TRACED, WALLED) for name in ("diagnosis.json", "report.html"))
FEATURES = """name,kind,shape,axis,nominal_mm,mate,wanted,turns,rotation_deg
arm peg,outside,round,,8,arm hole,0.2,yes,30
arm hole,inside,round,,8.4,,,,
axle hole,inside,round,,5.1,exact 5.0,H11/h11,,
foot,outside,square,x,40,,,,
column,height,,,30,,,,
"""
FILAMENT = "place,diameter_1_mm,diameter_2_mm,note\n1,1.74,1.77,\n2,1.75,,thick\n3,1.76,1.75,\n"
JOINTS = """name,shape,peg_mm,hole_mm,bought,way_up,motion,now
arm,round,8,8.4,,same,turn,sticks
axle,round,5,5.2,peg,,turn,
tray,slot,20,20.3,,flipped,slide,rattles
"""
START = "G21\nG90\nM82\nM140 S60\nM104 S205\nM190 S60\nM109 S205\nG28\nG92 E0\n"
END = "G91\nG1 Z5\nG90\nM104 S0\nM140 S0\nM84\n"
TYPED = "0.47\n+0.46\n0.45 0.46\n?\ns\n20.1\nn\nb\nr outside 10.000\n9.99\n19.98\ny\nk\nq\n"
FEED = "commanded_mm,marked_mm,left_mm,note\n100,120,21.5,slow\n100,120,20.2,\n"


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One kind of file.

    Attributes
    ----------
    file : str
        Where it stands in the folder of the test.
    words : tuple of str
        The command that reads it; `{}` is that folder.
    change : callable
        Makes it hostile.
    typed : str
        What is typed at the command; `None` where that is the hostile file itself.
    writes : tuple of str
        What the command may write beside the file; all else in the folder has to stay as it is.
    refusals : tuple of int
        Exit codes that are answers: 2 for a bad file, 1 where a good one cannot be done.
    place : re.Pattern
        What a refusal says right behind the file's name: where in it.
    whole : re.Pattern
        What is wrong with a file of this kind as a whole, said of the file alone.
    """

    file: str
    words: tuple[str, ...]
    change: Change = mutate
    typed: str | None = ""
    writes: tuple[str, ...] = ()
    refusals: tuple[int, ...] = (2,)
    place: re.Pattern[str] = LINE
    whole: re.Pattern[str] = NEVER

    def command(self, folder: Path) -> list[str]:
        return [word.format(folder) for word in self.words]

    def seeds(self, kept: Path) -> list[bytes]:
        """Good files of the kind: the one in its place, and others with its name in ``more``."""
        return [(kept / self.file).read_bytes(), *(p.read_bytes() for p in self.others(kept))]

    def others(self, kept: Path) -> list[Path]:
        return sorted((kept / "more" / Path(self.file).name).glob("*"))


def _part(ending: str, change: Change, place: re.Pattern[str]) -> Kind:
    """A part to correct, as a file of this ending."""
    return Kind(
        file=f"part.{ending}",
        words=("correct", "{}/case", f"{{}}/part.{ending}", "-o", f"{{}}/out.{ending}"),
        change=change,
        refusals=(1, 2),
        place=place,
        whole=UNREADABLE,
    )


KINDS = {
    "machine": Kind(file=f"{PRINT}/machine.toml", words=("enter", "{}/case"), typed="q\n"),
    "case machine": Kind(file="case/machine.toml", words=("predict", "{}/case"), refusals=(1, 2)),
    "manifest": Kind(
        file=f"{PRINT}/coupons.json",
        words=("enter", "{}/case"),
        typed="q\n",
        place=FIELD,
        whole=OTHER_JSON,
    ),
    "readings": Kind(file=f"{PRINT}/readings.csv", words=("diagnose", "{}/case"), writes=ANSWERS),
    "readings added to": Kind(file=HALF, words=("enter", "{}/half"), typed="0.47\nk\nq\n", writes=(HALF,)),
    "typed readings": Kind(
        file="typed.txt",
        words=("enter", "{}/half"),
        change=mutate_typed,
        typed=None,
        writes=(HALF,),
        refusals=(1, 2),
    ),
    "joints": Kind(file="joined/joints.csv", words=("predict", "{}/joined")),
    "filament": Kind(file="case/filament.csv", words=("diagnose", "{}/case"), writes=ANSWERS),
    "feed": Kind(file="case/feed.csv", words=("diagnose", "{}/case"), writes=ANSWERS),
    "trace": Kind(file=f"{WALLED}/trace.json", words=("diagnose", "{}/walled"), writes=ANSWERS),
    "coupon mesh": Kind(
        file=f"{TRACED}/wall.stl",
        words=("diagnose", "{}/traced"),
        change=mutate_facets,
        writes=ANSWERS,
        place=SPOT,
        whole=UNREADABLE,
    ),
    "settings before": Kind(
        file="case/machine.before.toml",
        words=("apply", "{}/case", "--undo"),
        writes=("case/machine.toml", "case/machine.before.toml"),
    ),
    "own path's figures": Kind(
        file="own/path.toml",
        words=("path", "{}/own"),
        writes=("own/prints",),
        refusals=(1, 2),
        place=re.compile(r", line \d+|\), modes before it, line \d+"),
    ),
    "own path's start": Kind(
        file="own/start.gcode",
        words=("path", "{}/own"),
        writes=("own/prints",),
        refusals=(1, 2),
        whole=MISSING_WORDS,
    ),
    "file to take after": Kind(
        file="plate.txt",
        words=("path", "{}/own", "--like", "{}/plate.txt", "--start-as-is", "--end-as-is", "--yes"),
        writes=("own",),
        refusals=(1, 2),
        whole=OTHER_FILE,
    ),
    "sliced file": Kind(
        file="plate.txt",
        words=("trace", "{}/traced", "{}/plate.txt"),
        writes=(f"{TRACED}/trace.json", f"{TRACED}/sliced-file.html", f"{TRACED}/sliced-file"),
        place=re.compile(r", line \d+|: coupon \w+ is|: has something printed upon coupon \w+: above it"),
        whole=OTHER_FILE,
    ),
    "part list": Kind(
        file="parts.csv", words=("predict", "{}/case", "--features", "{}/parts.csv"), refusals=(1, 2)
    ),
    "part": _part("stl", change=mutate_facets, place=SPOT),
    "package": _part("3mf", change=mutate_package, place=MEMBER),
}


def make_good(folder: Path) -> Path:
    """A folder with a good file of every kind, and the good answers of all commands."""
    from fitassay.analysis.parts.part_file import write_parts
    from fitassay.cli import cli
    from fitassay.coupons.export.manifest import read_manifest
    from fitassay.coupons.export.stl import read_coupon
    from tests.parts import box, part_of, post
    from tests.pathwriter import Style, write

    kept = folder / "kept"
    kept.mkdir(parents=True)
    case = str(kept / "case")
    _run(cli, "init", case, "--yes")
    _run(cli, "make", case, "--family", "single-wall", "--family", "plain-block")
    _run(cli, "simulate", case, "--bead-excess", "0.05", "--reference", "outside:10")
    here = kept / PRINT
    # Every answer on a traced print traces it again, so only what reads the sliced file has one.
    shutil.copytree(kept / "case", kept / "traced")
    walled = str(kept / "walled")
    _run(cli, "init", walled, "--yes")
    _run(cli, "make", walled, "--family", "single-wall")
    _run(cli, "simulate", walled)
    for name, plate in (("walled", "wall.txt"), ("traced", "plate.txt")):
        prints = kept / name / "prints/01"
        pieces = [(c, read_coupon(c, prints)) for c in read_manifest(prints / "coupons.json").coupons]
        (kept / plate).write_text(write(pieces, Style(infill=False, decimals=3)).text, "utf-8")
        _run(cli, "trace", str(kept / name), str(kept / plate))
    for name, text in (("case/filament.csv", FILAMENT), ("case/feed.csv", FEED), ("parts.csv", FEATURES)):
        (kept / name).write_text(text, "utf-8")
    part = part_of(box(0, 0, 30, 20, 0, 8) - post(6, 8, 10, -1, 9, sides=24), "arm")
    for name in ("part.stl", "part.3mf"):
        write_parts(kept / name, (part,), "arm")
    (kept / "typed.txt").write_text(TYPED, "utf-8")
    shutil.copy(kept / "case" / "machine.toml", kept / "case" / "machine.before.toml")
    for name in ("half", "joined", "own"):
        shutil.copytree(kept / "case", kept / name)
    lines = (here / "readings.csv").read_text("utf-8").splitlines()
    blank = [",".join([*line.split(",")[:2], "", ""]) for line in lines]
    (kept / HALF).write_text("\n".join([*lines[:5], *blank[5:]]) + "\n", "utf-8")
    (kept / "joined" / "joints.csv").write_text(JOINTS, "utf-8")
    (kept / "own/prints/01/readings.csv").write_text("\n".join([lines[0], *blank[1:]]) + "\n", "utf-8")
    for name, text in (("start.gcode", START), ("end.gcode", END)):
        (kept / name).write_text(text, "utf-8")
    words = ("--start", str(kept / "start.gcode"), "--end", str(kept / "end.gcode"), "--yes")
    _run(cli, "path", str(kept / "own"), *words)
    return kept


def _run(cli, *words: str) -> None:
    done = CliRunner().invoke(cli, list(words))
    assert done.exit_code == 0, done.output
