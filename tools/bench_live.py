"""What the bench sets up round a running program: a broker, four lines fed at a rate, and its use of CPU."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from drivers.sim.player import Line
from drivers.sim.wagtail import wagtail
from drivers.sim.wire import PadLine

PADS = ("P1", "P2", "P3", "P4")
LAYOUT = "line-plain"
"""Lines of text, because the bare loop can read nothing else."""
TICKS_PER_S = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, kw_only=True)
class Use:
    """What a process took over a stretch: CPU s, frames fed, seconds, resident memory at its end."""

    cpu_s: float
    frames: int
    time_s: float
    resident_MB: float

    @property
    def cpu_us_per_frame(self) -> float:
        """CPU time in µs for each frame fed."""
        return 1e6 * self.cpu_s / self.frames

    @property
    def percent_of_core(self) -> float:
        """CPU in % of one core."""
        return 100 * self.cpu_s / self.time_s


class Feed:
    """Four pads on four pseudo-terminals at a rate, bytes made beforehand, one pad after the other."""

    def __init__(self, rate_Hz: float) -> None:
        self.lines = {pad: Line() for pad in PADS}
        self._messages, self._rate_Hz = messages(rate_Hz), rate_Hz
        self.frames = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="feed", daemon=True)

    def __enter__(self) -> Feed:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        for line in self.lines.values():
            line.unplug()

    def stop(self) -> None:
        """Send no more."""
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        began, n, lines = time.monotonic(), 0, list(self.lines.values())
        while not self._stop.is_set():
            for n_pad, line in enumerate(lines):
                due = began + (n + n_pad / 4) / self._rate_Hz
                time.sleep(max(0.0, due - time.monotonic()))
                line.write(self._messages[n % len(self._messages)][n_pad])
                self.frames += 1
            n += 1


@cache
def messages(rate_Hz: float) -> list[list[bytes]]:
    """An afternoon's bytes by tick and pad, with radios that lose nothing: a car to think about."""
    afternoon = wagtail(rate_Hz=rate_Hz)
    sound = {pad: replace(spec, lose=0.0, damage=0.0) for pad, spec in afternoon.pads.items()}
    encoders = [PadLine(LAYOUT, pad) for pad in PADS]
    return [[encode(tick) for encode in encoders] for tick in replace(afternoon, pads=sound).play()]


def cpu_s(pid: int) -> float:
    """CPU time a process has taken so far, all its threads, user and system."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_PER_S


def resident_MB(pid: int) -> float:
    """Resident memory of a process now."""
    pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def watch(pid: int, feed: Feed, time_s: float) -> Use:
    """Look at a process for a while."""
    frames, cpu, began = feed.frames, cpu_s(pid), time.monotonic()
    time.sleep(time_s)
    return Use(
        cpu_s=cpu_s(pid) - cpu,
        frames=feed.frames - frames,
        time_s=time.monotonic() - began,
        resident_MB=resident_MB(pid),
    )


@contextmanager
def process(*command: str, log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A program for as long as the block lasts, then SIGTERM and 10 s to put its things away."""
    with log.open("wb") as out, subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT) as child:
        try:
            yield child
        finally:
            child.terminate()
            try:
                child.wait(10)
            except subprocess.TimeoutExpired:
                child.kill()


@contextmanager
def mosquitto(folder: Path) -> Iterator[int]:
    """A broker of our own on loopback; gives its port. FileNotFoundError when mosquitto is not installed."""
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if program is None:
        raise FileNotFoundError("mosquitto is not installed; tools/services installs it")
    port = free_port()
    config = folder / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n", "ascii")
    with process(program, "-c", str(config), log=folder / "mosquitto.log"):
        wait_for_port(port)
        yield port


def free_port() -> int:
    """A TCP port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for_port(port: int, time_s: float = 5.0) -> None:
    """Wait until something listens; TimeoutError when nothing does."""
    end = time.monotonic() + time_s
    while time.monotonic() < end:
        try:
            socket.create_connection(("127.0.0.1", port), 0.2).close()
        except OSError:
            time.sleep(0.02)
        else:
            return
    raise TimeoutError(f"nothing listens on port {port}")


def config_text(feed: Feed, broker_port: int) -> str:
    """A bay's configuration as somebody would write it: four pads on spots, page on, no loudspeaker."""
    ports = "".join(
        f'[[port]]\nname = "{pad}"\ndevice = "{line.device}"\nlayout = "{LAYOUT}"\n'
        f'[[pad]]\nid = "{pad}"\nport = "{pad}"\naddress = "{pad}"\nspot = "S{n}"\ncapacity_kg = 700\n'
        for n, (pad, line) in enumerate(feed.lines.items(), 1)
    )
    return (
        f'schema = 1\n[bay]\nname = "bench"\n{ports}'
        f'[broker]\nhost = "127.0.0.1"\nport = {broker_port}\n[page]\nport = 0\n[voice]\nenabled = false\n'
    )


def python(*arguments: str) -> list[str]:
    """A command line for this very interpreter."""
    return [sys.executable, *arguments]


def restpoint(*arguments: str) -> list[str]:
    """A command line for the program as installed beside this interpreter."""
    return [str(Path(sys.executable).with_name("restpoint")), *arguments]
