"""A connection to the room whose requests must come whole within a stated time: half of one holds none open.

The server library times what stands idle between two requests, and messages of an open socket; a connection that sends
nothing at first, or a request bit by bit, it would wait for without end.
"""

from __future__ import annotations

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

# From the opening of a connection, or from the last answer, to the end of a request; on one machine it takes none.
REQUEST_WITHIN_S = 10.0


class TimedConnection(H11Protocol):
    """The library's connection, dropped where a request is not whole in time.

    Does not: limit how long an answer takes, or a socket that was opened.
    """

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to count."""
        super().connection_made(transport)
        self._count()

    def connection_lost(self, exc: Exception | None) -> None:
        """Count no more."""
        self._stop()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Count on while a part of the request is still to come."""
        super().data_received(data)
        self._count()

    def on_response_complete(self) -> None:
        """Count anew, for the next request."""
        super().on_response_complete()
        self._count()

    def _count(self) -> None:
        is_ours = self.transport.get_protocol() is self and not self.transport.is_closing()
        # A request that opened a socket handed the connection over: that has a time-out of its own.
        if not is_ours or self.conn.their_state not in (h11.IDLE, h11.SEND_BODY):
            self._stop()
        elif self._deadline is None:
            self._deadline = self.loop.call_later(REQUEST_WITHIN_S, self.transport.abort)

    def _stop(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
        self._deadline = None
