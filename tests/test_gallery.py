"""The gallery and the guide: what is checked in is what the program makes, and its links lead somewhere."""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import pytest
from lxml import etree
from PIL import Image

from fitassay.analysis.terms import TERMS
from fitassay.gallery.guide import drawing, errors_page, guide_files, side_view, theta_for
from fitassay.gallery.make import coupon_pictures, main
from tests import sets

GALLERY = Path(__file__).parent.parent / "gallery"
PRINTER = tuple(t for t in TERMS if t.kind == "printer")
PAGES = sorted(GALLERY.glob("guide/*.md"))


def test_every_printer_term_is_drawn() -> None:
    assert {f"guide/term-{t.name}.svg" for t in PRINTER} <= set(guide_files())
    for name in guide_files():
        assert (GALLERY / name).is_file(), f"{name} is missing; run python -m fitassay.gallery"


def test_page_of_errors_agrees_with_the_table_of_terms() -> None:
    assert (GALLERY / "guide/errors.md").read_text(encoding="utf-8") == errors_page()


@pytest.mark.parametrize("term", PRINTER, ids=lambda t: t.name)
def test_drawing_says_what_it_exaggerates(term) -> None:
    svg, caption = drawing(term)
    tree = etree.fromstring(svg.encode())
    assert tree.get("aria-label")
    assert len(tree.findall(".//{*}path[@class='printed']")) == 1
    assert re.search(r"drawn \d+ times as large as it is", caption)


@pytest.mark.parametrize(
    ("name", "height", "foot"),
    # 10 mm high, 20 mm wide: scale 1 % adds 0.1 mm, the datum 0.15 mm, a flare of 0.15 mm 0.3 mm of width.
    [("scale_z", 0.1, 0.0), ("layer_datum", 0.15, 0.0), ("first_layer_flare", 0.0, 0.3)],
)
def test_side_views_follow_the_virtual_printer(name: str, height: float, foot: float) -> None:
    factor, svg = side_view(theta_for(name), name)
    path = etree.fromstring(svg.encode()).find(".//{*}path[@class='printed']").get("d")
    points = np.array([p.split() for p in re.findall(r"-?[\d.]+ -?[\d.]+", path)], dtype=float)
    assert -points[:, 1].min() == pytest.approx(10.0 + factor * height, abs=0.03)
    assert np.ptp(points[:, 0]) == pytest.approx(20.0 + factor * foot, abs=0.06)


@pytest.mark.long
def test_pictures_of_the_full_set_are_the_ones_checked_in() -> None:
    fresh = coupon_pictures(sets.coupon_set())
    there = {p.name for p in GALLERY.glob("coupon-*.png")} | {p.name for p in GALLERY.glob("plate-*.png")}
    assert there == set(fresh)
    for name, data in fresh.items():
        old = np.asarray(Image.open(GALLERY / name).convert("L"), dtype=float)
        new = np.asarray(Image.open(io.BytesIO(data)).convert("L"), dtype=float)
        # Another version of the font or of the mesher may move a pixel, not the shape.
        assert old.shape == new.shape, f"{name} is out of date; run python -m fitassay.gallery"
        assert np.mean(np.abs(old - new) > 40) < 0.01, (
            f"{name} is out of date; run python -m fitassay.gallery"
        )


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)", page.read_text(encoding="utf-8")):
        assert "://" not in target, "the guide works offline"
        assert (page.parent / target).exists(), target


def test_the_guide_has_its_pages() -> None:
    assert {p.name for p in PAGES} >= {"README.md", "first-print.md", "caliper.md", "verdict.md", "errors.md"}
    index = (GALLERY / "guide/README.md").read_text(encoding="utf-8")
    assert all(f"({p.name})" in index for p in PAGES if p.name != "README.md")
    for word in ("burn", "pinch", "fumes", "unplug", "manual", "licensed practice"):
        assert word in index


def test_all_is_small() -> None:
    files = [p for p in GALLERY.rglob("*") if p.is_file()]
    assert sum(p.stat().st_size for p in files) < 2_000_000
    assert max(p.stat().st_size for p in files) < 200_000


def test_bad_arguments_are_refused(capsys) -> None:
    assert main(["--what"]) == 2
    assert "usage" in capsys.readouterr().err
