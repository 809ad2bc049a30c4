"""The house: which room may import which, what `--help` may load, what an installation puts where."""

from __future__ import annotations

import pydoc
import re
import subprocess
import sys
import tomllib

import networkx
import pytest

from tests.import_graph import DEVELOPERS, HOMES, ROOMS, ROOT, drawn_in, import_graph, picture, room_of

LONGEST = 400

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
    "reportlab",
)


def test_every_room_is_listed():
    assert {room_of(m) for m in import_graph()} == set(ROOMS)


def test_imports_never_point_back():
    back = [
        f"{source} imports {target}"
        for source, targets in sorted(import_graph().items())
        for target in sorted(targets)
        if ROOMS.index(room_of(target)) > ROOMS.index(room_of(source))
    ]
    assert not back, "\n".join(back)


def test_the_contributors_guide_shows_the_rooms_as_they_are():
    assert drawn_in(DEVELOPERS.read_text("utf-8")) == picture(), "run python -m tests.import_graph"


def test_no_modules_import_each_other_in_a_circle():
    """Imports inside functions and for type checking count too."""
    graph = networkx.DiGraph((a, b) for a, targets in import_graph().items() for b in targets)
    circles = [sorted(c) for c in networkx.strongly_connected_components(graph) if len(c) > 1]
    assert not circles


def test_what_validates_is_no_part_of_the_product():
    """Commands load nothing of the validation room; scripts reach it through `fitassay` alone."""
    users = {
        source
        for source, targets in import_graph().items()
        if any(room_of(t) == "analysis.validation" for t in targets)
        and room_of(source) != "analysis.validation"
    }
    assert users <= {"fitassay"}


def test_the_installed_packages_are_the_folders():
    """Every folder is listed in pyproject, below the name fitassay alone."""
    tools = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]
    found = {
        ".".join((package, *init.parent.relative_to(ROOT / folder).parts))
        for package, folder in HOMES.items()
        for init in (ROOT / folder).rglob("__init__.py")
    }
    assert set(tools["packages"]) == found
    assert tools["package-dir"] == {n: f for n, f in HOMES.items() if n != f}
    assert {name.partition(".")[0] for name in found} == {"fitassay"}


def test_a_folder_called_analysis_beside_a_script_is_no_hindrance(tmp_path):
    for name in ("analysis", "coupons"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "__init__.py").write_text("raise RuntimeError('the user's own')\n", "utf-8")
    script = tmp_path / "script.py"
    script.write_text("import fitassay\nprint(len(fitassay.TERMS), fitassay.build_set.__name__)\n", "utf-8")
    run = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    assert run.stdout.split()[1] == "build_set"


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


@pytest.mark.parametrize("folder", HOMES.values())
def test_no_module_outgrows_a_reader(folder):
    sizes = {
        str(p.relative_to(ROOT)): len(p.read_text(encoding="utf-8").splitlines())
        for p in (ROOT / folder).rglob("*.py")
    }
    assert not {p: n for p, n in sizes.items() if n > LONGEST}


@pytest.mark.parametrize("package", HOMES)
def test_every_folder_and_module_says_what_it_owns(package):
    for path in (ROOT / HOMES[package]).rglob("*.py"):
        first = path.read_text(encoding="utf-8").split("\n", 1)[0]
        assert first.startswith('"""') and len(first) > 20, path.relative_to(ROOT)


def test_the_way_of_a_reading_names_what_there_is():
    """From readings.csv to its sentence in at most 15 steps, each naming something that can be imported."""
    way = (
        DEVELOPERS.read_text("utf-8")
        .partition("## From readings.csv to its sentence")[2]
        .partition("\n## ")[0]
    )
    steps = re.findall(r"^\d+\. (.*)", way, re.MULTILINE)
    assert 10 <= len(steps) <= 15
    for step in steps:
        name = re.search(r"`([\w.]+)`", step)
        assert name is not None, step
        path = name[1] if name[1].startswith("fitassay.") else f"fitassay.{name[1]}"
        assert pydoc.locate(path) is not None, path
