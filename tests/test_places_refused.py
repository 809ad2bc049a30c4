"""Places that cannot be read or written: what is wrong, what to do, and exit code 2."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from fitassay.cli import cli
from fitassay.coupons.errors import InputError, WriteError
from fitassay.coupons.files import is_there, read_input, write_atomic

pytestmark = pytest.mark.skipif(os.name != "posix", reason="names and links of POSIX")


@pytest.fixture(scope="module")
def made_case(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made") / "orrery"
    for words in (["init", "--yes"], ["make", "--family", "single-wall"], ["simulate"]):
        done = CliRunner().invoke(cli, [words[0], str(folder), *words[1:]])
        assert done.exit_code == 0, done.output
    return folder


@pytest.fixture
def case(made_case, tmp_path):
    return Path(shutil.copytree(made_case, tmp_path / "orrery"))


def refused(words: list[str], *texts: str) -> None:
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 2, done.output
    assert done.stderr.startswith("fitassay: ") and done.stderr.count("\n") == 1, done.stderr
    for text in texts:
        assert text in done.stderr


@pytest.mark.parametrize(
    "command", ["make", "enter", "diagnose", "next", "plan", "predict", "apply", "simulate", "bench"]
)
def test_a_file_where_the_folder_of_the_prints_belongs(case, command):
    shutil.rmtree(case / "prints")
    (case / "prints").write_text("not a folder")
    refused([command, str(case)], "prints: is a file", "move it away")


@pytest.mark.parametrize("command", [["diagnose"], ["make"], ["init", "--yes"], ["demo"]])
def test_a_name_that_is_too_long(tmp_path, command):
    refused([command[0], str(tmp_path / ("x" * 300)), *command[1:]], "too long", "shorten the name")


def test_a_path_that_is_endless_is_shown_by_its_ends(tmp_path):
    done = CliRunner().invoke(cli, ["diagnose", str(tmp_path / "/".join(["x" * 200] * 40))])
    assert done.exit_code == 2
    assert "…" in done.stderr and len(done.stderr) < 400


@pytest.mark.parametrize(
    "number, advice",
    [
        (errno.EACCES, "change its permissions"),
        (errno.ELOOP, "leads back to itself"),
        (errno.ENAMETOOLONG, "shorten the name"),
        (errno.EIO, "check the name"),
    ],
)
def test_what_cannot_be_read_says_what_to_do(tmp_path, monkeypatch, number, advice):
    """As the system refuses it to whoever is not root."""
    path = tmp_path / "readings.csv"
    path.write_text("text")

    def refuse(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number), str(path))

    monkeypatch.setattr("fitassay.coupons.files.os.open", refuse)
    with pytest.raises(InputError, match=advice):
        read_input(path, "list")
    monkeypatch.setattr("fitassay.coupons.files.os.lstat", refuse)
    with pytest.raises(InputError, match=advice):
        is_there(path)


@pytest.mark.parametrize(
    "number, advice",
    [
        (errno.ENOSPC, "free some space"),
        (errno.EROFS, "change the folder's permissions"),
        (errno.ENAMETOOLONG, "shorten the name"),
        (errno.EIO, "choose another place"),
    ],
)
def test_what_cannot_be_written_says_what_to_do_and_keeps_what_was_there(
    tmp_path, monkeypatch, number, advice
):
    path = tmp_path / "readings.csv"
    path.write_text("old")

    def refuse(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr("fitassay.coupons.files.os.replace", refuse)
    with pytest.raises(WriteError, match=advice):
        write_atomic(path, "new")
    monkeypatch.undo()
    assert [p.name for p in tmp_path.iterdir()] == ["readings.csv"]
    assert path.read_text() == "old"


def test_an_earlier_print_that_cannot_be_read_is_told(case):
    """Its knowledge is missing from the answer; that is not passed over in silence."""
    for words in (["make", "--new-print", "--family", "single-wall"], ["simulate"]):
        done = CliRunner().invoke(cli, [words[0], str(case), *words[1:]])
        assert done.exit_code == 0, done.output
    whole = CliRunner().invoke(cli, ["diagnose", str(case)])
    assert "cannot be read" not in whole.stdout
    with (case / "prints" / "01" / "readings.csv").open("a") as table:
        table.write("no such coupon,x,1.0\n")
    done = CliRunner().invoke(cli, ["diagnose", str(case)])
    assert done.exit_code == 0, done.output
    said = " ".join(done.stdout.split())
    assert (
        "Print 01 of this case cannot be read" in said and "nothing that it showed is taken as known" in said
    )


def test_an_earlier_print_whose_coupon_is_gone_does_not_end_the_judgement(case):
    for words in (["make", "--new-print", "--family", "single-wall"], ["simulate"]):
        assert CliRunner().invoke(cli, [words[0], str(case), *words[1:]]).exit_code == 0
    (case / "prints" / "01" / "wall.stl").unlink()
    done = CliRunner().invoke(cli, ["diagnose", str(case)])
    assert done.exit_code == 0, done.output
    assert "Print 01 of this case cannot be read" in " ".join(done.stdout.split())
