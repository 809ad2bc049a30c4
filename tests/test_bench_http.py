"""The bench over the wire: who is let in, what is refused, and that rubbish does not bring it down."""

from __future__ import annotations

import http.client
import json
import random
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from fitassay.bench.guard import BODY_S, LONGEST_BODY
from fitassay.bench.patience import HEADER_S
from fitassay.bench.server import FIRST_PORT, HOST, LAST_PORT, open_socket, usual_port
from tests.benches import (
    ROOT,
    Served,
    cookie_for,
    make_case,
    pairs_of,
    print_folder,
    served,
    served_here,
    typed,
    values_of,
)

TAB = "0123456789abcdef01234567"


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_case(tmp_path_factory.mktemp("http") / "orrery")


@pytest.fixture(scope="module")
def bench(case: Path) -> Iterator[Served]:
    with served(case) as running:
        yield running


def ask(
    bench: Served, method: str, path: str, body: bytes | None = None, **headers: str
) -> tuple[int, dict[str, str], bytes]:
    connection = http.client.HTTPConnection(HOST, bench.port, timeout=20)
    try:
        connection.request(method, path, body, {k.replace("_", "-"): v for k, v in headers.items()})
        answer = connection.getresponse()
        return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
    finally:
        connection.close()


def own(bench: Served) -> dict[str, str]:
    """The headers of the page's own requests."""
    return {
        "Cookie": bench.cookie,
        "Origin": f"http://{HOST}:{bench.port}",
        "Content-Type": "application/json",
    }


def act(bench: Served, items: list[dict], tab: str = TAB) -> tuple[int, bytes]:
    body = json.dumps({"tab": tab, "items": items}).encode()
    status, _, answer = ask(bench, "POST", "/api/act", body, **own(bench))
    return status, answer


def alive(bench: Served) -> bool:
    return ask(bench, "GET", "/api/state?since=-1", **own(bench))[0] == 200


def test_only_this_machine_can_connect(bench: Served) -> None:
    # The listening socket in the kernel's own table (proc(5), net/tcp): 0100007F is 127.0.0.1.
    table = Path("/proc/net/tcp")
    if not table.exists():
        pytest.skip("no /proc/net/tcp on this system")
    rows = [line.split() for line in table.read_text().splitlines()[1:]]
    local = [r[1] for r in rows if r[3] == "0A" and r[1].endswith(f":{bench.port:04X}")]
    assert local == [f"0100007F:{bench.port:04X}"]


def test_the_page_comes_with_the_cookie_only(bench: Served) -> None:
    status, headers, body = ask(bench, "GET", "/", Cookie=bench.cookie)
    assert status == 200 and b"<main>" in body
    assert "default-src 'none'" in headers["content-security-policy"]
    assert headers["cache-control"] == "no-store"
    name, _, key = bench.cookie.partition("=")
    for cookie in ("", "a=b", f"{name}=", f"{name}={key}x", f"{name}={key}; {name}={key}", f"x{name}={key}"):
        status, _, body = ask(bench, "GET", "/", **({"Cookie": cookie} if cookie else {}))
        assert status == 403 and b"open the address" in body
    for path in ("/?code=", "/?code=wrong", f"/?code={key}", f"/?key={key}"):
        status, headers, body = ask(bench, "GET", path)
        assert status == 403 and "set-cookie" not in headers


def test_an_address_opens_the_page_once(bench: Served) -> None:
    """Who finds the address in a history or on a command line afterwards gets nothing by it."""
    code = bench.url.split("/?")[1]
    assert bench.cookie
    status, headers, _ = ask(bench, "GET", f"/?{code}")
    assert status == 403 and "set-cookie" not in headers
    # The browser that holds the cookie may reload the address all the same.
    status, headers, _ = ask(bench, "GET", f"/?{code}", Cookie=bench.cookie)
    assert (status, headers["location"]) == (303, "/")


def test_each_address_used_is_followed_by_a_fresh_one(case: Path) -> None:
    fresh: list[str] = []
    with served_here(case, fresh.append) as address:
        first = cookie_for(address)
        assert len(fresh) == 1 and fresh[0] != address
        assert cookie_for(fresh[0]) == first
        assert len(fresh) == 2


@pytest.mark.parametrize("path", ["/api/plan", "/api/state", "/api/drawing?coupon=wall"])
def test_data_come_with_the_cookie_only(bench: Served, path: str) -> None:
    assert ask(bench, "GET", path, **own(bench))[0] == 200
    assert ask(bench, "GET", path)[0] == 403
    assert ask(bench, "GET", path, **{**own(bench), "Cookie": "wrong"})[0] == 403
    name, _, key = bench.cookie.partition("=")
    for query in (f"code={key}", f"{name}={key}"):
        assert ask(bench, "GET", f"{path}{'&' if '?' in path else '?'}{query}")[0] == 403


@pytest.mark.parametrize(
    "host", ["orrery.example", "127.0.0.1", "127.0.0.1:1", "[::1]:80", "", "localhost.example"]
)
def test_another_host_name_is_misdirected(bench: Served, host: str) -> None:
    status, _, body = ask(bench, "GET", "/", Cookie=bench.cookie, Host=host)
    assert status == 421 and b"<main>" not in body
    assert ask(bench, "GET", "/", Cookie=bench.cookie, Host=f"localhost:{bench.port}")[0] == 200


@pytest.mark.parametrize(
    "origin", [None, "null", "http://orrery.example", "https://127.0.0.1", "http://127.0.0.1:1"]
)
def test_another_page_cannot_write(bench: Served, case: Path, origin: str | None) -> None:
    coupon, feature = pairs_of(case)[0]
    before = (print_folder(case) / "readings.csv").read_bytes()
    item = {
        "seq": 1,
        "act": "read",
        "coupon": coupon.id,
        "feature": feature.id,
        "text": f"{feature.nominal_mm}",
    }
    body = json.dumps({"tab": TAB, "items": [item]}).encode()
    headers = own(bench)
    del headers["Origin"]
    if origin is not None:
        headers["Origin"] = origin
    assert ask(bench, "POST", "/api/act", body, **headers)[0] == 403
    cross = {**own(bench), "Sec-Fetch-Site": "cross-site"}
    assert ask(bench, "POST", "/api/act", body, **cross)[0] == 403
    assert ask(bench, "GET", "/api/state", **cross)[0] == 403
    assert (print_folder(case) / "readings.csv").read_bytes() == before


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/api/act", 405),
        ("PUT", "/api/act", 405),
        ("DELETE", "/", 405),
        ("OPTIONS", "/api/act", 405),
        ("GET", "/page/../state.py", 404),
        ("GET", "/page/%2e%2e%2fstate.py", 404),
        ("GET", "/page/bench.html", 404),
        ("GET", "/page/bench.js", 200),
        ("GET", "/api/nothing", 404),
        ("GET", "/favicon.ico", 404),
    ],
)
def test_what_is_not_there_is_not_given(bench: Served, method: str, path: str, status: int) -> None:
    assert ask(bench, method, path, **own(bench))[0] == status


def test_too_long_and_malformed_bodies_are_refused(bench: Served) -> None:
    assert ask(bench, "POST", "/api/act", b"x" * (LONGEST_BODY + 1), **own(bench))[0] == 413
    assert ask(bench, "POST", "/api/act", b"{", **own(bench))[0] == 400
    text = {**own(bench), "Content-Type": "text/plain"}
    assert ask(bench, "POST", "/api/act", b"{}", **text)[0] == 415
    assert act(bench, [{"seq": i, "act": "read"} for i in range(201)])[0] == 400
    assert alive(bench)


def test_nothing_comes_from_elsewhere() -> None:
    page = ROOT / "fitassay" / "bench" / "page"
    files = sorted(page.iterdir())
    assert {f.suffix for f in files} == {".html", ".css", ".js"}
    for file in files:
        text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "//cdn" not in text and "http://" not in text and "https://" not in text
        assert "innerHTML" not in text and "eval(" not in text


def rubbish(bench: Served, random_: random.Random) -> bytes:
    """One request that no page makes, as bytes on the wire."""
    noise = random_.randbytes(random_.randrange(1, 400))
    word = "".join(random_.choices("abcdefghijklmnopqrstuvwxyz/%?=&.\\-", k=random_.randrange(1, 60)))
    host = f"Host: {HOST}:{bench.port}\r\n"
    keyed = f"{host}Cookie: {bench.cookie}\r\nOrigin: http://{HOST}:{bench.port}\r\n"
    json_type = "Content-Type: application/json\r\n"
    deep = b"[" * random_.randrange(1, 30_000)
    body = random_.choice([noise, deep, json.dumps({"tab": TAB, "items": [word]}).encode(), b"{}", b"null"])
    post = f"POST /api/act HTTP/1.1\r\n{keyed}{json_type}Content-Length: {len(body)}\r\n\r\n".encode() + body
    kinds = [
        noise,
        b"\r\n" * random_.randrange(1, 50),
        f"GET /{word} HTTP/1.1\r\n{host}\r\n".encode(),
        f"GET /api/{word} HTTP/1.1\r\n{keyed}\r\n".encode(),
        f"GET /?code={word} HTTP/1.1\r\n{host}\r\n".encode(),
        f"GET / HTTP/1.1\r\nHost: {word}\r\n\r\n".encode(),
        f"GET / HTTP/1.1\r\n{host}{host}\r\n".encode(),
        f"GET / HTTP/1.1\r\n{host}X: {'x' * random_.randrange(1, 80_000)}\r\n\r\n".encode(),
        f"{word.upper()} / HTTP/9.9\r\n{host}\r\n".encode(),
        f"POST /api/act HTTP/1.1\r\n{host}Content-Length: 999999999\r\n\r\n".encode() + noise,
        f"POST /api/act HTTP/1.1\r\n{keyed}{json_type}Transfer-Encoding: chunked\r\n\r\nzz\r\n".encode(),
        f"POST /api/act HTTP/1.1\r\n{keyed}{json_type}Content-Length: 50\r\n\r\n".encode() + noise[:10],
        post,
        post[: random_.randrange(len(post))],
    ]
    return random_.choice(kinds)


@pytest.mark.long
def test_ten_thousand_rubbish_requests_do_no_harm(bench: Served, case: Path) -> None:
    coupon, feature = pairs_of(case)[-1]
    reading = {"act": "read", "coupon": coupon.id, "feature": feature.id, "text": f"{typed(0, feature)}"}
    assert act(bench, [{**reading, "seq": 1}])[0] == 200
    before = (print_folder(case) / "readings.csv").read_bytes()
    memory = resident_mb(bench)
    random_ = random.Random(20250611)
    for number in range(10_000):
        with socket.create_connection((HOST, bench.port), timeout=20) as wire:
            wire.settimeout(20)
            try:
                wire.sendall(rubbish(bench, random_))
                if number % 10 == 0:  # mostly hang up without listening
                    wire.shutdown(socket.SHUT_WR)
                    while wire.recv(65536):
                        pass
            except (ConnectionError, BrokenPipeError):
                continue  # the bench may hang up first
    assert alive(bench)
    assert (print_folder(case) / "readings.csv").read_bytes() == before
    assert resident_mb(bench) < memory + 60
    assert act(bench, [{**reading, "seq": 2, "n": 1, "text": f"{typed(1, feature)}"}])[0] == 200
    assert values_of(case)[coupon.id, feature.id] == [typed(0, feature), typed(1, feature)]


def resident_mb(bench: Served) -> float:
    status = Path(f"/proc/{bench.process.pid}/status")
    if not status.exists():
        return 0.0
    return int(next(s for s in status.read_text().splitlines() if s.startswith("VmRSS")).split()[1]) / 1024


def test_a_case_keeps_its_port_and_gives_way_when_it_is_taken() -> None:
    usual = usual_port("orrery")
    assert FIRST_PORT <= usual <= LAST_PORT and usual == usual_port("orrery")
    with open_socket(None, usual) as first, open_socket(None, usual) as second:
        assert first.getsockname() == (HOST, usual)
        assert second.getsockname()[0] == HOST and second.getsockname()[1] != usual


@pytest.mark.parametrize(
    ("options", "code", "says"),
    [
        (["no-such-case"], 2, "there is no such case"),
        (["{case}", "--print", "07"], 2, "there is no print 07"),
        (["{case}", "--port", "0"], 2, "0"),
        (["{case}", "--port", "{port}"], 1, "is taken"),
    ],
)
def test_bad_usage_is_one_sentence(
    bench: Served, case: Path, options: list[str], code: int, says: str
) -> None:
    filled = [o.format(case=case, port=bench.port) for o in options]
    done = subprocess.run(
        [sys.executable, "-m", "fitassay", "bench", *filled],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == code
    assert says in done.stderr and "Traceback" not in done.stderr
    assert done.stdout == ""


def test_silent_connections_keep_nobody_out(bench: Served) -> None:
    """Three hundred that say nothing or half a head: the page's own requests are answered all the while."""
    silent = []
    try:
        for i in range(300):
            wire = socket.create_connection((HOST, bench.port), timeout=20)
            if i % 2:
                wire.sendall(b"GET /api/state HTTP/1.1\r\nHost: ")
            silent.append(wire)
            if i % 50 == 0:
                assert alive(bench)
        assert alive(bench)
    finally:
        for wire in silent:
            wire.close()
    assert alive(bench)


@pytest.mark.long
def test_a_connection_that_waits_is_hung_up_on(bench: Served) -> None:
    """Before a first request, within its head, and within the head of a second one."""
    whole = f"GET /page/bench.js HTTP/1.1\r\nHost: {HOST}:{bench.port}\r\n\r\n".encode()
    starts = (b"", b"GET / HTTP/1.1\r\nHost: 127", whole + b"GET /")
    wires = [socket.create_connection((HOST, bench.port), timeout=HEADER_S + 10) for _ in starts]
    for wire, start in zip(wires, starts, strict=True):
        wire.sendall(start)
    answers = []
    for wire in wires:
        answer = b""
        with wire, suppress(ConnectionResetError):
            while data := wire.recv(65536):
                answer += data
        answers.append(answer)
    assert [b"200 OK" in a for a in answers] == [False, False, True]


@pytest.mark.long
def test_a_body_that_does_not_come_whole_is_given_up(bench: Served) -> None:
    head = "".join(f"{k}: {v}\r\n" for k, v in own(bench).items())
    with socket.create_connection((HOST, bench.port), timeout=BODY_S + 15) as wire:
        wire.sendall(
            f"POST /api/act HTTP/1.1\r\nHost: {HOST}:{bench.port}\r\n{head}Content-Length: 50\r\n\r\n{{".encode()
        )
        assert wire.recv(200).startswith(b"HTTP/1.1 408 ")
    assert alive(bench)


def test_what_strangers_send_does_not_reach_the_terminal(case: Path) -> None:
    with served(case) as running:
        for raw in (
            b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
            b"GET / HTTP/1.1\r\n" + b"A" * 100_000,
            b"POST / HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
            b"GET / HTTP/1.1\r\nContent-Length: -5\r\n\r\n",
        ):
            with socket.create_connection((HOST, running.port), timeout=20) as wire, suppress(OSError):
                wire.sendall(raw)
                wire.shutdown(socket.SHUT_WR)
                wire.recv(65536)
        assert alive(running)
        running.process.send_signal(signal.SIGINT)
        errors = running.process.communicate(timeout=15)[1]
    # The terminal wraps the one sentence.
    assert " ".join(errors.split()).startswith("Bench closed. Readings: "), errors
    assert len(errors.split()) == 4, errors
