"""The direction of imports, what `--help` may load, and that one command needs README's words only."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
FORBIDDEN = {"coupons": {"analysis", "fitassay"}, "analysis": {"fitassay"}, "fitassay": set()}
HEAVY = (
    "numpy",
    "scipy",
    "shapely",
    "trimesh",
    "matplotlib",
    "manifold3d",
    "pydantic",
    "rich",
    "stl",
    "jinja2",
)


@pytest.mark.parametrize("package", FORBIDDEN)
def test_imports_never_point_back(package):
    for path in sorted((ROOT / package).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
                names = [node.module]
            elif isinstance(node, ast.Import):
                names = [a.name for a in node.names]
            else:
                continue
            tops = {name.partition(".")[0] for name in names}
            assert not tops & FORBIDDEN[package], f"{path.relative_to(ROOT)} line {node.lineno}"


def test_help_loads_nothing_heavy():
    code = (
        "import sys\n"
        "from click.testing import CliRunner\n"
        "from fitassay.cli import cli\n"
        "result = CliRunner().invoke(cli, ['--help'])\n"
        "assert 'diagnose' in result.output, result.output\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules])\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert run.stdout.strip() == "[]"


def test_public_names_are_there():
    import fitassay

    for name in fitassay.__all__:
        assert getattr(fitassay, name) is not None
    with pytest.raises(AttributeError, match="no attribute"):
        fitassay.nothing  # noqa: B018


def test_no_module_outgrows_a_reader():
    """The longest module stays under 600 lines."""
    sizes = {
        p: len(p.read_text(encoding="utf-8").splitlines())
        for d in FORBIDDEN
        for p in (ROOT / d).rglob("*.py")
    }
    assert max(sizes.values()) < 600, max(sizes, key=lambda p: sizes[p])
