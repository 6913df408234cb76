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
from pathlib import Path
from typing import Any

from logger.clock import now_ns
from logger.drawing.sheet import Nose
from logger.model import Command, Record
from logger.page.certificate import Certificate, NoCertificate, certificate
from logger.page.doors import Doors, Visitor, is_loopback
from logger.page.live import Live
from logger.page.settings import PageSettings
from logger.page.viewers import Viewer
from logger.page.views import Results, Standing
from logger.shortage import no_memory
from logger.version import VERSION

OPEN_TO_ALL = "; everybody on this network can watch and command"
PAIR_FIRST = "; other devices are let in once paired: restpoint pair"


class Page:
    """The page's server; records go in by `put`, commands come out by `on_command`, in the daemon's loop."""

    def __init__(
        self,
        settings: PageSettings,
        on_command: Callable[[Command], object],
        tell: Callable[[str], None],
        unit: str = "kg",
        *,
        folder: Path | None = None,
        health: Callable[[], dict[str, Any]] = dict,
    ) -> None:
        """Take settings, where commands go, `tell` for a log line at each change, and the masses' unit.

        `folder` holds pairings and certificate; without one nobody is paired and there is no https. `health`
        gives the counts for /metrics.
        """
        self._settings = settings
        self._folder = folder
        self.health = health
        self.doors = Doors(settings.pairing, folder)
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
        self.unanswered = 0
        """Answers not given for want of memory; the first is told."""
        self.faults = 0
        """Answers not given by a fault of ours; the first is told."""
        self.failures = 0
        """Times that the page failed by a fault of ours and started again; the first is told."""

    def put(self, record: Record | Standing | Results) -> None:
        """Take a record; returns at once and never raises, whatever the viewers do."""
        self._live.put(record)

    async def serve(self) -> None:
        """Serve until `stop` is called or the task is cancelled; try again while the port is taken."""
        await asyncio.to_thread(self.doors.open)
        while not self._stopping.is_set():
            sock = self._bind()
            if sock is not None:
                with sock:
                    try:
                        await self._serve_on(sock)
                    except Exception as why:  # none of the page's faults ends the page
                        self._failed(why)
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
            self._cannot(f"{error.strerror or error}", "end the other program or set [page] port")
            return None
        return sock

    def _cannot(self, why: str, step: str) -> None:
        """Tell once why the page is not served."""
        if self.trouble is None:
            ours = self._settings
            self.trouble = (
                f"the page cannot be served on {ours.host} port {ours.port}: {why}; trying again every "
                f"{ours.retry_s:g} s; {step}"
            )
            self._tell(self.trouble)

    async def _certificate(self) -> Certificate | None:
        """What https needs, None without; raises NoCertificate."""
        if not self._settings.tls:
            return None
        if self._folder is None:
            raise NoCertificate("there is no folder for a certificate")
        host = socket.gethostname()
        names = [host, f"{host}.local", own_address(self._settings.host), *self._settings.names]
        return await asyncio.to_thread(certificate, self._folder, names)

    async def _serve_on(self, sock: socket.socket) -> None:
        web = await asyncio.to_thread(import_module, "logger.page.web")
        try:
            tls = await self._certificate()
        except (NoCertificate, OSError) as why:
            self._cannot(str(why), "or set [page] tls = false")
            return
        server = web.Server(self, self._settings, tls)
        self.address = address_of(self._settings, sock.getsockname()[1])
        if self.trouble or not self.failures:
            again = " again" if self.trouble else ""
            seal = f", certificate {tls.fingerprint}" if tls else ""
            self._tell(f"the page is served{again} at {self.address}{seal}{self._who_else()}")
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

    def _who_else(self) -> str:
        if is_loopback(self._settings.host):
            return ""
        return OPEN_TO_ALL if self._settings.pairing == "off" else PAIR_FIRST

    def _note_failure(self, *tasks: asyncio.Task[None]) -> None:
        for error in (task.exception() for task in tasks if task.done()):
            if error is not None:
                self._failed(error)

    def _failed(self, error: BaseException) -> None:
        """Count a failure; the first is told."""
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
            state = self._live.snapshot(now_ns()[0], {viewer.nose for viewer in viewers})
            for viewer in viewers:
                viewer.tell(state) if self.doors.still(viewer.visitor) else viewer.let_go()
                if viewer.gone:
                    self._viewers.discard(viewer)
                    self.let_go += 1

    # -- what the web side asks of its host -----------------------------------------------------------------

    def not_answered(self, fault: Exception) -> None:
        """Count an answer not given, for want of memory or by a fault; the first of either kind is told."""
        if not no_memory(fault):
            self.faults += 1
            if self.faults == 1:
                self._tell(f"the page could not answer, further such answers are counted: {fault!r}")
            return
        self.unanswered += 1
        if self.unanswered == 1:
            self._tell("the computer has no memory left for the page; further answers not given are counted")

    def join(self, nose: Nose, visitor: Visitor) -> Viewer | None:
        """Take in a viewer that is told the present state at once; None when there is no room."""
        if len(self._viewers) >= self._settings.viewers:
            return None
        viewer = Viewer(nose, self._settings.behind, visitor)
        viewer.tell({"boot": self._boot} | self._live.snapshot(now_ns()[0], {nose}))
        self._viewers.add(viewer)
        return viewer

    def leave(self, viewer: Viewer) -> None:
        """Forget a viewer."""
        self._viewers.discard(viewer)

    def command(self, command: Command) -> None:
        """Hand a command on to the daemon."""
        self._on_command(command)


def address_of(settings: PageSettings, port: int) -> str:
    """The page's address as a phone or this computer can use it."""
    host = own_address(settings.host)
    name = f"[{host}]" if ":" in host else host
    return f"{'https' if settings.tls else 'http'}://{name}:{port}/"


def own_address(host: str) -> str:
    """Where a phone finds us: the host as configured, or for "all interfaces" the address we send from."""
    if host not in ("0.0.0.0", "::"):
        return host
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation; connecting UDP sends nothing
        except OSError:
            return socket.gethostname()
        return str(probe.getsockname()[0])
