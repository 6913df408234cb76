"""The loads under a car in a yard (yard_sessions.py): steps, swings, tails, creep and hands on a fine grid.

Written without sight of the settling code and of the project's own simulator. Corners are left and right in
front, left and right behind; loads in kg, times in s.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.signal import lfilter
from yard_draws import (
    SPAN_S,
    STEP_S,
    Array,
    draw_body,
    draw_display,
    draw_people,
    draw_springs,
    draw_tails,
    draw_zeros,
)


def alone(corner: int, loads: Array) -> Array:
    """Loads of one corner, the others without."""
    return np.where(np.arange(4) == corner, loads, 0.0)


class Car:
    """Loads of the four corners; every method adds to them from a time on."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        n = self.n = int(SPAN_S / STEP_S)
        self.short_waits = rng.choice([0.0, 0.08, 0.2])
        self.display = draw_display(rng)
        self.body = draw_body(rng)
        self.springs = draw_springs(rng)
        self.tails = draw_tails(rng)
        self.zeros = draw_zeros(rng, self.display.d_kg)
        self.pad_of_corner = [f"P{i + 1}" for i in rng.permutation(4)]
        self.people = draw_people(rng)
        self.static = np.zeros((4, n))  # with hands
        self.live = np.zeros((4, n))  # swings and the suspension's tails, gone when the car is off
        self.pad_creep = np.zeros((4, n))
        self.pad_slow = np.zeros((4, n))
        self.warp_slow = np.zeros(n)
        self.tracking = np.zeros((4, n))
        self.settled = np.zeros(4)
        self.warp_home = 0.0

    def index(self, t: float) -> int:
        """Place of a time on the grid."""
        return max(0, min(self.n - 1, round(t / STEP_S)))

    def load(self, i: int, j: int) -> Array:
        """Noise-free loads, 4 × (j - i)."""
        return (
            self.static[:, i:j]
            + self.live[:, i:j]
            + self.pad_creep[:, i:j]
            + self.pad_slow[:, i:j]
            + self.zeros.kg[:, i:j]
            + self.tracking[:, i:j]
            + self.body.warp[:, None] * self.warp_slow[i:j]
        )

    def aim(self, i: int, j: int) -> Array:
        """What the loads settle to, 4 × (j - i): tails at their end, slow creep and zeros as they stand."""
        return (
            self.settled[:, None]
            + self.pad_slow[:, i:j]
            + self.zeros.kg[:, i:j]
            + self.tracking[:, i:j]
            + self.body.warp[:, None] * self.warp_slow[i:j]
        )

    def step(
        self, change: Array, t: float, lasts: float, *, settles: bool = True, creeps: bool = True
    ) -> None:
        """Change the static loads smoothly; what `settles` stays, what `creeps` lets the pads creep after."""
        i, m = self.index(t), max(2, int(lasts / STEP_S))
        m = min(m, self.n - i - 1)
        s = np.linspace(0, 1, m)
        self.static[:, i : i + m] += change[:, None] * (s * s * (3 - 2 * s))
        self.static[:, i + m :] += change[:, None]
        if settles:
            self.settled = self.settled + change
        if creeps and np.abs(change).max() > 0.3:
            self._creep(change, t + lasts / 2)

    def _creep(self, change: Array, t: float) -> None:
        tails, i = self.tails, self.index(t)
        for p in range(4):
            if tails.pad_share[p] and abs(change[p]) > 0.3:
                m = min(int(9 * tails.pad_s[p] / STEP_S), self.n - i)
                fading = np.exp(-np.arange(m) * (STEP_S / tails.pad_s[p]))
                self.pad_creep[p, i : i + m] -= tails.pad_share[p] * change[p] * fading
        if tails.slow != "none":
            self.pad_slow[:, i:] += (tails.slow_share * change)[:, None] * self._slowly(self.n - i)

    def _slowly(self, m: int) -> Array:
        """Creep that goes on for minutes, m steps of it."""
        tails = self.tails
        x = 1 + np.arange(m) * (STEP_S / tails.slow_s)
        if tails.slow == "log":
            return np.log(x) / math.log(1 + 600 / tails.slow_s)
        return 1 - x**-tails.slow_power

    def warp_tail(self, t: float, size: float) -> None:
        """Bushes, dampers, tyres: the share of the warp mode creeps home."""
        tails, rng, i = self.tails, self.rng, self.index(t)
        for j in range(tails.count):
            kg = size * tails.size_kg * rng.normal() * (1 if j == 0 else 0.5)
            tau = tails.tail_s[j] * rng.uniform(0.85, 1.15)
            m = min(int(9 * tau / STEP_S), self.n - i)
            self.live[:, i : i + m] += (kg * self.body.warp)[:, None] * np.exp(-np.arange(m) * (STEP_S / tau))
        if tails.slow != "none":
            self.warp_slow[i:] += size * tails.slow_warp_kg * rng.normal() * self._slowly(self.n - i)

    def shape(self, mode: str) -> Array:
        """Shares of the corners in a swing of `bounce` (their sum is one), `pitch` or `roll`."""
        rng, front = self.rng, self.body.front
        if mode == "bounce":
            w = np.array([front, front, 1 - front, 1 - front]) / 2 * rng.uniform(0.93, 1.07, 4)
            return w / w.sum()
        if mode == "pitch":
            return np.array([0.5, 0.5, -0.5, -0.5]) * rng.uniform(0.95, 1.05, 4)
        return np.array([0.5, -0.5, 0.5, -0.5]) * np.array([1, 1, 0.7, 0.7]) * rng.uniform(0.95, 1.05, 4)

    def swing(self, t: float, mode: str, kg: float, *, kick: bool = False) -> None:
        """Swing freely: friction takes amplitude too, and as the dampers stick the tyres' frequency comes."""
        rng, springs, i = self.rng, self.springs, self.index(t)
        m = min(int(30 / STEP_S), self.n - i)
        hz = springs.mode_hz[mode] * rng.uniform(0.97, 1.03)
        k = springs.damping * 2 * math.pi * hz
        lost = springs.friction_kg_s
        x = np.arange(m) * STEP_S
        size = np.maximum(0, (kg + lost / k) * np.exp(-k * x) - lost / k)
        f = np.minimum(3.0, hz * (1 + 0.12 * np.exp(-size / (4 + 0.1 * kg)) * (lost > 0)))
        phase = 2 * math.pi * np.cumsum(f) * STEP_S + (0 if kick else rng.uniform(0, 2 * math.pi))
        y = size * np.sin(phase)
        tyre = springs.tyre_kg * min(1.0, kg / 25) * rng.uniform(0.3, 1)
        fading = tyre * np.exp(-(springs.tyre_damping * 2 * math.pi * springs.tyre_hz) * x)
        y += (
            fading * np.sin(2 * math.pi * springs.tyre_hz * x + rng.uniform(0, 6.28)) * np.minimum(1, x / 0.2)
        )
        if kick:
            y *= np.minimum(1, x / 0.15)
        self.live[:, i : i + m] += self.shape(mode)[:, None] * y

    def swings(self, t: float, kg: float, *, kick: bool = True) -> None:
        """Swing in all three modes."""
        rng, s = self.rng, self.springs.scale * kg
        self.swing(t, "bounce", s * rng.uniform(0.4, 1.2), kick=kick)
        self.swing(t, "pitch", s * rng.uniform(0.1, 0.7), kick=kick)
        self.swing(t, "roll", s * rng.uniform(0.05, 0.6), kick=kick)

    def slip(self, t: float, sd_kg: float, lasts: float, *, anew: bool = False) -> None:
        """Stick and slip: another share of the warp mode, `anew` one that forgets the last."""
        change, warp = self.rng.normal(0, sd_kg), self.body.warp
        if anew:
            change += self.warp_home - float(self.settled @ warp) / float(warp @ warp)
        self.step(change * warp, t, lasts, creeps=False)

    def hands(self, t: float, lasts: float, kg: float, where: Array | None = None) -> None:
        """Lay hands on the car: a slow irregular force, mostly down and sideways, that ends in nothing."""
        rng, i = self.rng, self.index(t)
        m = min(max(20, int(lasts / STEP_S)), self.n - i)
        a = math.exp(-STEP_S * 2 * math.pi * rng.uniform(0.3, 1.5))
        raw = lfilter([(1 - a) ** 2], [1, -2 * a, a * a], rng.normal(size=(3, m + 300)), axis=1)[:, 300:]
        raw /= raw.std(axis=1, keepdims=True) + 1e-9
        ends = np.minimum(np.arange(m), np.arange(m)[::-1]) * STEP_S
        soft = np.minimum(1, ends / rng.uniform(0.1, 0.35))
        w = where if where is not None else rng.dirichlet([1.2] * 4)
        side = rng.choice([-1, 1])
        force = (
            np.outer(w, kg * (rng.uniform(-0.4, 1) + 0.6 * raw[0]))
            + np.outer(self.shape("roll"), kg * 0.7 * (0.5 * side + raw[1]))
            + np.outer(self.shape("pitch"), kg * 0.3 * raw[2])
        )
        now = self.static[:, i : i + m]
        self.static[:, i : i + m] += force * soft * np.clip((now - 25) / 40, 0, 1)

    def knock(self, t: float, kg: float) -> float:
        """Knock against the car; returns how long it took."""
        rng, i = self.rng, self.index(t)
        m = int(rng.uniform(0.06, 0.25) / STEP_S)
        blow = np.sin(np.linspace(0, math.pi, m)) * kg
        self.static[:, i : i + m] += np.outer(rng.normal(0.3, 0.5, 4), blow)
        self.swings(t + m * STEP_S, kg * 0.35)
        return m * STEP_S

    def sink(self, t: float) -> None:
        """Let a person sink into the seat."""
        rng, i = self.rng, self.index(t)
        kg, tau = rng.normal(0, 0.35), rng.uniform(0.8, 3.5)
        share = kg * self.shape("pitch") + 0.5 * kg * self.shape("roll")
        self.live[:, i:] += share[:, None] * np.exp(-np.arange(self.n - i) * (STEP_S / tau))

    def push(self, t: float, hz: float, pushes: int, shares: Array, kg: float) -> None:
        """Push the car down again and again, as to rock it."""
        rng, i = self.rng, self.index(t)
        m = int(pushes / hz / STEP_S)
        x = np.arange(m) * STEP_S
        force = kg * (np.sin(2 * math.pi * hz * x) + 0.45) * np.minimum(1, x * hz) * rng.uniform(0.8, 1.2)
        force *= np.minimum(1, (m - np.arange(m)) * STEP_S / 0.12)
        self.static[:, i : i + m] += np.outer(shares, force)

    def roll_on(self, change: Array, t: float, lasts: float) -> None:
        """Roll one wheel onto its pad, heavier or lighter on the edge."""
        self.step(change, t, lasts)
        i, j = self.index(t), self.index(t + lasts)
        bump = np.sin(np.linspace(0, math.pi, j - i))
        self.static[:, i:j] += change[:, None] * self.rng.uniform(-0.05, 0.15) * bump

    def roll_off(self, corner: int, load: Array, t: float, lasts: float) -> None:
        """Roll one wheel off its pad, with what still swings on it; `load` is what stood on all four."""
        self.step(alone(corner, -load), t, lasts)
        i, m = self.index(t), max(2, int(lasts / STEP_S))
        ramp = np.zeros(self.n - i)
        ramp[:m] = np.linspace(1, 0, m)
        self.live[corner, i:] *= ramp

    def end_warp(self, t: float, until: float) -> None:
        """Let the slow creep of the warp mode go with the car."""
        i = self.index(t)
        m = max(2, self.index(until) - i)
        self.warp_slow[i : i + m] *= np.linspace(1, 0, m)
        self.warp_slow[i + m :] = 0.0

    def place(self, kg: float, front: float, left: float) -> Array:
        """Corner loads of a mass at shares of the wheelbase (1 = front axle) and the track (1 = left)."""
        return kg * np.array([front * left, front * (1 - left), (1 - front) * left, (1 - front) * (1 - left)])
