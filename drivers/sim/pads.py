"""A pad as its readings show it.

A load cell that lags, creeps and drifts, an indicator that averages and rounds, and a radio that loses and
damages messages in bursts.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import exp, pi, sqrt
from random import Random


@dataclass(frozen=True, kw_only=True)
class PadSpec:
    """What a pad is like; all masses kg, as its indicator shows them before rounding."""

    resolution_kg: float = 0.1
    capacity_kg: float = 700.0
    noise_kg: float = 0.03
    """Standard deviation of white noise on one reading."""
    lowpass_Hz: float = 8.0
    """Corner of the cell's and its amplifier's first-order low-pass."""
    average: int = 1
    """Readings the indicator averages before it shows one."""
    creep: float = 0.0002
    """Share of the load that comes only with time."""
    creep_s: float = 8.0
    gain_error: float = 0.0
    zero_kg: float = 0.0
    zero_walk_kg: float = 0.002
    """Standard deviation of the zero's random walk after one second; it grows with the root of time."""
    zero_per_degree_kg: float = 0.0
    degrees_per_s: float = 0.0
    temperature_C: float = 8.0
    lose: float = 0.0
    """Chance that a burst of lost messages begins at a message."""
    recover: float = 0.4
    """Chance that a burst ends at a message."""
    damage: float = 0.0
    """Chance that a message arrives with damaged bytes."""
    steady_s: float = 0.6
    """How long the shown value must keep within one resolution before the indicator claims it is steady."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading as the pad sends it. `mass_kg` None: overload. `lost`: sent, never received.

    `zero_kg` and `gain` are the noise-free truth of that moment: shown ≈ gain·load + zero.
    """

    pad: str
    t_s: float
    mass_kg: float | None
    steady: bool
    resolution_kg: float
    temperature_C: float
    battery_V: float
    signal_dBm: float
    seq: int
    lost: bool
    damaged: bool
    zero_kg: float
    gain: float


class Pad:
    """One pad with its state: `press` at every step of the car, `read` when its indicator sends."""

    def __init__(self, name: str, spec: PadSpec, random: Random) -> None:
        self.name, self.spec, self._random = name, spec, random
        self._cell_kg = self._crept_kg = 0.0
        self._walk_kg, self._temperature_C = 0.0, spec.temperature_C
        self._shown: deque[float] = deque(maxlen=max(1, spec.average))
        self._steady_for_s, self._last_kg, self._t_s = 0.0, 0.0, 0.0
        self._seq, self._in_burst = 0, False
        self._shares = (0.0, 0.0, 0.0)

    def press(self, load_kg: float, dt_s: float) -> None:
        """Let this load act for dt (s)."""
        creep = self.spec.creep
        if dt_s != self._shares[0]:
            follow = 1.0 - exp(-2 * pi * self.spec.lowpass_Hz * dt_s)
            self._shares = (dt_s, dt_s / self.spec.creep_s, follow)
        _, creeping, follow = self._shares
        self._crept_kg += (creep * load_kg - self._crept_kg) * creeping
        self._cell_kg += (load_kg * (1.0 - creep) + self._crept_kg - self._cell_kg) * follow

    def read(self, t_s: float) -> Reading:
        """Give the reading sent at t (s), later than the last."""
        spec, dt_s = self.spec, t_s - self._t_s
        self._t_s = t_s
        self._walk_kg += self._random.gauss(0.0, spec.zero_walk_kg * sqrt(max(dt_s, 0.0)))
        self._temperature_C += spec.degrees_per_s * dt_s
        zero = spec.zero_kg + self._walk_kg
        zero += spec.zero_per_degree_kg * (self._temperature_C - spec.temperature_C)
        gain = 1.0 + spec.gain_error
        self._shown.append(gain * self._cell_kg + zero + self._random.gauss(0.0, spec.noise_kg))
        mean = sum(self._shown) / len(self._shown)
        shown = round(mean / spec.resolution_kg) * spec.resolution_kg
        steady = self._claims_steady(shown, dt_s)
        lost, damaged = self._radio()
        self._seq += 1
        return Reading(
            pad=self.name,
            t_s=t_s,
            mass_kg=None if shown > spec.capacity_kg else shown,
            steady=steady,
            resolution_kg=spec.resolution_kg,
            temperature_C=round(self._temperature_C, 1),
            battery_V=3.9,
            signal_dBm=-58.0 - 12.0 * self._in_burst,
            seq=self._seq,
            lost=lost,
            damaged=damaged,
            zero_kg=zero,
            gain=gain,
        )

    def _claims_steady(self, shown_kg: float, dt_s: float) -> bool:
        """The claim of a plain indicator: it knows of no slow tail, so it is often made too early."""
        if abs(shown_kg - self._last_kg) > 1.5 * self.spec.resolution_kg:
            self._last_kg, self._steady_for_s = shown_kg, 0.0
        else:
            self._steady_for_s += dt_s
        return self._steady_for_s >= self.spec.steady_s

    def _radio(self) -> tuple[bool, bool]:
        """Whether this message is lost or damaged; losses come in bursts (two-state chain)."""
        chance = self._random.random()
        self._in_burst = chance >= self.spec.recover if self._in_burst else chance < self.spec.lose
        return self._in_burst, self._random.random() < self.spec.damage
