"""The ports: a thread each reads a serial line, stamps what comes and brings the line back when it is gone.

A thread polls its file descriptor and reads what is there; it hands chunks on without ever waiting for who
takes them. A line that is unplugged, held by another program or silent concerns its own thread only.
Nothing is opened that is not configured.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from msgspec.structs import replace

from drivers.api import SerialSettings
from logger import devices
from logger.clock import NS, now_ns
from logger.flood import Allowance
from logger.model import Chunk, PortEvent
from logger.shortage import go_round
from logger.transports import PortLost, PortRefused, Transport, transport_for

Clock = Callable[[], tuple[int, int]]
EventName = Literal["opened", "lost", "refused", "idle", "flooded", "restored"]


@dataclass(frozen=True, kw_only=True)
class PortSettings:
    """One port. Line settings that are None are the layout's."""

    name: str
    device: str
    """`usb:SERIAL`, `path:NAME`, a path, `socket://…` or `rfc2217://…`, as `restpoint ports` lists them."""
    baud: int | None = None
    bytesize: Literal[5, 6, 7, 8] | None = None
    parity: Literal["N", "E", "O", "M", "S"] | None = None
    stopbits: float | None = None
    rs485: bool | None = None
    rtscts: bool | None = None
    xonxoff: bool | None = None
    idle_s: float = 5.0
    """Silence after which the port is called idle; pads send at 1 Hz or faster."""
    retry_first_s: float = 0.2
    """An adapter that re-enumerates is back after about a second; trying costs some milliseconds."""
    retry_most_s: float = 2.0
    """The longest a person waits for a line to be taken up that was replugged, or held by another program."""
    read_bytes: int = 4096
    """The most one read takes: the kernel's own buffer for a line."""
    most_bytes_per_s: int = 250_000
    """Twice the fastest usual line (921,600 baud); what comes faster waits in the kernel."""
    flood_s: float = 30.0
    """What comes faster for so long is no indicator's: it is dropped and counted until the line is calm."""

    def __post_init__(self) -> None:
        if self.stopbits not in (None, 1, 1.5, 2):
            raise ValueError(f"stopbits is {self.stopbits:g}, not one of 1, 1.5, 2")

    def line(self, suggested: SerialSettings) -> SerialSettings:
        """Line settings: ours where given, else those the layout suggests."""
        ours = {name: getattr(self, name) for name in SerialSettings.__struct_fields__}
        return replace(suggested, **{name: value for name, value in ours.items() if value is not None})


@dataclass(kw_only=True)
class PortCounts:
    """What a port did since its start; written by its thread, read by anybody."""

    bytes_read: int = 0
    chunks: int = 0
    bytes_dropped: int = 0
    """Read, and not kept: from a line that floods, or not taken by who comes next because that was full."""
    requests: int = 0
    requests_unsent: int = 0
    losses: int = 0


class PortReader:
    """One port's thread.

    `on_chunk(chunk)` must not wait; False says "full", which is counted. `on_event(event)` is told changes
    only. Both are called on the port's thread, as is `driver_request(t_mono_ns)`, which gives the bytes to
    send now to a polled indicator or None; leave it None for streams that come by themselves.
    """

    def __init__(
        self,
        settings: PortSettings,
        driver_request: Callable[[int], bytes | None] | None,
        on_chunk: Callable[[Chunk], bool],
        on_event: Callable[[PortEvent], object],
        clock: Clock = now_ns,
        *,
        suggested: SerialSettings = SerialSettings(),  # noqa: B008  frozen
    ) -> None:
        self.settings = settings
        self.counts = PortCounts()
        self.state = "new"
        """new, opened, restored, lost, refused, idle or flooded: the last change."""
        self.beat_mono_ns = 0
        """When the thread last came round; older than 10 s means it hangs."""
        self._request, self._on_chunk, self._on_event = driver_request, on_chunk, on_event
        self._clock, self._suggested = clock, suggested
        self._stop = threading.Event()
        self._wake_r, self._wake_w = os.pipe()
        self._detail = ""
        self._was_open = False
        self._heard_ns = 0
        self._allowance = Allowance(settings.most_bytes_per_s, settings.flood_s)
        self._noise_bytes = 0
        self._wait_s = settings.retry_first_s
        self._thread = threading.Thread(
            target=go_round, args=(self._run,), name=f"port {settings.name}", daemon=True
        )

    def __repr__(self) -> str:
        return f"<PortReader {self.settings.name} {self.settings.device} {self.state}>"

    def start(self) -> None:
        """Start the thread; the port opens as soon as it can."""
        self.beat_mono_ns = self._clock()[0]
        self._thread.start()

    def stop(self, timeout_s: float = 6.0) -> None:
        """Close the port and end the thread; a connection attempt under way may take 5 s."""
        if self._stop.is_set():
            return
        self._stop.set()
        os.write(self._wake_w, b".")
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        if not self._thread.is_alive():
            os.close(self._wake_r)
            os.close(self._wake_w)

    def alive(self) -> bool:
        """Tell whether the thread still runs."""
        return self._thread.is_alive()

    def _run(self) -> bool:
        """Open and read until that ends, and wait a little; True when the thread is to end."""
        if self._stop.is_set():
            return True
        before = self.counts.bytes_read
        try:
            self._serve()
        except PortRefused as why:
            self._tell("refused", str(why))
        except PortLost as why:
            self._lose(str(why))
        except Exception as why:  # a fault behind one port must not end the port
            self._lose(f"fault in the program, please report it: {why!r}")
        if self.counts.bytes_read > before:
            self._wait_s = self.settings.retry_first_s
        self.beat_mono_ns = self._clock()[0]
        self._stop.wait(self._wait_s)
        self._wait_s = min(2 * self._wait_s, self.settings.retry_most_s)
        return False

    def _serve(self) -> None:
        """Open the port and read it until it is gone, silent (network only) or we are told to stop."""
        line = self.settings.line(self._suggested)
        transport = transport_for(self.settings.device, line, self._wake_r)
        try:
            where = transport.open()
            if self.state != "idle":  # a silent network line is reopened without a word until it speaks
                self._tell("restored" if self._was_open else "opened", where)
            self._was_open = True
            self._heard_ns = self._clock()[0]
            while not self._stop.is_set() and self._step(transport):
                pass
        finally:
            transport.close()

    def _step(self, transport: Transport) -> bool:
        """Read once, hand on, ask; False when the line should be opened anew."""
        settings = self.settings
        data = transport.read(settings.read_bytes, 0.5 if self._request is None else 0.01)
        t_mono_ns, t_wall_ns = self._clock()
        self.beat_mono_ns = t_mono_ns
        if data:
            self._heard_ns = t_mono_ns
            self._take(Chunk(port=settings.name, t_mono_ns=t_mono_ns, t_wall_ns=t_wall_ns, data=data))
        elif self.state == "flooded" and self._allowance.calm(t_mono_ns / NS):
            self._end_flood()
        elif t_mono_ns - self._heard_ns > settings.idle_s * NS:
            self._tell("idle", f"nothing came for {settings.idle_s:g} s; is the sender on, its cable in?")
            if devices.is_network(settings.device):
                return False  # the other end may be long gone without a word
        if self._request is not None and (asked := self._request(t_mono_ns)):
            self.counts.requests += 1
            self.counts.requests_unsent += transport.write(asked) < len(asked)
        return True

    def _take(self, chunk: Chunk) -> None:
        """Keep a chunk or drop it, and let a line wait that has had its share of the machine."""
        kept, wait_s = self._allowance.take(len(chunk.data), chunk.t_mono_ns / NS)
        if kept:
            self._hand_on(chunk)
        else:
            self._drop(chunk)
        if wait_s > 0:
            self._stop.wait(wait_s)

    def _drop(self, chunk: Chunk) -> None:
        self._noise_bytes = len(chunk.data) + (self._noise_bytes if self.state == "flooded" else 0)
        self.counts.bytes_read += len(chunk.data)
        self.counts.bytes_dropped += len(chunk.data)
        most, long = f"{self.settings.most_bytes_per_s / 1000:g} kB/s", f"{self.settings.flood_s:g} s"
        detail = f"more than {most} for {long}, which no indicator sends: dropped until it is calm"
        self._tell("flooded", detail, (chunk.t_mono_ns, chunk.t_wall_ns))

    def _end_flood(self, when: tuple[int, int] | None = None) -> None:
        self._tell("restored", f"it is calm again; {self._noise_bytes} bytes of noise were dropped", when)

    def _hand_on(self, chunk: Chunk) -> None:
        if self.state == "flooded":
            self._end_flood((chunk.t_mono_ns, chunk.t_wall_ns))
        if self.state == "idle":
            self._tell("restored", "it sends again", (chunk.t_mono_ns, chunk.t_wall_ns))
        self.counts.bytes_read += len(chunk.data)
        self.counts.chunks += 1
        if not self._on_chunk(chunk):
            self.counts.bytes_dropped += len(chunk.data)

    def _lose(self, detail: str) -> None:
        if self.state in ("opened", "restored", "idle", "flooded"):
            self.counts.losses += 1
        self._tell("lost", detail)

    def _tell(self, event: EventName, detail: str, when: tuple[int, int] | None = None) -> None:
        """Report a change; the same again is no change."""
        if (event, detail) == (self.state, self._detail):
            return
        self.state, self._detail = event, detail
        t_mono_ns, t_wall_ns = when or self._clock()
        self._on_event(
            PortEvent(
                port=self.settings.name, t_mono_ns=t_mono_ns, t_wall_ns=t_wall_ns, event=event, detail=detail
            )
        )
