"""A run replayed for its report: what every pad did, and where monotonic time stands on the wall."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import isfinite, sqrt
from statistics import variance

from logger.bay import Bay
from logger.clock import NS, wall_text
from logger.derive import derive
from logger.journal_folder import Run, read_run
from logger.model import FLAG_WILD, Gap, PadCondition, Record, Rest, Rock, Sample, ZeroCheck

LEAST_READINGS = 20
"""Fewer say little about their own scatter: it would be uncertain by a sixth."""


@dataclass
class PadTrace:
    """What replay showed of one pad."""

    t_ns: list[int] = field(default_factory=list)
    mass_kg: list[float] = field(default_factory=list)
    rests: dict[int, Rest] = field(default_factory=dict)
    zeros: list[ZeroCheck] = field(default_factory=list)
    conditions: list[PadCondition] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    wild: int = 0
    resolution_kg: float | None = None
    battery_V: float | None = None
    signal_dBm: float | None = None

    def noise_kg(self) -> float | None:
        """Standard deviation of single samples at rest, pooled over seconds; None without a long rest."""
        pooled, count = 0.0, 0
        for rest in self.rests.values():
            for second in self._seconds(rest):
                pooled += variance(second) * (len(second) - 1)
                count += len(second) - 1
        return sqrt(pooled / count) if count >= LEAST_READINGS else None

    def _seconds(self, rest: Rest) -> Iterator[list[float]]:
        at: dict[int, list[float]] = {}
        for t_ns, mass_kg in zip(self.t_ns, self.mass_kg, strict=True):
            if rest.t_from_mono_ns <= t_ns <= rest.t_to_mono_ns and isfinite(mass_kg):
                at.setdefault(t_ns // NS, []).append(mass_kg)
        return (second for second in at.values() if len(second) > 2)


class Trace:
    """A run replayed: what every pad did, and where monotonic time stands on the wall."""

    def __init__(self, run: Run, bay: Bay, pads: Sequence[str]) -> None:
        self.pads = {pad: PadTrace() for pad in pads}
        self.rocks: list[Rock] = []
        self.offset_ns = 0
        self.start_ns: int | None = None
        self.end_ns = 0
        for record in self._records(run, bay):
            self._take(record)
        self.counts = bay.counts

    def _records(self, run: Run, bay: Bay) -> Iterator[Record]:
        for _, entry in read_run(run):
            t_wall_ns = getattr(entry, "t_wall_ns", None)
            if t_wall_ns is not None and not isinstance(entry, Gap):
                t_mono_ns: int = entry.t_mono_ns
                self.offset_ns = t_wall_ns - t_mono_ns
                self.start_ns = t_mono_ns if self.start_ns is None else self.start_ns
                self.end_ns = t_mono_ns
            yield from derive(bay, entry)
        yield from bay.finish()

    def _take(self, record: Record) -> None:
        pad = self.pads.get(getattr(record, "pad", ""))
        match record:
            case Rock():
                self.rocks.append(record)
            case Sample() if pad is not None:
                _take_sample(pad, record)
            case Rest() if pad is not None:
                pad.rests[record.t_from_mono_ns] = record
            case ZeroCheck() if pad is not None:
                pad.zeros.append(record)
            case PadCondition() if pad is not None:
                pad.conditions.append(record)
            case Gap() if pad is not None:
                pad.gaps.append(record)

    def seconds(self, t_ns: int) -> float:
        """Seconds since the run's first entry."""
        return (t_ns - (self.start_ns or 0)) / NS

    def clock(self, t_ns: int) -> str:
        """Wall time of day of a monotonic time, UTC."""
        return wall_text(t_ns + self.offset_ns)[11:19]


def _take_sample(pad: PadTrace, sample: Sample) -> None:
    if sample.flags & FLAG_WILD:
        pad.wild += 1
    pad.t_ns.append(sample.t_mono_ns)
    pad.mass_kg.append(float("nan") if sample.mass_kg is None else sample.mass_kg)
    pad.resolution_kg = sample.resolution_kg or pad.resolution_kg
    pad.battery_V = _least(pad.battery_V, sample.battery_V)
    pad.signal_dBm = _least(pad.signal_dBm, sample.signal_dBm)


def _least(known: float | None, new: float | None) -> float | None:
    return new if known is None else known if new is None else min(known, new)
