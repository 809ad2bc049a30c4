"""Which module imports which, read from the source as text; ``python -m tests.import_graph`` redraws its picture."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parent.parent
HOMES = {"fitassay": "fitassay", "fitassay.coupons": "coupons", "fitassay.analysis": "analysis"}
"""Package as imported -> its folder."""

# A module imports from its own room and from rooms that stand before it in this list.
ROOMS = (
    "coupons",
    "analysis",  # the table of terms, the result and how numbers are shown
    "analysis.readings",
    "analysis.chain",
    "analysis.estimation",
    "analysis.diagnosis",
    "analysis.gcode",
    "analysis.parts",
    "analysis.prints",
    "analysis.validation",
    "faces",
)
DEVELOPERS = ROOT / "DEVELOPERS.md"
PICTURE = re.compile(r"(?<=```text\n)room +imports from\n.*?(?=```)", re.DOTALL)
"""Where the picture stands in the contributors' guide."""


def modules() -> dict[str, Path]:
    """Every module of the project with its file."""
    found = {}
    for package, folder in HOMES.items():
        for path in sorted((ROOT / folder).rglob("*.py")):
            name = ".".join((package, *path.relative_to(ROOT / folder).with_suffix("").parts))
            found[name.removesuffix(".__init__")] = path
    return found


@cache
def import_graph() -> dict[str, frozenset[str]]:
    """Module -> modules of the project that it imports anywhere, inside functions and for type checking too."""
    known = modules()
    return {name: frozenset(_imported(path, known)) - {name} for name, path in known.items()}


def room_of(module: str) -> str:
    """``analysis.chain``, ``coupons``, ``faces``, ...: the folder whose rules the module is under."""
    top, _, rest = module.removeprefix("fitassay.").partition(".")
    if not module.startswith("fitassay.") or top not in ("analysis", "coupons"):
        return "faces"
    if top == "coupons":
        return "coupons"
    folder = rest.partition(".")[0]
    return f"analysis.{folder}" if folder and (ROOT / "analysis" / folder).is_dir() else "analysis"


def _imported(path: Path, known: dict[str, Path]) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            for alias in node.names:
                full = f"{node.module}.{alias.name}"
                names.add(full if full in known else node.module)
    return names & set(known)


def picture() -> str:
    """A row a room: which rooms its modules import from, each in the column of its number."""
    arrows = {room: set[str]() for room in ROOMS}
    for source, targets in import_graph().items():
        arrows[room_of(source)].update(room_of(t) for t in targets)
    lines = [f"{'room':24}imports from"]
    for number, room in enumerate(ROOMS, start=1):
        marks = [f"{n:2}" if r in arrows[room] else " ." for n, r in enumerate(ROOMS[: number - 1], start=1)]
        lines.append(f"{number:2} {room:21}{' '.join(marks)}".rstrip())
    return "\n".join(lines) + "\n"


def drawn_in(text: str) -> str:
    """The picture as the contributors' guide has it."""
    found = PICTURE.search(text)
    return found[0] if found else ""


if __name__ == "__main__":
    DEVELOPERS.write_text(PICTURE.sub(lambda _: picture(), DEVELOPERS.read_text("utf-8")), "utf-8")
