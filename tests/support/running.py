"""A daemon's process for tests, with lines that talk to it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from drivers.sim.player import Line
from logger.journal_folder import find_runs, read_run
from logger.model import Chunk

PADS = ("P1", "P2", "P3", "P4")


def config(folder: Path, devices: dict[str, str], more: str = "", broker_port: int = 1) -> Path:
    """A config of pads on lines of their own; no broker answers at port 1."""
    text = '[bay]\nname = "faults"\nfolder = "data"\n'
    for n, (pad, device) in enumerate(devices.items(), 1):
        text += f'[[port]]\nname = "{pad}"\ndevice = "{device}"\nlayout = "line-plain"\n'
        text += f'[[pad]]\nid = "{pad}"\nport = "{pad}"\nspot = "S{n}"\ncapacity_kg = 500\n'
    text += f"[broker]\nown = false\nport = {broker_port}\n[voice]\nenabled = false\n" + more
    path = folder / "bay.toml"
    path.write_text(text)
    return path


class Running:
    """A daemon's process and its log."""

    def __init__(self, config_file: Path, command: list[str] | None = None, **environment: str) -> None:
        self.log_file = config_file.parent / "log.jsonl"
        self.data = config_file.parent / "data"
        command = [sys.executable, *(command or ["-m", "logger.cli"]), "run", "-c", str(config_file)]
        with self.log_file.open("wb") as log:
            self.process = subprocess.Popen(command, stderr=log, env=os.environ | environment)

    def log(self) -> list[dict[str, Any]]:
        lines = self.log_file.read_text().splitlines()
        return [json.loads(line) for line in lines if line.startswith("{")]

    def wait_for(self, event: str, within_s: float = 15.0, **fields: Any) -> dict[str, Any]:
        end = time.monotonic() + within_s
        while time.monotonic() < end:
            for row in self.log():
                if row["event"] == event and all(row.get(k) == v for k, v in fields.items()):
                    return row
            assert self.process.poll() is None, self.log_file.read_text()
            time.sleep(0.05)
        raise AssertionError(f"no {event} {fields} in {self.log_file.read_text()}")

    def wait_for_count(self, event: str, count: int, within_s: float = 15.0) -> None:
        """Wait until an event stands so often in the log."""
        end = time.monotonic() + within_s
        while sum(row["event"] == event for row in self.log()) < count:
            assert time.monotonic() < end, self.log_file.read_text()
            time.sleep(0.05)

    def stop(self) -> dict[str, Any]:
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(20) == 0, self.log_file.read_text()
        return next(row for row in self.log() if row["event"] == "stopped")


@contextmanager
def running(config_file: Path, command: list[str] | None = None, **environment: str) -> Iterator[Running]:
    """A daemon that is killed at the end of the block unless it was stopped; `command` replaces the CLI."""
    daemon = Running(config_file, command, **environment)
    try:
        yield daemon
    finally:
        if daemon.process.poll() is None:
            daemon.process.kill()
            daemon.process.wait()


class Talker:
    """Writes readings to lines at 20 Hz from a thread until it is stopped."""

    def __init__(self, lines: dict[str, Line]) -> None:
        self.lines = dict(lines)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Talker:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._stop.wait(0.05):
            for pad, line in list(self.lines.items()):
                line.write(f"{pad} still {0.0:11.2f} kg\r\n".encode())


def bytes_by_port(data: Path) -> dict[str, int]:
    """Bytes of each port in the journal of the newest run."""
    counts: dict[str, int] = {}
    for _, entry in read_run(find_runs(data)[-1]):
        if isinstance(entry, Chunk):
            counts[entry.port] = counts.get(entry.port, 0) + len(entry.data)
    return counts
