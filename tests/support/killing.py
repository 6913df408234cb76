"""Kills a writing bay with SIGKILL at random moments; a program of its own, to fork before any thread runs.

`python killing.py FOLDER ROUNDS SEED` prints a line a round: how many of its entries the journal had called
durable when the kill came, which all have to be found in that run.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from logger.journal_segment import head
from support.small_bay import LiveBay, stream


def live(folder: Path, done: int, seed: int) -> None:
    """Run a bay until killed, telling after each put through a pipe how many are durable."""
    bay = LiveBay(folder, segment_s=2.0, fsync_ms=20)
    for entry in stream(1000.0, seed):
        bay.feed(entry)
        os.write(done, b"%d\n" % bay.journal.durable)
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
    told, enough = b"", rng.randrange(50, 130)
    while told.count(b"\n") < enough and (more := os.read(reading, 1 << 16)):
        told += more
    time.sleep(rng.uniform(0.0, 0.02))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    while more := os.read(reading, 1 << 16):
        told += more
    os.close(reading)
    return int(told.split(b"\n")[-2])


def main() -> None:
    """Kill as often as asked."""
    head()  # imports once what every round needs
    folder, rounds, rng = Path(sys.argv[1]), int(sys.argv[2]), random.Random(int(sys.argv[3]))
    for _ in range(rounds):
        print(kill_once(folder, rng), flush=True)


if __name__ == "__main__":
    main()
