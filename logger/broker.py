"""Which MQTT broker serves this daemon: the configured, one that answers here, our own, or none.

`async with broker(settings) as endpoint` holds a broker of our own for as long as the block lasts, starts it
again when it dies, and ends it afterwards. Brokers of our own listen on loopback only. Nothing but the bus
needs a broker: without one the daemon weighs, keeps and shows as before.
"""

from __future__ import annotations

import asyncio
import os
import pwd
import shutil
import socket
import sys
import tempfile
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Literal

LOOPBACK = "127.0.0.1"
OwnKind = Literal["mosquitto", "embedded"]
Kind = Literal["configured", "found", "mosquitto", "embedded", "none"]


@dataclass(frozen=True, kw_only=True)
class BrokerSettings:
    """Where to look for a broker."""

    host: str = ""
    """A broker of yours; empty lets the daemon look on this machine and start its own."""
    port: int = 1883
    own: bool = True
    """Start a broker of our own where none answers."""
    kinds: tuple[OwnKind, ...] = ("mosquitto", "embedded")
    """Brokers of our own, in the order they are tried."""
    state_folder: str = ""
    """Where a broker of our own keeps retained messages; empty: it keeps none over its end."""
    answer_s: float = 1.0
    """A broker on this machine that has not answered by then is taken for none."""
    start_s: float = 5.0
    """Time for a broker of our own to come up; mosquitto takes 0.1 s here, the embedded one 0.3 s."""


@dataclass(frozen=True, kw_only=True)
class Endpoint:
    """The broker to use; kind "none" has no port. `detail` says in words what was chosen and why."""

    host: str
    port: int
    kind: Kind
    detail: str


@asynccontextmanager
async def broker(
    settings: BrokerSettings, on_change: Callable[[str], object] = lambda _: None
) -> AsyncIterator[Endpoint]:
    """Find or start a broker, by the order of the module's first line.

    `on_change(text)` is told when a broker of our own died and is started again.
    """
    if settings.host:
        detail = f"the configured broker {settings.host}:{settings.port}"
        yield Endpoint(host=settings.host, port=settings.port, kind="configured", detail=detail)
        return
    if await answers(LOOPBACK, settings.port, settings.answer_s):
        detail = f"a broker that answers on this machine, port {settings.port}"
        yield Endpoint(host=LOOPBACK, port=settings.port, kind="found", detail=detail)
        return
    async with _own(settings, on_change) as endpoint:
        yield endpoint


@asynccontextmanager
async def _own(settings: BrokerSettings, on_change: Callable[[str], object]) -> AsyncIterator[Endpoint]:
    why = []
    with _folder(settings) as folder:
        for kind in settings.kinds if settings.own else ():
            port = _free_port(settings.port)
            child = _Child(kind, port, folder, settings)
            try:
                await child.start()
            except NotStarted as reason:
                why.append(str(reason))
                continue
            async with child.kept(on_change):
                detail = f"{_NAMES[kind]} on loopback, port {port}"
                yield Endpoint(host=LOOPBACK, port=port, kind=kind, detail=detail)
            return
        detail = "; ".join(why) or "starting one of our own is switched off"
        yield Endpoint(host="", port=0, kind="none", detail=f"no broker, so nothing is published: {detail}")


_NAMES: dict[OwnKind, str] = {"mosquitto": "mosquitto, started by us", "embedded": "the embedded broker"}


@contextmanager
def _folder(settings: BrokerSettings) -> Iterator[Path]:
    """The folder for our broker's files; a passing one where nothing is to be kept, or we are root.

    As root we start mosquitto as nobody, who may not reach into our folders; what it forgets at its end, the
    bus gives it again.
    """
    if not settings.state_folder or os.geteuid() == 0:
        with tempfile.TemporaryDirectory(prefix="restpoint-broker-") as folder:
            yield Path(folder)
        return
    kept = Path(settings.state_folder, "broker").resolve()
    kept.mkdir(parents=True, exist_ok=True, mode=0o750)
    yield kept


async def answers(host: str, port: int, within_s: float) -> bool:
    """Tell whether an MQTT broker is there: it answers a CONNECT, be it with a refusal."""
    try:
        async with asyncio.timeout(within_s):
            reader, writer = await asyncio.open_connection(host, port)
            try:
                writer.write(_CONNECT)
                answer = await reader.readexactly(4)
            finally:
                writer.close()
                with suppress(OSError):
                    await writer.wait_closed()
    except (OSError, TimeoutError, asyncio.IncompleteReadError):
        return False
    return answer[:2] == b"\x20\x02"


_CONNECT = b"\x10\x17\x00\x04MQTT\x04\x02\x00\x0a\x00\x0brestpoint-?"
"""MQTT 3.1.1 CONNECT (3.1): clean session, keep alive 10 s; CONNACK (3.2) begins 20 02."""


def _free_port(wanted: int) -> int:
    """Return the wanted port if it is free on loopback, else one that is."""
    for port in (wanted, 0):
        with socket.socket() as probe, suppress(OSError):
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((LOOPBACK, port))
            return int(probe.getsockname()[1])
    raise OSError("no free TCP port on loopback")


class NotStarted(Exception):
    """A broker of our own did not come up; the text says why."""


_CHILD: dict[str, Any] = {
    "stdin": asyncio.subprocess.DEVNULL,
    "stdout": asyncio.subprocess.DEVNULL,
    "stderr": asyncio.subprocess.PIPE,
    "start_new_session": True,  # Ctrl-C is for the daemon, which says goodbye on the bus first
}


class _Child:
    """A broker of our own: a process that ends with us, and is started again if it ends before."""

    def __init__(self, kind: OwnKind, port: int, folder: Path, settings: BrokerSettings) -> None:
        self._kind, self._port, self._folder, self._settings = kind, port, folder, settings
        self._process: asyncio.subprocess.Process | None = None
        self._said = deque[str](maxlen=3)

    async def start(self) -> None:
        """Start it and wait until it answers; raises NotStarted."""
        self._said.clear()
        make = mosquitto_command if self._kind == "mosquitto" else embedded_command
        try:
            command = make(self._port, self._folder)
            self._process = await asyncio.create_subprocess_exec(*command, **_CHILD)
        except OSError as why:
            raise NotStarted(f"{self._kind} cannot be started ({why})") from None
        try:
            async with asyncio.timeout(self._settings.start_s):
                while self._process.returncode is None:
                    if await answers(LOOPBACK, self._port, 0.5):
                        return
                    await asyncio.sleep(0.05)
        except TimeoutError:
            pass
        except BaseException:
            await self._end()
            raise
        await self._end()
        await self._listen()
        raise NotStarted(f"{self._kind} did not come up ({self._last_words()})")

    @asynccontextmanager
    async def kept(self, on_change: Callable[[str], object]) -> AsyncIterator[None]:
        """Keep it running for as long as the block lasts, then end it."""
        keeper = asyncio.create_task(self._keep(on_change))
        try:
            yield
        finally:
            keeper.cancel()
            await asyncio.gather(keeper, return_exceptions=True)
            await self._end()

    async def _keep(self, on_change: Callable[[str], object]) -> None:
        wait_s = 0.2
        while True:
            await self._listen()
            on_change(f"{_NAMES[self._kind]} ended ({self._last_words()}); it is started again")
            await asyncio.sleep(wait_s)
            wait_s = min(2 * wait_s, 5.0)
            with suppress(NotStarted):
                await self.start()

    async def _listen(self) -> None:
        """Read what it says until it ends, so that it never waits for a reader."""
        assert self._process is not None
        assert self._process.stderr is not None
        while piece := await self._process.stderr.read(4096):
            self._said.extend(piece.decode(errors="replace").strip().splitlines())
        await self._process.wait()

    def _last_words(self) -> str:
        return self._said[-1][:200] if self._said else "without a word"

    async def _end(self) -> None:
        if self._process is None or self._process.returncode is not None:
            return
        self._process.terminate()
        try:
            await asyncio.wait_for(self._process.wait(), 3.0)
        except TimeoutError:
            self._process.kill()
            await self._process.wait()


def mosquitto_command(port: int, folder: Path) -> list[str]:
    """Write mosquitto's configuration into the folder and return how to start it without privileges."""
    program = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if program is None:
        raise NotStarted("mosquitto is not installed (apt install mosquitto)")
    config = folder / "mosquitto.conf"
    config.write_text(mosquitto_config(port, folder))
    config.chmod(0o640)
    return [*ends_with_us(), *_as_nobody(folder), program, "-c", str(config)]


def mosquitto_config(port: int, folder: Path) -> str:
    """A configuration for loopback only. Never a websocket listener: 2.0.11's ignores its bind address."""
    return f"""# Written by restpoint at each start; changes are lost. For more, run a broker of yours.
listener {port} {LOOPBACK}
allow_anonymous true
set_tcp_nodelay true
max_packet_size 100000
max_queued_messages 10000
persistence true
persistence_location {folder}/
persistence_file retained.db
autosave_interval 300
persistent_client_expiration 7d
connection_messages false
log_dest stderr
log_type error
log_type warning
"""


def embedded_command(port: int, _folder: Path) -> list[str]:
    """Return how to start the embedded broker in a process of its own, where its crash stays."""
    if find_spec("iotcore") is None:
        raise NotStarted("the embedded broker is not installed (pip install 'restpoint[broker]')")
    python = [sys.executable, "-P", "-m", "iotcore"]
    return [
        *ends_with_us(),
        *python,
        "--listen",
        LOOPBACK,
        "--port",
        str(port),
        "--log-level",
        "CRITICAL",
    ]


def ends_with_us() -> list[str]:
    """Prefix that ends a child with the daemon, however that ends (where util-linux is installed)."""
    setpriv = shutil.which("setpriv")
    return [setpriv, "--pdeathsig", "TERM"] if setpriv else []


def _as_nobody(folder: Path) -> list[str]:
    """More of that prefix: give up root where we are root, and let nobody have the folder."""
    if os.geteuid() != 0 or shutil.which("setpriv") is None:
        return []
    user = pwd.getpwnam("nobody")
    for path in (folder, *folder.iterdir()):
        os.chown(path, user.pw_uid, user.pw_gid)
    return ["--reuid", "nobody", "--regid", str(user.pw_gid), "--clear-groups"]
