"""What `fitassay --help` shows, and that it is there at once."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import click
import pytest

from fitassay.cli import cli

ROOT = Path(__file__).resolve().parents[1]


def program(*args: str, columns: int = 80, stdout: int = subprocess.PIPE) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "fitassay", *args],
        cwd=ROOT,
        env={"COLUMNS": str(columns), "PATH": "/usr/bin:/bin"},
        stdout=stdout,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("word", ["--help", "-h"])
def test_help_is_there_before_anything_that_reads_commands(word):
    done = program(word)
    assert done.returncode == 0
    assert done.stdout.startswith("Usage: fitassay ")
    loaded = {line.rsplit("|", 1)[-1].strip() for line in done.stderr.splitlines()}
    assert "fitassay.front_page" in loaded
    assert not loaded & {"click", "fitassay.cli", "numpy"}


def test_the_page_tells_every_option_and_every_command_once():
    page = program("--help").stdout
    for parameter in cli.params:
        assert any(line.lstrip().startswith(parameter.opts[0]) for line in page.splitlines())
    for name in cli.list_commands(click.Context(cli)):
        assert sum(line.split()[:1] == [name] for line in page.splitlines()) == 1


@pytest.mark.parametrize("columns", [60, 72, 80, 110])
def test_no_line_is_wider_than_the_terminal_and_no_word_is_lost(columns):
    page = program("--help", columns=columns).stdout
    assert max(map(len, page.splitlines())) <= columns
    assert page.split() == program("--help", columns=100).stdout.split()
    # Wrapped no sooner than needed: the next line's first word would not have stood there.
    purpose = page[page.index("Print test coupons") : page.index("Options:")].strip().splitlines()
    for line, after in zip(purpose, purpose[1:], strict=False):
        lead = 2 if line is purpose[0] else 0
        assert lead + len(line) + 1 + len(after.split()[0]) > columns


def test_options_that_stand_before_help_are_read_as_ever():
    done = program("--help", "--version")
    assert done.returncode == 0
    assert done.stdout.startswith("Usage: fitassay ")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full device here")
def test_a_full_disk_is_told():
    with open("/dev/full", "wb") as full:
        done = program("--help", stdout=full.fileno())
    assert done.returncode != 0
    told = [line for line in done.stderr.splitlines() if not line.startswith("import time:")]
    assert told and told[0].startswith("fitassay: ") and "Traceback" not in done.stderr
