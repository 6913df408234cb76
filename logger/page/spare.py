"""What the page answers where an answer fails, for want of memory or by a fault of ours: made beforehand."""

from __future__ import annotations

from collections.abc import Callable

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from logger.shortage import no_memory

NO_MEMORY = (
    b"This PC has no memory left for the page just now; readings are still taken and kept. "
    b"Close other programs on it, then load the page again."
)
FAULT = b"This answer failed by a fault in the program, which its log names; please report it."


class Spare:
    """ASGI wrapper: gives NO_MEMORY or FAULT where an answer fails, and calls `on_failure` with what it was.

    Of an answer that has begun nothing more is sent.
    """

    def __init__(self, app: ASGIApp, on_failure: Callable[[Exception], object]) -> None:
        self._app = app
        self._on_failure = on_failure

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        begun = False

        async def send_on(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            await self._app(scope, receive, send_on)
        except Exception as fault:
            self._on_failure(fault)
            if not begun:
                short = no_memory(fault)
                headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"retry-after", b"10")]
                start = {"type": "http.response.start", "status": 503 if short else 500}
                await send({**start, "headers": headers[: 2 if short else 1]})
                await send({"type": "http.response.body", "body": NO_MEMORY if short else FAULT})
