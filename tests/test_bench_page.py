"""The bench page in a real browser: what a person with a caliper does, and what may go wrong meanwhile."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from analysis.readings_book import ReadingsBook
from analysis.terms import INDEX, TERMS
from analysis.walk import SetWalk
from coupons.machine import Machine
from coupons.manifest import manifest_json
from tests.benches import (
    copy_case,
    make_case,
    manifest_of,
    pairs_of,
    print_folder,
    served,
    served_here,
    typed,
    values_of,
)

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page, Route

CHROMIUM = shutil.which("chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(
        CHROMIUM is None, reason="no chromium on this system (Debian: apt-get install chromium)"
    ),
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed (test extra)")
    with api.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Steps, bores and combs: 34 features."""
    families = ("stepped-boss", "stepped-bore", "reversal-comb")
    return make_case(tmp_path_factory.mktemp("page") / "orrery", families=families)


@pytest.fixture
def case(made: Path, tmp_path: Path) -> Path:
    return copy_case(made, tmp_path / "orrery")


@pytest.fixture
def url(case: Path) -> Iterator[str]:
    """The page's address, key and all."""
    with served_here(case) as address:
        yield address


TROUBLE: list[str] = []
"""Script errors and foreign requests of the test's pages; an exception in the driver's callback would hang it."""


@pytest.fixture(autouse=True)
def no_trouble() -> Iterator[None]:
    TROUBLE.clear()
    yield
    assert not TROUBLE


@pytest.fixture
def window(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    yield context
    context.close()


@pytest.fixture
def page(window: BrowserContext, url: str) -> Page:
    return opened(window, url)


def opened(window: BrowserContext, url: str) -> Page:
    """The page with its drawing; anything that goes wrong in it, or any foreign request, fails the test."""
    page = window.new_page()
    page.on("pageerror", lambda error: pytest.fail(f"script error: {error}"))
    origin = url.split("/?")[0]
    page.on(
        "request",
        lambda request: None if request.url.startswith((origin, "data:")) else pytest.fail(request.url),
    )
    page.goto(url)
    page.wait_for_selector("#plan polygon.jaw")
    return page


def enter(page: Page, text: str) -> None:
    page.keyboard.type(text)
    page.keyboard.press("Enter")


def caliper(page: Page, texts: list[str], end: tuple[str, ...] = ("Enter",)) -> None:
    """Types as a caliper's cable does: key downs as fast as the browser takes them."""
    wire = page.context.new_cdp_session(page)
    for text in texts:
        for char in text:
            wire.send("Input.dispatchKeyEvent", {"type": "keyDown", "text": char, "key": char})
        for _ in end:
            wire.send(
                "Input.dispatchKeyEvent",
                {
                    "type": "keyDown",
                    "text": "\r",
                    "key": "Enter",
                    "code": "Enter",
                    "windowsVirtualKeyCode": 13,
                },
            )
    wire.detach()


def at_once(page: Page, texts: list[str]) -> float:
    """All readings within one turn of the page's own clock, faster than any cable; returns how long it took [ms]."""
    return page.evaluate(
        """(texts) => {
          const box = document.getElementById("box"), start = performance.now();
          const key = (key) => box.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
          for (const text of texts) {
            for (const char of text) { key(char); box.value += char; }
            key("Enter");
            box.form.requestSubmit();
          }
          return performance.now() - start;
        }""",
        texts,
    )


def until(page: Page, expression: str) -> None:
    """Waits for something to be true in the page, whose rules forbid the driver's own way of waiting."""
    for _ in range(400):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(25)
    raise AssertionError(f"still not so: {expression}")


def name(page: Page) -> str:
    return page.locator("#feature-name").inner_text()


def at_rest(page: Page) -> None:
    """Until all that was typed has been answered."""
    until(page, "!Object.keys(localStorage).some((k) => k.startsWith('fitassay-bench/'))")


def sizes(case: Path) -> list[str]:
    return [f"{typed(i, f):.2f}" for i, (_, f) in enumerate(pairs_of(case))]


def printed(case: Path) -> list[str]:
    """What a printer with backlash in y would give, so that there is a verdict to show."""
    theta = np.zeros((1, len(TERMS)))
    theta[0, INDEX["backlash_y"]] = 0.3
    walk = SetWalk.open(manifest_of(case), print_folder(case))
    return [f"{size:.2f}" for size in walk.readings(theta)[0]]


def as_entered(case: Path, texts: list[str]) -> dict[tuple[str, str], list[float]]:
    return {(c.id, f.id): [float(t)] for (c, f), t in zip(pairs_of(case), texts, strict=False)}


def test_a_whole_set_by_keyboard(page: Page, case: Path) -> None:
    texts = sizes(case)
    for i, ((coupon, feature), text) in enumerate(zip(pairs_of(case), texts, strict=True)):
        assert name(page) == f"{coupon.id} {feature.id}"
        enter(page, text.replace(".", ",") if i % 3 == 0 else text)
    at_rest(page)
    assert values_of(case) == as_entered(case, texts)
    assert name(page) == "All features are read"
    assert page.locator("#tally").inner_text() == f"{len(texts)} of {len(texts)} features read"
    until(page, "document.getElementById('verdict-text').textContent.length > 0")
    until(page, "!document.getElementById('verdict-text').textContent.startsWith('Nothing read')")
    enter(page, "10.00")
    assert "Every feature has its readings" in page.locator("#said").inner_text()
    assert values_of(case) == as_entered(case, texts)


@pytest.mark.parametrize("burst", [caliper, at_once])
def test_a_burst_of_twenty_lands_on_the_right_features(
    page: Page, case: Path, burst: Callable[[Page, list[str]], object]
) -> None:
    texts = sizes(case)[:20]
    burst(page, texts)
    at_rest(page)
    assert values_of(case) == as_entered(case, texts)
    coupon, feature = pairs_of(case)[20]
    assert name(page) == f"{coupon.id} {feature.id}"


def test_a_caliper_that_sends_two_line_ends(page: Page, case: Path) -> None:
    texts = sizes(case)[:8]
    caliper(page, texts, end=("Enter", "Enter"))
    at_rest(page)
    assert values_of(case) == as_entered(case, texts)
    # The second line end is no yes to a question.
    caliper(page, ["99.00"], end=("Enter", "Enter"))
    page.wait_for_selector("#ask:visible")
    page.wait_for_timeout(500)
    assert page.locator("#ask").is_visible()
    assert values_of(case) == as_entered(case, texts)


@pytest.mark.parametrize("delay_ms", [0, 120])
def test_a_slip_within_a_burst_waits_and_shifts_nothing(page: Page, case: Path, delay_ms: int) -> None:
    slow(page, delay_ms)
    pairs, texts = pairs_of(case), sizes(case)[:20]
    wrong = 7
    slipped = [*texts[:wrong], "99.00", *texts[wrong + 1 :]]
    caliper(page, slipped)
    until(page, "document.getElementById('box').value === '99.00'")
    assert name(page) == f"{pairs[wrong][0].id} {pairs[wrong][1].id}"
    expected = as_entered(case, texts)
    del expected[pairs[wrong][0].id, pairs[wrong][1].id]
    page.wait_for_timeout(2 * delay_ms)
    assert values_of(case) == expected
    page.wait_for_timeout(500)  # a person has read the question by now
    enter(page, texts[wrong])
    at_rest(page)
    assert values_of(case) == as_entered(case, texts)
    assert name(page) == f"{pairs[20][0].id} {pairs[20][1].id}"


def slow(page: Page, delay_ms: int) -> None:
    """Answers to actions take their time."""

    def late(route: Route) -> None:
        page.wait_for_timeout(delay_ms)
        route.continue_()

    if delay_ms:
        page.route("**/api/act", late)


def test_an_odd_reading_stays_in_the_box_until_a_second_enter(page: Page, case: Path) -> None:
    coupon, feature = pairs_of(case)[0]
    wrong = f"{feature.nominal_mm / 10:.2f}"
    enter(page, wrong)
    page.wait_for_selector("#ask:visible")
    assert "meant" in page.locator("#ask-text").inner_text()
    assert page.locator("#box").input_value() == wrong
    assert name(page) == f"{coupon.id} {feature.id}"
    assert not values_of(case)
    page.wait_for_timeout(450)
    page.keyboard.press("Enter")
    at_rest(page)
    assert values_of(case) == {(coupon.id, feature.id): [float(wrong)]}
    # Typing replaces it, Escape measures again.
    second = pairs_of(case)[1][1]
    enter(page, "99")
    page.wait_for_selector("#ask:visible")
    page.wait_for_timeout(450)
    page.keyboard.press("Escape")
    assert page.locator("#box").input_value() == "" and not page.locator("#ask").is_visible()
    assert name(page).endswith(second.id)
    enter(page, sizes(case)[1])
    at_rest(page)
    assert values_of(case)[pairs_of(case)[1][0].id, second.id] == [typed(1, second)]


@pytest.mark.parametrize("bad", ["abc", "1e308", "nan", "-5", "0.8in", "10.02 10.03", "<b>1</b>", "9" * 300])
def test_bad_values_are_named_and_never_written(page: Page, case: Path, bad: str) -> None:
    page.locator("#box").focus()
    page.keyboard.insert_text(bad)
    page.keyboard.press("Enter")
    page.wait_for_selector("#ask:visible")
    assert not page.locator("#ask-keep").is_visible()
    assert page.locator("#box").input_value() == bad
    page.wait_for_timeout(450)
    page.keyboard.press("Enter")  # a second Enter does not make it a number
    page.wait_for_timeout(200)
    assert page.locator("#ask").is_visible() and not values_of(case)
    page.keyboard.press("Control+a")
    enter(page, sizes(case)[0])
    at_rest(page)
    assert values_of(case) == as_entered(case, sizes(case)[:1])


def test_reload_in_the_middle_of_a_burst_loses_and_doubles_nothing(
    window: BrowserContext, url: str, page: Page, case: Path
) -> None:
    texts = sizes(case)
    slow(page, 250)
    caliper(page, texts[:12])
    page.unroute_all(behavior="ignoreErrors")
    page.reload()
    page.wait_for_selector("#plan polygon.jaw")
    at_rest(page)
    assert values_of(case) == as_entered(case, texts[:12])
    until(page, "document.getElementById('tally').textContent.startsWith('12 of')")
    page.close()
    again = opened(window, url)
    assert name(again) == "{} {}".format(*(x.id for x in pairs_of(case)[12]))
    caliper(again, texts[12:])
    at_rest(again)
    assert values_of(case) == as_entered(case, texts)


def test_a_crash_of_the_program_loses_nothing(window: BrowserContext, case: Path) -> None:
    texts = sizes(case)
    with served(case) as first:
        page = opened(window, first.url)
        caliper(page, texts[:5])
        at_rest(page)
        first.kill()
        caliper(page, texts[5:9])
        page.wait_for_selector("#banner:visible")
        assert "kept in this browser" in page.locator("#banner").inner_text()
        assert name(page) == "{} {}".format(*(x.id for x in pairs_of(case)[9]))
    assert values_of(case) == as_entered(case, texts[:5])
    with served(case) as second:
        assert second.port == first.port and second.key != first.key
        until(page, "document.getElementById('banner').textContent.includes('earlier start')")
        again = opened(window, second.url)
        at_rest(again)
        assert values_of(case) == as_entered(case, texts[:9])
        until(again, "document.getElementById('tally').textContent.startsWith('9 of')")
        enter(again, texts[9])
        at_rest(again)
    assert values_of(case) == as_entered(case, texts[:10])


def test_a_crash_after_writing_and_before_answering_doubles_nothing(
    window: BrowserContext, case: Path
) -> None:
    texts = sizes(case)
    with served(case) as first:
        page = opened(window, first.url)

        def swallow(route: Route) -> None:
            route.fetch()  # the program does its work, the answer is lost
            route.abort()

        page.route("**/api/act", swallow, times=1)
        enter(page, texts[0])
        until(page, "document.getElementById('banner').textContent.includes('kept in this browser')")
        page.unroute_all(behavior="ignoreErrors")
        at_rest(page)  # sent again to the same program
        assert values_of(case) == as_entered(case, texts[:1])
        page.route("**/api/act", swallow)
        enter(page, texts[1])
        page.wait_for_timeout(400)
        first.kill()
    with served(case) as second:
        page.unroute_all(behavior="ignoreErrors")
        page.close()
        again = opened(window, second.url)
        at_rest(again)
        until(again, "document.getElementById('tally').textContent.startsWith('2 of')")
    assert values_of(case) == as_entered(case, texts[:2])


def test_a_question_open_when_the_tab_was_closed_is_asked_again(
    window: BrowserContext, url: str, page: Page, case: Path
) -> None:
    enter(page, "99.00")
    page.wait_for_selector("#ask:visible")
    page.close()
    again = opened(window, url)
    until(again, "document.getElementById('box').value === '99.00'")
    assert not values_of(case)
    again.wait_for_timeout(450)
    again.keyboard.press("Enter")
    at_rest(again)
    assert list(values_of(case).values()) == [[99.0]]


def test_two_tabs_at_once(window: BrowserContext, url: str, page: Page, case: Path) -> None:
    pairs, texts = pairs_of(case), sizes(case)
    other = opened(window, url)
    first = f"{pairs[0][0].id} {pairs[0][1].id}"
    assert name(page) == name(other) == first
    page.bring_to_front()
    enter(page, texts[0])
    at_rest(page)
    # The other tab learns of it and stays where it is: the reading in its hand belongs to what it shows.
    until(other, "document.getElementById('tally').textContent.startsWith('1 of')")
    assert name(other) == first
    assert texts[0] in other.locator("#here").inner_text()
    other.bring_to_front()
    enter(other, texts[0])
    at_rest(other)
    assert values_of(case)[pairs[0][0].id, pairs[0][1].id] == [float(texts[0])] * 2
    # Both go on by turns without looking at each other.
    for i in range(1, 9):
        tab = (page, other)[i % 2]
        tab.bring_to_front()
        tab.locator("#course .cell").nth(i).click()
        enter(tab, texts[i])
    at_rest(page)
    expected = as_entered(case, texts[:9])
    expected[pairs[0][0].id, pairs[0][1].id] *= 2
    assert values_of(case) == expected


def test_two_tabs_bursting_at_once_do_not_mix(
    window: BrowserContext, url: str, page: Page, case: Path
) -> None:
    texts = sizes(case)
    other = opened(window, url)
    other.locator("#course .cell").nth(12).click()
    slow(page, 60)
    slow(other, 60)
    for i in range(0, 12, 4):
        for tab, start in ((page, i), (other, i + 12)):
            tab.bring_to_front()
            caliper(tab, texts[start : start + 4])
    at_rest(page)
    at_rest(other)
    assert values_of(case) == as_entered(case, texts[:24])


def test_another_windows_readings_do_not_shift_a_burst(page: Page, case: Path) -> None:
    pairs, texts = pairs_of(case), sizes(case)
    book = ReadingsBook(print_folder(case) / "readings.csv", manifest_of(case))
    caliper(page, texts[:1])
    for i, (coupon, feature) in enumerate(pairs[2:5]):  # at the terminal, ahead of the page
        book.add(coupon.id, feature.id, float(texts[i + 2]))
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")  # the page learns of it at once
    until(page, "document.getElementById('tally').textContent.startsWith('4 of')")
    caliper(page, texts[1:6])
    at_rest(page)
    expected = as_entered(case, texts[:6])
    for coupon, feature in pairs[2:5]:
        expected[coupon.id, feature.id] *= 2
    assert values_of(case) == expected
    # Once it rests, what has been read elsewhere is not asked for again.
    book.add(pairs[7][0].id, pairs[7][1].id, float(texts[7]))
    until(page, "document.getElementById('tally').textContent.startsWith('7 of')")
    page.wait_for_timeout(1700)
    enter(page, texts[6])
    assert name(page) == f"{pairs[8][0].id} {pairs[8][1].id}"


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


def test_the_caliper_finds_the_box_wherever_the_focus_is(page: Page, case: Path) -> None:
    texts = sizes(case)
    enter(page, texts[0])
    page.locator("#back").focus()
    caliper(page, [texts[1]])  # digits go to the box, and Enter keeps them instead of pressing the button
    page.evaluate("document.activeElement.blur()")
    caliper(page, [texts[2]])
    page.locator("#course .cell").nth(3).focus()
    caliper(page, [texts[3]])
    at_rest(page)
    assert values_of(case) == as_entered(case, texts[:4])


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
    ladder = replace(manifest.coupons[0], family="fit-ladder")
    changed = replace(manifest, coupons=(ladder, *manifest.coupons[1:]))
    (print_folder(case) / "coupons.json").write_text(manifest_json(changed), encoding="utf-8")
    with served_here(case) as url:
        page = opened(window, url)
        for word in ("Goes", "Sticks", "Does not go"):
            page.get_by_role("button", name=word, exact=True).click()
        at_rest(page)
        rows = (print_folder(case) / "readings.csv").read_text(encoding="utf-8").splitlines()[1:4]
        assert [r.split(",")[2] for r in rows] == ["goes", "sticks", "does not go"]
        page.keyboard.press("Control+z")
        at_rest(page)
        assert (print_folder(case) / "readings.csv").read_text(encoding="utf-8").count("does not go") == 0
        for _ in ladder.features[2:]:
            page.keyboard.press("ArrowDown")
        assert not page.locator("#trial").is_visible()  # the next coupon is measured, not tried


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


@pytest.mark.parametrize("query", ["", "?key=wrong"])
def test_without_the_key_the_page_says_so(window: BrowserContext, url: str, query: str) -> None:
    page = window.new_page()
    answer = page.goto(url.split("?")[0] + query)
    assert answer and answer.status == 403
    assert "open the address that fitassay bench showed" in page.locator("body").inner_text()


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
    headers = {"Fitassay-Key": url.split("key=")[1], "Content-Type": "application/json"}
    assert attempt({"method": "POST", "body": body, "headers": headers}) == "refused"
    assert not values_of(case)


@pytest.mark.parametrize("width", [1280, 768, 390])
def test_untrusted_text_is_shown_as_text(browser: Browser, made: Path, tmp_path: Path, width: int) -> None:
    markup = "<img src=x onerror='window.broken=1'><script>window.broken=1</script>"
    case = copy_case(made, tmp_path / "<b>bold<")
    machine = Machine(name=markup + "\u202egnol\u202c" + "W" * 10_000, material="\N{RINGED PLANET}<i>")
    from coupons.machine_file import machine_toml

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
    [(1280, 800, "light"), (1280, 800, "dark"), (768, 1024, "dark"), (390, 844, "light")],
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


@pytest.mark.parametrize(("width", "height"), [(390, 844), (390, 664), (768, 1024)])
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
