"""The journal's figures: what a put, a commit and an entry cost, how fast a run is replayed and recovered.

Times are also given as ratios to the least that could be done in the same run on the same disk.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from support.small_bay import LiveBay, stream

from logger.journal_folder import find_runs, recover
from logger.journal_segment import Row, encode, head, scan
from logger.model import Chunk, Sample
from logger.rebuild import make_missing
from logger.replay import make_bay, open_recordings

RATE_HZ = 4 * 80
PERIOD_S = 0.2


def seconds(work: Callable[[], Any], rounds: int = 1) -> float:
    """Median time (s) of a piece of work."""
    times = []
    for _ in range(rounds):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return median(times)


def commit_figures(folder: Path) -> dict[str, float]:
    """One commit of four pads at 80 Hz against a bare write of the bytes, both with fdatasync."""
    rows = [
        Row("chunk", f"P{i % 4}", i * 10**6, i * 10**6, b"P1 still      243.21 kg\r\n")
        for i in range(round(RATE_HZ * PERIOD_S))
    ]
    raw = b"".join(row.data for row in rows)
    fd = os.open(folder / "commits", os.O_WRONLY | os.O_CREAT)

    def write(blob: Callable[[], bytes]) -> None:
        os.write(fd, blob())
        os.fdatasync(fd)

    ours = seconds(lambda: write(lambda: encode(rows, 0, "bench")), 200)
    bare = seconds(lambda: write(lambda: raw), 200)
    os.close(fd)
    blob = encode(rows, 0, "bench")
    segment = head() + b"".join(encode(rows, n * len(rows), "bench") for n in range(300))
    return {
        "commit of 0.2 s of four pads at 80 Hz, ms": ours * 1e3,
        "the same over a bare write and fdatasync, ratio": ours / bare,
        "raw bytes over the bytes of the line, ratio": len(blob) / len(raw),
        "entries checked and read a second": 300 * len(rows) / seconds(lambda: list(scan(segment)), 3),
    }


def run_figures(folder: Path) -> dict[str, float]:
    """A run of twenty minutes of two pads at 20 Hz: put, replay, recovery of its last segment."""
    live = LiveBay(folder, segment_s=300.0)
    entries = list(stream(1200.0))
    put = seconds(lambda: [live.journal.put(entry) for entry in entries[:2000]]) / 2000
    live.close()
    live = LiveBay(folder, segment_s=300.0)
    for entry in entries:
        live.feed(entry)
        while live.store.waiting > 10_000:
            time.sleep(0.01)
    live.close()
    run = find_runs(folder)[-1]
    chunks = sum(len(entry.data) for entry in entries if isinstance(entry, Chunk))
    count = 0

    def replay() -> None:
        nonlocal count
        (one,) = open_recordings(run.folder, make_bay=make_bay)
        count = sum(isinstance(record, Sample) for record in one.records)

    replay_s = seconds(replay)
    (folder / "dataset" / "_sealed" / f"{run.name}-{len(run.segments):06d}.json").unlink()
    troubles: list[str] = []

    def tell(event: str, detail: str) -> None:
        troubles.append(f"{event}: {detail}")

    def start() -> None:
        recover(folder / "journal", tell)
        make_missing(folder, "barn", make_bay, tell)

    return {
        "put, µs": put * 1e6,
        "replay, samples a second": count / replay_s,
        "replay over recorded time, ratio": 1200.0 / replay_s,
        "bytes on disk over bytes of the stream, ratio": sum(p.stat().st_size for p in run.segments) / chunks,
        "recovery of one segment of five minutes, s": seconds(start),
    }


def main() -> None:
    """Print one figure a line."""
    with tempfile.TemporaryDirectory(prefix="bench-") as name:
        for what, figure in (commit_figures(Path(name)) | run_figures(Path(name))).items():
            print(f"{what:55} {figure:12.4g}")


if __name__ == "__main__":
    main()
