"""The page over HTTP: static files, a stream of events, commands by POST; imported when first served."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from functools import partial
from http import HTTPStatus
from importlib.resources import files
from typing import Annotated, Any, Protocol, TypeVar, get_args, get_type_hints

import anyio
import msgspec
import uvicorn
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from logger.clock import now_ns
from logger.drawing.sheet import Nose
from logger.model import Command
from logger.page.certificate import Certificate
from logger.page.connection import Connection
from logger.page.doors import Doors, Visitor
from logger.page.guard import BODY_LIMIT, Guard, own_names
from logger.page.metrics import prometheus
from logger.page.settings import PageSettings
from logger.page.spare import Spare
from logger.page.viewers import Viewer
from logger.pairing import PairingRefused

FILES = {
    "/": ("index.html", "text/html"),
    "/page.js": ("page.js", "text/javascript"),
    "/mouth.js": ("mouth.js", "text/javascript"),
    "/page.css": ("page.css", "text/css"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}
"""All there is to fetch; nothing else under the folder can be asked for."""
VERBS: tuple[str, ...] = get_args(get_type_hints(Command)["verb"])
TOKEN_S = 400 * 86_400
"""A pairing lasts this long (s) in the browser: the longest that browsers keep a cookie (RFC 6265bis)."""
BACKLOG = 32
"""Connections taken up in one go: each is a file handle until it is told that there is no room."""
HANDSHAKE_S = 5.0
"""A TLS handshake is done within this (s): a phone on a poor wi-fi takes one or two."""
BODY_S = 5.0
"""A body, which is one packet, comes within this (s) of its head."""
ARGUMENT_LIMIT = 200
"""Characters of a command's argument: the longest thing to say is a name."""


class Host(Protocol):
    """What the page behind the doors offers: room for viewers, an ear for commands, and how the daemon is."""

    doors: Doors
    health: Callable[[], dict[str, Any]]

    def join(self, nose: Nose, visitor: Visitor) -> Viewer | None:
        """Take in a viewer that is told the present state at once; None when there is no room."""
        ...

    def leave(self, viewer: Viewer) -> None:
        """Forget a viewer."""
        ...

    def command(self, command: Command) -> None:
        """Hand a command on."""
        ...

    def not_answered(self, fault: Exception) -> None:
        """Hear that somebody got no answer, and why."""
        ...


class Server(uvicorn.Server):
    """Serves a host's page until `should_exit`; leaves the process's signals to the daemon."""

    def __init__(self, host: Host, settings: PageSettings, tls: Certificate | None) -> None:
        super().__init__(
            uvicorn.Config(
                Guard(_routes(host, settings.metrics), own_names(settings.names)),
                ssl_certfile=None if tls is None else tls.file,
                ssl_keyfile=None if tls is None else tls.key,
                lifespan="off",
                ws="none",
                log_config=None,
                log_level="critical",  # what strangers send is no news, and our own faults are told by Spare
                access_log=False,
                server_header=False,
                proxy_headers=False,
                timeout_graceful_shutdown=1,
                limit_concurrency=4 * settings.viewers,
            )
        )

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Listen as uvicorn does, but wait for a TLS handshake no longer than for a request (not 60 s)."""
        async with anyio.create_task_group():  # what every answer needs is loaded while there is memory
            pass
        loop, tls = asyncio.get_running_loop(), self.config.ssl
        connection = partial(
            Connection, config=self.config, server_state=self.server_state, app_state=self.lifespan.state
        )
        patience_s = None if tls is None else HANDSHAKE_S
        self.servers = [
            await loop.create_server(
                connection, sock=sock, ssl=tls, ssl_handshake_timeout=patience_s, backlog=BACKLOG
            )
            for sock in sockets or ()
        ]
        self.started = True

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture none."""
        yield


def _routes(host: Host, metrics: bool) -> Starlette:
    async def events(request: Request) -> Response:
        """A stream of JSON objects, each with what has changed; the first has everything."""
        visitor = _who(host, request)
        if visitor.may == "nothing":
            return _pair_first()
        viewer = host.join("left" if request.query_params.get("nose") == "left" else "up", visitor)
        if viewer is None:
            return PlainTextResponse("too many pages are open; close one", HTTPStatus.SERVICE_UNAVAILABLE)
        return StreamingResponse(_watch(host, viewer), media_type="text/event-stream")

    async def me(request: Request) -> Response:
        """What whoever asks may do; the one thing besides the files that is told to everybody."""
        visitor = _who(host, request)
        return _json({"may": visitor.may, "name": visitor.name})

    async def do(request: Request) -> Response:
        return await _do(host, request)

    async def pair(request: Request) -> Response:
        return await _pair(host, request)

    async def counts(request: Request) -> Response:
        if _who(host, request).may == "nothing":
            return _pair_first()
        return Response(prometheus(host.health()), media_type="text/plain; version=0.0.4")

    routes = [Route(path, _file(*named)) for path, named in FILES.items()]
    routes += [Route("/events", events), Route("/me", me), Route("/pair", pair, methods=["POST"])]
    routes += [Route("/metrics", counts)] if metrics else []
    routes.append(Route("/do/{verb}", do, methods=["POST"]))
    return Starlette(routes=routes, middleware=[Middleware(Spare, host.not_answered)])


def _who(host: Host, request: Request) -> Visitor:
    address = request.client.host if request.client else None
    headers = {name.lower(): value for name, value in request.headers.items()}
    return host.doors.who(address, headers, request.cookies.get(_cookie(request), ""))


def _cookie(request: Request) -> str:
    """The token's cookie: of this port, since browsers send a computer's cookies to all of its ports."""
    return f"restpoint-{request.url.port or 'page'}"


def _pair_first() -> Response:
    return PlainTextResponse(
        "pair this device first: run `restpoint pair` on the PC", HTTPStatus.UNAUTHORIZED
    )


def _json(value: Any, status: HTTPStatus = HTTPStatus.OK) -> Response:
    return Response(msgspec.json.encode(value), status, media_type="application/json")


async def _watch(host: Host, viewer: Viewer) -> AsyncIterator[bytes]:
    try:
        async for message in viewer.stream():
            yield message
    finally:
        host.leave(viewer)


async def _do(host: Host, request: Request) -> Response:
    """Take a command: a JSON object with an optional `argument`."""
    verb = request.path_params["verb"]
    refused = _no_command(host, request, verb)
    if refused is not None:
        return refused
    argument = await _asked(request, _Argument)
    if isinstance(argument, Response):
        return argument
    try:
        text = _plain_text(argument.argument)
    except ValueError as error:
        return PlainTextResponse(str(error), HTTPStatus.BAD_REQUEST)
    origin = f"page {request.client.host}" if request.client else "page"
    host.command(Command(t_mono_ns=now_ns()[0], verb=verb, argument=text, origin=origin))
    return Response(status_code=HTTPStatus.ACCEPTED)


def _no_command(host: Host, request: Request, verb: str) -> Response | None:
    """Why this command is not taken from whoever asks; None when it is."""
    may = _who(host, request).may
    if may == "nothing":
        return _pair_first()
    if may != "command":
        return PlainTextResponse("this device may watch, not command", HTTPStatus.FORBIDDEN)
    if verb not in VERBS:
        return PlainTextResponse(f"{verb[:40]!r} is none of {', '.join(VERBS)}", HTTPStatus.NOT_FOUND)
    if not host.doors.may_command_now():
        return PlainTextResponse("too many commands at once", HTTPStatus.TOO_MANY_REQUESTS)
    return None


async def _pair(host: Host, request: Request) -> Response:
    """Take a code; who tells the right one gets a token that scripts cannot read."""
    asked = await _asked(request, _Code)
    if isinstance(asked, Response):
        return asked
    try:
        token, right = await asyncio.to_thread(host.doors.pair, asked.code)
    except PairingRefused as why:
        return PlainTextResponse(str(why), HTTPStatus.FORBIDDEN)
    except OSError as why:
        return PlainTextResponse(
            f"the pairing could not be stored: {why.strerror}", HTTPStatus.INSUFFICIENT_STORAGE
        )
    answer = _json({"may": right})
    secure = request.url.scheme == "https"
    answer.set_cookie(
        _cookie(request), token, max_age=TOKEN_S, httponly=True, samesite="strict", secure=secure, path="/"
    )
    return answer


def _file(name: str, media_type: str) -> Callable[[Request], Awaitable[Response]]:
    content = files("logger.page").joinpath("static", name).read_bytes()

    async def give(_: Request) -> Response:
        return Response(content, media_type=media_type)

    return give


async def _body(request: Request) -> bytes:
    """Read a body of at most BODY_LIMIT bytes in BODY_S, whatever its header claims; ValueError beyond."""
    body = b""
    try:
        async with asyncio.timeout(BODY_S):
            async for part in request.stream():
                body += part
                if len(body) > BODY_LIMIT:
                    raise ValueError(f"at most {BODY_LIMIT} bytes")
    except TimeoutError:
        raise ValueError(f"the body did not come within {BODY_S:g} s") from None
    except ClientDisconnect:
        raise ValueError("the sender left in the middle") from None
    return body


class _Argument(msgspec.Struct, forbid_unknown_fields=True):
    argument: str = ""


class _Code(msgspec.Struct, forbid_unknown_fields=True):
    code: Annotated[str, msgspec.Meta(max_length=20)]


T = TypeVar("T")


async def _asked(request: Request, kind: type[T]) -> T | Response:
    """Read what is asked: a small JSON object; a Response that refuses it otherwise."""
    if request.headers.get("content-type", "").partition(";")[0] != "application/json":
        return PlainTextResponse("only application/json is taken", HTTPStatus.UNSUPPORTED_MEDIA_TYPE)
    try:
        return parse(await _body(request), kind)
    except ValueError as error:
        return PlainTextResponse(str(error), HTTPStatus.BAD_REQUEST)


def parse(body: bytes, kind: type[T]) -> T:
    """Decode a body; ValueError says in words what is wrong."""
    try:
        return msgspec.json.decode(body or b"{}", type=kind)
    except msgspec.MsgspecError as error:
        raise ValueError(f"should be a JSON object such as {{}}: {error}") from None


def _plain_text(argument: str) -> str:
    """A command's argument: printable text on one line; ValueError otherwise."""
    text = argument.strip()
    if len(text) > ARGUMENT_LIMIT or not text.isprintable():
        raise ValueError(f"the argument must be printable text of at most {ARGUMENT_LIMIT} characters")
    return text
