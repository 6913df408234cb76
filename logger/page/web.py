"""The page over HTTP: static files, a stream of events, commands by POST; imported when first served."""

from __future__ import annotations

import contextlib
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Iterator
from http import HTTPStatus
from importlib.resources import files
from typing import Protocol, get_args, get_type_hints

import msgspec
import uvicorn
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from logger.model import Command
from logger.page.guard import BODY_LIMIT, Guard, own_names
from logger.page.viewers import Viewer
from logger.plan_sheet import Nose

FILES = {
    "/": ("index.html", "text/html"),
    "/page.js": ("page.js", "text/javascript"),
    "/mouth.js": ("mouth.js", "text/javascript"),
    "/page.css": ("page.css", "text/css"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}
"""All there is to fetch; nothing else under the folder can be asked for."""
VERBS: tuple[str, ...] = get_args(get_type_hints(Command)["verb"])
ARGUMENT_LIMIT = 200
"""Characters of a command's argument: the longest thing to say is a name."""


class Host(Protocol):
    """What the page behind the doors offers: room for viewers, and an ear for commands."""

    def join(self, nose: Nose) -> Viewer | None:
        """Take in a viewer that is told the present state at once; None when there is no room."""
        ...

    def leave(self, viewer: Viewer) -> None:
        """Forget a viewer."""
        ...

    def command(self, command: Command) -> None:
        """Hand a command on."""
        ...


class Server(uvicorn.Server):
    """Serves a host's page until `should_exit`; leaves the process's signals to the daemon."""

    def __init__(self, host: Host, names: Iterable[str], connections: int) -> None:
        super().__init__(
            uvicorn.Config(
                Guard(_routes(host), own_names(names)),
                http="h11",
                lifespan="off",
                ws="none",
                log_config=None,
                log_level="warning",
                access_log=False,
                server_header=False,
                proxy_headers=False,
                timeout_graceful_shutdown=1,
                limit_concurrency=connections,
            )
        )

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture none."""
        yield


def _routes(host: Host) -> Starlette:
    async def events(request: Request) -> Response:
        """A stream of JSON objects, each with what has changed; the first has everything."""
        viewer = host.join("left" if request.query_params.get("nose") == "left" else "up")
        if viewer is None:
            return PlainTextResponse("too many pages are open; close one", HTTPStatus.SERVICE_UNAVAILABLE)
        return StreamingResponse(_watch(host, viewer), media_type="text/event-stream")

    async def do(request: Request) -> Response:
        return await _do(host, request)

    routes = [Route(path, _file(*named)) for path, named in FILES.items()]
    return Starlette(routes=[*routes, Route("/events", events), Route("/do/{verb}", do, methods=["POST"])])


async def _watch(host: Host, viewer: Viewer) -> AsyncIterator[bytes]:
    try:
        async for message in viewer.stream():
            yield message
    finally:
        host.leave(viewer)


async def _do(host: Host, request: Request) -> Response:
    """Take a command: a JSON object with an optional `argument`."""
    verb = request.path_params["verb"]
    if verb not in VERBS:
        return PlainTextResponse(f"{verb[:40]!r} is none of {', '.join(VERBS)}", HTTPStatus.NOT_FOUND)
    if request.headers.get("content-type", "").partition(";")[0] != "application/json":
        return PlainTextResponse("commands come as application/json", HTTPStatus.UNSUPPORTED_MEDIA_TYPE)
    try:
        argument = _argument(await _body(request))
    except ValueError as error:
        return PlainTextResponse(str(error), HTTPStatus.BAD_REQUEST)
    origin = f"page {request.client.host}" if request.client else "page"
    host.command(Command(t_mono_ns=time.monotonic_ns(), verb=verb, argument=argument, origin=origin))
    return Response(status_code=HTTPStatus.ACCEPTED)


def _file(name: str, media_type: str) -> Callable[[Request], Awaitable[Response]]:
    content = files("logger.page").joinpath("static", name).read_bytes()

    async def give(_: Request) -> Response:
        return Response(content, media_type=media_type)

    return give


async def _body(request: Request) -> bytes:
    """Read a body of at most BODY_LIMIT bytes, whatever its header claims; ValueError beyond."""
    body = b""
    try:
        async for part in request.stream():
            body += part
            if len(body) > BODY_LIMIT:
                raise ValueError(f"at most {BODY_LIMIT} bytes")
    except ClientDisconnect:
        raise ValueError("the sender left in the middle") from None
    return body


class _Asked(msgspec.Struct, forbid_unknown_fields=True):
    argument: str = ""


def _argument(body: bytes) -> str:
    """Read a command's argument: printable text on one line; ValueError otherwise."""
    try:
        asked = msgspec.json.decode(body or b"{}", type=_Asked)
    except msgspec.MsgspecError as error:
        raise ValueError(f"a command is a JSON object such as {{}}: {error}") from None
    text = asked.argument.strip()
    if len(text) > ARGUMENT_LIMIT or not text.isprintable():
        raise ValueError(f"the argument must be printable text of at most {ARGUMENT_LIMIT} characters")
    return text
