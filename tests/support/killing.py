"""Kills a writing bay with SIGKILL at random moments; a program of its own, to fork before any thread runs.

`python killing.py FOLDER ROUNDS SEED` prints a line a round: how many of its entries were older than the
journal's period when the kill came, which all have to be found in that run.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from logger.segment import head
from support.small_bay import LiveBay, stream

FSYNC_MS = 20
ALLOWED_S = 0.35
"""Period, plus what a loaded machine may take to give the writer its turn."""


def live(folder: Path, done: int, seed: int) -> None:
    """Run a bay until killed, telling the time of each put through a pipe."""
    bay = LiveBay(folder, segment_s=2.0, fsync_ms=FSYNC_MS)
    for entry in stream(1000.0, seed):
        bay.feed(entry)
        os.write(done, b"%.6f\n" % time.monotonic())
        time.sleep(0.001)


def kill_once(folder: Path, rng: random.Random) -> int:
    """One round; return how many entries the journal must hold."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        live(folder, writing, rng.randrange(1000))
        os._exit(1)
    os.close(writing)
    told = os.read(reading, 1 << 16)  # the first put
    end = time.monotonic() + rng.uniform(0.36, 0.6)
    while time.monotonic() < end:
        told += os.read(reading, 1 << 16)
    os.kill(child, signal.SIGKILL)
    killed = time.monotonic()
    os.waitpid(child, 0)
    while more := os.read(reading, 1 << 16):
        told += more
    os.close(reading)
    return sum(float(line) < killed - ALLOWED_S for line in told.split(b"\n")[:-1])


def main() -> None:
    """Kill as often as asked."""
    head()  # imports once what every round needs
    folder, rounds, rng = Path(sys.argv[1]), int(sys.argv[2]), random.Random(int(sys.argv[3]))
    for _ in range(rounds):
        print(kill_once(folder, rng), flush=True)


if __name__ == "__main__":
    main()
