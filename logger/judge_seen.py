"""What a recording shows of one pad, taken out of the pipeline's records: readings, rests, zeros, losses.

Times are seconds of the recording, values kg on the wire (or bare numbers where the unit is no mass).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np

from logger.curve_numbers import Floats
from logger.model import FLAG_STALE, FLAG_WILD, Gap, Record, Rest, Sample, ZeroCheck

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


def seen(pad: str, records: Sequence[Record], clock: Clock) -> Seen:
    """Take one pad's part out of a recording's records."""
    samples = [r for r in records if isinstance(r, Sample) and r.pad == pad]
    t_s, x_kg, left_out = _readings(samples, clock)
    return Seen(
        pad=pad,
        t_s=t_s,
        x_kg=x_kg,
        left_out=dict(left_out),
        resolution_kg=_resolution(x_kg, samples),
        stood=_stood([r for r in records if isinstance(r, Rest) and r.pad == pad], clock),
        zeros=_zeros([r for r in records if isinstance(r, ZeroCheck) and r.pad == pad], samples, clock),
        holes=tuple(
            Hole(from_s=clock.s(r.t_from_mono_ns), to_s=clock.s(r.t_to_mono_ns), cause=r.cause, count=r.count)
            for r in records
            if isinstance(r, Gap) and r.pad == pad
        ),
    )


def _readings(samples: Sequence[Sample], clock: Clock) -> tuple[Floats, Floats, Counter[str]]:
    t_s: list[float] = []
    x_kg: list[float] = []
    left_out: Counter[str] = Counter()
    for sample in samples:
        if sample.mass_wire_kg is None or not isfinite(sample.mass_wire_kg):
            left_out["without a value"] += 1
        elif sample.flags & FLAG_WILD:
            left_out["wild"] += 1
        elif sample.flags & FLAG_STALE:
            left_out["back in time"] += 1
        else:
            t_s.append(clock.s(sample.t_mono_ns))
            x_kg.append(sample.mass_wire_kg)
    return np.array(t_s, np.float64), np.array(x_kg, np.float64), left_out


def _resolution(x_kg: Floats, samples: Sequence[Sample]) -> float:
    """The stream's own d or, where it is larger, the smallest difference of successive readings; 0 for none.

    Some streams write more digits than they resolve, so what they state is a claim.
    """
    stated = next((s.resolution_kg for s in reversed(samples) if s.resolution_kg), None) or 0.0
    steps = np.abs(np.diff(x_kg))
    steps = steps[steps > 1e-9 * max(float(np.max(np.abs(x_kg), initial=0.0)), 1e-9)]
    seen = float(steps.min()) if len(steps) >= LEAST_STEPS or (len(steps) and not stated) else 0.0
    return max(stated, seen)


def _stood(rests: Sequence[Rest], clock: Clock) -> tuple[Stood, ...]:
    last = {rest.t_from_mono_ns: rest for rest in rests}
    return tuple(
        Stood(
            from_s=clock.s(t),
            declared_s=clock.s(last[t].t_declared_mono_ns),
            to_s=clock.s(last[t].t_to_mono_ns),
            level_kg=last[t].mass_kg + last[t].zero_kg,
            u_kg=last[t].u_kg,
        )
        for t in sorted(last)
    )


def _zeros(checks: Sequence[ZeroCheck], samples: Sequence[Sample], clock: Clock) -> tuple[Zero, ...]:
    """Zero checks with the temperature the pad sent last before each."""
    warm = [(s.t_mono_ns, s.temperature_C) for s in samples if s.temperature_C is not None]
    times = np.array([t for t, _ in warm], np.int64)
    out = []
    for check in checks:
        at = int(np.searchsorted(times, check.t_mono_ns, side="right")) - 1
        temperature = warm[at][1] if at >= 0 else None
        out.append(
            Zero(
                t_s=clock.s(check.t_mono_ns),
                zero_kg=check.zero_kg,
                u_kg=check.u_kg,
                temperature_C=temperature,
            )
        )
    return tuple(out)
