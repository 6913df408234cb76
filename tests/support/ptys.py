"""Pseudo-terminals as lines, and a port's thread at work on one with all it told."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from logger.model import Chunk, PortEvent
from logger.ports import PortReader, PortSettings


def until(true: Callable[[], object], within_s: float = 5.0) -> None:
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.005)


class Pty:
    """A pseudo-terminal: `master` is the sender's end, `name` the device a port opens."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        self.name = os.ttyname(slave)
        self._slave = slave

    def write(self, data: bytes) -> None:
        os.write(self.master, data)

    def let_go(self) -> None:
        """Close our own hold on the device; from now on only the port has it."""
        os.close(self._slave)
        self._slave = -1

    def unplug(self) -> None:
        for fd in (self.master, self._slave):
            with suppress(OSError):
                os.close(fd)
        self.master = self._slave = -1


@dataclass
class Port:
    """A reader at work and all it told."""

    reader: PortReader
    chunks: list[Chunk]
    events: list[PortEvent]

    @property
    def data(self) -> bytes:
        return b"".join(chunk.data for chunk in self.chunks)

    @property
    def told(self) -> list[str]:
        return [event.event for event in self.events]


@contextmanager
def port(
    device: str,
    request: Callable[[int], bytes | None] | None = None,
    full: bool = False,
    **settings: object,
) -> Iterator[Port]:
    quick = {"retry_first_s": 0.02, "retry_most_s": 0.1, **settings}
    made = PortSettings(name="barn", device=device, **quick)  # type: ignore[arg-type]  # test settings by name

    chunks: list[Chunk] = []
    events: list[PortEvent] = []

    def take(chunk: Chunk) -> bool:
        chunks.append(chunk)
        return not full

    at = Port(PortReader(made, request, take, events.append), chunks, events)
    at.reader.start()
    try:
        yield at
    finally:
        at.reader.stop()
        assert not at.reader.alive()


MakePty = Callable[[], Pty]
