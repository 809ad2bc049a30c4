"""Which module imports which, read from the source as text: nothing is run."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parent.parent
HOMES = {"fitassay": "fitassay", "fitassay.coupons": "coupons", "fitassay.analysis": "analysis"}
"""Package as imported -> its folder."""


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
