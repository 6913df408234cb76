"""Long runs of the whole daemon: killed many times, and fed a day's readings faster than time goes by.

`tools/soak.py [--kills N] [--hours H] [--rate HZ]`: 200 kills at random moments; then what four pads send in
H hours at 20 Hz, sent at HZ a pad through real ports and threads. Prints what was measured; 1 if anything is
wrong.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any
from urllib.request import urlopen

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from support.killed import Outcome, at_random, kill_again_and_again  # noqa: E402  behind the path they need
from support.left_over import DURABLE_S, LATE_SHARE, late  # noqa: E402  behind the path they need
from support.mosquitto import Mosquitto  # noqa: E402  behind the path they need
from support.running import PADS, Running, config, running  # noqa: E402  behind the path they need

from drivers.sim.player import Line  # noqa: E402
from logger.health import read_health  # noqa: E402
from logger.journal import JournalSettings  # noqa: E402
from logger.store import DATASET  # noqa: E402
from logger.store.sealed import mark_paths  # noqa: E402

PAD_HZ = 20.0
GROWTH_BYTES = 5 << 20
"""Memory may grow by so much after warm-up."""
WARM_SHARE = 0.15
WARM_SEGMENTS = 2
"""Warm-up is this share of the run, and goes on until so many segments are sealed: the first has its readings
in memory for the first time, and its sealing loads 10 MB of libraries."""
FEW_LINES = 30
"""The log may have so many lines beside what is said aloud of the weighings and what pads do in them."""
PAD_LINES = 12
"""So many lines a minute may tell what pads do: of four pads that they are empty, move and rest."""
SHOPS = 3
"""Bays that are killed side by side, each with its own broker: most of the time all wait."""
EARLY = 0.2
"""This share of the kills comes while the daemon starts."""
START_S = 2.0
"""One start in four, at least, takes no longer: the others may have met a busy machine."""
PACE_S = 0.02
AHEAD_S = 6.0
"""So much of the feeding may be unread; the daemon tells every two seconds how far it has come."""
READING_BYTES = 25


@dataclass(frozen=True)
class Look:
    """What the daemon's process held at a moment."""

    readings: int
    rss_bytes: int
    files: int
    sealed: int


class Feeder:
    """Writes readings of four pads, a weighing every 30 s: empty, car on, rest, car off.

    `rate_Hz` is the most; it waits for a line that is full, and while the daemon has more than a few seconds'
    readings before it, so that a busy machine takes longer and tells the same.
    """

    def __init__(self, lines: dict[str, Line], rate_Hz: float, data: Path) -> None:
        self._lines, self._rate_Hz, self._rng = lines, rate_Hz, random.Random(7)
        self._data, self._seen_s, self._derived = data, 0.0, 0
        self.readings = 0
        self.fault: Exception | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Feeder:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        try:
            while not self._stop.wait(PACE_S):
                if not self._is_ahead():
                    self._write(max(int(self._rate_Hz * PACE_S), 1))
        except TimeoutError as fault:
            self.fault = fault

    def _write(self, count: int) -> None:
        load = 0.0 if time.monotonic() % 30.0 < 6 else 240.0
        for pad, line in self._lines.items():
            line.write_all(b"".join(self._reading(pad, load) for _ in range(count)))
        self.readings += count * len(self._lines)

    def _is_ahead(self) -> bool:
        """Whether the daemon has more before it than it is to have, by what its health file tells."""
        if time.monotonic() - self._seen_s > 0.5:
            self._seen_s = time.monotonic()
            told = read_health(self._data)
            if told is not None:
                self._derived = sum(stream["bytes"] for stream in told["health"]["streams"].values())
        sent = sum(line.written for line in self._lines.values())
        return sent - self._derived > AHEAD_S * self._rate_Hz * len(self._lines) * READING_BYTES

    def _reading(self, pad: str, load: float) -> bytes:
        return f"{pad} still {load + self._rng.gauss(0.0, 0.03) + 0.05:11.2f} kg\r\n".encode()


def look(daemon: Running, readings: int) -> Look:
    """Read the process's memory and open files from /proc."""
    pages = int(Path(f"/proc/{daemon.process.pid}/statm").read_text().split()[1])
    files = len(os.listdir(f"/proc/{daemon.process.pid}/fd"))
    return Look(readings, pages * os.sysconf("SC_PAGE_SIZE"), files, len(mark_paths(daemon.data / DATASET)))


def as_in_life(rate_Hz: float) -> float:
    """How long (s) a segment lasts that holds as many readings as one of a bay that is not hurried."""
    return JournalSettings().segment_s * PAD_HZ / rate_Hz


@contextmanager
def watched(daemon: Running) -> Iterator[None]:
    """Somebody has the page open."""
    address = daemon.wait_for("page")["detail"].rpartition(" ")[2]
    over = threading.Event()

    def read() -> None:
        while not over.is_set() and stream.readline():
            pass

    with urlopen(f"{address}events", timeout=60) as stream:
        viewer = threading.Thread(target=read, daemon=True)
        viewer.start()
        yield
        watching = viewer.is_alive()
        over.set()
        viewer.join()
    assert watching, "the page let its viewer go"


def feed(
    folder: Path, hours: float, rate_Hz: float, segment_s: float
) -> tuple[list[Look], list[dict[str, Any]], list[str]]:
    """Feed so many pad hours at `rate_Hz` a pad, broker and page in use; return looks, log, what is wrong."""
    readings = int(hours * 3600 * PAD_HZ * len(PADS))
    looks: list[Look] = []
    with ExitStack() as stack:
        broker = Mosquitto(folder)
        broker.start()
        stack.callback(broker.kill)
        lines = {pad: stack.enter_context(Line()) for pad in PADS}
        more = f"[page]\nport = 0\n[journal]\nsegment_s = {segment_s}\n"
        file = config(folder, {p: line.device for p, line in lines.items()}, more, broker.port)
        daemon = stack.enter_context(running(file))
        for pad in PADS:
            daemon.wait_for("port", 30, port=pad, event_name="opened")
        viewer = stack.enter_context(ExitStack())
        viewer.enter_context(watched(daemon))
        with Feeder(lines, rate_Hz, daemon.data) as feeder:
            while feeder.readings < readings and feeder.fault is None:
                time.sleep(max(0.2, readings / rate_Hz / len(PADS) / 200))
                looks.append(look(daemon, feeder.readings))
        viewer.close()
        time.sleep(0.5)
        stopped = daemon.stop()
        wrong = [str(feeder.fault)] if feeder.fault else []
        sent = {pad: line.written for pad, line in lines.items()}
    read = {pad: stream["bytes"] for pad, stream in stopped["streams"].items()}
    wrong += [
        f"{pad}: {sent[pad]} bytes were sent, {read[pad]} came in" for pad in PADS if sent[pad] != read[pad]
    ]
    refused = {pad: stream["rejects"] for pad, stream in stopped["streams"].items()}
    wrong += [f"{pad}: refused {refused[pad]}" for pad in PADS if sum(refused[pad].values()) > 1]
    return looks, daemon.log(), wrong


def soak(hours: float, rate_Hz: float) -> list[str]:
    """Feed and judge; print what was measured."""
    with tempfile.TemporaryDirectory() as folder:
        began = time.monotonic()
        looks, log, wrong = feed(Path(folder), hours, rate_Hz, as_in_life(rate_Hz))
        took_s = time.monotonic() - began
    warm = [k for k in looks[int(len(looks) * WARM_SHARE) :] if k.sealed >= WARM_SEGMENTS]
    if len(warm) < 9:
        return [*wrong, "too short to tell whether memory grows"]
    first, last = warm[: len(warm) // 3], warm[-(len(warm) // 3) :]
    growth = {
        "grew": median(k.rss_bytes for k in last) - median(k.rss_bytes for k in first),
        "its most": max(k.rss_bytes for k in last) - max(k.rss_bytes for k in first),
    }
    files = {k.files for k in warm}
    lines = kinds(log)
    print(
        f"fed: {looks[-1].readings} readings, {hours:g} h of four pads, in {took_s:.0f} s; "
        f"memory {warm[0].rss_bytes / 1e6:.1f} MB after warm-up ({warm[0].readings} readings), "
        f"{', '.join(f'{what} {more / 1e6:+.1f} MB' for what, more in growth.items())}; "
        f"{looks[-1].sealed} segments sealed; open files {min(files)}–{max(files)}; "
        f"{len(log)} log lines: {lines['said']} said aloud, {lines['pad']} of pads, {lines['other']} others"
    )
    wrong += [f"memory: {what} {more} bytes" for what, more in growth.items() if more > GROWTH_BYTES]
    if max(files) - min(files) > 4:  # the segment being sealed and its folder
        wrong.append(f"open files went from {min(files)} to {max(files)}")
    if lines["other"] > FEW_LINES or lines["pad"] > PAD_LINES * (took_s / 60 + 1):
        wrong.append(f"the log was flooded: {dict(Counter((row['event'], row['level']) for row in log))}")
    return wrong


def kinds(log: list[dict[str, Any]]) -> Counter[str]:
    """Lines of the log by kind: said aloud, what well pads do, others."""
    usual = ("said", "pad")
    return Counter(
        row["event"] if row["event"] in usual and row["level"] == "info" else "other" for row in log
    )


def kill(count: int, seed: int) -> list[str]:
    """Kill and judge, in some shops at once; print what was measured."""
    rng = random.Random(seed)
    waits = [None if rng.random() < EARLY else at_random(rng) for _ in range(count)]
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(SHOPS) as pool:
        shops = [Path(folder, f"shop{n}") for n in range(SHOPS)]
        for shop in shops:
            shop.mkdir()
        outs: list[Outcome] = list(
            pool.map(kill_again_and_again, shops, range(SHOPS), [waits[n::SHOPS] for n in range(SHOPS)])
        )
    starts = sorted(k.start_s for out in outs for k in out.kills if k.start_s is not None)
    wrong = [f"shop {n}: {what}" for n, out in enumerate(outs) for what in out.wrong]
    ago_s = late([kill for out in outs for kill in out.kills])
    print(
        f"killed: {count} times, {count - len(starts)} of them while starting; starts took "
        f"{starts[len(starts) // 4]:.2f} s in the quicker quarter, {median(starts):.2f} s in the middle, "
        f"{starts[-1]:.2f} s at most; the journal had written {median(ago_s):.2f} s before the kill, "
        f"{ago_s[-1]:.2f} s at most; "
        f"{sum(out.captures for out in outs)} captures on the bus; {len(wrong)} things wrong"
    )
    if starts[len(starts) // 4] > START_S:
        wrong.append(f"starts take longer than {START_S:g} s")
    if ago_s[int((1 - LATE_SHARE) * len(ago_s))] > DURABLE_S:
        wrong.append(f"the journal often writes later than {DURABLE_S:g} s")
    return wrong


def main() -> int:
    """Run what was asked for; 1 when anything is wrong."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--hours", type=float, default=24.0, help="of four pads at 20 Hz")
    parser.add_argument(
        "--rate", type=float, default=1000.0, metavar="HZ", help="a pad at most; a slow machine slows it"
    )
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    wrong = kill(args.kills, args.seed) if args.kills else []
    wrong += soak(args.hours, args.rate) if args.hours else []
    print(*wrong[:50], sep="\n")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
