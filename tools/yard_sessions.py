"""Seeded weighings of a car in a yard as four pads send them, with their truth: a third kind for the bench.

Written without sight of the settling code and of the project's own simulator: what it takes cars, people,
indicators and radio to be like is not what the settling code was made on. yard_draws.py draws what a seed is
like, yard_car.py makes the loads, yard_acts.py what people do, yard_levels.py the truth; here the readings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import lfilter
from yard_acts import Weighing
from yard_car import Car
from yard_draws import STEP_S, Array, log_uniform
from yard_levels import Level

TRIES = 60


@dataclass(frozen=True)
class YardSession:
    """One session by pad: readings and noise-free loads every `STEP_S`, in display units of `unit_kg`.

    `others` are quiet stretches that are no levels, as (from, to): too short, or not settled by their end.
    """

    unit_kg: float
    d: float
    times_s: dict[str, Array]
    readings: dict[str, Array]
    loads: dict[str, Array]
    levels: list[Level]
    others: list[tuple[float, float]]


def yard_session(seed: int) -> YardSession:
    """Play the first try of a seed that lasts 150 to 400 s and has 8 to 20 levels.

    Raises RuntimeError if no try does.
    """
    for attempt in range(TRIES):
        weighing = Weighing(np.random.default_rng([0x5EED, seed, attempt]))
        end = weighing.play()
        if 150 <= end <= 400 and 8 <= len(weighing.quiet.levels) <= 20:
            return _record(weighing, end)
    raise RuntimeError(f"no session for seed {seed}")


def _record(weighing: Weighing, end: float) -> YardSession:
    """Let the indicators show the session, and the radio lose some of it."""
    car, rng = weighing.car, weighing.car.rng
    display = car.display
    n = car.index(end) + 1
    loads = car.load(0, n)
    moves = _people_aboard(weighing, n) + _wind(weighing, n, end)
    indicator = _draw_indicator(rng, display.rate_hz)
    shown = _averaged(loads + moves, indicator.average_s)
    times_s: dict[str, Array] = {}
    readings: dict[str, Array] = {}
    taken: tuple[Array, Array] | None = None
    for c, pad in enumerate(car.pad_of_corner):
        if taken is None or not indicator.together:
            taken = _times(rng, indicator, display.rate_hz, end)
        at, stamps = taken
        x = _with_noise(car, indicator, c, at, np.interp(at, np.arange(n) * STEP_S, shown[c]))
        kept = _kept(rng, indicator, c, at, end)
        steps = _with_wild(car, indicator, np.rint(x * display.per_kg / display.d))
        times_s[pad], readings[pad] = stamps[kept], np.round(steps[kept] * display.d, 4)
    return YardSession(
        unit_kg=display.unit_kg,
        d=display.d,
        times_s=times_s,
        readings=readings,
        loads={pad: loads[c] * display.per_kg for c, pad in enumerate(car.pad_of_corner)},
        levels=weighing.quiet.levels,
        others=weighing.quiet.others,
    )


def _people_aboard(weighing: Weighing, n: int) -> Array:
    """Breath, heart and fidgets that go back, of whoever sits in the car; 4 × n."""
    car, rng, people = weighing.car, weighing.car.rng, weighing.car.people
    moves = np.zeros((4, n))
    for since, until in weighing.seats:
        i, j = car.index(since), min(n, car.index(until))
        m = j - i
        if m < 50:
            continue
        t = np.arange(m)
        soft = np.minimum(1, np.minimum(t, t[::-1]) * STEP_S / 1.0)
        wander = np.cumsum(rng.normal(0, 1, m // 100 + 2))
        places = np.arange(len(wander))
        hz = people.breath_hz * (1 + 0.12 * np.tanh(0.3 * np.interp(t / 100, places, wander)))
        phase = 2 * math.pi * np.cumsum(hz) * STEP_S
        breath = np.sin(phase) + 0.25 * np.sin(2 * phase + 1)
        size = 1 + 0.25 * np.interp(t / 100, places, rng.normal(0, 1, len(wander)))
        heart = 2 * math.pi * np.cumsum(people.heart_hz * (1 + 0.03 * np.sin(phase))) * STEP_S
        beat = people.heart_kg * (np.exp(3 * (np.cos(heart) - 1)) - 0.24) * np.cos(2 * heart)
        total, balance = people.breath_kg
        sway = car.shape("pitch") * balance + car.shape("roll") * balance * rng.uniform(-0.5, 0.5)
        moves[:, i:j] += soft * (
            np.outer(car.shape("bounce") * total + sway, breath * size)
            + np.outer(car.shape("bounce") + 0.5 * car.shape("pitch"), beat)
        )
        _add_fidgets(car, moves[:, i:j])
    return moves


def _add_fidgets(car: Car, moves: Array) -> None:
    """Add fidgets that go back to the moves of a person aboard, 4 × m."""
    rng, m = car.rng, moves.shape[1]
    for _ in range(int(rng.poisson(m * STEP_S / 25))):
        i, lasts = int(rng.integers(0, max(1, m - 150))), int(rng.uniform(40, 150))
        lasts = min(lasts, m - i)
        bend = np.sin(np.linspace(0, math.pi, lasts)) * np.sin(np.linspace(0, rng.uniform(3, 9), lasts))
        w = (
            car.shape("roll")
            + rng.normal(0, 0.5) * car.shape("pitch")
            + rng.normal(0, 0.2) * car.shape("bounce")
        )
        moves[:, i : i + lasts] += np.outer(w, bend * log_uniform(rng, 0.1, 2))


def _wind(weighing: Weighing, n: int, end: float) -> Array:
    """Wind on the car, with gusts, in three sessions of ten; 4 × n."""
    car, rng = weighing.car, weighing.car.rng
    if rng.random() >= 0.3:
        return np.zeros((4, n))
    kg = min(log_uniform(rng, 0.02, 0.45), 0.5 * car.display.d_kg)
    there = np.zeros(n)
    for since, until in weighing.on:
        there[car.index(since) : car.index(until)] = 1
    a = math.exp(-STEP_S * 2 * math.pi * rng.uniform(0.08, 0.5))
    w = lfilter([1 - a], [1, -a], rng.normal(size=(2, n + 500)), axis=1)[:, 500:]
    a = math.exp(-STEP_S * 2 * math.pi * 1.5)
    w = lfilter([1 - a], [1, -a], w, axis=1)
    w /= w.std(axis=1, keepdims=True)
    gusts = np.zeros(n)
    for _ in range(int(rng.poisson(end / 45))):
        i, m = int(rng.integers(0, n - 10)), int(rng.uniform(1, 6) / STEP_S)
        m = min(m, n - i)
        gusts[i : i + m] += np.sin(np.linspace(0, math.pi, m)) ** 2 * rng.uniform(1, 4)
    rolls = np.outer(2 * car.shape("roll"), w[0] + gusts)
    return there * kg * (rolls + np.outer(car.shape("bounce") * 0.5, w[1] - 0.5 * gusts))


@dataclass(frozen=True)
class Indicator:
    """How the four pads' readings are made, stamped and lost; some of it by corner.

    `stamps` is `even`, `jitter`, `bursts` or `some bursts` (of `burst_of` readings); `together` if all four
    come in one frame; `gaps_per_min` are stretches of silence, `wild` the share of wild values.
    """

    average_s: float
    noise_d: Array
    pink_d: float
    hum_d: float
    mains_hz: float
    stamps: str
    jitter: float
    burst_of: int
    together: bool
    lost: Array
    gaps_per_min: list[float]
    wild: float


def _draw_indicator(rng: np.random.Generator, rate_hz: float) -> Indicator:
    average_s = float(rng.uniform(0.1, 1.5)) if rng.random() < 0.35 else 0.0
    noise_d = log_uniform(rng, 0.05, 2)
    pink_share = float(rng.choice([0, 0.3, 0.6])) * rng.uniform(0.5, 1)
    thinner = math.sqrt(max(1.0, average_s * rate_hz))  # the noise is that before the indicator's average
    pads_noise_d = (noise_d * np.exp(rng.normal(0, 0.25, 4)) / thinner).clip(0.05, 2)
    hum_d = float(rng.uniform(0.1, 0.7)) if rng.random() < 0.25 else 0.0
    mains_hz = float(rng.choice([50, 60])) * (1 + rng.normal(0, 2e-4))
    stamps = str(rng.choice(["even", "jitter", "bursts", "some bursts"], p=[0.25, 0.4, 0.15, 0.2]))
    jitter = rng.uniform(0.02, 0.35) if stamps != "even" else 0.0
    burst_of = int(rng.integers(2, max(3, int(0.35 * rate_hz) + 1)))
    together = bool(rng.random() < 0.45)
    lost = float(rng.choice([0, 0.002, 0.02, 0.06])) * rng.uniform(0, 1, 4)
    gaps = [0.0] * 4
    if rng.random() < 0.5:
        for c in rng.choice(4, int(rng.integers(1, 4)), replace=False):
            gaps[int(c)] = log_uniform(rng, 0.2, 3)
    wild = log_uniform(rng, 3e-5, 6e-4) if rng.random() < 0.45 else 0.0
    pink_d = min(pink_share * noise_d, 0.3)
    return Indicator(
        average_s, pads_noise_d, pink_d, hum_d, mains_hz, stamps, jitter, burst_of, together, lost, gaps, wild
    )


def _averaged(loads: Array, average_s: float) -> Array:
    """Loads as the indicator's moving average gives them."""
    if not average_s:
        return loads
    w = max(1, int(average_s / STEP_S))
    sums = np.cumsum(np.concatenate([np.repeat(loads[:, :1], w, 1), loads], axis=1), axis=1)
    return (sums[:, w:] - sums[:, :-w]) / w


def _times(rng: np.random.Generator, indicator: Indicator, rate_hz: float, end: float) -> tuple[Array, Array]:
    """When readings are taken, and the times they are stamped with."""
    hz = rate_hz * (1 + rng.normal(0, 3e-4))
    at = (np.arange(int(end * hz) - 1) + rng.uniform(0, 1)) / hz
    at = at[at < end]
    k = np.arange(len(at))
    stamps = at.copy()
    if indicator.jitter:
        stamps = at + np.abs(rng.normal(0, indicator.jitter / rate_hz, len(at)))
    if "bursts" in indicator.stamps:
        size = indicator.burst_of
        last = np.minimum(k // size * size + size - 1, len(at) - 1)
        if indicator.stamps == "some bursts":
            held = rng.random(len(at) // size + 1) < 0.15
            stamps = np.where(held[k // size], stamps[last], stamps)
        else:
            stamps = stamps[last]
    return at, np.maximum.accumulate(stamps)


def _with_noise(car: Car, indicator: Indicator, corner: int, at: Array, x: Array) -> Array:
    """Loads with white noise as the average colours it, 1/f noise and hum."""
    rng, d_kg, m = car.rng, car.display.d_kg, len(at)
    averaged = round(indicator.average_s * car.display.rate_hz)
    white = rng.normal(size=m + averaged)
    if averaged > 1:
        white = np.convolve(white, np.ones(averaged) / math.sqrt(averaged), "valid")
    x = x + indicator.noise_d[corner] * d_kg * white[:m]
    if indicator.pink_d:
        x += indicator.pink_d * d_kg * _pink(rng, m)
    if indicator.hum_d:
        size = indicator.hum_d * d_kg * rng.uniform(0.4, 1)
        x += size * np.sin(2 * math.pi * indicator.mains_hz * at + rng.uniform(0, 6.28))
    return x


def _pink(rng: np.random.Generator, m: int) -> Array:
    """m values of 1/f noise with a standard deviation of one."""
    size = next_fast_len(max(m, 16))
    z = rfft(rng.normal(size=size))
    f = np.arange(len(z), dtype=float)
    f[0] = 1e9
    y = irfft(z / np.sqrt(f), size)[:m]
    return y / (y.std() + 1e-12)


def _kept(
    rng: np.random.Generator, indicator: Indicator, corner: int, at: Array, end: float
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which readings the radio lets through."""
    kept = rng.random(len(at)) >= indicator.lost[corner]
    for _ in range(int(rng.poisson(indicator.gaps_per_min[corner] * end / 60))):
        start = rng.uniform(0, end)
        kept &= ~((at >= start) & (at < start + rng.uniform(0.3, 4)))
    return kept


def _with_wild(car: Car, indicator: Indicator, steps: Array) -> Array:
    """Readings in steps of d, some of them wild: nothing, full scale, a flipped bit, a leap."""
    rng, display = car.rng, car.display
    if indicator.wild:
        for j in np.flatnonzero(rng.random(len(steps)) < indicator.wild):
            kind = int(rng.integers(4))
            flipped = steps[j] + 2 ** int(rng.integers(5, 13)) * rng.choice([-1, 1])
            leapt = steps[j] + round(rng.normal(0, 60))
            steps[j] = (0, round(1500 * display.per_kg / display.d), flipped, leapt)[kind]
    return steps
