"""The report's section on a sliced file: figures, warnings, outline against path."""

from __future__ import annotations

from pathlib import Path

import pytest
from lxml import html

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.analysis.gcode.trace import trace_file
from fitassay.analysis.gcode.trace_data import Trace
from fitassay.coupons.make import write_set
from fitassay.report.page import report_html
from fitassay.report.trace_section import trace_section
from tests import sets
from tests.pathwriter import Style, write


@pytest.fixture(scope="module")
def traced(tmp_path_factory) -> tuple[Path, Trace]:
    """Plate 1 alone, drawn on the outline, seams anywhere, moved on the bed."""
    folder = tmp_path_factory.mktemp("traced")
    made = sets.coupon_set()
    write_set(made, folder)
    pairs = []
    for coupon in made.manifest.coupons:
        if coupon.plate == 1:
            solid = made.solids[coupon.id]
            pairs.append((coupon, solid))
    path = folder / "plate <1>.txt"
    path.write_text(
        write(pairs, Style(offset=0.225, seam="random", shift=(20, 10), infill=False)).text, encoding="utf-8"
    )
    return folder, trace_file(path, made.manifest, folder, made.machine)


def test_figures_and_warnings_are_said(traced: tuple[Path, Trace]) -> None:
    _, trace = traced
    section = trace_section(trace)
    said = " ".join(section.sentences)
    assert "+0.2250 ± 0.0010 mm" in said
    assert "0.450 mm wide, the profile says 0.45 mm" in said
    assert "Not in the file: frame" in said
    assert set(trace.warnings) <= set(section.sentences)


@pytest.mark.long
def test_table_holds_what_differs_from_the_ideal(traced: tuple[Path, Trace]) -> None:
    _, trace = traced
    differs = [f for f in trace.features if f.traced and (f.changed or f.seam)]
    rows = trace_section(trace).rows
    assert [r[0] for r in rows] == [f"{f.coupon} / {f.feature.id}" for f in differs]
    assert len(rows) > 3
    assert {r[4] for r in rows} <= {"seam under a jaw", "reached from another side than assumed"}


def test_one_drawing_a_coupon_with_all_its_seams(traced: tuple[Path, Trace]) -> None:
    folder, trace = traced
    made = sets.coupon_set()
    diagnosis = interpret(sets.walk(), simulate(sets.walk(), theta_of({"contour_offset": 0.2})), made.machine)
    tree = html.fromstring(report_html(diagnosis, made.manifest, folder, made.machine, trace=trace))
    figures = tree.xpath("//section[@id='sliced-file']//figure")
    names = [f.text_content().split("Coupon ")[1].split()[0] for f in figures]
    assert names == list(trace.found)
    for figure, paths in zip(figures, trace.found.values(), strict=True):
        seams = figure.xpath(".//*[starts-with(@id, 'plan-')]/*[@class='seam-mark']")
        assert 1 <= len(seams) <= len(paths.outer)
        assert figure.xpath(".//*[local-name()='path'][@class='path']/@d")[0].count("Z") == len(seams)
    assert "plate <1>.txt" in tree.text_content()
