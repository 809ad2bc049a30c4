"""The bench page's server: a page, its state and its actions, on the loopback interface only."""

from __future__ import annotations

import hashlib
import logging
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from fitassay.bench.actions import BadRequest, parse_actions
from fitassay.bench.guard import Codes, Guard, TooLong, read_body
from fitassay.bench.patience import PatientProtocol
from fitassay.bench.session import Bench
from fitassay.coupons.errors import FitassayError, JobError

HOST = "127.0.0.1"
# RFC 6335: ports that belong to nobody. A case keeps its port, so that a browser keeps its unsent readings.
FIRST_PORT, LAST_PORT = 49152, 65535

PAGE = Path(__file__).parent / "page"
FILES = {
    "bench.css": "text/css; charset=utf-8",
    "bench.js": "text/javascript; charset=utf-8",
    "course.js": "text/javascript; charset=utf-8",
    "drawing.js": "text/javascript; charset=utf-8",
    "outbox.js": "text/javascript; charset=utf-8",
    "show.js": "text/javascript; charset=utf-8",
    "talk.js": "text/javascript; charset=utf-8",
}


def usual_port(room: str) -> int:
    """The port that the case of that name is served on if it is free."""
    digest = hashlib.sha256(room.encode()).digest()
    return FIRST_PORT + int.from_bytes(digest[:4], "big") % (LAST_PORT - FIRST_PORT + 1)


def open_socket(port: int | None, usual: int) -> socket.socket:
    """A listening loopback socket on `port`, or on the usual one or any free one where `port` is None.

    Raises
    ------
    JobError
        The port asked for is taken.
    """
    for candidate in (usual, 0) if port is None else (port,):
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        # Windows would let a second program share the port under SO_REUSEADDR; elsewhere it only skips the wait.
        alone = getattr(socket, "SO_EXCLUSIVEADDRUSE", socket.SO_REUSEADDR)
        listener.setsockopt(socket.SOL_SOCKET, alone, 1)
        try:
            listener.bind((HOST, candidate))
            # Here and now, so that of two benches started at once only one gets the port.
            listener.listen(128)
        except OSError:
            listener.close()
            continue
        return listener
    raise JobError(f"port {port} is taken; leave --port away or choose another")


class Pages:
    """What the page's addresses answer."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench

    async def page(self, _: Request) -> Response:
        return FileResponse(PAGE / "bench.html", media_type="text/html; charset=utf-8")

    async def file(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in FILES:
            return PlainTextResponse("There is no such file.\n", 404)
        return FileResponse(PAGE / name, media_type=FILES[name])

    async def plan(self, _: Request) -> Response:
        return JSONResponse(await run_in_threadpool(self.bench.plan))

    async def state(self, request: Request) -> Response:
        current = await run_in_threadpool(self.bench.state)
        if request.query_params.get("since", "") == str(current["version"]):
            return JSONResponse({"same": True})
        return JSONResponse(current)

    async def drawing(self, request: Request) -> Response:
        coupon = request.query_params.get("coupon", "")
        return JSONResponse(await run_in_threadpool(self.bench.drawing, coupon))

    async def act(self, request: Request) -> Response:
        kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if kind != "application/json":
            return PlainTextResponse("Actions are sent as application/json.\n", 415)
        try:
            tab, items = parse_actions(await read_body(request.receive))
        except TooLong:
            return PlainTextResponse("The request is too long.\n", 413, {"connection": "close"})
        except TimeoutError:
            return PlainTextResponse("The request did not come whole.\n", 408, {"connection": "close"})
        except BadRequest as exc:
            return PlainTextResponse(f"{exc}\n", 400)
        results = await run_in_threadpool(self.bench.act, tab, items)
        return JSONResponse({"results": results, "state": await run_in_threadpool(self.bench.state)})


async def told(_: Request, exc: Exception) -> Response:
    """An error that the user can mend, as its sentence."""
    return PlainTextResponse(f"{exc}\n", 500)


def make_app(bench: Bench, *, port: int, codes: Codes, used: Callable[[], None] = lambda: None) -> Guard:
    """The whole page as an ASGI application for one port and one start's codes."""
    pages = Pages(bench)
    app = Starlette(
        routes=[
            Route("/", pages.page),
            Route("/page/{name}", pages.file),
            Route("/api/plan", pages.plan),
            Route("/api/state", pages.state),
            Route("/api/drawing", pages.drawing),
            Route("/api/act", pages.act, methods=["POST"]),
        ],
        exception_handlers={FitassayError: told},
    )
    return Guard(app, port=port, codes=codes, used=used)


@contextmanager
def open_bench(
    bench: Bench, port: int | None = None, again: Callable[[str], None] = lambda _: None
) -> Iterator[tuple[uvicorn.Server, socket.socket, str]]:
    """A server for `bench` that is ready to run, its socket, and an address that lets one browser in once.

    Parameters
    ----------
    bench : Bench
    port : int, optional
        The case's usual one, or any free one, where None.
    again : callable
        Called with a fresh address whenever one has been used.

    Raises
    ------
    JobError
        The port asked for is taken.
    """
    # A fault of ours shows in the terminal; what strangers send does not fill it.
    logging.getLogger("uvicorn.error").setLevel(logging.ERROR)
    codes = Codes()
    with open_socket(port, usual_port(bench.room)) as listener:
        number = listener.getsockname()[1]

        def address() -> str:
            return f"http://{HOST}:{number}/?code={codes.issue()}"

        config = uvicorn.Config(
            make_app(bench, port=number, codes=codes, used=lambda: again(address())),
            http=PatientProtocol,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_keep_alive=30,
            timeout_graceful_shutdown=2,
        )
        with bench:
            yield uvicorn.Server(config), listener, address()


def serve(
    bench: Bench,
    *,
    port: int | None = None,
    ready: Callable[[str], None],
    again: Callable[[str], None] = lambda _: None,
) -> None:
    """Serve the page until interrupted; `ready` gets its address once it answers, `again` further ones."""
    with open_bench(bench, port, again) as (server, listener, address):
        ready(address)
        server.run(sockets=[listener])


__all__ = ["HOST", "make_app", "open_bench", "open_socket", "serve", "usual_port"]
