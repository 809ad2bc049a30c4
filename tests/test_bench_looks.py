"""The rest of the bench page in a real browser: all its controls, every way to use it, and text from strangers."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from fitassay.analysis.readings.book import ReadingsBook
from fitassay.coupons.export.manifest import manifest_json
from fitassay.coupons.machine import Machine
from fitassay.coupons.machine_file import machine_toml
from tests.bench_browser import (
    NEEDS_CHROMIUM,
    as_entered,
    at_rest,
    enter,
    fixtures,
    name,
    opened,
    printed,
    sizes,
    until,
)
from tests.benches import copy_case, manifest_of, pairs_of, print_folder, served_here, values_of

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

globals().update(fixtures())
pytestmark = [pytest.mark.browser, NEEDS_CHROMIUM]
LONG_WIDTHS = [pytest.param(width, marks=pytest.mark.long) for width in (1280, 768)]
MORE_SCREENS = ((390, 664), (768, 1024))


def test_taking_back_repeats_and_skipping(page: Page, case: Path) -> None:
    pairs, texts = pairs_of(case), sizes(case)
    keys = [(c.id, f.id) for c, f in pairs]
    page.locator("input[name=repeats][value='2']").check()
    assert page.evaluate("document.activeElement.id") == "box"
    enter(page, texts[0])
    assert name(page).endswith(keys[0][1])  # a second reading is wanted here
    enter(page, f"{float(texts[0]) + 0.02:.2f}")
    assert name(page).endswith(keys[1][1])
    at_rest(page)
    page.keyboard.press("Control+z")
    at_rest(page)
    assert values_of(case) == {keys[0]: [float(texts[0])]}
    assert name(page).endswith(keys[0][1])
    page.locator("input[name=repeats][value='1']").check()
    assert name(page).endswith(keys[1][1])
    page.locator("#on").click()
    assert name(page).endswith(keys[2][1])
    page.keyboard.press("ArrowDown")
    assert name(page).endswith(keys[3][1])
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowUp")
    assert name(page).endswith(keys[1][1])
    at_rest(page)
    page.reload()
    page.wait_for_selector("#plan polygon.jaw")
    assert name(page).endswith(keys[2][1])  # skipped ones are not asked for again
    assert "1 skipped" in page.locator("#tally").inner_text()


def test_pasted_columns_are_entered_one_by_one(page: Page, case: Path) -> None:
    texts = sizes(case)[:6]
    page.evaluate(
        """(text) => { const data = new DataTransfer(); data.setData("text", text);
        document.getElementById("box").dispatchEvent(
          new ClipboardEvent("paste", { clipboardData: data, bubbles: true, cancelable: true })); }""",
        "\r\n".join(texts) + "\n",
    )
    at_rest(page)
    assert values_of(case) == as_entered(case, texts)


def test_all_can_be_done_by_keyboard_alone(page: Page, case: Path) -> None:
    reached: dict[str, None] = {}
    for _ in range(40):
        reached[page.evaluate("document.activeElement.id || document.activeElement.className")] = None
        page.keyboard.press("Tab")
    for control in ("box", "keep", "back", "on", "cell"):
        assert any(control in r.split() for r in reached), f"Tab does not reach {control}: {list(reached)}"
    page.locator("#course .cell[tabindex='0']").focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    assert name(page).endswith(pairs_of(case)[2][1].id)
    assert page.evaluate("document.activeElement.id") == "box"


def test_a_reference_piece_and_the_table_of_readings(page: Page, case: Path) -> None:
    page.locator("#reference summary").click()
    page.locator("#reference-size").fill("10,000")
    page.locator("#reference-reading").fill("10.02")
    page.locator("#reference-reading").press("Enter")
    at_rest(page)
    assert values_of(case) == {("reference", "outside:10.000"): [10.02]}
    assert "kept" in page.locator("#reference-said").inner_text()
    page.locator("#taken summary").click()
    page.wait_for_selector("text=outside:10.000")
    page.get_by_role("button", name="Remove 10.02 mm of reference").click()
    at_rest(page)
    assert not values_of(case)


def test_pegs_are_tried_with_three_buttons(window: BrowserContext, case: Path) -> None:
    manifest = manifest_of(case)
    boss, bore, *others = manifest.coupons
    ladder = replace(bore, family="fit-ladder")
    changed = replace(manifest, coupons=(ladder, replace(boss, family="fit-ladder"), *others))
    (print_folder(case) / "coupons.json").write_text(manifest_json(changed), encoding="utf-8")
    with served_here(case) as url:
        page = opened(window, url)
        for word in ("Goes", "Sticks", "Does not go"):
            page.get_by_role("button", name=word, exact=True).click()
        at_rest(page)
        rows = (print_folder(case) / "readings.csv").read_text(encoding="utf-8").splitlines()
        assert [r.split(",")[2] for r in rows if r.startswith(f"{bore.id},")][:3] == [
            "goes",
            "sticks",
            "does not go",
        ]
        page.keyboard.press("Control+z")
        at_rest(page)
        assert (print_folder(case) / "readings.csv").read_text(encoding="utf-8").count("does not go") == 0
        enter(page, "maybe")
        page.wait_for_selector("#ask:not([hidden])")
        assert "goes, sticks or does not go" in page.locator("#ask-text").inner_text()
        page.keyboard.press("Escape")
        for _ in ladder.features[2:]:
            page.keyboard.press("ArrowDown")
        assert not page.locator("#trial").is_visible()  # the ladder's pegs are measured, not tried
        enter(page, "goes")
        page.wait_for_selector("#ask:not([hidden])")
        assert "type the size in mm" in page.locator("#ask-text").inner_text()


def test_a_doubted_reading_is_shown_whole_with_a_way_to_read_it_again(page: Page, case: Path) -> None:
    book = ReadingsBook(print_folder(case) / "readings.csv", manifest_of(case))
    for (coupon, feature), text in zip(pairs_of(case), printed(case), strict=True):
        book.add(coupon.id, feature.id, text)
    coupon, feature = pairs_of(case)[0]
    book.replace(coupon.id, feature.id, f"{float(printed(case)[0]) - 1:.2f}")
    for reading in ("10.60", "9.98"):
        book.add("reference", "outside:10.000", reading)
    page.set_viewport_size({"width": 390, "height": 844})
    until(page, "document.querySelectorAll('#suspects p').length >= 2")
    hidden = "[...document.querySelectorAll('#suspects bdi')].filter((b) => b.scrollHeight > b.clientHeight).length"
    assert page.evaluate(hidden) == 0
    assert "10.60\N{NO-BREAK SPACE}mm" in page.locator("#suspects").inner_text()
    page.get_by_role("button", name="Read this piece again").first.click()
    assert page.locator("#reference-size").input_value() == "10.000"
    assert page.evaluate("document.activeElement.id") == "reference-reading"


def test_a_table_of_readings_breaks_no_short_word(page: Page) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    page.locator("#taken summary").click()
    page.wait_for_selector("#table tbody tr")
    broken = """[...document.querySelectorAll('#table th')].map((cell) => {
      const range = document.createRange();
      range.selectNodeContents(cell);
      return [cell.textContent, range.getClientRects().length];
    }).filter(([text, lines]) => lines > text.split(' ').length)"""
    assert page.evaluate(broken) == []


def test_the_most_telling_feature_is_one_press_away(page: Page, case: Path) -> None:
    for text in printed(case)[:4]:
        enter(page, text)
    page.wait_for_selector("#next button")
    label = page.locator("#next button").inner_text()
    page.locator("#next button").click()
    assert label == f"Measure {name(page)} next"
    page.keyboard.press("ArrowUp")
    page.keyboard.press("PageDown")
    assert label == f"Measure {name(page)} next"


@pytest.mark.parametrize("query", [pytest.param("", marks=pytest.mark.long), "?code=wrong"])
def test_without_the_key_the_page_says_so(window: BrowserContext, url: str, query: str) -> None:
    page = window.new_page()
    answer = page.goto(url.split("?")[0] + query)
    assert answer and answer.status == 403
    assert "open the address that fitassay bench showed last" in page.locator("body").inner_text()


@pytest.mark.long
def test_a_page_elsewhere_cannot_reach_the_bench(window: BrowserContext, url: str, case: Path) -> None:
    page = window.new_page()
    page.goto("data:text/html,<title>elsewhere</title>")
    coupon, feature = pairs_of(case)[0]
    item = {"seq": 1, "act": "read", "coupon": coupon.id, "feature": feature.id, "text": "14.00"}
    body = json.dumps({"tab": "0123456789abcdef01234567", "items": [item]})

    def attempt(options: dict[str, Any]) -> str:
        return page.evaluate(
            """async ([url, options]) => { try { const r = await fetch(url, options); return r.type; }
            catch (e) { return "refused"; } }""",
            [url.split("?")[0] + "api/act", options],
        )

    assert attempt({"method": "POST", "body": body, "mode": "no-cors"}) in ("opaque", "refused")
    headers = {"Fitassay-Code": url.split("code=")[1], "Content-Type": "application/json"}
    assert attempt({"method": "POST", "body": body, "headers": headers}) == "refused"
    assert not values_of(case)


@pytest.mark.parametrize("width", [390, *LONG_WIDTHS])
def test_untrusted_text_is_shown_as_text(browser: Browser, made: Path, tmp_path: Path, width: int) -> None:
    markup = "<img src=x onerror='window.broken=1'><script>window.broken=1</script>"
    case = copy_case(made, tmp_path / "<b>bold<")
    machine = Machine(name=markup + "\u202egnol\u202c" + "W" * 10_000, material="\N{RINGED PLANET}<i>")
    (case / "machine.toml").write_text(machine_toml(machine), encoding="utf-8")
    manifest = manifest_of(case)
    first = manifest.coupons[0]
    told = replace(first.features[0], instruction=f"{markup} \u05d0\u05d1\u05d2 {'long' * 2400}")
    changed = replace(
        manifest, coupons=(replace(first, features=(told, *first.features[1:])), *manifest.coupons[1:])
    )
    (print_folder(case) / "coupons.json").write_text(manifest_json(changed), encoding="utf-8")
    book = ReadingsBook(print_folder(case) / "readings.csv", changed)
    for note in (markup, "\u202edesrever", "n" * 10_000, "\N{GEAR} \u05e9\u05dc\u05d5\u05dd"):
        book.add(first.id, told.id, told.nominal_mm, note=note)
    with served_here(case) as url:
        context = browser.new_context(viewport={"width": width, "height": 900})
        page = opened(context, url)
        page.locator("#taken summary").click()
        page.locator("#course .cell").first.click()
        until(page, "document.getElementById('instruction').textContent.startsWith('<img')")
        assert page.locator("#case-name").inner_text() == "<b>bold<"
        assert "<script>" in page.locator("#table").inner_text()
        assert page.evaluate("window.broken === undefined")
        assert page.locator("main img, main script, main b, header b, header i").count() == 0
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.locator("#box").bounding_box()["y"] < 900  # type: ignore[index]
        context.close()


@pytest.mark.parametrize(
    ("width", "height", "scheme"),
    [
        (1280, 800, "light"),
        pytest.param(1280, 800, "dark", marks=pytest.mark.long),
        pytest.param(768, 1024, "dark", marks=pytest.mark.long),
        (390, 844, "dark"),
        pytest.param(390, 844, "light", marks=pytest.mark.long),
    ],
)
def test_no_serious_finding_of_an_accessibility_checker(
    browser: Browser, url: str, case: Path, scheme: str, width: int, height: int
) -> None:
    checker = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    context = browser.new_context(
        viewport={"width": width, "height": height},
        color_scheme=scheme,
        bypass_csp=True,  # type: ignore[arg-type]
    )
    page = opened(context, url)
    for summary in page.locator("summary").all():
        summary.click()
    for text in (*printed(case)[:12], "99.00"):
        enter(page, text)
    page.wait_for_selector("#ask:visible")
    until(page, "document.getElementById('rivals').children.length > 0")
    found = checker.run(page).response["violations"]
    serious = [
        f"{v['id']}: {n['html'][:120]} {n['failureSummary']}"
        for v in found
        if v["impact"] in ("serious", "critical")
        for n in v["nodes"]
    ]
    assert not serious, "\n".join(serious)
    context.close()


@pytest.mark.parametrize(
    ("width", "height"),
    [(390, 844), *(pytest.param(*size, marks=pytest.mark.long) for size in ((390, 664), (768, 1024)))],
)
def test_touch_alone_on_a_narrow_window(
    browser: Browser, url: str, case: Path, width: int, height: int
) -> None:
    context = browser.new_context(viewport={"width": width, "height": height}, has_touch=True, is_mobile=True)
    page = opened(context, url)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # Drawing, feature and box are on the first screen together.
    for part in ("#plan", "#feature-name", "#box", "#keep"):
        place = page.locator(part).bounding_box()
        assert place and place["y"] >= 0 and place["y"] + place["height"] <= height
    # WCAG 2.2, 2.5.8: targets of at least 24 by 24 CSS pixels.
    for control in page.locator("button:visible, summary:visible, #repeats label").all():
        place = control.bounding_box()
        assert place and place["width"] >= 24 and place["height"] >= 24
    texts = sizes(case)
    page.locator("#box").tap()
    page.locator("#box").fill(texts[0])
    page.locator("#keep").tap()
    page.locator("#course .cell").nth(4).tap()
    assert name(page).endswith(pairs_of(case)[4][1].id)
    page.locator("#box").fill("99")
    page.locator("#keep").tap()
    page.wait_for_selector("#ask:visible")
    page.locator("#ask-drop").tap()
    page.locator("#box").fill(texts[4])
    page.locator("#keep").tap()
    at_rest(page)
    keys = [(c.id, f.id) for c, f in pairs_of(case)]
    assert values_of(case) == {keys[0]: [float(texts[0])], keys[4]: [float(texts[4])]}
    page.locator("#undo").tap()
    at_rest(page)
    assert values_of(case) == {keys[0]: [float(texts[0])]}
    context.close()
