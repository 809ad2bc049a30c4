"""The report in a real browser: an accessibility checker, narrow windows, print, no network."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from fitassay.analysis.chain.simulate import simulate, theta_of
from fitassay.analysis.diagnosis.diagnose import interpret
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import write_set
from fitassay.report.page import report_html
from tests import diagnoses, sets
from tests.bench_browser import NEEDS_CHROMIUM, a_browser

pytestmark = [
    pytest.mark.browser,
    NEEDS_CHROMIUM,
]


browser = pytest.fixture(scope="module")(a_browser)


@pytest.fixture(scope="module")
def report(tmp_path_factory) -> Path:
    """The report of a full set: one error accused, one slip."""
    folder = tmp_path_factory.mktemp("report")
    made = sets.coupon_set()
    write_set(made, folder)
    readings = list(
        simulate(sets.walk(), theta_of({"backlash_y": 0.24, "contour_offset": 0.05}), seed=3, repeats=2)
    )
    diagnosis = interpret(sets.walk(), tuple(readings), made.machine)
    path = folder / "report.html"
    path.write_text(report_html(diagnosis, made.manifest, folder, made.machine), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def unsettled(tmp_path_factory) -> Path:
    """The report of an undecided case with everything that a page can show."""
    folder = tmp_path_factory.mktemp("unsettled")
    path = folder / "report.html"
    made = sets.coupon_set()
    source = report_html(diagnoses.make("undetermined"), made.manifest, folder, Machine(name="orrery"))
    path.write_text(source, encoding="utf-8")
    return path


def findings(page) -> list[str]:
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    return [f"{v['impact']}: {v['id']}: {v['nodes'][0]['html'][:120]}" for v in found]


@pytest.mark.parametrize(
    ("scheme", "width"),
    [
        ("light", 1280),
        ("dark", 390),
        pytest.param("dark", 1280, marks=pytest.mark.long),
        pytest.param("light", 390, marks=pytest.mark.long),
    ],
)
def test_checker_finds_nothing(browser, report: Path, unsettled: Path, scheme: str, width: int) -> None:
    for path in (report, unsettled):
        # The page's own rules forbid scripts; the checker is one.
        context = browser.new_context(
            viewport={"width": width, "height": 900}, color_scheme=scheme, bypass_csp=True
        )
        page = context.new_page()
        page.goto(path.as_uri())
        for details in page.locator("details").all():
            details.evaluate("d => d.open = true")
        assert findings(page) == []
        context.close()


def test_checker_does_find_a_fault(browser, report: Path) -> None:
    """The checker at work: a page with text as pale as its paper is reported."""
    context = browser.new_context(bypass_csp=True)
    page = context.new_page()
    page.goto(report.as_uri())
    page.add_style_tag(content=":root { --muted: #d8dcdc !important; }")
    assert any("color-contrast" in f for f in findings(page))
    context.close()


@pytest.mark.parametrize("width", [pytest.param(w, marks=pytest.mark.long) for w in (1280, 768, 390)] + [320])
def test_no_sideways_scrolling_of_the_page(browser, report: Path, width: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": 800})
    page.goto(report.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


def test_nothing_is_fetched(browser, report: Path) -> None:
    page = browser.new_page()
    asked: list[str] = []
    complaints: list[str] = []
    page.on("request", lambda r: asked.append(r.url))
    page.on("console", lambda m: complaints.append(m.text))
    page.goto(report.as_uri())
    page.wait_for_load_state("networkidle")
    assert asked == [report.as_uri()]
    assert complaints == []
    page.close()


def test_keyboard_reaches_everything(browser, report: Path) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(report.as_uri())
    wanted = page.locator("a, summary, [tabindex='0']").count()
    reached = set()
    for _ in range(wanted + 2):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.outerHTML.slice(0, 200)"))
    hidden = page.locator("details:not([open]) [tabindex='0']").count()
    assert len([r for r in reached if not r.startswith("<body")]) >= wanted - hidden
    page.close()


def test_print_shows_the_folded_tables_on_white(browser, report: Path) -> None:
    from pypdf import PdfReader

    page = browser.new_page(viewport={"width": 794, "height": 1123}, color_scheme="dark")
    page.goto(report.as_uri())
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    table = page.locator("#readings table")
    assert table.bounding_box()["height"] > 100
    pdf = page.pdf(format="A4")
    pages = PdfReader(io.BytesIO(pdf)).pages
    text = " ".join(p.extract_text() for p in pages)
    assert "residual / u" in text
    assert all(len(p.extract_text().split()) > 3 for p in pages), "an empty page is printed"
    page.close()
