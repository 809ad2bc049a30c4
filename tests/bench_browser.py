"""Fixtures and moves of the tests that drive the bench page in a real browser.

The fixtures are plain functions here; a test module names them in `fixtures`.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.gallery.make import CHROMIUM_ARGUMENTS
from tests.benches import (
    copy_case,
    make_case,
    manifest_of,
    pairs_of,
    print_folder,
    served_here,
    typed,
    values_of,
)

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page, Route

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")

NEEDS_CHROMIUM = pytest.mark.skipif(
    CHROMIUM is None, reason="no chromium on this system (Debian: apt-get install chromium)"
)


def fixtures() -> dict[str, Any]:
    """The fixtures by the names under which tests and each other ask for them; for a module's namespace."""
    return {
        "browser": pytest.fixture(scope="module")(a_browser),
        "made": pytest.fixture(scope="module")(a_case),
        "case": pytest.fixture(own_copy),
        "url": pytest.fixture(an_address),
        "window": pytest.fixture(a_window),
        "page": pytest.fixture(a_page),
        "no_trouble": pytest.fixture(autouse=True)(no_trouble),
    }


def a_browser() -> Iterator[Browser]:
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed (test extra)")
    with api.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=list(CHROMIUM_ARGUMENTS))
        yield chromium
        chromium.close()


def a_case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Steps, bores and combs: 34 features."""
    families = ("stepped-boss", "stepped-bore", "reversal-comb")
    return make_case(tmp_path_factory.mktemp("page") / "orrery", families=families)


def own_copy(made: Path, tmp_path: Path) -> Path:
    return copy_case(made, tmp_path / "orrery")


def an_address(case: Path) -> Iterator[str]:
    """The page's address, key and all."""
    with served_here(case) as address:
        yield address


TROUBLE: list[str] = []
"""Script errors and foreign requests of the test's pages; an exception in the driver's callback would hang it."""


def no_trouble() -> Iterator[None]:
    TROUBLE.clear()
    yield
    assert not TROUBLE


def a_window(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    yield context
    context.close()


def a_page(window: BrowserContext, url: str) -> Page:
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


def written(page: Page, case: Path, expected: dict[tuple[str, str], list[float]]) -> None:
    """Waits until the readings on disk are these; shows what they are otherwise."""
    for _ in range(200):
        if values_of(case) == expected:
            return
        page.wait_for_timeout(25)
    assert values_of(case) == expected


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


def slow(page: Page, delay_ms: int) -> None:
    """Answers to actions take their time."""

    def late(route: Route) -> None:
        page.wait_for_timeout(delay_ms)
        route.continue_()

    if delay_ms:
        page.route("**/api/act", late)
