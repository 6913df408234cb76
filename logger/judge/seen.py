"""What a recording shows of one pad, taken out of the pipeline's records: readings, rests, zeros, losses.

Times are seconds of the recording, values kg on the wire (or bare numbers where the unit is no mass).
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np

from logger.drawing.numbers import Floats
from logger.model import (
    FLAG_STALE,
    FLAG_WILD,
    CarRest,
    Gap,
    Record,
    Rest,
    Rock,
    Sample,
    ZeroCheck,
)

LEAST_STEPS = 50
"""Changes of a reading from which the smallest one is believed over what the stream states."""


@dataclass(frozen=True, kw_only=True)
class Clock:
    """Turns a recording's monotonic ns into its own seconds."""

    start_ns: int = 0
    origin_s: float = 0.0

    def s(self, t_ns: int) -> float:
        """Seconds of the recording."""
        return (t_ns - self.start_ns) * 1e-9 + self.origin_s


@dataclass(frozen=True, kw_only=True)
class Stood:
    """A rest in its last revision: from, declared and until when (s), its level on the wire and u (kg)."""

    from_s: float
    declared_s: float
    to_s: float
    level_kg: float
    u_kg: float


@dataclass(frozen=True, kw_only=True)
class Zero:
    """A zero check: when (s), zero and its standard uncertainty (kg), temperature if the pad sends one."""

    t_s: float
    zero_kg: float
    u_kg: float
    temperature_C: float | None = None


@dataclass(frozen=True, kw_only=True)
class Hole:
    """Readings that should be there and are not; `count` None: only the time is known."""

    from_s: float
    to_s: float
    cause: str
    count: int | None


@dataclass(frozen=True, kw_only=True)
class Seen:
    """One pad in one recording: its good readings `t_s`, `x_kg`; `left_out` counts the others by reason."""

    pad: str
    t_s: Floats
    x_kg: Floats
    left_out: dict[str, int]
    resolution_kg: float
    stood: tuple[Stood, ...]
    zeros: tuple[Zero, ...]
    holes: tuple[Hole, ...]

    @property
    def rate_Hz(self) -> float:
        """Typical readings a second; 0 where there are too few to tell."""
        step = float(np.median(np.diff(self.t_s))) if len(self.t_s) > 1 else 0.0
        return 1.0 / step if step > 0 else 0.0

    @property
    def duration_s(self) -> float:
        """From the first to the last good reading."""
        return float(self.t_s[-1] - self.t_s[0]) if len(self.t_s) else 0.0

    def between(self, from_s: float, to_s: float) -> tuple[Floats, Floats]:
        """Times and values of the readings in a closed interval."""
        a, b = np.searchsorted(self.t_s, [from_s - 1e-9, to_s + 1e-9])
        return self.t_s[a:b], self.x_kg[a:b]

    def settled(self, stood: Stood) -> tuple[Floats, Floats]:
        """Readings of a rest from its declaration to its end."""
        return self.between(stood.declared_s, stood.to_s)

    def longest(self) -> Stood | None:
        """The rest that lasted longest after its declaration."""
        return max(self.stood, key=lambda s: s.to_s - s.declared_s, default=None)


class Watch:
    """Takes a recording's records one by one and keeps what the judge needs: two numbers a reading."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.rocks: list[Rock] = []
        self.began_ns: int | None = None
        """Wall time of the first reading."""
        self.car_rests: dict[int, CarRest] = {}
        """Last revision of each rest of the whole car, by its identity."""
        self._pads: dict[str, _Pad] = {}

    def take(self, record: Record) -> None:
        """Keep what this record tells."""
        match record:
            case Sample():
                self.began_ns = record.t_wall_ns if self.began_ns is None else self.began_ns
                self._pad(record.pad).sample(record, self.clock)
            case Rest():
                self._pad(record.pad).rests[record.t_from_mono_ns] = record
            case ZeroCheck():
                self._pad(record.pad).zero(record, self.clock)
            case Gap():
                self._pad(record.pad).holes.append(_hole(record, self.clock))
            case CarRest():
                self.car_rests[record.t_from_mono_ns] = record
            case Rock():
                self.rocks.append(record)

    def _pad(self, pad: str) -> _Pad:
        if pad not in self._pads:
            self._pads[pad] = _Pad()
        return self._pads[pad]

    def pads(self) -> list[Seen]:
        """What was seen of every pad that sent anything, by id."""
        return [self._pads[pad].seen(pad, self.clock) for pad in sorted(self._pads) if self._pads[pad].sent]


class _Pad:
    """One pad's part while the recording runs."""

    def __init__(self) -> None:
        self.t_s, self.x_kg = array("d"), array("d")
        self.left_out: Counter[str] = Counter()
        self.stated_kg = 0.0
        self.temperature_C: float | None = None
        self.rests: dict[int, Rest] = {}
        self.zeros: list[Zero] = []
        self.holes: list[Hole] = []
        self.sent = False

    def sample(self, sample: Sample, clock: Clock) -> None:
        self.sent = True
        self.stated_kg = sample.resolution_kg or self.stated_kg
        self.temperature_C = self.temperature_C if sample.temperature_C is None else sample.temperature_C
        reason = _refused(sample)
        if reason:
            self.left_out[reason] += 1
            return
        self.t_s.append(clock.s(sample.t_mono_ns))
        self.x_kg.append(sample.mass_wire_kg or 0.0)

    def zero(self, check: ZeroCheck, clock: Clock) -> None:
        t_s = clock.s(check.t_mono_ns)
        self.zeros.append(
            Zero(t_s=t_s, zero_kg=check.zero_kg, u_kg=check.u_kg, temperature_C=self.temperature_C)
        )

    def seen(self, pad: str, clock: Clock) -> Seen:
        x_kg = np.array(self.x_kg, np.float64)
        return Seen(
            pad=pad,
            t_s=np.array(self.t_s, np.float64),
            x_kg=x_kg,
            left_out=dict(self.left_out),
            resolution_kg=_resolution(x_kg, self.stated_kg),
            stood=tuple(_stood(self.rests[t], clock) for t in sorted(self.rests)),
            zeros=tuple(self.zeros),
            holes=tuple(self.holes),
        )


def span_of_loads(stood: Sequence[Stood]) -> float:
    """Largest difference between the levels of rests (kg), 0 without any."""
    levels = [s.level_kg for s in stood]
    return max(levels) - min(levels) if levels else 0.0


def _refused(sample: Sample) -> str:
    """Why a reading is left out, "" if it is not."""
    if sample.mass_wire_kg is None or not isfinite(sample.mass_wire_kg):
        return "without a value"
    if sample.flags & FLAG_WILD:
        return "wild"
    return "back in time" if sample.flags & FLAG_STALE else ""


def _resolution(x_kg: Floats, stated_kg: float) -> float:
    """The stream's own d or, where it is larger, the smallest difference of successive readings; 0 for none.

    Some streams write more digits than they resolve, so what they state is a claim.
    """
    steps = np.abs(np.diff(x_kg))
    steps = steps[steps > 1e-9 * max(float(np.max(np.abs(x_kg), initial=0.0)), 1e-9)]
    believed = len(steps) >= (LEAST_STEPS if stated_kg else 1)
    return max(stated_kg, float(steps.min()) if believed else 0.0)


def _stood(rest: Rest, clock: Clock) -> Stood:
    return Stood(
        from_s=clock.s(rest.t_from_mono_ns),
        declared_s=clock.s(rest.t_declared_mono_ns),
        to_s=clock.s(rest.t_to_mono_ns),
        level_kg=rest.mass_kg + rest.zero_kg,
        u_kg=max(rest.u_kg**2 - rest.u_zero_kg**2, 0.0) ** 0.5,
    )


def _hole(gap: Gap, clock: Clock) -> Hole:
    from_s, to_s = clock.s(gap.t_from_mono_ns), clock.s(gap.t_to_mono_ns)
    return Hole(from_s=from_s, to_s=to_s, cause=gap.cause, count=gap.count)
