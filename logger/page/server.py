"""Serves the page: static files, one stream of events, commands by POST; lives inside the daemon's loop."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from http import HTTPStatus
from importlib.resources import files
from typing import get_args, get_type_hints

import msgspec
import uvicorn
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from logger.model import Command, Record
from logger.page.guard import BODY_LIMIT, Guard, own_names
from logger.page.live import Live
from logger.page.settings import PageSettings
from logger.page.viewers import Viewer
from logger.page.views import Results, Standing
from logger.plan_drawing import Nose
from logger.version import VERSION

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


class Page:
    """The page's server; records go in by `put`, commands come out by `on_command`, in the daemon's loop."""

    def __init__(
        self,
        settings: PageSettings,
        on_command: Callable[[Command], None],
        tell: Callable[[str], None],
        unit: str = "kg",
    ) -> None:
        """Take settings, where commands go, `tell` for a log line at each change, and the masses' unit."""
        self._settings = settings
        self._on_command = on_command
        self._tell = tell
        self._live = Live(unit, settings.stale_after_s)
        self._viewers: set[Viewer] = set()
        self._stopping = asyncio.Event()
        self._boot = f"{VERSION} {time.time_ns()}"
        self.address: str | None = None
        """Where the page is now, None while it is not served."""
        self.trouble: str | None = None
        """Why it is not served, None when nothing is wrong."""
        self.let_go = 0
        """Viewers let go because they lagged."""
        self.failures = 0
        """Times that the page failed by a fault of ours and started again; the first is told."""

    def put(self, record: Record | Standing | Results) -> None:
        """Take a record; returns at once and never raises, whatever the viewers do."""
        self._live.put(record)

    async def serve(self) -> None:
        """Serve until `stop` is called or the task is cancelled; try again while the port is taken."""
        while self._settings.enabled and not self._stopping.is_set():
            sock = self._bind()
            if sock is not None:
                with sock:
                    await self._serve_on(sock)
            with contextlib.suppress(TimeoutError):  # no sock or a failure; after a stop this is no wait
                await asyncio.wait_for(self._stopping.wait(), self._settings.retry_s)

    def stop(self) -> None:
        """Ask `serve` to end; open pages are told at once."""
        self._stopping.set()

    def _bind(self) -> socket.socket | None:
        host, port = self._settings.host, self._settings.port
        try:
            family = socket.AF_INET6 if ":" in host else socket.AF_INET
            sock = socket.create_server((host, port), family=family)
        except OSError as error:
            if self.trouble is None:
                self.trouble = (
                    f"the page cannot be served on {host} port {port}: {error.strerror or error}; trying "
                    f"again every {self._settings.retry_s:g} s; end the other program or set [page] port"
                )
                self._tell(self.trouble)
            return None
        return sock

    async def _serve_on(self, sock: socket.socket) -> None:
        host, port = sock.getsockname()[:2]
        self.address = f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"
        if self.trouble or not self.failures:
            self._tell(f"the page is {'served again' if self.trouble else 'served'} at {self.address}")
        self.trouble = None
        server = _Server(
            uvicorn.Config(
                self._app(),
                http="h11",
                lifespan="off",
                ws="none",
                log_config=None,
                log_level="warning",
                access_log=False,
                server_header=False,
                proxy_headers=False,
                timeout_graceful_shutdown=1,
                limit_concurrency=4 * self._settings.viewers,
            )
        )
        serving = asyncio.create_task(server.serve(sockets=[sock]), name="page server")
        renewing = asyncio.create_task(self._renew(), name="page renewal")
        stopping = asyncio.create_task(self._stopping.wait(), name="page stop")
        try:
            await asyncio.wait((serving, renewing, stopping), return_when=asyncio.FIRST_COMPLETED)
            self._note_failure(serving, renewing)
        finally:
            renewing.cancel()
            stopping.cancel()
            for viewer in self._viewers:
                viewer.let_go()
            self._viewers.clear()
            server.should_exit = True
            await asyncio.gather(serving, renewing, stopping, return_exceptions=True)
            self.address = None

    def _note_failure(self, *tasks: asyncio.Task[None]) -> None:
        for error in (task.exception() for task in tasks if task.done()):
            if error is not None:
                self.failures += 1
                if self.failures == 1:
                    self._tell(f"the page failed and starts again, further failures are counted: {error!r}")

    def _app(self) -> Guard:
        routes = [Route(path, _file(*named)) for path, named in FILES.items()]
        routes.append(Route("/events", self._events))
        routes.append(Route("/do/{verb}", self._do, methods=["POST"]))
        return Guard(Starlette(routes=routes), own_names(self._settings.names))

    async def _renew(self) -> None:
        """Tell every viewer what is new, or that the daemon lives, `renew_Hz` times a second."""
        while True:
            await asyncio.sleep(1 / self._settings.renew_Hz)
            viewers = list(self._viewers)
            if not viewers:
                continue
            state = self._live.snapshot(time.monotonic_ns(), {viewer.nose for viewer in viewers})
            for viewer in viewers:
                viewer.tell(state)
                if viewer.gone:
                    self._viewers.discard(viewer)
                    self.let_go += 1

    async def _events(self, request: Request) -> Response:
        """A stream of JSON objects, each with what has changed; the first has everything."""
        if len(self._viewers) >= self._settings.viewers:
            return PlainTextResponse("too many pages are open; close one", HTTPStatus.SERVICE_UNAVAILABLE)
        nose: Nose = "left" if request.query_params.get("nose") == "left" else "up"
        viewer = Viewer(nose, self._settings.behind)
        self._viewers.add(viewer)
        viewer.tell({"boot": self._boot} | self._live.snapshot(time.monotonic_ns(), {nose}))
        return StreamingResponse(self._watch(viewer), media_type="text/event-stream")

    async def _watch(self, viewer: Viewer) -> AsyncIterator[bytes]:
        try:
            async for message in viewer.stream():
                yield message
        finally:
            self._viewers.discard(viewer)

    async def _do(self, request: Request) -> Response:
        """Take a command: JSON object with an optional `argument`."""
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
        self._on_command(Command(t_mono_ns=time.monotonic_ns(), verb=verb, argument=argument, origin=origin))
        return Response(status_code=HTTPStatus.ACCEPTED)


class _Server(uvicorn.Server):
    """Leaves the process's signals to the daemon."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


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
