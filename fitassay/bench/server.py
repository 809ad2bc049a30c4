"""The bench page's server: a page, its state and its actions, on the loopback interface only unless asked."""

from __future__ import annotations

import hashlib
import logging
import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from fitassay.bench.actions import BadRequest, parse_actions
from fitassay.bench.guard import Codes, Guard, TooLong, read_body
from fitassay.bench.network import IDLE_S, IdleWatch
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


def open_socket(port: int | None, usual: int, host: str = HOST) -> socket.socket:
    """A listening socket on `port`, or on the usual one or any free one where `port` is None; loopback by default.

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
            listener.bind((host, candidate))
            # Here and now, so that of two benches started at once only one gets the port.
            listener.listen(128)
        except OSError:
            listener.close()
            continue
        return listener
    if host != HOST:
        raise JobError(
            f"{host} with port {port} cannot be had; see that it is this machine's own address, or choose a --port"
        )
    raise JobError(f"port {port} is taken; leave --port away or choose another")


class Pages:
    """What the page's addresses answer."""

    def __init__(self, bench: Bench, done: Callable[[], None] = lambda: None) -> None:
        self.bench = bench
        self.done = done

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
        self.done()
        results = await run_in_threadpool(self.bench.act, tab, items)
        return JSONResponse({"results": results, "state": await run_in_threadpool(self.bench.state)})


async def told(_: Request, exc: Exception) -> Response:
    """An error that the user can mend, as its sentence."""
    return PlainTextResponse(f"{exc}\n", 500)


def make_app(
    bench: Bench,
    *,
    port: int,
    codes: Codes,
    used: Callable[[], None] = lambda: None,
    phone: str | None = None,
    done: Callable[[], None] = lambda: None,
) -> Guard:
    """The whole page as an ASGI application for one port and one start's codes.

    Parameters
    ----------
    used : callable
        Called when a code has let a browser in.
    phone : str, optional
        This machine's address in the home network, if the page is shown there.
    done : callable
        Called at every action of the page.
    """
    pages = Pages(bench, done)
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
    return Guard(app, port=port, codes=codes, used=used, phone=phone)


@dataclass(frozen=True)
class Opened:
    """A server that is ready to run on its sockets, and addresses that each let one browser in once.

    Attributes
    ----------
    server : uvicorn.Server
    sockets : list of socket
    address : str
        For this machine.
    phone : str
        For a phone in the home network; empty where the page is not shown there.
    """

    server: uvicorn.Server
    sockets: list[socket.socket]
    address: str
    phone: str = ""

    def run(self) -> None:
        """Serve until stopped."""
        self.server.run(sockets=self.sockets)


@contextmanager
def open_bench(
    bench: Bench,
    port: int | None = None,
    again: Callable[[str], None] = lambda _: None,
    *,
    phone: str | None = None,
    idle_s: float = IDLE_S,
) -> Iterator[Opened]:
    """The page of `bench`, ready to be served.

    Parameters
    ----------
    bench : Bench
    port : int, optional
        The case's usual one, or any free one, where None.
    again : callable
        Called with a fresh address whenever one has been used.
    phone : str, optional
        This machine's address in the home network: the page is served there too, and stops when idle.
    idle_s : float [s]
        After so long without a reading.

    Raises
    ------
    JobError
        The port asked for is taken, or the address is not this machine's.
    """
    # A fault of ours shows in the terminal; what strangers send does not fill it.
    logging.getLogger("uvicorn.error").setLevel(logging.ERROR)
    codes = Codes()
    with ExitStack() as stack:
        sockets = [stack.enter_context(open_socket(port, usual_port(bench.room)))]
        number = sockets[0].getsockname()[1]
        if phone is not None:
            sockets.append(stack.enter_context(open_socket(number, number, phone)))

        def address(host: str = HOST) -> str:
            return f"http://{host}:{number}/?code={codes.issue(typed=host != HOST)}"

        def used() -> None:
            touch()
            again(address(phone or HOST))

        touch: Callable[[], None] = lambda: None  # noqa: E731
        app = make_app(bench, port=number, codes=codes, used=used, phone=phone, done=lambda: touch())
        config = uvicorn.Config(
            app,
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
        server = uvicorn.Server(config)
        if phone is not None:
            touch = stack.enter_context(IdleWatch(lambda: setattr(server, "should_exit", True), idle_s)).touch
        with bench:
            yield Opened(server, sockets, address(), address(phone) if phone is not None else "")


def serve(
    bench: Bench,
    *,
    port: int | None = None,
    ready: Callable[[str, str], None],
    again: Callable[[str], None] = lambda _: None,
    phone: str | None = None,
    idle_s: float = IDLE_S,
) -> None:
    """Serve the page until interrupted, or, where a phone may come, until it has lain idle.

    `ready` gets the page's address and the phone's once it answers, `again` further ones.
    """
    with open_bench(bench, port, again, phone=phone, idle_s=idle_s) as opened:
        ready(opened.address, opened.phone)
        opened.run()


__all__ = ["HOST", "Opened", "make_app", "open_bench", "open_socket", "serve", "usual_port"]
