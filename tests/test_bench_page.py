"""Readings on the bench page in a real browser: bursts, slips, reloads, crashes, several tabs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from fitassay.analysis.readings.book import ReadingsBook
from tests.bench_browser import (
    NEEDS_CHROMIUM,
    as_entered,
    at_once,
    at_rest,
    caliper,
    enter,
    fixtures,
    name,
    opened,
    sizes,
    slow,
    until,
    written,
)
from tests.benches import make_case, manifest_of, pairs_of, print_folder, served, typed, values_of
from tests.fit_case import run

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Page, Route

globals().update(fixtures())
pytestmark = [pytest.mark.browser, NEEDS_CHROMIUM]


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


@pytest.mark.parametrize("burst", [pytest.param(caliper, marks=pytest.mark.long), at_once])
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


@pytest.mark.parametrize("delay_ms", [pytest.param(0, marks=pytest.mark.long), 120])
def test_a_slip_within_a_burst_waits_and_shifts_nothing(page: Page, case: Path, delay_ms: int) -> None:
    slow(page, delay_ms)
    pairs, texts = pairs_of(case), sizes(case)[:20]
    wrong = 7
    slipped = [*texts[:wrong], "99.00", *texts[wrong + 1 :]]
    caliper(page, slipped)
    page.wait_for_selector("#ask:visible")
    assert name(page) == f"{pairs[wrong][0].id} {pairs[wrong][1].id}"
    expected = as_entered(case, texts)
    del expected[pairs[wrong][0].id, pairs[wrong][1].id]
    written(page, case, expected)
    page.wait_for_timeout(500)  # a person has read the question by now
    enter(page, texts[wrong])
    at_rest(page)
    assert values_of(case) == as_entered(case, texts)
    assert name(page) == f"{pairs[20][0].id} {pairs[20][1].id}"


def test_an_odd_reading_is_asked_about_and_what_was_meant_offered(page: Page, case: Path) -> None:
    coupon, feature = pairs_of(case)[0]
    wrong = f"{feature.nominal_mm / 10:.2f}"
    enter(page, wrong)
    page.wait_for_selector("#ask:visible")
    assert "meant" in page.locator("#ask-text").inner_text()
    meant = page.locator("#box").input_value()
    assert float(meant) == pytest.approx(10 * float(wrong))
    assert name(page) == f"{coupon.id} {feature.id}"
    assert not values_of(case)
    page.wait_for_timeout(450)
    # Enter takes what was probably meant; a button keeps what was typed.
    page.keyboard.press("Enter")
    at_rest(page)
    assert values_of(case) == {(coupon.id, feature.id): [float(meant)]}
    page.locator("#undo").click()
    at_rest(page)
    page.locator("#course .cell").first.click()
    enter(page, wrong)
    page.wait_for_selector("#ask:visible")
    page.locator("#ask-keep").click()
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


BAD = ("abc", "0.8in", "9" * 300)
MORE_BAD = ("1e308", "nan", "-5", "10.02 10.03", "<b>1</b>")


@pytest.mark.parametrize("bad", [*BAD, *(pytest.param(b, marks=pytest.mark.long) for b in MORE_BAD)])
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


def test_a_bench_too_busy_to_answer_gets_the_reading_later(page: Page, case: Path) -> None:
    """What was answered by 503 stays in the browser and is sent again."""
    texts = sizes(case)
    refused: list[str] = []

    def busy(route: Route) -> None:
        refused.append(route.request.post_data or "")
        route.fulfill(status=503, body="busy")

    page.route("**/api/act", busy)
    caliper(page, texts[:2])
    until(page, "!document.getElementById('banner').hidden")
    assert refused and not values_of(case)
    page.unroute("**/api/act")
    at_rest(page)
    assert values_of(case) == as_entered(case, texts[:2])


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
        assert second.port == first.port and second.url != first.url
        until(page, "document.getElementById('banner').textContent.includes('earlier start')")
        again = opened(window, second.url)
        at_rest(again)
        assert values_of(case) == as_entered(case, texts[:9])
        until(again, "document.getElementById('tally').textContent.startsWith('9 of')")
        enter(again, texts[9])
        at_rest(again)
    assert values_of(case) == as_entered(case, texts[:10])


@pytest.mark.long
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
    again.wait_for_selector("#ask:visible")
    assert "Read it again and type it." in again.locator("#ask-text").inner_text()
    assert not values_of(case)
    again.wait_for_timeout(450)
    # Enter takes nothing where nothing else was meant, as at the terminal; the button keeps it, and so does the same
    # reading once more.
    again.keyboard.press("Enter")
    again.wait_for_timeout(200)
    assert again.locator("#ask").is_visible() and not values_of(case)
    again.locator("#ask-keep").click()
    at_rest(again)
    assert list(values_of(case).values()) == [[99.0]]
    enter(again, "98.00")
    again.wait_for_selector("#ask:visible")
    again.wait_for_timeout(450)
    enter(again, "98.00")
    at_rest(again)
    assert list(values_of(case).values()) == [[99.0], [98.0]]


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


@pytest.mark.long
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


def test_why_the_error_accused_is_not_set_right_first_is_said_before_the_steps(
    window: BrowserContext, tmp_path: Path
) -> None:
    """The play comes before the path that spoils the fit most; the last reading is taken on the page."""
    families = ("stepped-boss", "stepped-bore", "reversal-comb", "single-wall")
    case = make_case(tmp_path / "orrery", families=families)
    errors = ("--backlash-y", "0.2", "--path-offset", "0.3", "--seed", "1")
    assert run("simulate", case, "--force", *errors)[0] == 0
    table = print_folder(case) / "readings.csv"
    *rows, last = table.read_text("utf-8").splitlines()
    table.write_text("\n".join(rows) + "\n", "utf-8")
    with served(case) as first:
        page = opened(window, first.url)
        enter(page, last.split(",")[2])
        at_rest(page)
        until(page, "document.querySelectorAll('#advice li').length > 1")
        words = page.locator("#advice").inner_text()
    reason = "Step 2 mends the error that spoils the fit most; step 1 goes before it"
    head, _, steps = words.partition(reason)
    assert "To change, in this order" in head and "Backlash compensation of y" not in head
    assert steps.index("Backlash compensation of y") < steps.index("Horizontal size compensation")
    assert reason in " ".join(run("diagnose", case)[1].split())
