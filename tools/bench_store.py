"""Bytes of a stored sample: a whole journal segment of the default length, sealed as the daemon seals it."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random

from drivers.sim.wagtail import PADS, wagtail
from logger.journal import JournalSettings
from logger.model import Sample
from logger.store.rows import SegmentRows
from logger.store.sealed import seal

JITTER_S = 0.0002
"""Standard deviation of arrival on a machine that has other things to do."""
WALL_NS = 1_760_000_000_000_000_000


def bytes_per_sample(rate_Hz: float) -> float:
    """Size of the sealed samples over their number, four pads at a rate for a segment's length."""
    rows, count = SegmentRows(), 0
    for sample in samples(rate_Hz, JournalSettings().segment_s):
        rows.add(sample, WALL_NS)
        count += 1
    with tempfile.TemporaryDirectory(prefix="bench-") as name:
        seal(Path(name), "bench", "run-000001", 1, rows.tables("run-000001"), {})
        size = sum(file.stat().st_size for file in (Path(name) / "samples").rglob("*.parquet"))
    return size / count


def samples(rate_Hz: float, time_s: float) -> Iterator[Sample]:
    """Afternoons one after the other, each with dice of its own, zeros taken off, arrivals jittering."""
    begin_s, seed, random = 0.0, 0, Random(1)
    while begin_s < time_s:
        seed += 1
        scenario = replace(wagtail(seed=seed), rate_Hz=rate_Hz)
        for t_s, readings in scenario.readings():
            for n, reading in enumerate(readings.values()):
                if reading.lost or reading.mass_kg is None or begin_s + t_s > time_s:
                    continue
                at_s = begin_s + t_s + n / 4 / rate_Hz + abs(random.gauss(0.0, JITTER_S))
                t_mono_ns = round(at_s * 1e9)
                yield Sample(
                    pad=reading.pad,
                    t_mono_ns=t_mono_ns,
                    t_wall_ns=WALL_NS + t_mono_ns,
                    mass_wire_kg=round(reading.mass_kg, 2),
                    mass_kg=round(reading.mass_kg, 2) - PADS[reading.pad].zero_kg - 0.0123,
                    flags=1 if reading.steady else 2,
                    resolution_kg=0.01,
                )
        begin_s += scenario.lasts_s()
