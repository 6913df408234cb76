"""How the daemon is, for those who ask: what each part last said and since when, and a file that says it all.

`health.json` in the bay's folder is written whole every few seconds; `restpoint doctor` reads it. Times in it
are monotonic: they stay right when the wall clock is stepped, and mean something as long as `machine_boot`
is that of the running system.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec

from logger.clock import NS, now_ns, wall_text
from logger.model import ClockStep, PadCondition, PortEvent, Record, Trouble

FILE = "health.json"
SCHEMA = 1
WRITE_NS = 2 * NS
"""How often the file is written: a person who asks does not notice two seconds."""
MADE_AGAIN = "made again from the journal"
"""How a trouble ends that the daemon has mended itself: a damaged file whose raw bytes are there."""
FRESH_NS = 20 * NS
"""An older file was left by a daemon that ended or hangs."""


class LastWords:
    """The last thing each part said, with the monotonic time (ns) since which it stands."""

    def __init__(self) -> None:
        self.ports: dict[str, dict[str, Any]] = {}
        self.pads: dict[str, dict[str, Any]] = {}
        self.troubles: dict[str, dict[str, Any]] = {}
        self.clock: dict[str, Any] | None = None
        self.broker = ""
        self.bus: dict[str, Any] = {}

    def put(self, record: Record) -> None:
        """Take in what a record says of a part; those that say nothing are passed by."""
        match record:
            case PortEvent():
                self.ports[record.port] = {"since_mono_ns": record.t_mono_ns, "detail": record.detail}
            case PadCondition():
                self.pads[record.pad] = {
                    "condition": str(record.condition),
                    "since_mono_ns": record.since_mono_ns,
                    "reason": record.reason,
                }
            case Trouble():
                self.troubles[record.part] = {
                    "state": record.state,
                    "since_mono_ns": record.t_mono_ns,
                    "detail": record.detail,
                }
            case ClockStep():
                step_s = (record.wall_after_ns - record.wall_before_ns) / NS
                self.clock = {"step_s": round(step_s, 3), "since_mono_ns": record.t_mono_ns}

    def put_bus(self, connected: bool, detail: str) -> None:
        """Take in what the bus says of its broker."""
        self.bus = {"connected": connected, "detail": detail, "since_mono_ns": now_ns()[0]}


class HealthFile:
    """Writes the file now and then, in a thread of the loop's: a disk that hangs holds nobody up."""

    def __init__(self, folder: Path, about: dict[str, Any], health: Callable[[], dict[str, Any]]) -> None:
        self._path, self._about, self._health = folder / FILE, about, health
        self._t_ns = 0
        self._writing: asyncio.Future[None] | None = None

    def look(self, t_mono_ns: int) -> None:
        """Write when it is time, unless the last one is still under way."""
        if t_mono_ns - self._t_ns < WRITE_NS or (self._writing is not None and not self._writing.done()):
            return
        self._t_ns = t_mono_ns
        content = self._content("running")
        self._writing = asyncio.get_running_loop().run_in_executor(None, _write, self._path, content)

    def end(self) -> None:
        """Say that the daemon ended in order."""
        _write(self._path, self._content("stopped"))

    def _content(self, state: str) -> bytes:
        t_mono_ns, t_wall_ns = now_ns()
        told = {
            "schema": SCHEMA,
            "state": state,
            "pid": os.getpid(),
            "machine_boot": machine_boot(),
            "t_mono_ns": t_mono_ns,
            "time": wall_text(t_wall_ns),
        }
        told |= self._about | {"health": self._health()}
        return msgspec.json.encode(told | {"sum": _sum(told)})


def machine_boot() -> str:
    """This system's id since it was booted."""
    with contextlib.suppress(OSError):
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    return ""


def read_health(folder: Path) -> dict[str, Any] | None:
    """What the file says; None when there is none, or it is damaged or another program's."""
    try:
        told = msgspec.json.decode((folder / FILE).read_bytes())
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError):
        return None
    ours = isinstance(told, dict) and told.pop("sum", None) == _sum(told) and told.get("schema") == SCHEMA
    return told if ours else None


def _sum(told: dict[str, Any]) -> str:
    """16 hexadecimal digits of SHA-256 over what is told."""
    return hashlib.sha256(msgspec.json.encode(told)).hexdigest()[:16]


def is_fresh(told: dict[str, Any], t_mono_ns: int) -> bool:
    """Whether the daemon that wrote this runs now."""
    age_ns = int(t_mono_ns - told["t_mono_ns"])
    return (
        bool(told["state"] == "running")
        and told["machine_boot"] == machine_boot()
        and 0 <= age_ns <= FRESH_NS
    )


def _write(path: Path, content: bytes) -> None:
    """Put the file in its place whole; a disk that refuses is told of by those who must write."""
    temporary = path.with_name(f".tmp-{path.name}")
    with contextlib.suppress(OSError):
        with open(
            os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o640), "wb"
        ) as out:
            out.write(content)
        temporary.replace(path)
