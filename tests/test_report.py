"""The report page: what it says, that it stands alone, and that nothing in it can misbehave."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest
from lxml import html

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.result import Status
from fitassay.analysis.terms import TERMS
from fitassay.coupons.feature import Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import write_set
from fitassay.labels import minus
from fitassay.report.page import report_html
from fitassay.report.section import Picture, Section
from tests import diagnoses, sets

STATUSES: tuple[Status, ...] = get_args(Status)
EMPTY = Manifest(line_width_mm=0.45, layer_height_mm=0.2, coupons=())
NOWHERE = Path("/nonexistent")
NASTY = '<script>alert(1)</script>"><img src=x onerror=alert(2)> & $a_b$ {{ 7*7 }} \u202egnp.exe \U0001f40d \x1b[31m'


def page(diagnosis=None, *, machine: Machine | None = None, **more) -> str:
    return report_html(
        diagnosis or diagnoses.make(), EMPTY, NOWHERE, machine or Machine(name="orrery"), **more
    )


def visible_text(source: str) -> str:
    tree = html.fromstring(source)
    for hidden in tree.xpath("//style"):
        hidden.drop_tree()
    return " ".join(" ".join(tree.itertext()).replace("\N{NO-BREAK SPACE}", " ").split())


@pytest.fixture(scope="module")
def real(tmp_path_factory) -> tuple:
    """A printed set in a folder and its diagnosis: backlash in y, one slip."""
    folder = tmp_path_factory.mktemp("print")
    made = sets.coupon_set()
    write_set(made, folder)
    walk = sets.walk()
    readings = list(
        simulate(walk, theta_of({"backlash_y": 0.24, "contour_offset": 0.05}), seed=11, repeats=2)
    )
    slip = next(r for r in readings if r.feature.startswith("step"))
    readings = [
        replace(r, reading_mm=r.reading_mm / 10)
        if r.feature == slip.feature and r.coupon == slip.coupon
        else r
        for r in readings
    ]
    return made.manifest, folder, interpret(walk, tuple(readings), made.machine), slip


@pytest.mark.parametrize("status", STATUSES)
def test_verdict_sentence_comes_first(status: Status) -> None:
    diagnosis = diagnoses.make(status)
    text = visible_text(page(diagnosis))
    words = diagnosis.verdict.text
    assert words in text
    first = min(text.index(h) for h in ("What to change", "Where the misfit comes from", "Every error"))
    assert text.index(words) < first


def test_next_print_stands_before_the_changes_only_while_unsettled() -> None:
    for status, earlier in (("undetermined", True), ("dominant", False)):
        text = visible_text(page(diagnoses.make(status)))
        assert (text.index("What to print or measure next") < text.index("What to change")) == earlier


def test_what_is_next_says_what_to_type() -> None:
    diagnosis = diagnoses.make("undetermined")
    manifest = sets.coupon_set(("single-wall",)).manifest
    (step,) = diagnosis.next
    steps = tuple(replace(step, coupon=name) for name in ("wall", "reference", "frame"))
    source = report_html(replace(diagnosis, next=steps), manifest, NOWHERE, Machine())
    tree = html.fromstring(source)
    assert tree.xpath("//section[@id='next']//code/text()") == [
        "fitassay enter CASE",
        "fitassay enter CASE",
        "fitassay make CASE --new-print --family frame",
    ]


def test_every_term_with_unit_and_expanded_uncertainty() -> None:
    tree = html.fromstring(page())
    rows = {
        r.xpath("string(th)"): r.xpath("string(td[1])") for r in tree.xpath("//section[@id='terms']//tr[td]")
    }
    sums = {"bead width + uneven layers", "path offset + push-out"}
    assert set(rows) == {t.label for t in TERMS} | sums
    cells = {k: v.replace("\N{NO-BREAK SPACE}", " ").replace("\N{MINUS SIGN}", "-") for k, v in rows.items()}
    # The fixture's backlash_y: 0.24 mm, standard uncertainty 0.018 mm; scale_y: -0.04 %, 0.03 %.
    assert cells["backlash in y"] == "+0.240 ± 0.036 mm"
    assert cells["scale in y"] == "-0.040 ± 0.060 %"
    # 0.0021 rad is 0.1203 degrees, 0.0006 rad is 0.0344 degrees.
    assert cells["squareness of x and y"] == "+0.120 ± 0.069 degrees"


def test_numbers_have_earned_their_digits(real: tuple) -> None:
    manifest, folder, diagnosis, _ = real
    text = visible_text(report_html(diagnosis, manifest, folder, Machine()))
    pairs = re.findall(r"([+\N{MINUS SIGN}-]?\d+(?:\.\d+)?) ± (\d+(?:\.\d+)?)", text)
    assert len(pairs) > 60
    for value, uncertainty in pairs:
        assert len(uncertainty.replace(".", "").lstrip("0")) <= 2, (value, uncertainty)
        assert len(value.partition(".")[2]) == len(uncertainty.partition(".")[2]), (value, uncertainty)
    assert "k = 2" in text


def test_advice_old_to_new_in_order_ready_to_be_typed() -> None:
    steps = html.fromstring(page()).xpath("//section[@id='change']//ol/li")
    words = [" ".join(" ".join(s.itertext()).split()) for s in steps]
    assert words[0].startswith("Backlash compensation of y from 0 to 0.240 ± 0.017 mm")
    # A value that is to be typed carries the ASCII hyphen.
    assert words[1].startswith("Horizontal size compensation, per side from 0 to -0.040 ± 0.010 mm")
    assert words[2].startswith("Tighten the y belt")


def test_slips_are_named_and_marked(real: tuple) -> None:
    manifest, folder, diagnosis, slip = real
    tree = html.fromstring(report_html(diagnosis, manifest, folder, Machine()))
    assert f"{slip.coupon} / {slip.feature}" in tree.xpath("string(//section[@id='suspects'])")
    marked = tree.xpath("//section[@id='readings']//tr[@class='suspect']")
    assert [" ".join(m.xpath("string(th)").split()) for m in marked] == [slip.feature]
    assert "suspect" in marked[0].xpath("string(td[last()])")
    plot = tree.xpath("string(//section[@id='readings']//*[local-name()='svg'][contains(@class,'plot')])")
    assert "suspect" in plot


def test_stands_alone_and_is_small(real: tuple) -> None:
    manifest, folder, diagnosis, _ = real
    source = report_html(diagnosis, manifest, folder, Machine())
    assert len(source.encode()) < 2_000_000
    tree = html.fromstring(source)
    assert not tree.xpath("//script | //link | //img | //iframe | //object | //form")
    for attribute in ("src", "href", "{http://www.w3.org/1999/xlink}href", "xlink:href"):
        for element in tree.iter():
            value = element.get(attribute) if isinstance(element.tag, str) else None
            assert value is None or value.startswith("#"), (element.tag, value)
    style = " ".join(tree.xpath("//style/text()")) + " ".join(tree.xpath("//@style"))
    assert "@import" not in style
    assert not re.findall(r"url\((?!#)", style)
    # Namespace names are the only addresses.
    without_names = re.sub(r"http://www\.w3\.org/(2000/svg|1999/xlink)", "", source)
    assert "http:" not in without_names and "https:" not in without_names


def test_pictures_of_coupons(real: tuple) -> None:
    manifest, folder, diagnosis, _ = real
    tree = html.fromstring(report_html(diagnosis, manifest, folder, Machine()))
    pictures = tree.xpath("//section[@id='picture']//figure")
    assert 2 <= len(pictures) <= 4
    # The accused axis has its comb in front.
    assert "Coupon comb-y" in pictures[0].text_content()
    for p in pictures:
        assert "times as large as it is" in p.text_content()
        assert p.xpath(".//*[local-name()='svg']/@aria-label")


def test_every_plot_has_a_table_and_every_reference_a_target(real: tuple) -> None:
    manifest, folder, diagnosis, _ = real
    tree = html.fromstring(report_html(diagnosis, manifest, folder, Machine()))
    ids = tree.xpath("//@id")
    assert len(ids) == len(set(ids))
    for target in [*tree.xpath("//@aria-labelledby"), *(h[1:] for h in tree.xpath("//a/@href"))]:
        assert target in ids
    for plot in tree.xpath("//*[local-name()='svg'][contains(@class,'plot')]"):
        assert plot.xpath("ancestor::section[1]//table")
    assert tree.xpath("//html/@lang") == ["en"]
    levels = [int(h.tag[1]) for h in tree.xpath("//h1 | //h2 | //h3")]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in zip(levels, levels[1:], strict=False))


def test_colours_follow_the_page(real: tuple) -> None:
    """No fixed colour in any drawing, else it would vanish in the dark."""
    manifest, folder, diagnosis, _ = real
    tree = html.fromstring(report_html(diagnosis, manifest, folder, Machine()))
    for drawing in tree.xpath("//*[local-name()='svg']"):
        text = html.tostring(drawing).decode()
        assert not re.findall(r"(?:fill|stroke|color)[:=]\s*\"?#", text)


def test_untrusted_text_is_text_everywhere() -> None:
    diagnosis = diagnoses.make("dominant", text=NASTY, note=NASTY, coupon=NASTY)
    diagnosis = replace(
        diagnosis,
        reference_features=tuple(f"{NASTY} {n}" for n in range(7)),
        suspects=tuple(replace(s, reason=NASTY) for s in diagnosis.suspects),
        fits=tuple(replace(f, feature=f"{NASTY}{n}") for n, f in enumerate(diagnosis.fits)),
    )
    machine = Machine(name=NASTY, material=NASTY)
    section = Section(
        id="more",
        title=NASTY,
        text=NASTY,
        sentences=(NASTY,),
        pictures=(Picture(svg="<b>raw</b>", caption=NASTY),),
        heads=(NASTY, NASTY),
        rows=((NASTY, NASTY),),
    )
    source = page(diagnosis, machine=machine, compare=[section])
    tree = html.fromstring(source)
    assert not tree.xpath("//script | //img | //b")
    assert not [a for e in tree.iter() for a in e.attrib if a.lower().startswith("on")]
    assert "{{ 7*7 }}" in tree.text_content() and "49" not in tree.xpath("string(//h1)")
    assert "$a_b$" in tree.text_content()
    assert "\x1b" not in source
    # Direction overrides are dropped where names are shown.
    assert "\u202e" not in tree.xpath("string(//h1)")


@pytest.mark.parametrize(
    "name", ["", "x" * 10_000, "\u05de\u05d3\u05e4\u05e1\u05ea \u202e", "\U0001f600" * 300]
)
def test_any_name_gives_a_page(name: str) -> None:
    source = page(diagnoses.make(note=name, coupon=name), machine=Machine(name=name, material=name))
    assert len(source) < 300_000
    assert html.fromstring(source).xpath("string(//title)").startswith("Fit of ")


def test_nothing_known_still_gives_a_page() -> None:
    bare = replace(
        diagnoses.make("undetermined"),
        reference_features=(),
        fits=(),
        confounded=(),
        suspects=(),
        advice=(),
        next=(),
        notes=(),
        shares={},
        probabilities={},
        dof=0,
        contributions_mm=diagnoses.gains()[:0],
        contributions_u_mm=diagnoses.gains()[:0],
        expected_misfit_before_mm=0.0,
        expected_misfit_after_mm=0.0,
    )
    text = visible_text(page(bare))
    assert bare.verdict.text in text
    assert "no error is known well enough" in text


def test_same_bytes_in_every_process() -> None:
    code = (
        "import sys; from tests.test_report import page; "
        "import hashlib; print(hashlib.sha256(page().encode()).hexdigest())"
    )
    root = Path(__file__).parent.parent
    runs = {
        subprocess.run(
            [sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True
        ).stdout
        for _ in range(2)
    }
    assert len(runs) == 1


def test_minus_touches_numbers_only() -> None:
    assert minus("comb-x -0.24 ± 0.02 mm (-3)") == (
        "comb-x \N{MINUS SIGN}0.24\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}0.02\N{NO-BREAK SPACE}mm (\N{MINUS SIGN}3)"
    )
    assert minus("diagonal-45 and 2024-05-06") == "diagonal-45 and 2024-05-06"


def test_cautions_are_on_the_page_with_any_advice() -> None:
    text = visible_text(page())
    for word in ("unplug", "moving axes", "manual", "licensed practice"):
        assert word in text


@pytest.mark.benchmarks
def test_speed_of_the_page(benchmark, real: tuple) -> None:
    manifest, folder, diagnosis, _ = real
    report_html(diagnosis, manifest, folder, Machine())
    benchmark(report_html, diagnosis, manifest, folder, Machine())
