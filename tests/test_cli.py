"""The command line as a whole: quick to start, one sentence per error, the right exit code, nothing lost."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from fitassay.cli import SHORT_HELP, cli
from tests.prints import small_case

ROOT = Path(__file__).parent.parent
HEAVY = (
    "numpy",
    "scipy",
    "trimesh",
    "shapely",
    "matplotlib",
    "manifold3d",
    "rich",
    "pydantic",
    "jinja2",
    "reportlab",
)


def run(*args: str, stdin: str = "") -> tuple[int, str, str]:
    """Exit code, standard output, standard error of a command in this process."""
    result = CliRunner().invoke(cli, list(args), input=stdin)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def process(*args: str, **kwargs) -> subprocess.CompletedProcess:
    """A command as a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "fitassay", *args],
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, "PYTHONPATH": str(ROOT), **kwargs.pop("env", {})},
        **kwargs,
    )


def test_help_loads_nothing_heavy():
    script = (
        "import sys\nfrom fitassay.cli import main\nsys.argv = ['fitassay', '--help']\n"
        "try:\n    main()\nexcept SystemExit as e:\n    code = e.code\n"
        f"print('LOADED', code, [m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip().endswith("LOADED 0 []")


@pytest.mark.parametrize(
    "args", [["init", "--help"], ["enter", "--help"], ["make", "--help"], ["diagnose", "--help"]]
)
def test_help_of_a_command_loads_none_of_the_geometry(args):
    script = (
        "import sys\nfrom fitassay.cli import main\n"
        f"sys.argv = ['fitassay', *{args!r}]\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        f"print('LOADED', [m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip().endswith("LOADED []")


def test_every_command_file_is_listed_and_every_line_has_its_file():
    files = {p.stem for p in (ROOT / "fitassay" / "commands").glob("*.py")} - {"__init__"}
    listed = set(cli.list_commands(click.Context(cli)))
    assert listed == files
    assert listed <= set(SHORT_HELP)


@pytest.mark.parametrize("name", cli.list_commands(click.Context(cli)))
def test_every_command_has_help_of_its_own(name):
    code, out, err = run(name, "--help")
    assert code == 0
    assert err == ""
    assert f"fitassay {name}" in out or f"cli {name}" in out
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{name} {parameter.opts[0]} says nothing of itself"


def test_version():
    code, out, _ = run("--version")
    assert code == 0
    assert re.fullmatch(r"fitassay \d+\.\d+\.\d+\n", out)


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["diagnos"], "there is no command 'diagnos'; did you mean diagnose?"),
        (["zzz"], "there is no command 'zzz'; "),
        (["init", "c", "--nozle", "0.4"], "has no option '--nozle'; did you mean --nozzle?"),
        (["make"], "missing argument 'CASE'"),
        (["init", "c", "--nozzle", "wide"], "'wide' is not a number"),
        (["init", "c", "--nozzle", "0.4in"], "carries the unit 'in'; write a number in mm"),
        (["init", "c", "--nozzle", "7"], "must lie between 0.1 and 1.5 mm (got 7)"),
        (["init", "c", "--nozzle", "nan"], "is not a number"),
        (["init", "c", "--volume-x", "1e308"], "must lie between"),
        (["make", "nowhere"], "nowhere: there is no such case; 'fitassay init nowhere' makes one"),
        (["enter", "nowhere"], "nowhere: there is no such case"),
        (["diagnose", "nowhere"], "nowhere: there is no such case"),
        (["simulate", "nowhere"], "nowhere: there is no such case"),
        (["simulate", "c", "--backlash-y", "9"], "must lie between -3 and 3 mm"),
        (["make", "\x1b[2J"], "there is no such case"),
    ],
)
def test_bad_usage_is_one_sentence_and_exit_2(tmp_path, monkeypatch, args, message):
    monkeypatch.chdir(tmp_path)
    code, out, err = run(*args)
    assert code == 2
    assert out == ""
    assert err.startswith("fitassay: ")
    assert err.count("\n") == 1
    assert message in err
    assert "\x1b" not in err
    assert list(tmp_path.iterdir()) == []


def test_no_arguments_show_the_help_and_exit_2():
    code, out, _ = run()
    assert code == 2
    assert "Prepare:" in out


@pytest.mark.parametrize("command", ["make", "enter", "diagnose", "simulate"])
def test_every_problem_of_the_machine_file_is_told(tmp_path, command):
    small_case(tmp_path)
    (tmp_path / "machine.toml").write_text("schema = 1\n[volume]\nx_mm = '100'\ny_mm = -1\n")
    code, out, err = run(command, str(tmp_path))
    assert code == 2
    assert out == ""
    assert [line.split(": ")[1].rpartition("/")[2] for line in err.splitlines()] == [
        "machine.toml, line 3, volume.x_mm",
        "machine.toml, line 4, volume.y_mm",
    ]


@pytest.mark.parametrize("command", ["enter", "diagnose", "simulate"])
def test_a_case_without_a_print_is_told_what_to_do(tmp_path, command):
    run("init", str(tmp_path / "orrery"), "--yes")
    code, _, err = run(command, str(tmp_path / "orrery"))
    assert code == 2
    assert f"run 'fitassay make {tmp_path / 'orrery'}' first" in err


@pytest.mark.parametrize(
    ("number", "message"),
    [
        ("02", "there is no print 02; this case has 01"),
        ("x", "there is no print x"),
        ("9" * 5000, "there is no print 999"),
    ],
)
def test_a_print_that_is_not_there_is_told(tmp_path, number, message):
    small_case(tmp_path)
    code, _, err = run("enter", str(tmp_path), "--print", number)
    assert code == 2
    assert message in err


@pytest.mark.parametrize("command", ["enter", "diagnose", "simulate"])
def test_a_manifest_of_another_version_is_told(tmp_path, command):
    target = small_case(tmp_path)
    manifest = target / "coupons.json"
    manifest.write_text(json.dumps({**json.loads(manifest.read_text()), "schema": 2}))
    code, _, err = run(command, str(tmp_path))
    assert code == 2
    assert "schema must be 1 (got 2)" in err


def test_a_file_in_place_of_a_case_is_told(tmp_path):
    (tmp_path / "orrery").write_text("")
    for command in ("init", "make"):
        code, _, err = run(command, str(tmp_path / "orrery"))
        assert code == 2
        assert "is a file" in err


def test_a_reader_that_has_gone_is_no_traceback():
    with subprocess.Popen(
        [sys.executable, "-m", "fitassay", "--help"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as p:
        assert p.stdout and p.stderr
        p.stdout.close()
        assert p.stderr.read() == ""


def test_a_terminal_without_unicode_gets_stand_ins(tmp_path):
    done = process(
        "init",
        "orrery",
        "--yes",
        "--name",
        "Plänetarium 🪐",
        cwd=tmp_path,
        env={"PYTHONIOENCODING": "latin-1"},
        encoding="latin-1",
    )
    assert done.returncode == 0
    assert done.stderr == ""
    assert "Plänetarium ?, 100 x 100" in done.stdout
    assert 'name = "Plänetarium 🪐"' in (tmp_path / "orrery" / "machine.toml").read_text("utf-8")


@pytest.mark.parametrize("width", [60, 80, 200])
def test_help_fits_the_width(width):
    done = process("init", "--help", cwd=ROOT, env={"COLUMNS": str(width)})
    assert max(len(line) for line in done.stdout.splitlines()) <= min(width, 110)


def test_shell_completion_offers_the_commands():
    done = process(
        cwd=ROOT, env={"_FITASSAY_COMPLETE": "bash_complete", "COMP_WORDS": "fitassay di", "COMP_CWORD": "1"}
    )
    assert "diagnose" in done.stdout


@pytest.mark.benchmarks
@pytest.mark.parametrize("what", ["bare interpreter", "help"])
def test_speed_of_help(benchmark, what):
    args = ["-c", "pass"] if what == "bare interpreter" else ["-m", "fitassay", "--help"]
    benchmark.pedantic(
        lambda: subprocess.run([sys.executable, *args], cwd=ROOT, stdout=subprocess.DEVNULL, check=True),
        rounds=15,
        warmup_rounds=2,
    )


@pytest.mark.skipif(os.name != "posix", reason="closes streams as a POSIX shell does")
@pytest.mark.parametrize(
    ("closed", "arguments", "code"),
    [
        (">&-", "--help", 0),
        (">&-", "init orrery --yes", 0),
        (">&- 2>&-", "init orrery --yes", 0),
        (">&- 2>&-", "diagnose nowhere", 2),
        ("<&-", "init orrery", 0),  # as where nobody sits at a terminal: the figures are the usual ones
    ],
)
def test_a_stream_that_is_closed_ends_nothing_in_a_traceback(tmp_path, closed, arguments, code):
    run = subprocess.run(
        ["sh", "-c", f'exec "$0" -m fitassay {arguments} {closed}', sys.executable],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert run.returncode == code, run.stderr
    assert "Traceback" not in run.stderr
    assert (tmp_path / "orrery" / "machine.toml").exists() == arguments.startswith("init")
