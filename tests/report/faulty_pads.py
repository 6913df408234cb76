"""Four pads under a car that is driven on and off again, one of them with a fault that is known.

The car swings, sticks (load goes from one diagonal to the other) and settles along with its tyres, as cars do
on good pads; so nothing of that may be taken for a pad's fault. Only pad A has one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from logger.judge.verdict import Verdict, judge
from logger.model import Sample
from logger.settling.pipeline import Pipeline

PADS = ("A", "B", "C", "D")
LOADS_KG = np.array([290.0, 270.0, 210.0, 205.0])
WARP = np.array([1.0, -1.0, -1.0, 1.0])
SWING_HZ, DAMPING = 1.6, 0.25
MOVING_S = 1.5
"""So long the car takes to come or go; hands rock it for a second more."""
Kg = Callable[[np.ndarray], np.ndarray]


def nothing(since_s: np.ndarray) -> np.ndarray:
    """No fault."""
    return since_s * 0.0


@dataclass(frozen=True)
class Job:
    """What is recorded, and the faults of pad A.

    `drift` is in kg by time, `creep` and `left` by the time since a load came, and went; `scatter` is a share
    of the load, another at each rest, `lost` one of the readings.
    """

    loads: int = 3
    load_s: float = 60.0
    last_load_s: float = 0.0
    rocks: int = 0
    rate_Hz: float = 20.0
    d_kg: float = 0.1
    noise_kg: float = 0.06
    drift: Kg = nothing
    creep: Kg = nothing
    left: Kg = nothing
    scatter: float = 0.0
    lost: float = 0.0
    gaps: int = 0
    capacity_kg: float | None = 600.0


def judged(job: Job, seed: int) -> Verdict:
    """What judge says of it."""
    capacity = {} if job.capacity_kg is None else dict.fromkeys(PADS, job.capacity_kg)
    pipeline = Pipeline(PADS, capacity_kg=capacity)
    records = [*pipeline.feed_many(samples(job, seed)), *pipeline.finish()]
    return judge("job", records, lambda pad: ("kg", 1.0))


def samples(job: Job, seed: int) -> list[Sample]:
    """The readings, in the order of their times."""
    rng = np.random.default_rng(seed)
    parts = [_empty(job, 20.0, first=True)]
    for number in range(job.loads):
        last = job.last_load_s if number + 1 == job.loads else 0.0
        parts += [_stands(job, rng, last or job.load_s, rocked=k > 0) for k in range(job.rocks + 1)]
        parts.append(_empty(job, 25.0, first=False))
    x = np.concatenate(parts)
    t = np.arange(len(x)) / job.rate_Hz
    x += rng.uniform(-3, 3, 4) + rng.normal(0, job.noise_kg, x.shape)
    x[:, 0] += job.drift(t)
    shown = np.round(x / job.d_kg) * job.d_kg
    heard = np.ones(x.shape, bool)
    heard[:, 0] = rng.random(len(x)) >= job.lost
    for _ in range(job.gaps):
        begin = rng.integers(0, len(x) - int(4 * job.rate_Hz))
        heard[begin : begin + int(3.5 * job.rate_Hz), 0] = False
    late_s = rng.uniform(0, 1 / job.rate_Hz, 4)
    made = [
        Sample(pad=pad, t_mono_ns=t_ns, t_wall_ns=t_ns, mass_wire_kg=kg, mass_kg=kg)
        for k, pad in enumerate(PADS)
        for t_ns, kg in zip(
            ((t + late_s[k]) * 1e9).astype(np.int64)[heard[:, k]].tolist(),
            shown[heard[:, k], k].tolist(),
            strict=True,
        )
    ]
    return sorted(made, key=lambda sample: sample.t_mono_ns)


def _empty(job: Job, span_s: float, *, first: bool) -> np.ndarray:
    since = np.arange(int(span_s * job.rate_Hz)) / job.rate_Hz
    x = np.outer(nothing(since) if first else np.clip(1 - since / MOVING_S, 0, 1), LOADS_KG)
    x[:, 0] += nothing(since) if first else job.left(since)
    return x


def _stands(job: Job, rng: np.random.Generator, span_s: float, *, rocked: bool) -> np.ndarray:
    """A load that comes, or is rocked, and then settles by itself."""
    since = np.arange(int(span_s * job.rate_Hz)) / job.rate_Hz
    begin_s = MOVING_S + rocked
    free = np.maximum(since - begin_s, 0.0)
    swing = np.sin(2 * np.pi * SWING_HZ * since) * np.exp(-2 * np.pi * SWING_HZ * DAMPING * free)
    swing *= (0.2 if rocked else rng.uniform(0.15, 0.4)) * (rocked | (since > begin_s))
    tail = rng.uniform(0.8, 3.0) * rng.choice([-1, 1]) * np.exp(-free / rng.uniform(2, 8)) * (since > begin_s)
    came = np.ones(len(since)) if rocked else np.clip(since / MOVING_S, 0, 1)
    x = np.outer(came + swing, LOADS_KG) + np.outer(tail + rng.normal(0, 2.0), WARP)
    x[:, 0] = x[:, 0] * (1 + rng.normal(0, job.scatter)) + job.creep(free)
    return x
