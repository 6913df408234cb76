"""Stretches of a yard session in which nobody touches the car, and the truth of each (yard_sessions.py).

Written without sight of the settling code. The value of a level is what each load tends to: tails at their
end, slow creep, drift and tracked zeros as they stand when the stretch ends; a lasting shift of the person
aboard (below 0.4 d a pad) belongs to it. Breath, heart, fidgets, wind and noise move the reading about it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from yard_car import Car
from yard_draws import STEP_S, Array

LONGEST_S = 40.0
SHORTEST_LEVEL_S = 6.0


@dataclass(frozen=True)
class Level:
    """A settled stretch by pad: values and when the load came within d of them for good, in display units."""

    start_s: float
    end_s: float
    aboard: bool
    value: dict[str, float]
    within_s: dict[str, float]


class Levels:
    """Lets time pass while nobody touches, and notes what stood: levels, or stretches that are none."""

    def __init__(self, car: Car) -> None:
        self.car = car
        self.levels: list[Level] = []
        self.others: list[tuple[float, float]] = []

    def wait(self, t: float, *, aboard: bool, empty: bool = False, shortest_s: float = 0.0) -> float:
        """Let a stretch begin at t; returns its end."""
        first = math.ceil(t / STEP_S - 1e-6)
        start = float(first) * STEP_S
        lasts = max(self._patience(first, never_short=shortest_s > 0), shortest_s)
        end = self.car.index(start + float(lasts)) * STEP_S
        if aboard:
            self._shift(start, end, lasts)
        if empty:
            self._track(start, end)
        self._note(start, end, aboard, empty)
        return end

    def _patience(self, first: int, never_short: bool) -> float:
        """How long people wait: some until all has settled and on, some never look."""
        car, rng, people = self.car, self.car.rng, self.car.people
        last = min(car.n, first + int(LONGEST_S / STEP_S))
        off = car.load(first, last) - car.aim(first, last)
        moves = np.flatnonzero((np.abs(off) > 0.8 * car.display.d_kg).any(axis=0))
        settles = (moves[-1] + 1) * STEP_S if moves.size else 0.0
        if not never_short and rng.random() < car.short_waits:
            return rng.uniform(2, 5.8)
        if rng.random() < people.patience and settles < LONGEST_S - 3:
            return min(LONGEST_S - 0.1, max(6.05, settles + 1.5 + rng.exponential(people.wait_s)))
        return min(LONGEST_S - 0.1, 6.05 + rng.exponential(people.wait_s))

    def _shift(self, start: float, end: float, lasts: float) -> None:
        """Small shifts of the person aboard that stay."""
        car, rng = self.car, self.car.rng
        for _ in range(int(rng.poisson(lasts / 18))):
            t = rng.uniform(start, end - 1)
            kg = rng.uniform(-0.4, 0.4) * car.display.d_kg
            w = car.shape("roll") * 0.8 + car.shape("pitch") * rng.uniform(-0.8, 0.8)
            car.step(kg * (w - w.mean()), t, rng.uniform(0.3, 1), creeps=False)

    def _track(self, start: float, end: float) -> None:
        """The pad that tracks its zero takes half a d a second off what it shows empty."""
        car, d = self.car, self.car.display.d_kg
        p = car.zeros.tracked
        if p is None:
            return
        t = start + 2 * (start > 0) + 0.5
        while t < end:
            i = car.index(t)
            shown = float(car.load(i, i + 1)[p, 0])
            if 0.25 * d < abs(shown) < 4 * d + 1.0 * (start == 0):
                car.tracking[p, i:] -= math.copysign(min(abs(shown), 0.5 * d), shown)
            t += 1.0

    def _note(self, start: float, end: float, aboard: bool, empty: bool) -> None:
        """Note the stretch as a level if it lasted and every pad and the total had settled before its end."""
        car, per_kg = self.car, self.car.display.per_kg
        i, j = car.index(start), car.index(end)
        value = car.aim(j, j + 1)[:, 0]
        loads = car.load(i, j + 1)
        if empty and car.zeros.tracked is not None:
            value[car.zeros.tracked] = loads[car.zeros.tracked, -1]
        within = [self._within(start, loads[c] - value[c]) for c in range(4)]
        last = max(*within, self._within(start, loads.sum(0) - value.sum()))
        if end - start < SHORTEST_LEVEL_S or last > end - 0.5:
            self.others.append((start, end))
            return
        pads = car.pad_of_corner
        self.levels.append(
            Level(
                start_s=start,
                end_s=end,
                aboard=aboard,
                value={pads[c]: float(value[c] * per_kg) for c in range(4)},
                within_s={pads[c]: float(within[c]) for c in range(4)},
            )
        )

    def _within(self, start: float, off: Array) -> float:
        """When the load came within d for good."""
        far = np.flatnonzero(np.abs(off) > self.car.display.d_kg)
        return start if not far.size else start + (far[-1] + 1) * STEP_S
