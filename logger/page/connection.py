"""One connection to the page: whoever does not ask in time, or comes when too many are here, is let go.

Without that anybody could open a thousand connections, send each a byte a minute, and leave the daemon no
file handle for its journal.
"""

from __future__ import annotations

import asyncio

from uvicorn.protocols.http.h11_impl import H11Protocol

REQUEST_S = 10.0
"""A request's head comes within this (s): a phone far from its access point takes a second or two."""


class Connection(H11Protocol):
    """uvicorn's connection with a limit of time for each request's head, and of number for all of them."""

    _hurry: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as uvicorn's
        """Begin, unless as many are here as may be."""
        super().connection_made(transport)
        if self.limit_concurrency is not None and len(self.connections) > self.limit_concurrency:
            transport.abort()
        else:
            self._await_request()

    def on_response_complete(self) -> None:
        """An answer is out; the next request's head has as much time."""
        super().on_response_complete()
        self._await_request()

    def connection_lost(self, exc: Exception | None) -> None:
        """End."""
        super().connection_lost(exc)
        if self._hurry is not None:
            self._hurry.cancel()

    def _await_request(self) -> None:
        if self._hurry is not None:
            self._hurry.cancel()
        self._hurry = self.loop.call_later(REQUEST_S, self._let_go)

    def _let_go(self) -> None:
        if self.cycle is None or self.cycle.response_complete:  # else a request is being answered
            self.transport.abort()
