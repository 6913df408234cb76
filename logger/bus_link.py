"""One connection of the bus: what it is made with, why it ended, and how its remains are put away."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import asyncio
    import ssl

    import aiomqtt

QUIET = logging.getLogger("restpoint.mqtt")
"""For the client's own remarks: what fails reaches us as an error anyway, and is told once per change."""
QUIET.setLevel(logging.CRITICAL)


def read_secret(file: str) -> str | None:
    """Read a password from a file of its own; None where none is named. Raises OSError."""
    return Path(file).read_text().strip() if file else None


def tls_context(ca_file: str) -> ssl.SSLContext:
    """Trust this signer's certificates, or with "" the machine's own authorities. Raises OSError."""
    import ssl  # noqa: PLC0415  only for those who open their bus to a network

    return ssl.create_default_context(cafile=ca_file or None)


def reason(why: Exception) -> str:
    """Say in words why a connection ended: the innermost causes, each once."""
    if not isinstance(why, ExceptionGroup):
        return str(why) or type(why).__name__
    return ", ".join(dict.fromkeys(map(reason, why.exceptions)))


def hush(loop: asyncio.AbstractEventLoop) -> None:
    """Keep out of the log what the client leaves in the loop when a connection breaks at the wrong moment.

    It asks the loop to watch a socket that is closed by then. Everything else goes to the handler before.
    """
    before = loop.get_exception_handler()

    def handle(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        late = "add_writer" in context["message"] or "add_reader" in context["message"]
        if late and isinstance(context.get("exception"), OSError | ValueError):
            return
        if before is None:
            loop.default_exception_handler(context)
        else:
            before(loop, context)

    loop.set_exception_handler(handle)


def abandon(client: aiomqtt.Client) -> None:
    """Close what a failed attempt leaves open, and look at its error so that nobody logs it as unseen.

    aiomqtt has no public way for either: after a connect that timed out its socket would stay registered
    in the loop, and would take the session over when the broker wakes.
    """
    client._client.disconnect()
    disconnected = client._disconnected
    if disconnected.done() and not disconnected.cancelled():
        disconnected.exception()
