"""The page as the daemon knows it: records in, commands out, viewers told; binding, failing and stopping.

HTTP itself is `logger.page.web`, which is imported in a thread when the page is first served, so that the
first sample does not wait for it.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time
from collections.abc import Callable
from importlib import import_module
from ipaddress import ip_address

from logger.model import Command, Record
from logger.page.live import Live
from logger.page.settings import PageSettings
from logger.page.viewers import Viewer
from logger.page.views import Results, Standing
from logger.plan_sheet import Nose
from logger.version import VERSION

OPEN_TO_ALL = "; everybody on this network can watch and command"


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
        while not self._stopping.is_set():
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
        web = await asyncio.to_thread(import_module, "logger.page.web")
        server = web.Server(self, self._settings.names, connections=4 * self._settings.viewers)
        host, port = _own_address(self._settings.host), sock.getsockname()[1]
        self.address = f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"
        if self.trouble or not self.failures:
            again, open_to_all = " again" if self.trouble else "", "" if _is_loopback(host) else OPEN_TO_ALL
            self._tell(f"the page is served{again} at {self.address}{open_to_all}")
        self.trouble = None
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

    # -- what the web side asks of its host -----------------------------------------------------------------

    def join(self, nose: Nose) -> Viewer | None:
        """Take in a viewer that is told the present state at once; None when there is no room."""
        if len(self._viewers) >= self._settings.viewers:
            return None
        viewer = Viewer(nose, self._settings.behind)
        viewer.tell({"boot": self._boot} | self._live.snapshot(time.monotonic_ns(), {nose}))
        self._viewers.add(viewer)
        return viewer

    def leave(self, viewer: Viewer) -> None:
        """Forget a viewer."""
        self._viewers.discard(viewer)

    def command(self, command: Command) -> None:
        """Hand a command on to the daemon."""
        self._on_command(command)


def _own_address(host: str) -> str:
    """Where a phone finds us: the host as configured, or for "all interfaces" the address we send from."""
    if host not in ("0.0.0.0", "::"):
        return host
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation; connecting UDP sends nothing
        except OSError:
            return socket.gethostname()
        return str(probe.getsockname()[0])


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
