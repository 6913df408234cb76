"""A bay's intake: chunks of bytes in, records out; the same object live, in replay and in tests.

It owns one driver a port and the settling pipeline, gives frames their pad, and gives gaps their cause.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from msgspec.structs import replace

from drivers.api import UNANSWERED, Driver, Frame, Reject
from drivers.calibration import Line
from logger.chunks import Chunks, Known, Part, Taken, samples_of
from logger.model import Chunk, ClockStep, Gap, GapCause, PortEvent, Record, Sample
from logger.settling.pipeline import LATE_NS, Pipeline

CLOCK_STEP_NS = 500_000_000
"""Wall time that moves this far (ns) against monotonic time between two chunks has been stepped:
clock daemons slew below 0.5 s and step above (common practice of NTP clients, no source)."""

_NO_CHUNK = Chunk(port="", t_mono_ns=0, t_wall_ns=0, data=b"")


@dataclass
class PortCount:
    """What came in on one port since start; `unknown` counts frames by an address that no pad has."""

    bytes: int = 0
    frames: int = 0
    rejects: Counter[str] = field(default_factory=Counter)
    unknown: Counter[str] = field(default_factory=Counter)
    uncalibrated: int = 0


class _Port:
    def __init__(self, make: Callable[[], Driver], pads: Mapping[str | None, str]) -> None:
        self.make = make
        self.driver = make()
        self.pads = pads
        self.count = PortCount()
        self.known: Known | None = None
        """What its messages say, remembered; None while chunks are fed one by one."""
        self.seen: dict[str, tuple[int, int]] = {}
        """Pad → sequence number and time (ns) of its last frame."""
        self.t_reject_ns: int | None = None
        self.t_lost_ns: int | None = None
        self._unanswered = 0

    def count_unanswered(self) -> None:
        """Count the requests that the driver has given up meanwhile; a new driver begins at none."""
        now: int = getattr(self.driver, "unanswered", 0)
        if now > self._unanswered:
            self.count.rejects[UNANSWERED] += now - self._unanswered
        self._unanswered = now

    def pad_of(self, address: str | None) -> str | None:
        """The pad of an address; a port with one pad and no address given takes whatever comes."""
        return self.pads.get(address) or self.pads.get(None)

    def missed(self, pad: str, seq: int, t_ns: int) -> Gap | None:
        """The frames that a pad's sequence numbers say were lost since its last one, if there were any."""
        wraps = getattr(self.driver, "seq_wraps", None)
        before = self.seen.get(pad)
        self.seen[pad] = (seq, t_ns)
        if before is None or wraps is None:
            return None
        lost = (seq - before[0] - 1) % wraps
        if not 0 < lost < wraps // 2:  # a number that went back: the sender started anew, or says it twice
            return None
        return Gap(
            pad=pad, t_from_mono_ns=before[1], t_to_mono_ns=t_ns, cause=GapCause.LOST_FRAMES, count=lost
        )


class Bay:
    """Turns what ports deliver into samples, rests, conditions and events.

    `drivers` makes a fresh driver for each port name; `pads` maps port name → {address or None: pad id};
    `calibrations` maps a pad id to its line from counts to kg. Chunks of an unknown port are ignored.
    """

    def __init__(
        self,
        drivers: Mapping[str, Callable[[], Driver]],
        pads: Mapping[str, Mapping[str | None, str]],
        pipeline: Pipeline,
        calibrations: Mapping[str, Line] | None = None,
    ) -> None:
        self._ports = {name: _Port(make, pads[name]) for name, make in drivers.items()}
        self._port_of = {pad: port for name, port in self._ports.items() for pad in port.pads.values()}
        self._pipeline = pipeline
        self._calibrations = calibrations or {}
        self._offset_ns: int | None = None
        self._slept: tuple[int, int] | None = None

    @property
    def counts(self) -> Mapping[str, PortCount]:
        """Counts by port name since start."""
        return {name: port.count for name, port in self._ports.items()}

    @property
    def excluded(self) -> dict[str, dict[str, int]]:
        """Samples left out of averages, by pad and reason."""
        return self._pipeline.excluded

    def request(self, port: str, t_mono_ns: int) -> bytes | None:
        """Bytes a polled indicator on this port wants sent now, or None."""
        known = self._ports[port]
        request = known.driver.request(t_mono_ns)
        known.count_unanswered()
        return request

    def asked(self, port: str, request: bytes, t_mono_ns: int) -> None:
        """Tell a port's driver, in replay, which request went out; drivers without polls pass."""
        known = self._ports.get(port)
        note = getattr(known.driver, "sent", None) if known else None
        if note is not None:
            note(request, t_mono_ns)
            known.count_unanswered()  # type: ignore[union-attr]  # it has a driver

    def feed(self, record: Chunk | PortEvent) -> list[Record]:
        """Take the next chunk or port event, in the order of arrival, and return what it causes."""
        port = self._ports.get(record.port)
        if port is None:
            return []
        if isinstance(record, PortEvent):
            return self._port_event(port, record)
        out = self._clock(record)
        for item in self._samples(port, record):
            if isinstance(item, Gap):
                out.append(item)
            else:
                out.extend(self._settle(self._pipeline.feed(item)))
        return out

    def feed_chunks(self, chunks: Chunks) -> tuple[list[Record], int]:
        """Take chunks as columns as long as they are ordinary: the same as one by one, less the samples.

        Returns the records, and how many chunks were taken; 0 where the first one has to be fed.
        """
        count = self._until_clock_step(chunks)
        parts: list[tuple[_Port, Part]] = []
        for number in np.unique(chunks.port[chunks.port >= 0]).tolist():
            where = np.flatnonzero(chunks.port[:count] == number)
            if not len(where):
                continue  # another port's chunk before them has to be fed
            port = self._ports[chunks.ports[number]]
            ask = getattr(port.driver, "stretch", None)
            found = ask(chunks.data.joined(where)) if ask else None
            if found is None:
                count = int(where[0])
                continue
            part = Part(chunks, where, found, self._known(port))
            stop = part.good()
            count = count if stop is None else min(count, stop)
            parts.append((port, part))
        if count == 0:
            return [], 0
        came = np.flatnonzero(chunks.port[:count] >= 0)
        if len(came):
            self._offset_ns = int(chunks.t_wall_ns[came[-1]] - chunks.t_mono_ns[came[-1]])
        taken = [self._taken(port, part, count) for port, part in parts]
        block = samples_of(chunks, taken, count, tuple(self._port_of), LATE_NS)
        return self._settle(self._pipeline.feed_block(block)), count

    def _until_clock_step(self, chunks: Chunks) -> int:
        """How many chunks come before the wall clock is next set."""
        where = np.flatnonzero(chunks.port >= 0)
        if not len(where):
            return len(chunks)
        offset_ns = chunks.t_wall_ns[where] - chunks.t_mono_ns[where]
        before = offset_ns[0] if self._offset_ns is None else self._offset_ns
        steps = np.flatnonzero(np.abs(np.diff(offset_ns, prepend=before)) >= CLOCK_STEP_NS)
        return int(where[steps[0]]) if len(steps) else len(chunks)

    def _known(self, port: _Port) -> Known:
        if port.known is None:

            def sample_of(frame: Frame) -> Sample | None:
                pad = port.pad_of(frame.address)
                return None if pad is None else self._sample(pad, frame, _NO_CHUNK)

            port.known = Known(tuple(self._port_of), sample_of)
        return port.known

    def _taken(self, port: _Port, part: Part, before: int) -> Taken:
        """Take a port's chunks before that place, and count what they hold."""
        rows, chunk, size, rest = part.taken(before)
        port.driver.hold(rest)  # type: ignore[attr-defined]  # it has given a stretch
        port.count.bytes += size
        port.count.frames += len(rows)
        known = part.known
        good = known.columns.pad[rows] >= 0
        for k in rows[~good].tolist():
            self._no_sample(port, known.frame[k])
        return known.columns, rows[good], chunk[good]

    def advance(self, t_mono_ns: int, slept_ns: int = 0) -> list[Record]:
        """Let time pass without bytes: silent pads are told, open rests end at their last sample.

        `slept_ns` is for how long (ns) until now the computer was suspended and could hear nothing.
        """
        if slept_ns:
            self._slept = t_mono_ns - slept_ns, t_mono_ns
        return self._settle(self._pipeline.advance(t_mono_ns))

    def finish(self) -> list[Record]:
        """End a recording: close what is open."""
        return self._settle(self._pipeline.finish())

    def state(self) -> dict[str, Any]:
        """All that decides what comes next, drivers and counts left aside: plain values and the pipeline."""
        ports = {n: (port.t_reject_ns, port.t_lost_ns, dict(port.seen)) for n, port in self._ports.items()}
        return {
            "ports": ports,
            "offset_ns": self._offset_ns,
            "slept": self._slept,
            "pipeline": self._pipeline,
        }

    def resume(self, state: dict[str, Any]) -> None:
        """Stand where the bay of the same configuration stood that gave `state`; for a fresh bay only."""
        self._pipeline, self._offset_ns = state["pipeline"], state["offset_ns"]
        self._slept = state["slept"]
        for name, (t_reject_ns, t_lost_ns, seen) in state["ports"].items():
            port = self._ports[name]
            port.t_reject_ns, port.t_lost_ns, port.seen = t_reject_ns, t_lost_ns, seen

    def warm(self, record: Chunk | PortEvent) -> None:
        """Show the drivers alone what came before a resumed state, so that they stand inside the stream."""
        port = self._ports.get(record.port)
        if port is None:
            return
        if isinstance(record, Chunk):
            port.driver.feed(record.data, record.t_mono_ns)
        elif record.event in ("lost", "refused", "flooded"):
            port.driver = port.make()

    def _samples(self, port: _Port, chunk: Chunk) -> Sequence[Sample | Gap]:
        count = port.count
        count.bytes += len(chunk.data)
        samples: list[Sample | Gap] = []
        for item in port.driver.feed(chunk.data, chunk.t_mono_ns):
            if isinstance(item, Reject):
                count.rejects[item.reason] += 1
                port.t_reject_ns = chunk.t_mono_ns
                continue
            count.frames += 1
            pad = port.pad_of(item.address)
            sample = None if pad is None else self._sample(pad, item, chunk)
            if pad is None or sample is None:
                self._no_sample(port, item)
                continue
            if item.seq is not None and (gap := port.missed(pad, item.seq, chunk.t_mono_ns)):
                samples.append(gap)
            samples.append(sample)
        return samples

    def _no_sample(self, port: _Port, frame: Frame) -> None:
        """Count a frame of no known pad, or of one whose counts nobody has calibrated."""
        if port.pad_of(frame.address) is None:
            port.count.unknown[str(frame.address)] += 1
        else:
            port.count.uncalibrated += 1

    def _sample(self, pad: str, frame: Frame, chunk: Chunk) -> Sample | None:
        mass_kg, resolution_kg = frame.mass_kg, frame.resolution_kg
        if frame.counts is not None:
            line = self._calibrations.get(pad)
            if line is None:
                return None
            mass_kg, resolution_kg = line.mass_kg(frame.counts), abs(1 / line.slope)
        return Sample(
            pad=pad,
            t_mono_ns=chunk.t_mono_ns,
            t_wall_ns=chunk.t_wall_ns,
            mass_wire_kg=mass_kg,
            mass_kg=mass_kg,
            flags=frame.flags,
            resolution_kg=resolution_kg,
            battery_V=frame.battery_V,
            signal_dBm=frame.signal_dBm,
            temperature_C=frame.temperature_C,
        )

    def _port_event(self, port: _Port, event: PortEvent) -> list[Record]:
        if event.event in ("lost", "refused", "flooded"):
            if event.event == "flooded":  # bytes come, and none is taken
                port.t_reject_ns = event.t_mono_ns
            else:
                port.t_lost_ns = event.t_mono_ns
            if port.driver.pending():
                port.count.rejects["truncated"] += 1
            port.driver = port.make()  # half a frame from before the break must not meet one from after it
            port.seen.clear()
        return self._settle(self._pipeline.advance(event.t_mono_ns))

    def _settle(self, records: list[Record]) -> list[Record]:
        return [self._with_cause(r) if isinstance(r, Gap) else r for r in records]

    def _with_cause(self, gap: Gap) -> Gap:
        port = self._port_of.get(gap.pad)
        if port is None or gap.cause is not GapCause.SILENT:
            return gap
        if self._slept and gap.t_from_mono_ns <= self._slept[1] and self._slept[0] <= gap.t_to_mono_ns:
            return replace(gap, cause=GapCause.SLEPT)
        if _within(port.t_lost_ns, gap):
            return replace(gap, cause=GapCause.PORT_LOST)
        if _within(port.t_reject_ns, gap):
            return replace(gap, cause=GapCause.REJECTED)
        return gap

    def _clock(self, chunk: Chunk) -> list[Record]:
        offset_ns = chunk.t_wall_ns - chunk.t_mono_ns
        before, self._offset_ns = self._offset_ns, offset_ns
        if before is None or abs(offset_ns - before) < CLOCK_STEP_NS:
            return []
        wall_before_ns = chunk.t_mono_ns + before
        return [
            ClockStep(t_mono_ns=chunk.t_mono_ns, wall_before_ns=wall_before_ns, wall_after_ns=chunk.t_wall_ns)
        ]


def _within(t_ns: int | None, gap: Gap) -> bool:
    return t_ns is not None and gap.t_from_mono_ns <= t_ns <= gap.t_to_mono_ns
