"""The bench page shown to a phone: a second loopback address stands in for the home network."""

from __future__ import annotations

import http.client
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import pytest

from fitassay.bench.guard import MOST_WRONG, Codes
from fitassay.bench.network import check_address, picture_of
from fitassay.bench.server import Opened, open_bench
from fitassay.bench.session import Bench
from fitassay.case import Case
from fitassay.coupons.errors import InputError
from tests.bench_browser import NEEDS_CHROMIUM, at_rest, enter, fixtures, opened, sizes
from tests.benches import values_of
from tests.fit_case import run

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext

globals().update(fixtures())

PHONE = "127.0.0.2"


def _has_second_loopback() -> bool:
    with socket.socket() as probe:
        try:
            probe.bind((PHONE, 0))
        except OSError:
            return False
    return True


pytestmark = pytest.mark.skipif(
    not _has_second_loopback(), reason=f"{PHONE} is not an address of this machine"
)


@contextmanager
def shown(case: Path, idle_s: float = 60.0) -> Iterator[tuple[Opened, threading.Thread]]:
    bench = Bench(Case.open(case).print())
    with open_bench(bench, phone=PHONE, idle_s=idle_s) as page:
        thread = threading.Thread(target=page.run)
        thread.start()
        try:
            yield page, thread
        finally:
            page.server.should_exit = True
            thread.join(timeout=15)
            assert not thread.is_alive()


def asked(url: str, cookie: str = "", host: str | None = None) -> tuple[int, str]:
    """Status and Set-Cookie of a GET."""
    parts = urlsplit(url)
    link = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=10)
    headers = {"Cookie": cookie} if cookie else {}
    if host:
        headers["Host"] = host
    link.request("GET", f"{parts.path or '/'}{'?' + parts.query if parts.query else ''}", headers=headers)
    answer = link.getresponse()
    answer.read()
    link.close()
    return answer.status, answer.getheader("Set-Cookie") or ""


def test_the_phones_code_lets_one_browser_in_once(case: Path) -> None:
    with shown(case) as (page, _):
        base = page.phone.split("/?")[0]
        assert urlsplit(page.phone).hostname == PHONE
        status, cookie = asked(page.phone)
        assert status == 303
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        assert asked(page.phone)[0] == 403
        assert asked(base)[0] == 403
        assert asked(f"{base}/?code=2345678923")[0] == 403
        assert asked(base, cookie.split(";")[0])[0] == 200
        assert asked(base, cookie.split(";")[0], host="elsewhere.example")[0] == 421


def test_the_phones_code_can_be_typed_and_not_guessed() -> None:
    codes = Codes()
    code = codes.issue(typed=True)
    assert len(code) == 10
    assert not set(code) & set("01loi")
    for _ in range(MOST_WRONG):
        assert not codes.redeem(b"2222222222")
    assert not codes.redeem(code.encode())


def test_without_being_asked_the_page_is_at_home_only(case: Path) -> None:
    with open_bench(Bench(Case.open(case).print())) as page:
        assert page.phone == ""
        assert [s.getsockname()[0] for s in page.sockets] == ["127.0.0.1"]


def test_it_leaves_when_it_lies_idle(case: Path) -> None:
    with shown(case, idle_s=0.6) as (page, thread):
        _, cookie = asked(page.phone)
        held = cookie.split(";")[0]
        ended = time.monotonic() + 15
        # Looking on is not doing: the page asks for news all the time.
        while thread.is_alive() and time.monotonic() < ended:
            try:
                asked(page.phone.split("/?")[0] + "/api/state", held)
            except OSError:
                break
            time.sleep(0.05)
        thread.join(timeout=10)
        assert not thread.is_alive()


@pytest.mark.parametrize("text", ["8.8.8.8", "0.0.0.0", "home", "192.168.1"])
def test_addresses_that_are_none_at_home(text: str) -> None:
    with pytest.raises(InputError):
        check_address(text)


def test_the_picture_is_a_square_of_half_blocks() -> None:
    """Version 3 has 29 modules, a quiet zone of four on each side (ISO/IEC 18004), two rows a line."""
    lines = picture_of("http://192.168.1.5:51234/?code=abcdefgh23").strip("\n").splitlines()
    plain = [line.replace("\x1b[7m", "").replace("\x1b[0m", "").replace("\x1b[49m", "") for line in lines]
    assert max(len(line) for line in plain) in range(29, 60)
    assert len(plain) in range(15, 24)


def test_an_address_without_a_phone_is_refused(case: Path) -> None:
    code, _, err = run("bench", case, "--address", "192.168.1.5")
    assert code == 2
    assert "--phone" in err


@pytest.mark.browser
@NEEDS_CHROMIUM
def test_readings_come_from_the_phone(case: Path, window: BrowserContext) -> None:
    with shown(case) as (page, _):
        on_phone = opened(window, page.phone)
        on_phone.set_viewport_size({"width": 390, "height": 844})
        assert "code=" not in on_phone.url
        for text in sizes(case)[:3]:
            enter(on_phone, text)
        at_rest(on_phone)
        assert [v for values in list(values_of(case).values())[:3] for v in values] == [
            float(t) for t in sizes(case)[:3]
        ]
        on_phone.close()


GRIPS = """() => {
    const boxes = [...document.querySelectorAll("#plan .grip")].map(g => g.getBoundingClientRect());
    return boxes.length == 2 && boxes.every(b => b.width || b.height) &&
        boxes.map(b => [b.x + b.width / 2, b.y + b.height / 2]);
}"""


@pytest.mark.browser
@NEEDS_CHROMIUM
def test_with_the_keyboard_up_the_drawing_stays_large(case: Path, window: BrowserContext) -> None:
    """390 x 480 pixels are left of a phone then: drawing, box and what takes a reading back are all in sight."""
    with shown(case) as (page, _):
        on_phone = opened(window, page.phone)
        on_phone.set_viewport_size({"width": 390, "height": 480})
        on_phone.wait_for_timeout(300)
        plan = on_phone.locator("#plan").bounding_box()
        assert plan is not None
        assert plan["height"] >= 0.38 * 480
        for text in ["", *sizes(case)[:6]]:
            if text:
                enter(on_phone, text)
                at_rest(on_phone)
            # Both in one look: between two looks the drawing may be drawn anew.
            grips = on_phone.wait_for_function(GRIPS).json_value()
            apart = max(abs(a - b) for a, b in zip(*grips, strict=True))
            assert apart >= 44, "the measured size can be seen"
            for name in ("#box", "#keep", "#undo"):
                box = on_phone.locator(name).bounding_box()
                assert box is not None
                assert box["y"] >= 0
                assert box["y"] + box["height"] <= 480, name
        on_phone.close()
