"""Who may talk to the bench page: this machine, this page, this start."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

LONGEST_BODY = 128 * 1024
"""No action is longer than this [bytes]."""

BODY_S = 10.0
"""A page on the same machine sends its body at once [s]."""

# Only what the page itself brings may run, and no other page may hold it in a frame.
HEADERS = [
    (
        b"content-security-policy",
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        b"base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=(), usb=(), serial=()"),
    (b"cache-control", b"no-store"),
]

WRONG_HOST = "This page answers to its own address only; open the one that fitassay bench showed.\n"
WRONG_KEY = (
    "This address was used or is of an earlier start; open the address that fitassay bench showed last.\n"
)
WRONG_ORIGIN = "Another page's request is not taken.\n"
WRONG_METHOD = "Only GET, HEAD and POST are understood here.\n"


# Letters and digits that are not taken for one another, for a code that is typed on a phone: 30^10 of them.
TYPED, TYPED_LENGTH = "23456789abcdefghjkmnpqrstvwxyz", 10
MOST_WRONG = 20
"""Where codes are short, none is good any more after so many wrong ones, until the next start."""


class Codes:
    """Codes that each let one browser in once; what it then holds is a cookie with the start's key.

    The code stands in the address that is shown, and so on command lines and in histories; after its one use it is
    worth nothing there.

    Attributes
    ----------
    key : str
        Random for each start.
    """

    def __init__(self) -> None:
        self.key = secrets.token_urlsafe(24)
        self._open: set[bytes] = set()
        self._typed = False
        self._wrong = 0

    def issue(self, *, typed: bool = False) -> str:
        """A new code, good for one use; short enough to be typed where that is asked for."""
        code = secrets.token_urlsafe(24)
        if typed:
            self._typed = True
            code = "".join(secrets.choice(TYPED) for _ in range(TYPED_LENGTH))
        self._open.add(code.encode())
        return code

    def redeem(self, code: bytes) -> bool:
        """Whether the code was good; it is not any more."""
        if self._typed and self._wrong >= MOST_WRONG:
            return False
        found = next((c for c in self._open if secrets.compare_digest(c, code)), None)
        self._open.discard(found or b"")
        self._wrong += found is None
        return found is not None


class Guard:
    """Lets a request through to `app` if host, origin and key are right; adds the page's own headers.

    Parameters
    ----------
    app : ASGI application
    port : int
        The port that the page is served on; the host must be this machine's loopback name with it.
    phone : str, optional
        This machine's address in the home network, a further host.
    codes : Codes
        The page's address brings a code in exchange for the cookie that every other request must bring.
    used : callable
        Called without arguments when a code has been exchanged.
    """

    def __init__(
        self,
        app,
        *,
        port: int,
        codes: Codes,
        used: Callable[[], None] = lambda: None,
        phone: str | None = None,
    ) -> None:
        self.app = app
        self.codes = codes
        self.used = used
        self.cookie = f"fitassay-{port}".encode()
        self.hosts = {f"127.0.0.1:{port}".encode(), f"localhost:{port}".encode()}
        if phone is not None:
            self.hosts.add(f"{phone}:{port}".encode())
        if port == 80:
            self.hosts |= {b"127.0.0.1", b"localhost"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return

        async def send_with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *HEADERS]
            await send(message)

        if self.lets_in(scope):
            cookie = self.cookie + b"=" + self.codes.key.encode() + b"; HttpOnly; SameSite=Strict; Path=/"
            headers = [(b"location", b"/"), (b"set-cookie", cookie), (b"content-length", b"0")]
            await send_with_headers({"type": "http.response.start", "status": 303, "headers": headers})
            await send_with_headers({"type": "http.response.body", "body": b""})
            return
        refusal = self.refusal(scope)
        if refusal is not None:
            status, text = refusal
            body = text.encode()
            kind = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", b"%d" % len(body))]
            await send_with_headers({"type": "http.response.start", "status": status, "headers": kind})
            await send_with_headers({"type": "http.response.body", "body": body})
            return
        await self.app(scope, receive, send_with_headers)

    def lets_in(self, scope: Scope) -> bool:
        """Whether the request opens the page by its address, with a code not used yet or, again, with the cookie."""
        codes = _query_codes(scope)
        if scope["path"] != "/" or scope["method"] != "GET" or len(codes) != 1:
            return False
        headers = _headers(scope)
        if self._wrong_place(scope, headers):
            return False
        if self._knows(headers):
            return True
        if not self.codes.redeem(codes[0]):
            return False
        self.used()
        return True

    def refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Status and sentence where the request is not let through, else None."""
        headers = _headers(scope)
        wrong = self._wrong_place(scope, headers)
        if wrong is not None:
            return wrong
        path = scope["path"]
        if path.startswith("/page/"):
            return None  # the same for everyone: nothing of the case is in them
        site = headers.get(b"sec-fetch-site", [b"none"])
        # Browsers say so themselves where another page asks; the way to the page itself may be a link.
        if path.startswith("/api/") and site[-1] not in (b"none", b"same-origin"):
            return 403, WRONG_ORIGIN
        if not self._knows(headers):
            return 403, WRONG_KEY
        return None

    def _wrong_place(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        """Status and sentence where host, method or origin are not this page's."""
        host = headers.get(b"host", [])
        if len(host) != 1 or host[0] not in self.hosts:
            return 421, WRONG_HOST
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return 405, WRONG_METHOD
        origin = headers.get(b"origin", [])
        own = [b"http://" + host[0]]
        if (origin or scope["method"] == "POST") and origin != own:
            return 403, WRONG_ORIGIN
        return None

    def _knows(self, headers: Headers) -> bool:
        """Whether the request brings the cookie of this start."""
        pairs = (p.strip().partition(b"=") for h in headers.get(b"cookie", []) for p in h.split(b";"))
        given = [value for name, _, value in pairs if name == self.cookie]
        return len(given) == 1 and secrets.compare_digest(given[0], self.codes.key.encode())


Headers = dict[bytes, list[bytes]]


def _headers(scope: Scope) -> Headers:
    headers: Headers = {}
    for name, value in scope["headers"]:
        headers.setdefault(name.lower(), []).append(value)
    return headers


def _query_codes(scope: Scope) -> list[bytes]:
    pairs = (part.partition(b"=") for part in scope.get("query_string", b"").split(b"&"))
    return [value for name, _, value in pairs if name == b"code"]


class TooLong(Exception):
    """The body is longer than `LONGEST_BODY`."""


async def read_body(receive: Receive, seconds: float = BODY_S) -> bytes:
    """The request's body; reads no more than is allowed, and waits no longer.

    Raises
    ------
    TooLong, TimeoutError
    """
    return await asyncio.wait_for(_whole_body(receive), seconds)


async def _whole_body(receive: Receive) -> bytes:
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return bytes(body)
        body += message.get("body", b"")
        if len(body) > LONGEST_BODY:
            raise TooLong
        if not message.get("more_body"):
            return bytes(body)
