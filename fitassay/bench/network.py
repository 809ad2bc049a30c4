"""The bench page for a phone: this machine's address in the home network, a picture of it, and a time to stop."""

from __future__ import annotations

import ipaddress
import socket
import threading
import time
from collections.abc import Callable

from fitassay.coupons.errors import InputError, JobError

IDLE_S = 30 * 60.0
"""The page leaves the network when no reading has come for so long [s]."""

# An address that belongs to documents (RFC 5737): asking the system which way leads there sends nothing.
_SOMEWHERE = ("192.0.2.1", 9)


def own_address() -> str:
    """This machine's address in the network that it is in.

    Raises
    ------
    JobError
        It is in none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(_SOMEWHERE)
            found = probe.getsockname()[0]
        except OSError as exc:
            raise JobError(
                "this machine is in no network that a phone could be in; join one, or name its address "
                "(--address 192.168.1.5)"
            ) from exc
    return check_address(found)


def check_address(text: str) -> str:
    """An address at home as it was given.

    Raises
    ------
    InputError
        It is no IPv4 address, or one that the whole world reaches.
    """
    try:
        address = ipaddress.IPv4Address(text)
    except ValueError as exc:
        raise InputError(f"{text!r} is no address; write one such as 192.168.1.5", "--address") from exc
    if not (address.is_private or address.is_link_local) or address.is_unspecified:
        raise InputError(
            f"{text} is no address of a home network; the page is not shown to the whole world", "--address"
        )
    return str(address)


def picture_of(address: str) -> str:
    """The address as a QR code (ISO/IEC 18004) in half blocks, light on a dark terminal."""
    import io

    import segno

    out = io.StringIO()
    segno.make(address, error="m", micro=False).terminal(out=out, compact=True)
    return out.getvalue()


class IdleWatch:
    """Calls `stop` once nothing has been done for a while; a page that only looks on does nothing.

    Parameters
    ----------
    stop : callable
    seconds : float [s]
    """

    def __init__(self, stop: Callable[[], None], seconds: float = IDLE_S) -> None:
        self._stop, self._seconds = stop, seconds
        self._last = time.monotonic()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="idle watch", daemon=True)

    def touch(self) -> None:
        """Something has been done."""
        self._last = time.monotonic()

    def __enter__(self) -> IdleWatch:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()

    def _watch(self) -> None:
        while not self._over.wait(max(self._last + self._seconds - time.monotonic(), 0.01)):
            if time.monotonic() - self._last >= self._seconds:
                self._stop()
                return
