# cython: annotation_typing=False, auto_pickle=False
"""The one pipeline of live running, replay and tests: samples in, samples and what they mean out.

A frame clock of `cell_s` cuts each pad's samples into cells; at every tick the cells go to the pads'
channels and, once all pads have one, to the car's. All decisions depend on the records and their times
alone, never on how many are fed at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from logger.columns import Columns
from logger.model import Gap, GapCause, Record, Sample
from logger.settling.blocks import frames
from logger.settling.car import Car
from logger.settling.kept import Kept
from logger.settling.pad import Pad
from logger.settling.prior import TailPrior
from logger.settling.settings import Settling

LATE_NS = 500_000_000
"""`advance` closes nothing younger than this, so that samples on their way are never cut off."""


class Pipeline(Kept):
    """Rests, zeros and events of one bay's pads."""

    kept = ("settings", "prior", "pads", "car", "_cell_ns", "_next_ns")

    def __init__(
        self,
        pads: Sequence[str],
        settings: Settling | None = None,
        capacity_kg: Mapping[str, float | None] | None = None,
    ) -> None:
        """Take the pads' ids in order, the constants, and each pad's rated capacity (kg; None: not known).

        A pad without a known capacity has no zero: its values stay as on the wire.
        """
        self.settings = settings or Settling()
        capacities = capacity_kg or {}
        self.prior = TailPrior(self.settings)
        self.pads = {pad: Pad(pad, self.settings, self.prior, capacities.get(pad)) for pad in pads}
        self.car = Car(self.settings, self.prior, list(self.pads.values()))
        self._cell_ns = round(self.settings.cell_s * 1e9)
        self._next_ns = -(2**63)
        """End of the running frame; the past before the first record."""

    @property
    def excluded(self) -> dict[str, dict[str, int]]:
        """Samples left out of everything, counted by pad and reason."""
        return {pad.name: dict(pad.intake.excluded) for pad in self.pads.values()}

    def feed(self, record: Record) -> list[Record]:
        """Take one record in order of time and return what goes out.

        A sample goes out first, zero-corrected and flagged, then what it caused. A sample that may be a
        single wild value is kept back until the pad's next one, and then goes out before that. Gaps found
        at intake and port events are heeded and not repeated. Samples of unknown pads go out untouched.
        """
        if isinstance(record, Sample):
            return self._sample(record)
        if isinstance(record, Gap):
            pad = self.pads.get(record.pad)
            return pad.rejected(record) if pad and record.cause is GapCause.REJECTED else []
        return []

    def feed_many(self, records: Iterable[Record]) -> list[Record]:
        """Feed several records; the same as one by one."""
        out: list[Record] = []
        for record in records:
            out += self.feed(record)
        return out

    def feed_block(self, block: Columns) -> list[Record]:
        """Feed samples as columns, in order of time; the same as one by one, less the samples themselves.

        A row of pad -1 is none, but lets time pass up to then.
        """
        out: list[Record] = []
        pads = [self.pads.get(name) for name in block.pads]
        strange = [k for k, pad in enumerate(pads) if pad is None]
        if strange:
            block = block.taken(np.flatnonzero(~np.isin(block.pad, strange)))
        if not len(block):
            return out
        cut = frames(block, self._cell_ns, self._next_ns)
        starts, ends, plain, ticks = cut.starts, cut.ends, cut.plain, cut.ticks
        readings, every, t_ns = cut.readings, cut.bounds, block.t_mono_ns
        for k in range(len(starts)):
            lo = starts[k]
            if not plain[k]:
                out += self._one_by_one(block.taken(slice(lo, ends[k])))
                continue
            if ticks[k]:
                out += self._tick(int(t_ns[lo]))
            for i in range(len(pads)):
                pad, bounds = pads[i], every[i]
                if pad is not None and bounds[k] < bounds[k + 1]:
                    pad.take_many(readings[i], bounds[k], bounds[k + 1])
        return out

    def _one_by_one(self, part: Columns) -> list[Record]:
        out: list[Record] = []
        for number, sample in zip(part.pad.tolist(), part.samples(), strict=True):
            told = self._sample(sample) if number >= 0 else self._tick(sample.t_mono_ns)
            out += [r for r in told if not isinstance(r, Sample)]
        return out

    def advance(self, t_mono_ns: int) -> list[Record]:
        """Say that time has passed: tells of silent pads and closes their rests, changes no rest's
        content."""
        return self._tick(t_mono_ns - LATE_NS)

    def finish(self) -> list[Record]:
        """End of a recording: close what is open."""
        out: list[Record] = []
        for pad in self.pads.values():
            out += pad.last_held()
        out += self._tick(self._next_ns)
        for pad in self.pads.values():
            out += pad.finish()
        return out + self.car.finish()

    def _sample(self, sample: Sample) -> list[Record]:
        pad = self.pads.get(sample.pad)
        if pad is None:
            return [sample]
        t = sample.t_mono_ns
        told = self._tick(t) if t >= self._next_ns else []
        out = pad.take(sample)
        return out + told if told else out

    def _tick(self, now_ns: int) -> list[Record]:
        """Close the frames that ended up to now."""
        end = self._next_ns
        if now_ns < end:
            return []
        self._next_ns = (now_ns // self._cell_ns + 1) * self._cell_ns
        self._share_resolution()
        out: list[Record] = []
        for pad in self.pads.values():
            told = pad.tick(end, now_ns)
            if told:
                out += told
        told = self.car.tick(end)
        return out + told if told else out

    def _share_resolution(self) -> None:
        """Pads of a bay are mostly of one make: one that hardly changed yet takes its kin's resolution."""
        for pad in self.pads.values():
            if not pad.intake.resolution.known:
                self._share_known()
                return

    def _share_known(self) -> None:
        intakes = [pad.intake for pad in self.pads.values()]
        known = [i.d for i in intakes if i.resolution.known] or [i.stated_d for i in intakes if i.stated_d]
        seen = known or [i.resolution.value for i in intakes if not i.resolution.vague()]
        for intake in intakes:
            intake.kin_d = min(seen, default=0.0)
