"""Seeded sessions with their truth, on which rest detection is scored (bench_settling.py).

Three kinds: `car_traces` from the project's car simulator, `curve_traces` from closed formulae (steps with
swings, tails, breathing and movements), so that nothing is fitted to one simulator, and `yard_traces` from
yard_sessions.py, written without sight of the settling code, which was developed on the first two.
"""

from __future__ import annotations

import sys
from bisect import bisect_left
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from yard_draws import STEP_S
from yard_sessions import yard_session

from drivers.sim.sessions import LB_KG, PADS, session


@dataclass
class Stretch:
    """Hands off on one pad: settled truth, when the load came within d of it for good, allowed error."""

    start_s: float
    end_s: float
    value: float
    within_s: float | None
    allowed: float
    as_before: bool = False
    """The level before, as a knock or another pad's change left it: within the allowed error of that one."""


@dataclass
class Trace:
    """One pad's readings with their truth."""

    pad: str
    d: float
    samples: list[tuple[float, float]]
    stretches: list[Stretch]
    loads: list[tuple[float, float]] = field(default_factory=list)
    """Noise-free reading at all times, hands on or off."""
    unsettled: list[tuple[float, float]] = field(default_factory=list)
    """Hands off but no level: from when to when a stretch went on that was short or never came to rest."""

    def standing(self, t: float) -> tuple[float, float]:
        """Range of the noise-free reading in the second before t, and its value at t."""
        lo = bisect_left(self.loads, (t - 1.0, -1e9))
        hi = bisect_left(self.loads, (t + 1e-6, -1e9))
        near = [x for _, x in self.loads[lo:hi]] or [float("nan")]
        return max(near) - min(near), near[-1]


def car_traces(seed: int) -> list[Trace]:
    """Traces of one session of the car simulator, with the zero left in (truth = settled + zero)."""
    s = session(seed)
    d = next(iter(s.scenario.pads.values())).resolution_kg
    people = [(w.t_from_s, w.t_to_s) for w in s.waits if any(m.name == "person" for m in w.aboard)]
    runs: list[list[int]] = [[]]
    for i, row in enumerate(s.truth):
        if row[2] is not None:
            runs[-1].append(i)
        elif runs[-1]:
            runs.append([])
    traces = [
        Trace(pad, d, [(t, x) for t, p, x, _ in s.samples if p == pad and x is not None], []) for pad in PADS
    ]
    for k, trace in enumerate(traces):
        trace.loads = [(row[0], row[1][k] + row[3][k]) for row in s.truth]
    for run in runs:
        if len(run) < 2:
            continue
        start, end = s.truth[run[0]][0], s.truth[run[-1]][0]
        seated = any(lo < end and hi > start for lo, hi in people)
        for k, trace in enumerate(traces):
            last = s.truth[run[-1]][2]
            assert last is not None
            zero = float(np.mean([s.truth[i][3][k] for i in run[-10:]]))
            allowed = 3 * d if seated else d
            trace.stretches.append(
                _stretch([(s.truth[i][0], s.truth[i][1][k]) for i in run], last[k], zero, allowed)
            )
    return traces


def _stretch(loads: list[tuple[float, float]], settled: float, zero: float, allowed: float) -> Stretch:
    """Find when the noise-free load came within the allowed error for good."""
    within: float | None = loads[0][0]
    for k, (_, load) in enumerate(loads):
        if abs(load - settled) > allowed:
            within = loads[k + 1][0] if k + 1 < len(loads) else None
    return Stretch(loads[0][0], loads[-1][0], settled + zero, within, allowed)


def curve_traces(seed: int) -> list[Trace]:
    """Four pads of one make from closed formulae: levels with ramps, swings, tails, breathing, hands at
    work."""
    dice = Random(f"curves {seed}")
    rate = dice.choice((2.0, 5.0, 5.0, 8.0, 10.0, 10.0, 20.0, 20.0, 40.0, 80.0))
    d = dice.choice((0.1, 0.1, 0.2, 0.2, 0.5, 0.2 * LB_KG, 0.5 * LB_KG, LB_KG))
    noise, average = d * dice.choice((0.05, 0.2, 0.4, 0.7, 1.2)), dice.choice((1, 1, 1, 3, 8))
    jitter = dice.choice((0.0, 0.0, 0.2))
    plan, t = [], 0.0
    for _ in range(dice.randint(5, 9)):
        hands = dice.uniform(1.0, 5.0) if dice.random() < 0.3 else 0.0
        plan.append((t, hands if plan else 0.0, dice.uniform(6.0, 18.0), dice.random() < 0.2))
        t += plan[-1][1] + plan[-1][2]
    share = dice.choice((None, 0.0, dice.uniform(0.001, 0.01)))
    tails = (share, dice.uniform(2.0, 10.0))
    return [
        _curve(Random(f"curves {seed} {p}"), p, rate, d, noise, average, jitter, plan, tails) for p in PADS
    ]


def _curve(
    dice: Random,
    pad: str,
    rate: float,
    d: float,
    noise: float,
    average: int,
    jitter: float,
    plan: list[tuple[float, float, float, bool]],
    tails: tuple[float | None, float],
) -> Trace:
    """One pad; `tails` are the session's share of a step and time constant, share None: new ones every
    time."""
    rng = np.random.default_rng(dice.randrange(2**32))
    end = plan[-1][0] + plan[-1][1] + plan[-1][2]
    t = np.arange(0.0, end, 1.0 / rate)
    t = np.sort(np.maximum(t + rng.normal(0, jitter / rate, len(t)), 0.0))
    load = np.zeros(len(t))
    trace = Trace(pad, d, [], [])
    level = dice.uniform(0, 400)
    for start, hands, lasts, seated in plan:
        before = level
        level += dice.choice((-1, 1)) * dice.choice(
            (dice.uniform(2, 8), dice.uniform(8, 40), dice.uniform(40, 300))
        )
        step, zeta = level - before, dice.uniform(0.08, 0.45)
        ramp, f = dice.uniform(0.3, 1.5), dice.uniform(0.8, 2.8)
        swing, phase = step * dice.uniform(0.02, 0.4), dice.uniform(0, 6.28)
        share, tail_s = tails
        if share is None:
            share, tail_s = dice.choice((0.0, dice.uniform(0, 0.015))), dice.uniform(2.0, 10.0)
        tail = step * share * dice.uniform(0.6, 1.4)
        now = (t >= start) & (t < start + hands + lasts)
        u = t[now] - start - hands + (30.0 if start == 0 else 0.0)  # a recording begins at rest
        rise = np.clip(u / ramp, 0, 1)
        free = np.maximum(u - ramp, 0)
        pure = before + step * rise * rise * (3 - 2 * rise) - tail * np.exp(-free / tail_s) * (rise >= 1)
        pure += (u >= ramp) * swing * np.exp(-zeta * 6.28 * f * free) * np.sin(6.28 * f * free + phase)
        wander = np.convolve(rng.normal(0, 1, now.sum() + 50), np.ones(50), "same")[25:-25] if hands else 0.0
        pure += (u < 0) * wander * dice.uniform(1, 10)
        if seated:
            pure += (u > 0) * dice.uniform(0.3, 2.0) * d * np.sin(6.28 * dice.uniform(0.2, 0.35) * u + phase)
        load[now] = pure
        free_part = u >= ramp
        loads = list(zip((t[now][free_part]).tolist(), pure[free_part].tolist(), strict=True))
        trace.stretches.append(_stretch(loads, level, 0.0, 3 * d if seated else d))
    trace.loads = list(zip(t.tolist(), load.tolist(), strict=True))
    shown = load + rng.normal(0, noise, len(t))
    shown = np.concatenate((np.full(average - 1, shown[0]), shown))
    shown = np.convolve(shown, np.ones(average) / average, "valid")
    shown = np.round(shown / d) * d
    keep = rng.random(len(t)) > 0.005
    trace.samples = [(float(a), round(float(b), 6)) for a, b in zip(t[keep], shown[keep], strict=True)]
    return trace


def yard_traces(seed: int) -> list[Trace]:
    """Traces of one session in the yard, in kg; `within_s` counts 1 d there, also with a person aboard."""
    s = yard_session(seed)
    d = s.d * s.unit_kg
    traces = []
    for pad in PADS:
        readings = zip(s.times_s[pad].tolist(), (s.readings[pad] * s.unit_kg).tolist(), strict=True)
        loads = (s.loads[pad] * s.unit_kg).tolist()
        trace = Trace(pad, d, [(t, round(x, 6)) for t, x in readings], [], unsettled=s.others)
        trace.loads = [(i * STEP_S, x) for i, x in enumerate(loads)]
        for x in s.levels:
            value, allowed = x.value[pad] * s.unit_kg, 3 * d if x.aboard else d
            same = bool(trace.stretches) and abs(value - trace.stretches[-1].value) <= allowed
            trace.stretches.append(Stretch(x.start_s, x.end_s, value, x.within_s[pad], allowed, same))
        traces.append(trace)
    return traces
