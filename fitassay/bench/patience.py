"""Connections that say nothing do not keep others out: they are hung up on, oldest first where there are many."""

from __future__ import annotations

import asyncio
from typing import ClassVar

from uvicorn.protocols.http.h11_impl import H11Protocol

HEADER_S = 5.0
"""A browser sends its request at once; a connection without a whole one for this long is closed [s]."""

MOST = 100
"""Connections held open; beyond that the oldest one that waits for nothing of ours makes room."""


class PatientProtocol(H11Protocol):
    """uvicorn's HTTP/1.1 protocol with a time for the request's head and a place for who comes last."""

    opened: ClassVar[dict[PatientProtocol, None]] = {}
    """Connections in the order of their opening, over all benches of the process."""

    _late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.opened[self] = None
        if len(self.opened) > MOST:
            idle = next((p for p in self.opened if p is not self and not p.busy), None)
            if idle is not None:
                idle.hang_up()
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        self.opened.pop(self, None)
        self._stop_waiting()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        try:
            super().data_received(data)
        except Exception:  # whatever a stranger's bytes make the parser raise is no matter for the terminal
            self.hang_up()
            return
        if self.busy:
            self._stop_waiting()
        elif self._late is None:
            self._wait()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if not self.transport.is_closing() and not self.busy and self.conn.trailing_data[0]:
            self._wait()

    @property
    def busy(self) -> bool:
        """Whether a request has come whole and its answer has not gone out."""
        return self.cycle is not None and not self.cycle.response_complete

    def hang_up(self) -> None:
        self.opened.pop(self, None)
        self._stop_waiting()
        if not self.transport.is_closing():
            self.transport.abort()

    def _wait(self) -> None:
        self._stop_waiting()
        self._late = self.loop.call_later(HEADER_S, self._too_late)

    def _stop_waiting(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None

    def _too_late(self) -> None:
        self._late = None
        if not self.busy:
            self.hang_up()
