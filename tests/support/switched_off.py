"""A whole daemon killed with SIGKILL again and again while four lines talk to it, and what must be left.

Used by a test with a few kills and by tools/soak.py with many.
"""

from __future__ import annotations

import random
import re
import signal
import sqlite3
import threading
import time
from collections import Counter
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path

from drivers.sim.player import Line
from logger.assembly import bay_from_file
from logger.journal_folder import Run, read_run, run_folders
from logger.model import Chunk, Sample
from logger.rebuild import verify
from logger.replay import derive
from logger.store.dataset import samples_by_run
from support.running import PADS, Running, config

DURABLE_S = 0.2 + 0.6
"""The fsync period, and time for a busy machine to get round to it (s)."""
SHORT = "[journal]\nsegment_s = 1.0\n[page]\nport = 0\n"
"""Segments of a second, so that sealing is always under way."""
LINE = re.compile(rb"P(\d) still +(\d+)\.(\d\d) kg\r\n")


@dataclass
class Counting:
    """Writes numbered readings to four lines; `sent` holds (time, number) by pad."""

    lines: dict[str, Line]
    rate_Hz: float = 20.0
    sent: dict[str, list[tuple[float, int]]] = field(default_factory=lambda: {pad: [] for pad in PADS})

    def __post_init__(self) -> None:
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Counting:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        number = 0
        while not self._stop.wait(1 / self.rate_Hz):
            number += 1
            for pad, line in self.lines.items():
                whole = f"{pad} still {number / 100:11.2f} kg\r\n".encode()
                before = line.dropped
                line.write(whole)
                if line.dropped == before:
                    self.sent[pad].append((time.monotonic(), number))


@dataclass(frozen=True)
class Kill:
    """One round: when all ports were open (None: killed before), when it was killed, how long it started."""

    t_running_s: float | None
    t_killed_s: float
    start_s: float | None


def kill_again_and_again(
    folder: Path, count: int, rng: random.Random, most_s: float
) -> tuple[list[Kill], list[str]]:
    """Kill `count` times after up to `most_s` of running, then stop once; return kills and what is wrong."""
    with ExitStack() as stack:
        lines = {pad: stack.enter_context(Line()) for pad in PADS}
        file = config(folder, {pad: line.device for pad, line in lines.items()}, SHORT)
        talking = stack.enter_context(Counting(lines))
        kills = [_kill_once(file, rng, most_s) for _ in range(count)]
        last = Running(file)
        last.wait_for("running", 30)
        time.sleep(0.5)
        last.stop()
    wrong = list(_lost(folder / "data", talking, kills))
    return kills, wrong + list(_differences(folder / "data"))


def _kill_once(file: Path, rng: random.Random, most_s: float) -> Kill:
    began = time.monotonic()
    daemon = Running(file)
    early = rng.random() < 0.2
    running = None
    if early:
        time.sleep(rng.uniform(0.1, 1.0))
    else:
        for pad in PADS:
            daemon.wait_for("port", 30, port=pad, event_name="opened")
        daemon.wait_for("running", 30)
        running = time.monotonic()
        time.sleep(rng.uniform(0.0, most_s))
    daemon.process.send_signal(signal.SIGKILL)
    killed = time.monotonic()
    daemon.process.wait()
    return Kill(running, killed, running and running - began)


def _lost(data: Path, talking: Counting, kills: list[Kill]) -> list[str]:
    """Readings sent while a daemon ran, long enough before its kill, that are not held exactly once."""
    held: dict[str, Counter[int]] = {pad: Counter() for pad in PADS}
    for run in run_folders(data / "journal"):
        for pad, numbers in _numbers(run).items():
            held[pad].update(numbers)
    wrong = []
    for kill in kills:
        if kill.t_running_s is None:
            continue
        for pad, sent in talking.sent.items():
            must = [n for t, n in sent if kill.t_running_s < t < kill.t_killed_s - DURABLE_S]
            wrong += [f"{pad}: reading {n} is held {held[pad][n]} times" for n in must if held[pad][n] != 1]
    return wrong


def _numbers(run: Run) -> dict[str, list[int]]:
    """The numbers of the readings in a run's journal, by pad."""
    streams: dict[str, bytearray] = {}
    for _, entry in read_run(run):
        if isinstance(entry, Chunk):
            streams.setdefault(entry.port, bytearray()).extend(entry.data)
    return {
        port: [int(whole) * 100 + int(part) for _, whole, part in LINE.findall(bytes(data))]
        for port, data in streams.items()
    }


def _differences(data: Path) -> list[str]:
    """Where dataset, hashes or ledger are not what the journal says they should be."""
    wrong = list(verify(data))
    stored = dict(samples_by_run(data / "dataset"))
    for run in run_folders(data / "journal"):
        if not run.segments:
            continue
        bay = bay_from_file(run.folder / "config.toml")
        made = [r for _, e in read_run(run) for r in derive(bay, e) if isinstance(r, Sample)]
        told = sorted((s.pad, s.t_mono_ns // 1000) for s in made)
        kept = sorted((s.pad, s.t_mono_ns // 1000) for s in stored.get(run.name, []))
        if told != kept:
            wrong.append(f"{run.name}: {len(kept)} samples are stored, {len(told)} come from the journal")
    with closing(sqlite3.connect(data / "ledger.db")) as db:
        verdict = db.execute("PRAGMA integrity_check").fetchone()[0]
    return wrong if verdict == "ok" else [*wrong, f"ledger: {verdict}"]
