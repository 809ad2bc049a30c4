"""Who may talk to the bench page: this machine, this page, this start."""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

LONGEST_BODY = 128 * 1024
"""No action is longer than this [bytes]."""

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
WRONG_KEY = "The key is missing or of an earlier start; open the address that fitassay bench showed.\n"
WRONG_ORIGIN = "Another page's request is not taken.\n"
WRONG_METHOD = "Only GET, HEAD and POST are understood here.\n"


class Guard:
    """Lets a request through to `app` if host, origin and key are right; adds the page's own headers.

    Parameters
    ----------
    app : ASGI application
    port : int
        The port that the page is served on; the host must be this machine's loopback name with it.
    key : str
        Random for each start; in the page's address as ``key`` and in requests as ``Fitassay-Key``.
    """

    def __init__(self, app, *, port: int, key: str) -> None:
        self.app = app
        self.hosts = {f"127.0.0.1:{port}".encode(), f"localhost:{port}".encode()}
        if port == 80:
            self.hosts |= {b"127.0.0.1", b"localhost"}
        self.key = key.encode()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return

        async def send_with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *HEADERS]
            await send(message)

        refusal = self.refusal(scope)
        if refusal is not None:
            status, text = refusal
            body = text.encode()
            kind = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", b"%d" % len(body))]
            await send_with_headers({"type": "http.response.start", "status": status, "headers": kind})
            await send_with_headers({"type": "http.response.body", "body": body})
            return
        await self.app(scope, receive, send_with_headers)

    def refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Status and sentence where the request is not let through, else None."""
        headers: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.lower(), []).append(value)
        host = headers.get(b"host", [])
        if len(host) != 1 or host[0] not in self.hosts:
            return 421, WRONG_HOST
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return 405, WRONG_METHOD
        origin = headers.get(b"origin", [])
        own = [b"http://" + host[0]]
        if (origin or scope["method"] == "POST") and origin != own:
            return 403, WRONG_ORIGIN
        path = scope["path"]
        if path.startswith("/page/"):
            return None  # the same for everyone: nothing of the case is in them
        site = headers.get(b"sec-fetch-site", [b"none"])
        # Browsers say so themselves where another page asks; the way to the page itself may be a link.
        if path.startswith("/api/") and site[-1] not in (b"none", b"same-origin"):
            return 403, WRONG_ORIGIN
        given = headers.get(b"fitassay-key", []) if path.startswith("/api/") else _query_keys(scope)
        if len(given) != 1 or not secrets.compare_digest(given[0], self.key):
            return 403, WRONG_KEY
        return None


def _query_keys(scope: Scope) -> list[bytes]:
    pairs = (part.partition(b"=") for part in scope.get("query_string", b"").split(b"&"))
    return [value for name, _, value in pairs if name == b"key"]


class TooLong(Exception):
    """The body is longer than `LONGEST_BODY`."""


async def read_body(receive: Receive) -> bytes:
    """The request's body; reads no more than is allowed."""
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
