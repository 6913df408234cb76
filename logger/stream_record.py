"""Recording a stream: bytes and times of a port, and the passport of what was done."""

from __future__ import annotations

import csv
import itertools
import json
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from drivers.api import SerialSettings
from drivers.wire import to_bytes
from logger.clock import NS, now_ns
from logger.model import Chunk, PortEvent
from logger.ports import PortReader, PortSettings


@dataclass(frozen=True, kw_only=True)
class Asking:
    """Requests (as layouts write bytes) sent in turn to an indicator that answers only when asked."""

    requests: tuple[str, ...] = ()
    every_s: float = 0.1

    def asker(self) -> Callable[[int], bytes | None] | None:
        """Make the function that returns what is to be sent at a monotonic time (ns), None for nothing."""
        if not self.requests:
            return None
        turn, due_ns = itertools.cycle(map(to_bytes, self.requests)), 0

        def ask(t_mono_ns: int) -> bytes | None:
            nonlocal due_ns
            if t_mono_ns < due_ns:
                return None
            due_ns = t_mono_ns + int(self.every_s * NS)
            return next(turn)

        return ask


class Ear:
    """Listens to a port from now on; `chunks` are what came, with seconds since the beginning."""

    def __init__(self, device: str, line: SerialSettings, asking: Asking = Asking()) -> None:
        self.device, self.line = device, line
        self.chunks: list[tuple[float, bytes]] = []
        self.events: list[str] = []
        self._begun_ns = now_ns()[0]
        self._opened = threading.Event()
        settings = PortSettings(name="stream", device=device)
        self._reader = PortReader(settings, asking.asker(), self._take, self._hear, suggested=line)
        self._reader.start()

    def _take(self, chunk: Chunk) -> bool:
        self.chunks.append(((chunk.t_mono_ns - self._begun_ns) / NS, chunk.data))
        return True

    def _hear(self, event: PortEvent) -> None:
        self.events.append(f"{event.event}: {event.detail}")
        self._opened.set()

    def opened(self, timeout_s: float = 6.0) -> str:
        """Wait until the port is open; return why it is not, "" when it is."""
        self._opened.wait(timeout_s)
        return (
            "" if self._reader.state in ("opened", "restored", "idle") else (self.events or ["no answer"])[-1]
        )

    def now_s(self) -> float:
        """Seconds since the beginning."""
        return (now_ns()[0] - self._begun_ns) / NS

    def listen(self, seconds: float, say: Callable[[str], object]) -> None:
        """Go on for some seconds and say every second what came."""
        until = self.now_s() + seconds
        while (left := until - self.now_s()) > 0:
            time.sleep(min(left, 1.0))
            say(f"{self.now_s():.0f} s, {self.heard()} bytes")

    def heard(self) -> int:
        """Bytes heard so far."""
        return sum(len(data) for _, data in list(self.chunks))

    def stop(self) -> None:
        """Close the port."""
        self._reader.stop()


def save(
    chunks: list[tuple[float, bytes]],
    out: Path,
    *,
    did: str,
    known: list[str],
    line: SerialSettings,
    asking: Asking = Asking(),
) -> Path:
    """Write x.bin, x.times.csv and x.about.toml (the passport); returns the path of the bytes."""
    path = out if out.suffix == ".bin" else out.with_name(out.name + ".bin")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"".join(data for _, data in chunks))
    with path.with_suffix(".times.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("offset", "t_s"))
        at = 0
        for t_s, data in chunks:
            writer.writerow((at, f"{t_s:.6f}"))
            at += len(data)
    path.with_suffix(".about.toml").write_text(_passport(did, known, line, asking), encoding="utf-8")
    return path


def _passport(did: str, known: list[str], line: SerialSettings, asking: Asking) -> str:
    asked = [f"asked = {json.dumps(asking.requests)}", f"every_s = {asking.every_s:g}"]
    words = [
        f"did = {json.dumps(did, ensure_ascii=False)}",
        f"known = {json.dumps(known)}",
        *(asked if asking.requests else []),
        "",
        "[serial]",
        f"baud = {line.baud}",
        f"bytesize = {line.bytesize}",
        f'parity = "{line.parity}"',
        f"stopbits = {line.stopbits:g}",
    ]
    return "\n".join(words) + "\n"
