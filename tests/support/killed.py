"""A whole daemon killed with SIGKILL again and again in the midst of weighing, and what must be left.

Four lines send what pads do under a car that comes, is rocked, stands, is got into and out of, and goes; the
dataset is sealed every second, a mosquitto takes what is published. Used by a test with a few kills and by
tools/soak.py with many.
"""

from __future__ import annotations

import math
import random
import signal
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from drivers.sim.player import Line
from logger.journal_folder import run_folders, segment_number
from logger.store.sealed import mark_path
from support.left_over import everything_wrong, last_written_s
from support.mosquitto import Ear, Mosquitto
from support.running import PADS, Running, config

SHORT = """
[journal]
segment_s = 1.0
[page]
port = 0
[weighin]
hold_s = 0.3
[[person]]
name = "driver"
mass_kg = 71.0
"""
"""Segments of a second, so that sealing is always under way."""
SHARE = {"P1": 0.3, "P2": 0.29, "P3": 0.205, "P4": 0.205}
CAR_KG, DRIVER_KG, CYCLE_S = 960.0, 71.0, 27.0
FIRST_CAPTURE_S = 13.0
"""When in the cycle the first reading is taken; the two others follow within as long again."""


def load_kg(pad: str, t_s: float) -> float:
    """What a pad carries at this time of the cycle."""
    if t_s < 3.5:
        return 0.0
    coming, leaving = min((t_s - 3.5) / 0.5, 1.0), min(max((t_s - 26.0) / 0.5, 0.0), 1.0)
    driver = DRIVER_KG * min((t_s - 13.5) / 0.4, 1.0) if 13.5 < t_s < 20.0 else 0.0
    sway = 60.0 * math.exp(-3.0 * max(t_s - 6.0, 0.0)) * math.sin(2 * math.pi * 1.6 * (t_s - 4.2))
    end = 1.0 if pad in ("P1", "P2") else -0.8
    return (CAR_KG + driver) * SHARE[pad] * (coming - leaving) + (sway * end if 4.2 < t_s < 26.0 else 0.0)


class Weighing:
    """Sends the cycle's readings at 20 Hz, from its beginning when told; `sent` holds what lines took.

    A mark in `marks` is (time, length of `sent` of each pad before what was sent then).
    """

    def __init__(self, lines: dict[str, Line], seed: int) -> None:
        self.lines, self._rng = lines, random.Random(seed)
        self.sent = {pad: bytearray() for pad in lines}
        self.marks: list[tuple[float, dict[str, int]]] = []
        self._began_s = time.monotonic()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Weighing:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def begin(self) -> None:
        """The pads stand empty from now on: a new cycle."""
        self._began_s = time.monotonic()

    def between(self, pad: str, from_s: float, to_s: float) -> bytes:
        """The bytes that a pad sent between two moments."""
        places = [at[pad] for t_s, at in self.marks if from_s <= t_s < to_s]
        return bytes(self.sent[pad][places[0] : places[-1]]) if places else b""

    def _run(self) -> None:
        while not self._stop.wait(0.05):
            now_s = time.monotonic()
            t_s = (now_s - self._began_s) % CYCLE_S
            self.marks.append((now_s, {pad: len(sent) for pad, sent in self.sent.items()}))
            for pad, line in self.lines.items():
                load = load_kg(pad, t_s) + self._rng.gauss(0.0, 0.03) + 0.05
                whole = f"{pad} still {load:11.2f} kg\r\n".encode()
                before = line.written
                line.write(whole)
                self.sent[pad] += whole[: line.written - before]


@dataclass
class Kill:
    """When all ports were open (None: killed before), how long that took, when the journal last wrote."""

    t_running_s: float | None = None
    start_s: float | None = None
    boot: str | None = None
    t_written_s: float = 0.0
    t_killed_s: float = 0.0


@dataclass
class Outcome:
    """What came of all kills."""

    kills: list[Kill] = field(default_factory=list)
    captures: int = 0
    wrong: list[str] = field(default_factory=list)


def at_random(rng: random.Random) -> Callable[[Running, Ear], None]:
    """How long to wait before the kill: one in five while it starts, half of the others around a capture."""
    if rng.random() < 0.5:
        wait_s = rng.uniform(0.0, FIRST_CAPTURE_S)
    else:
        wait_s = FIRST_CAPTURE_S + rng.uniform(-0.5, 2.5)
    return lambda _daemon, _ear: time.sleep(wait_s)


def kill_again_and_again(
    folder: Path, seed: int, waits: list[Callable[[Running, Ear], None] | None]
) -> Outcome:
    """Kill after each wait (None: while it starts), then start and stop once more; say what is wrong."""
    out, rng = Outcome(), random.Random(seed)
    with ExitStack() as stack:
        broker = Mosquitto(folder, "allow_anonymous true\nmax_queued_messages 0")
        broker.start()
        stack.callback(broker.kill)
        lines = {pad: stack.enter_context(Line()) for pad in PADS}
        file = config(folder, {pad: line.device for pad, line in lines.items()}, SHORT, broker.port)
        weighing = stack.enter_context(Weighing(lines, seed))
        ear = stack.enter_context(Ear(broker.port, broker))
        for wait in waits:
            out.kills.append(_kill_once(file, weighing, ear, rng, wait))
        last = Running(file)
        boot = last.wait_for("running", 30)["boot_id"]
        wait_for_the_dataset(folder / "data", boot)
        last.stop()
        time.sleep(0.3)  # what the broker still has on the way to the ear
    out.captures, out.wrong = everything_wrong(folder / "data", weighing, out.kills, ear.heard)
    return out


def wait_for_the_dataset(data: Path, boot: str, within_s: float = 60.0) -> None:
    """Wait until all that runs before this start left in the journal is in the dataset.

    A busy machine makes the folder of the present run late: the newest need not be its own.
    """
    end = time.monotonic() + within_s
    earlier = [run for run in run_folders(data / "journal") if not boot.startswith(run.name.split("-")[-1])]
    for run in earlier:
        for path in run.segments:
            while not mark_path(data / "dataset", run.name, segment_number(path)).exists():
                assert time.monotonic() < end, f"{path} was never sealed"
                time.sleep(0.05)


def _kill_once(
    file: Path,
    weighing: Weighing,
    ear: Ear,
    rng: random.Random,
    wait: Callable[[Running, Ear], None] | None,
) -> Kill:
    began_s = time.monotonic()
    daemon = Running(file)
    kill = Kill()
    if wait is None:
        time.sleep(rng.uniform(0.1, 1.0))
    else:
        kill.boot = daemon.wait_for("running", 30)["boot_id"]
        for pad in PADS:
            daemon.wait_for("port", 30, port=pad, event_name="opened")
        kill.t_running_s = time.monotonic()
        kill.start_s = kill.t_running_s - began_s
        weighing.begin()
        wait(daemon, ear)
        kill.t_written_s = last_written_s(daemon.data)
    daemon.process.send_signal(signal.SIGKILL)
    kill.t_killed_s = time.monotonic()
    daemon.process.wait()
    return kill
