"""`fitassay init`: figures as options and at the terminal."""

from __future__ import annotations

import errno
import json
import os

import pytest

from fitassay.analysis.parts.joints import joints_in
from fitassay.coupons.errors import InputErrors
from fitassay.coupons.machine import FIGURES, Machine
from fitassay.coupons.machine_file import read_machine
from fitassay.names import of_figure
from tests.faults import full_disk
from tests.pty_session import PtySession
from tests.test_cli import run


def test_yes_takes_the_defaults(tmp_path):
    code, out, err = run("init", str(tmp_path / "orrery"), "--yes")
    assert (code, err) == (0, "")
    assert "fitassay make" in out
    assert read_machine(tmp_path / "orrery" / "machine.toml") == Machine(name="orrery")


def test_nothing_is_asked_away_from_a_terminal(tmp_path):
    code, _, _ = run("init", str(tmp_path / "orrery"), stdin="")
    assert code == 0
    assert read_machine(tmp_path / "orrery" / "machine.toml") == Machine(name="orrery")


@pytest.mark.parametrize("figure", FIGURES, ids=lambda f: f.name)
def test_every_figure_is_an_option_held_to_its_range(tmp_path, figure):
    name = of_figure(figure).option
    key = f"{figure.section}.{figure.name}"
    # The largest, short of a layer higher than the bead is wide.
    value = 0.3 if figure.name == "layer_height_mm" else figure.high
    path = tmp_path / "machine.toml"
    code, _, err = run("init", str(tmp_path), "--yes", name, f"{value:.6f}".replace(".", ","))
    assert (code, err) == (0, "")
    assert read_machine(path)[key] == value
    for wrong in (figure.low - 0.001, figure.high * 1.001 + 0.001):
        code, _, err = run("init", str(tmp_path), "--yes", "--force", name, f"{wrong}")
        assert code == 2
        assert f"must lie between {figure.low:g} and {figure.high:g}" in err
    assert read_machine(path)[key] == value


def test_option_names_are_all_different():
    assert len({of_figure(f).option for f in FIGURES}) == len(FIGURES)


def test_bead_and_layer_follow_the_nozzle_unless_told(tmp_path):
    run("init", str(tmp_path), "--yes", "--nozzle", "0.8")
    machine = read_machine(tmp_path / "machine.toml")
    assert (machine.line_width_mm, machine.layer_height_mm) == (0.9, 0.4)
    run("init", str(tmp_path), "--yes", "--force", "--nozzle", "0.8", "--layer-height", "0.3")
    assert read_machine(tmp_path / "machine.toml").layer_height_mm == 0.3


def test_a_machine_file_is_not_overwritten_unless_forced(tmp_path):
    run("init", str(tmp_path), "--yes", "--name", "first")
    code, _, err = run("init", str(tmp_path), "--yes", "--name", "second")
    assert code == 2
    assert "machine.toml: is there already" in err
    assert read_machine(tmp_path / "machine.toml").name == "first"
    code, _, _ = run("init", str(tmp_path), "--yes", "--name", "second", "--force")
    assert code == 0
    assert read_machine(tmp_path / "machine.toml").name == "second"


def test_figures_that_do_not_go_together_write_nothing(tmp_path):
    code, _, err = run("init", str(tmp_path / "o"), "--yes", "--line-width", "0.2", "--layer-height", "0.3")
    assert code == 2
    assert "wider than the layer is high" in err
    assert not (tmp_path / "o").exists()


def test_json_is_all_there_is_on_standard_output(tmp_path):
    code, out, err = run("init", str(tmp_path), "--json", "--soft", "--material", "TPU", "--volume-z", "60")
    assert (code, err) == (0, "")
    told = json.loads(out)
    assert told["soft"] is True
    assert told["material"] == "TPU"
    assert told["values"]["volume.z_mm"] == 60


@pytest.mark.parametrize("name", ['"; rm -rf "', "[bold]x[/]", "<script>", "\x1b[2J", "a\nb", "🪐" * 500])
def test_hostile_names_are_kept_and_shown_as_text(tmp_path, name):
    code, out, _ = run("init", str(tmp_path), "--yes", "--name", name)
    assert code == 0
    assert read_machine(tmp_path / "machine.toml").name == name
    assert "\x1b" not in out
    shown = name.replace("\x1b", "\N{REPLACEMENT CHARACTER}").replace("\n", "\N{REPLACEMENT CHARACTER}")
    assert shown in out.replace("\n", " ")  # lines are broken at blanks


@pytest.mark.parametrize("call", ["os.fsync", "os.replace"])
def test_a_full_disk_is_told_and_leaves_nothing_half(tmp_path, monkeypatch, call):
    run("init", str(tmp_path), "--yes", "--name", "first")
    before = (tmp_path / "machine.toml").read_bytes()

    with monkeypatch.context() as m:
        m.setattr(call, full_disk)
        code, out, err = run("init", str(tmp_path), "--yes", "--force", "--name", "second")
    assert code == 2
    assert out == ""
    assert err == (
        f"fitassay: {tmp_path / 'machine.toml'}: cannot be written (No space left on device); "
        "free some space or choose another folder\n"
    )
    assert (tmp_path / "machine.toml").read_bytes() == before
    assert len(list(tmp_path.iterdir())) == 1


def test_a_folder_that_must_not_be_written_is_told(tmp_path, monkeypatch):
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr("tempfile.mkstemp", refuse)
    code, _, err = run("init", str(tmp_path / "orrery"), "--yes")
    assert code == 2
    assert "cannot be written (Permission denied)" in err


def test_at_a_terminal_it_asks_again_until_the_figure_is_good(tmp_path):
    s = PtySession("init", "orrery", cwd=tmp_path)
    s.expect(r"name \[orrery\]: ")
    s.type("Ännchens Planetarium")
    s.expect(r"material \[PLA\]: ")
    s.type("")
    s.expect(r"flexible.*: ")
    s.type("perhaps")
    s.expect("Type yes or no")
    s.type("n")
    s.expect(r"2  two motors move both together, their belts crossed")
    s.expect(r"1, 2 or 3 \[1\]: ")
    s.type("?")
    s.expect("push the head")
    s.type("4")
    s.expect("Type 1, 2 or 3")
    s.type("2")
    s.expect(r"build volume, left to right \(20 to 2000 mm\) \[100\]: ")
    s.type("?")
    s.expect("The machine's data sheet")
    s.type("wide")
    s.expect("'wide' is not a number; write it like 20.31")
    s.type("5e6")
    s.expect("'5e6' is out of range; it must lie between 20 and 2000 mm")
    s.type("4in")
    s.expect("carries the unit 'in'; write a number in mm")
    s.type("120,5 mm")
    for prompt in ("front to back", "height"):
        s.expect(prompt + r".*: ")
        s.type("")
    s.expect(r"nozzle bore .*\[0\.4\]: ")
    s.type("0.8")
    s.expect(r"bead width, as set in the slicer .*\[0\.9\]: ")  # what suits the nozzle
    s.type("0.3")
    s.expect(r"layer height .*\[0\.15\]: ")  # half of the bead told, not of another nozzle's
    s.type("0.4")
    s.expect("The bead must be wider than the layer is high")
    s.expect(r"layer height .*: ")
    s.type("b")
    s.expect(r"bead width, as set in the slicer .*: ")
    s.type("0.85")
    s.expect(r"layer height .*: ")
    s.type("0.4")
    for _ in range(10):  # walls, filling, filament, flow, steps of three axes, resolution, limit, range
        s.expect(r"\]: ")
        s.type("")
    s.expect(r"compensations.*\[no\]: ")
    s.type("yes")
    s.expect(r"backlash compensation of x set now .*: ")
    s.type("0.1")
    for _ in range(7):
        s.expect(r"\]: ")
        s.type("")
    s.expect(r"joint 1 \[none\]: ")
    s.type("?")
    s.expect("add square for a square one")
    s.type("6 6.2 spin")
    s.expect("'spin' is not understood")
    s.type("6 in 6,2 turn")
    s.expect("6 mm in 6.2 mm, round, to turn")
    s.expect(r"joint 2 \[no more\]: ")
    s.type("10 mm in 10.3 mm square")
    s.expect(r"joint 3 \[no more\]: ")
    s.type("")
    s.expect("Wrote orrery/machine.toml")
    s.expect("--minutes 60")
    assert s.end() == 0
    told = [j for j in joints_in(tmp_path / "orrery")]
    assert [(j.shape, j.peg_mm, j.hole_mm, j.motion) for j in told] == [
        ("round", 6.0, 6.2, "turn"),
        ("square", 10.0, 10.3, "slide"),
    ]
    assert read_machine(tmp_path / "orrery" / "machine.toml") == Machine(
        name="Ännchens Planetarium",
        kinematics="crossed-belts",
        values={
            "volume.x_mm": 120.5,
            "process.nozzle_mm": 0.8,
            "process.line_width_mm": 0.85,
            "process.layer_height_mm": 0.4,
            "settings.backlash_x_mm": 0.1,
        },
    )


@pytest.mark.parametrize(("key", "code"), [(b"\x03", 2), (b"\x04", 1)], ids=["Ctrl-C", "Ctrl-D"])
def test_leaving_at_a_prompt_writes_nothing(tmp_path, key, code):
    s = PtySession("init", "orrery", cwd=tmp_path)
    s.expect(r"name \[orrery\]: ")
    s.press(key)
    assert s.end() == code
    assert ("nothing was written" in s.text) == (key == b"\x03")
    assert "Traceback" not in s.text
    assert not (tmp_path / "orrery").exists()


def test_answers_before_a_ctrl_c_are_offered_again(tmp_path):
    s = PtySession("init", "orrery", cwd=tmp_path)
    s.expect(r"name \[orrery\]: ")
    s.type("b")
    s.expect(r"name \[orrery\]: ")
    s.type("small one")
    s.expect(r"material \[PLA\]: ")
    s.type("TPU 95")
    s.expect(r"flexible.*\[yes\]: ")
    s.type("?")
    s.expect("gives when you press it")
    s.type("")
    s.expect(r"1, 2 or 3 \[1\]: ")
    s.type("3")
    s.expect(r"left to right .*\[100\]: ")
    s.type("35")
    s.expect("at least 40 mm a side")
    s.press(b"\x03")
    assert s.end() == 2
    assert "answers are kept" in s.text
    again = PtySession("init", "orrery", cwd=tmp_path)
    for prompt in (
        r"name \[small one\]: ",
        r"material \[TPU 95\]: ",
        r"flexible.*\[yes\]: ",
        r"1, 2 or 3 \[3\]: ",
    ):
        again.expect(prompt)
        again.type("")
    again.expect(r"left to right .*\[35\]: ")
    again.press(b"\x03")
    again.end()


def test_a_file_that_is_replaced_offers_its_figures(tmp_path):
    run("init", str(tmp_path / "orrery"), "--yes", "--name", "first", "--nozzle", "0.3")
    s = PtySession("init", "orrery", "--force", cwd=tmp_path)
    s.expect(r"name \[first\]: ")
    for prompt in (
        "material",
        "flexible",
        "1, 2 or 3",
        "left to right",
        "front to back",
        "height",
        r"nozzle bore .*\[0\.3",
    ):
        s.type("")
        s.expect(prompt + r".*\]: ")
    s.press(b"\x03")
    s.end()
    assert read_machine(tmp_path / "orrery" / "machine.toml").name == "first"


@pytest.mark.parametrize("kinematics", ["cartesian", "crossed-belts", "delta"])
def test_kinematics_are_an_option_and_stand_in_the_file(tmp_path, kinematics):
    folder = tmp_path / "orrery"
    code, out, _ = run("init", str(folder), "--yes", "--kinematics", kinematics)
    assert code == 0
    assert ("crossed belts" in out) == (kinematics == "crossed-belts")
    assert f'kinematics = "{kinematics}"' in (folder / "machine.toml").read_text("utf-8")
    assert read_machine(folder / "machine.toml").kinematics == kinematics


def test_kinematics_that_are_none_are_refused_by_name(tmp_path):
    code, out, err = run("init", str(tmp_path / "orrery"), "--yes", "--kinematics", "belts")
    assert (code, out) == (2, "")
    assert "crossed-belts" in err and "delta" in err
    run("init", str(tmp_path / "orrery"), "--yes")
    path = tmp_path / "orrery" / "machine.toml"
    path.write_text(path.read_text("utf-8").replace('"cartesian"', '"crossed_belts"'), "utf-8")
    with pytest.raises(InputErrors, match="line 10, kinematics: must be cartesian.*did you mean crossed"):
        read_machine(path)
    # Files from before the question are of cartesian machines.
    path.write_text("schema = 1\n", "utf-8")
    assert read_machine(path).kinematics == "cartesian"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("init", "orrery", "--walls", "99"), "must lie between 1 and 30 (got 99)"),
        (("init", "orrery", "--nozzle", "9"), "must lie between 0.1 and 1.5 mm (got 9)"),
        (("make", "orrery", "--minutes", "-3"), "must be at least 1 min (got -3)"),
    ],
)
def test_limits_are_told_as_a_sentence(tmp_path, monkeypatch, words, said):
    monkeypatch.chdir(tmp_path)
    code, _, err = run(*words)
    assert code == 2
    assert said in " ".join(err.split())
