"""What the page answers where the computer has no memory for an answer: a sentence made beforehand."""

from __future__ import annotations

from collections.abc import Callable

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from logger.shortage import no_memory

NO_MEMORY = (
    b"This PC has no memory left for the page just now; readings are still taken and kept. "
    b"Close other programs on it, then load the page again."
)


class Spare:
    """ASGI wrapper: gives NO_MEMORY where an answer fails for want of memory, and calls `on_shortage`.

    Of an answer that has begun nothing more is sent.
    """

    def __init__(self, app: ASGIApp, on_shortage: Callable[[], object]) -> None:
        self._app = app
        self._on_shortage = on_shortage

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
            if not no_memory(fault):
                raise
            self._on_shortage()
            if not begun:
                headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"retry-after", b"10")]
                await send({"type": "http.response.start", "status": 503, "headers": headers})
                await send({"type": "http.response.body", "body": NO_MEMORY})
