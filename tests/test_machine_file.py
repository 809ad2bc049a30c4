"""machine.toml: round trips, and every way in which a hand can get it wrong."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fitassay.coupons.errors import InputError, InputErrors
from fitassay.coupons.machine import FIGURES, Machine
from fitassay.coupons.machine_file import machine_toml, read_machine
from fitassay.coupons.toml_file import toml_lines

ANY_TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=60)


@st.composite
def machines(draw) -> Machine:
    values = {
        f"{f.section}.{f.name}": draw(st.floats(f.low, f.high))
        for f in FIGURES
        if draw(st.booleans()) and f.name not in ("line_width_mm", "layer_height_mm")
    }
    height = draw(st.floats(0.04, 0.9))
    values["process.layer_height_mm"] = height
    values["process.line_width_mm"] = draw(st.floats(max(0.1, height * 1.01), 2.0))
    priors = draw(st.dictionaries(ANY_TEXT, st.floats(1e-300, 1e300), max_size=4))
    return Machine(
        name=draw(ANY_TEXT), material=draw(ANY_TEXT), soft=draw(st.booleans()), values=values, priors=priors
    )


def written(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "machine.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def problems(tmp_path: Path, text: str | bytes) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_machine(written(tmp_path, text))
    assert caught.value.exit_code == 2
    found = caught.value.problems if isinstance(caught.value, InputErrors) else [caught.value]
    return [str(p).removeprefix(str(tmp_path / "machine.toml")) for p in found]


@settings(max_examples=60, deadline=None)
@given(machine=machines())
def test_what_is_written_reads_back_equal(tmp_path_factory, machine):
    path = tmp_path_factory.mktemp("m") / "machine.toml"
    path.write_bytes(machine_toml(machine).encode())
    assert read_machine(path) == machine


@pytest.mark.parametrize(
    "name",
    [
        "",
        '"',
        "'''",
        '"""',
        "a\\b",
        "a\nb",
        "a\r\nb",
        "\t",
        "\x7f",
        "<b>&amp;</b>",
        "🪐 orrery",
        "\u202ertl",
        "x" * 10_000,
    ],
)
def test_any_name_stays_as_it_is(tmp_path, name):
    text = machine_toml(Machine(name=name))
    assert tomllib.loads(text)["name"] == name
    assert read_machine(written(tmp_path, text)).name == name
    # One line, so that the lines of the file stay where a reader expects them.
    assert text.split("\n")[3].startswith("name = ")


def test_a_name_that_is_no_text_is_refused():
    with pytest.raises(InputError, match="not text"):
        machine_toml(Machine(name="\udcff"))


def test_every_figure_has_a_comment_with_unit_and_range():
    lines = machine_toml(Machine()).split("\n")
    for f in FIGURES:
        at = lines.index(f"{f.name} = {float(f.default)!r}")
        assert f.text in lines[at - 1]
        assert f"[{f.unit}], {f.low:g} to {f.high:g}" in lines[at - 1]


def test_figures_left_out_take_their_defaults(tmp_path):
    machine = read_machine(written(tmp_path, "schema = 1\n[process]\nnozzle_mm = 0.6\n"))
    assert machine == Machine(values={"process.nozzle_mm": 0.6})


def test_byte_order_mark_line_ends_and_whole_numbers_are_understood(tmp_path):
    text = b"\xef\xbb\xbfschema = 1\r\nname = 'x'\r\n[volume]\r\nx_mm = 120\r\n"
    assert read_machine(written(tmp_path, text)) == Machine(name="x", values={"volume.x_mm": 120})


# What is written, and what is said about it: place, then words of the message.
WRONG = [
    ('[process]\nline_width_mm = "0,45"', ", line 3, process.line_width_mm", "write 0.45 without quotes"),
    ('[process]\nline_width_mm = "0.45 mm"', ", line 3, process.line_width_mm", "write 0.45 without quotes"),
    ('[process]\nline_width_mm = "0.02in"', ", line 3, process.line_width_mm", "unit 'in'"),
    ('[process]\nline_width_mm = "wide"', ", line 3, process.line_width_mm", "'wide' is not a number"),
    ("[process]\nline_width_mm = 0,45", ", line 3", "write line_width_mm = 0.45"),
    ("[process]\nline_width_mm = 0.45 mm", ", line 3", "without a unit"),
    ("[process]\nline_width_mm = nan", ", line 3, process.line_width_mm", "(got nan)"),
    ("[process]\nline_width_mm = -0.4", ", line 3, process.line_width_mm", "between 0.1 and 2 mm (got -0.4)"),
    ("[process]\nline_width_mm = 1e308", ", line 3, process.line_width_mm", "got 1e+308"),
    (f"[process]\nline_width_mm = {'9' * 400}", ", line 3, process.line_width_mm", "got inf"),
    (f"[process]\nline_width_mm = {'9' * 5000}", "", "not readable"),
    ("[process]\nline_width_mm = true", ", line 3, process.line_width_mm", "must be a number (got true)"),
    ("[process]\nline_width_mm = [0.4]", ", line 3, process.line_width_mm", "got a list"),
    ("[process]\nline_width_mm = 2020-01-01", ", line 3, process.line_width_mm", "got a date"),
    ("[process]\nline_width_mm = {a = 1}", ", line 3, process.line_width_mm", "got a section"),
    ("[process]\nline_widht_mm = 0.4", ", line 3, process.line_widht_mm", "did you mean line_width_mm?"),
    ("[process]\nline_width_mm = 0.4\nline_width_mm = 0.5", ", line 4", "given twice"),
    ("[process]\n[process]", ", line 3", "given twice"),
    ("[proces]\nnozzle_mm = 0.4", ", line 2, proces", "did you mean process?"),
    ("nozzle_mm = 0.4", ", line 2, nozzle_mm", "belongs in section [process]"),
    ("[caliper]\nnozzle_mm = 0.4", ", line 3, caliper.nozzle_mm", "belongs in section [process]"),
    ("process = 3", ", line 2, process", "must be a section"),
    ("[[process]]", ", line 2, process", "must be a section"),
    ("name = 3", ", line 2, name", "text in quotes (got the number 3)"),
    ("name = orrery", ", line 2", "invalid value"),
    ('soft = "no"', ", line 2, soft", "true or false"),
    ("soft = 1", ", line 2, soft", "true or false"),
    ("[priors]\nbacklash_x = 0", ", line 3, priors.backlash_x", "greater than 0"),
    ("[priors]\nbacklash_x = -0.1", ", line 3, priors.backlash_x", "greater than 0"),
    ("[priors]\nbacklash_x = inf", ", line 3, priors.backlash_x", "greater than 0"),
    ('[priors]\nbacklash_x = "0.1"', ", line 3, priors.backlash_x", "write 0.1 without quotes"),
    ("priors = 1", ", line 2, priors", "must be a section"),
    ("x = " + "[" * 50_000, "", "not readable"),
]


@pytest.mark.parametrize(("text", "place", "message"), WRONG, ids=[w[0][:40] for w in WRONG])
def test_what_is_wrong_is_named_with_its_line(tmp_path, text, place, message):
    (found,) = problems(tmp_path, f"schema = 1\n{text}\n")
    assert found.startswith(place)
    assert message in found
    assert "\n" not in found


def test_figures_that_do_not_go_together_are_named(tmp_path):
    (found,) = problems(tmp_path, "schema = 1\n[process]\nlayer_height_mm = 0.5\n")
    assert "process.line_width_mm" in found
    assert "wider than the layer is high" in found


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "schema: is missing"),
        ("name = 'x'", "schema: is missing"),
        ("schema = 2", "this file has format 2, this program reads format 1"),
        ("schema = true", "must be the number 1 (got true)"),
        ("schema = '1'", "must be the number 1 (got the text '1')"),
    ],
)
def test_another_format_is_refused(tmp_path, text, message):
    (found,) = problems(tmp_path, text)
    assert message in found
    assert found.startswith(", line 1, schema")


def test_all_problems_are_told_at_once_in_the_order_of_the_file(tmp_path):
    found = problems(
        tmp_path,
        "schema = 1\n[caliper]\nrange_mm = 1\n[volume]\nx_mm = 'a'\ny_mm = 3\nw_mm = 3\n[priors]\na = 0\n",
    )
    assert [int(f.split("line ")[1].split(",")[0]) for f in found] == [3, 5, 6, 7, 9]


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        (b"\xff\xfes\0", "not plain text"),
        ("schema = 1".encode("utf-16-be"), "not plain text"),
        (bytes(range(256)), "not plain text"),
        (b"schema = 1\nname = '\xe9'", ", line 2: holds letters that are not UTF-8"),
        (b"# long\n" * 200_000, "too large"),
    ],
)
def test_files_of_another_kind_are_refused(tmp_path, raw, message):
    (found,) = problems(tmp_path, raw)
    assert message in found


def test_missing_and_unreadable_files_are_told(tmp_path, monkeypatch):
    with pytest.raises(InputError, match="no such file; 'fitassay init'"):
        read_machine(tmp_path / "machine.toml")
    with pytest.raises(InputError, match="cannot be read"):
        read_machine(tmp_path)


def test_no_message_carries_what_a_terminal_would_obey(tmp_path):
    for text in ('"\\u001b[31m" = 1', 'soft = "\\u001b[2J"', '[process]\nnozzle_mm = "\\u001b[2J"'):
        assert all("\x1b" not in found for found in problems(tmp_path, f"schema = 1\n{text}\n"))


@settings(max_examples=80, deadline=None)
@given(data=st.data())
def test_lines_of_keys_are_found_whatever_stands_between(data):
    filler = st.sampled_from(
        [
            "# [not.a.section] x = 1",
            "",
            "   ",
            'text{n} = """\n[no]\nno = 1\n\\""" # no\n"""',
            "raw{n} = '''\n[no]\nno = '1'\n'''",
            "list{n} = [\n  1, # ] = [\n  'a = b',\n]",
            "table{n} = {{ a = '}}', b = [1, 2] }}",
            '\'quo.ted{n}\' = "#\\""',
        ]
    )
    lines: list[str] = []
    expected = {}
    section: tuple[str, ...] = ()
    for n in range(data.draw(st.integers(1, 12))):
        lines += data.draw(filler).format(n=n).split("\n")
        kind = data.draw(st.sampled_from(["key", "dotted", "section", "quoted"]))
        if kind == "section":
            section = (f"s{n}", "sub") if n % 2 else (f"s{n}",)
            expected[section] = len(lines) + 1
            lines.append(f"[ {'.'.join(section)} ]  # here")
        else:
            key = {"key": (f"k{n}",), "dotted": (f"d{n}", "e"), "quoted": (f"q {n}\t",)}[kind]
            text = f'"q {n}\\t"' if kind == "quoted" else ".".join(key)
            expected[section + key] = len(lines) + 1
            lines.append(f"{text} = 1.5e3")
    text = "\n".join(lines)
    tomllib.loads(text)
    found = dict(toml_lines(text))
    assert expected.items() <= found.items()


def test_priors_of_unknown_names_are_told_where_the_names_are_known(tmp_path):
    path = written(tmp_path, "schema = 1\n[priors]\nbacklash_x = 0.1\nbacklash_z = 0.1\n")
    assert read_machine(path).priors == {"backlash_x": 0.1, "backlash_z": 0.1}
    with pytest.raises(
        InputErrors, match=r"line 4, priors.backlash_z: is no error's name; did you mean backlash_x"
    ):
        read_machine(path, prior_names=("backlash_x", "scale_x"))
