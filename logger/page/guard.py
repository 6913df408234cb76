"""Who may ask the page for what: checks of Host and Origin, and headers that bind the browser; no state.

Host is checked against names that others point at this computer (rebinding): a numeric address cannot be
rebound, a name must be one of ours. Origin is checked against other sites that post through a visitor's
browser.
"""

from __future__ import annotations

import re
import socket
from collections.abc import Iterable
from dataclasses import dataclass
from http import HTTPStatus
from ipaddress import ip_address
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; "
        "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "screen-wake-lock=(self), camera=(), microphone=(), geolocation=()",
    "cache-control": "no-cache",
}
"""Sent with every answer; nothing inline runs, nothing comes from elsewhere, nobody frames the page."""

BODY_LIMIT = 2048
"""Bytes a command may have; a name and its wrapping need a tenth of it."""
METHODS = ("GET", "HEAD", "POST")
HOST = re.compile(r"(\[(?P<six>[0-9A-Fa-f:.]+)\]|(?P<name>[A-Za-z0-9._-]+))(:[0-9]{1,5})?")
"""A name or number and a port (RFC 3986, 3.2.2 and 3.2.3); nothing before or behind them."""


@dataclass(frozen=True)
class Refusal:
    """Why a request is not served, in words for whoever sees it."""

    status: HTTPStatus
    text: str


def own_names(extra: Iterable[str] = ()) -> frozenset[str]:
    """Names under which this computer may be asked, lower case."""
    host = socket.gethostname().lower()
    return frozenset({"localhost", host, f"{host}.local", *(name.lower() for name in extra)})


def refuse(method: str, scheme: str, headers: Headers, names: frozenset[str]) -> Refusal | None:
    """Check a request's method, Host, Origin and size; None when it may pass."""
    if method not in METHODS:
        return Refusal(HTTPStatus.METHOD_NOT_ALLOWED, f"{method} is not served here")
    host = headers.get("host", "")
    if not _is_ours(host, names):
        return Refusal(
            HTTPStatus.MISDIRECTED_REQUEST,
            f"not served under the name {host[:80]!r}; use its number, or add the name to [page] names",
        )
    origin = headers.get("origin")
    if origin is None and method == "POST":
        return Refusal(HTTPStatus.FORBIDDEN, "a command must say where it comes from (Origin)")
    if origin is not None and origin.lower() != f"{scheme}://{host}".lower():
        return Refusal(HTTPStatus.FORBIDDEN, "commands are taken from this page only")
    length = headers.get("content-length", "0")
    if not length.isdecimal() or int(length[:12]) > BODY_LIMIT:
        return Refusal(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, f"at most {BODY_LIMIT} bytes")
    return None


def _is_ours(host: str, names: frozenset[str]) -> bool:
    parts = HOST.fullmatch(host)
    if parts is None:
        return False
    name = parts["six"] or parts["name"]
    if name.lower().rstrip(".") in names:
        return True
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


class Guard:
    """ASGI wrapper: refuses what `refuse` refuses and puts HEADERS on every answer."""

    def __init__(self, app: ASGIApp, names: frozenset[str]) -> None:
        self._app = app
        self._names = names

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            return

        async def send_bound(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        refusal = refuse(scope["method"], scope["scheme"], Headers(scope=scope), self._names)
        app: Any = self._app if refusal is None else PlainTextResponse(refusal.text, refusal.status)
        await app(scope, receive, send_bound)
