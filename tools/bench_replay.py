"""An hour of four pads at 80 Hz from dataset and journal to rests, and the live cost of a sample: CPU time.

    python tools/bench_replay.py [--minutes 60]

The hour is the demo's afternoon over and over, which moves more than a garage does: 38 s of every 73 s.
Shorter ones are told as an hour. Its journal is replayed twice: once of lines that come again and again, as
they do where loads stand (12,710 different ones), once with a counter in each line, so that none does. The
bare loop beside them reads the same columns by pyarrow and adds up the masses one by one; the ratio to it
holds on any machine. Exits with 1 where an aim is missed.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import pyarrow.parquet as pq
from bench_store import WALL_NS, samples
from msgspec.structs import replace

from drivers.registry import SHIPPED
from logger.journal_segment import Row, encode, head
from logger.model import Record, Sample
from logger.played import kept
from logger.replay import make_bay, open_recordings
from logger.settling import sums
from logger.settling.pipeline import Pipeline
from logger.store.dataset import files, samples_by_run
from logger.store.rows import SegmentRows
from logger.store.sealed import seal

RATE_HZ = 80.0
RUN = "run-000001"
CAPACITY_KG = 500.0
BATCH = 64
"""Chunks the daemon puts into the journal at once: 0.2 s."""


def cpu_s(work: Callable[[], Any]) -> float:
    """CPU time of a piece of work, the better of two."""
    times = []
    for _ in range(2):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return min(times)


def make_dataset(folder: Path, readings: Sequence[Sample]) -> None:
    """Seal the readings as the daemon does, ten minutes a file."""
    rows, segment = SegmentRows(), 1
    for sample in readings:
        if sample.t_mono_ns >= segment * 600_000_000_000:
            seal(folder, "bench", RUN, segment, rows.tables(RUN), {})
            rows, segment = SegmentRows(), segment + 1
        rows.add(sample, WALL_NS)
    seal(folder, "bench", RUN, segment, rows.tables(RUN), {})


def make_journal(folder: Path, readings: Sequence[Sample], *, counted: bool = False) -> None:
    """A run whose chunks are one line each, four ports, all in one segment; `counted`: with a counter."""
    run = folder / "journal" / f"{RUN}-bench0"
    run.mkdir(parents=True)
    name = "counted.toml" if counted else "line-plain"
    shipped = (SHIPPED / "line-plain.toml").read_text(encoding="utf-8")
    (run / "counted.toml").write_text(
        shipped.replace("<unit>kg|lb)", r"<unit>kg|lb) \d{7}"), encoding="utf-8"
    )
    pads = sorted({sample.pad for sample in readings})
    ports = "".join(
        f'[[port]]\nname = "{pad}"\ndevice = "/dev/null"\nlayout = "{name}"\n'
        f'[[pad]]\nid = "{pad}"\nport = "{pad}"\naddress = "P{n}"\ncapacity_kg = {CAPACITY_KG}\n'
        for n, pad in enumerate(pads, 1)
    )
    (run / "config.toml").write_text(f'[bay]\nname = "bench"\n{ports}', encoding="utf-8")
    number = {pad: n for n, pad in enumerate(pads, 1)}
    with (run / "segment-000001.arrows").open("wb") as file:
        file.write(head())
        lines = (_line(number[one.pad], one, k if counted else None) for k, one in enumerate(readings))
        rows = (
            Row("chunk", one.pad, one.t_mono_ns, one.t_wall_ns, line)
            for one, line in zip(readings, lines, strict=True)
        )
        at = 0
        while batch := list(islice(rows, BATCH)):
            file.write(encode(batch, at, "bench"))
            at += len(batch)


def _line(number: int, sample: Sample, count: int | None) -> bytes:
    counted = "" if count is None else f" {count:07d}"
    return f"P{number} still {sample.mass_wire_kg:11.2f} kg{counted}\r\n".encode()


def rests(path: Path) -> list[Record]:
    """What `restpoint replay` writes of this path, as records."""
    found: list[Record] = []
    for one in open_recordings(path, make_bay=make_bay, capacity_kg=CAPACITY_KG):
        found += kept(one.records if one.told is None else one.told)
    return found


def live(readings: Sequence[Sample]) -> None:
    """Feed sample by sample, as the daemon does."""
    pads = sorted({sample.pad for sample in readings})
    pipeline = Pipeline(pads, capacity_kg=dict.fromkeys(pads, CAPACITY_KG))
    for sample in readings:
        pipeline.feed(sample)
    pipeline.finish()


def bare(folder: Path) -> float:
    """Read the same column and add it up, one by one."""
    total = 0.0
    for file in files(folder, "samples"):
        for column in pq.read_table(file, columns=["mass_wire_kg"]).columns:
            for value in column.to_pylist():
                total += value
    return total


def main() -> int:
    """Make the hour, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--minutes", type=float, default=60.0)
    minutes = parser.parse_args().minutes
    made = sorted(samples(RATE_HZ, 60.0 * minutes), key=lambda sample: sample.t_mono_ns)
    readings = [replace(sample, resolution_kg=None) for sample in made]  # learned, as from most streams
    hour = 60.0 / minutes
    with tempfile.TemporaryDirectory(prefix="bench-") as name:
        dataset, journal, counted = (Path(name) / each for each in ("dataset", "bay", "counted"))
        make_dataset(dataset, readings)
        make_journal(journal, readings)
        make_journal(counted, readings, counted=True)
        stored = next(iter(samples_by_run(dataset)))[1]
        told = len(rests(dataset))
        figures = {
            "bare loop over the same column, s an hour": cpu_s(lambda: bare(dataset)) * hour,
            "dataset to rests, s an hour": cpu_s(lambda: rests(dataset)) * hour,
            "journal to rests, s an hour": cpu_s(lambda: rests(journal)) * hour,
            "journal whose lines never repeat, s an hour": cpu_s(lambda: rests(counted)) * hour,
            "live, µs a sample": cpu_s(lambda: live(stored)) / len(stored) * 1e6,
        }
    how = "as it stands" if (sums.__file__ or "").endswith(".py") else "compiled"
    print(f"{len(stored)} readings, {told} records, settling {how}")
    figures["dataset to rests over the bare loop"] = (
        figures["dataset to rests, s an hour"] / figures["bare loop over the same column, s an hour"]
    )
    aims = {
        "dataset to rests, s an hour": 2.0,
        "journal to rests, s an hour": 2.0,
        "journal whose lines never repeat, s an hour": 2.0,
        "live, µs a sample": 15.0,
    }
    missed = 0
    for what, figure in figures.items():
        aim = aims.get(what)
        verdict = "" if aim is None else f"≤ {aim:g}  {'met' if figure <= aim else 'MISSED'}"
        missed += aim is not None and figure > aim
        print(f"{what:<45} {figure:8.2f}  {verdict}".rstrip())
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
