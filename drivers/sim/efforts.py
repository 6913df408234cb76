"""Forces on the car from outside: people pushing, climbing in and shuffling, a motor running out.

Each function returns an `Effort` of drivers.sim.car: time → (N down, N·m nose down, N·m left side down), and
None when it is over. Times are s on the car's clock, places m in the car's frame.
"""

from __future__ import annotations

from collections.abc import Callable
from math import cos, exp, pi, sin
from random import Random

from drivers.sim.car import Effort, G, Mass
from drivers.sim.linear import Three

Place = tuple[float, float]
"""Where on the car (m: forward of the rear axle, left of the centre line)."""


def smooth(t: float) -> float:
    """Rise from 0 to 1 over 0 ≤ t ≤ 1, flat at both ends."""
    t = min(max(t, 0.0), 1.0)
    return t * t * (3.0 - 2.0 * t)


def at_place(force_N: float, x_m: float, y_m: float) -> Three:
    """Generalised force of a push straight down at a place."""
    return (force_N, force_N * x_m, force_N * y_m)


def rock(start_s: float, pushes: int, period_s: float, force_N: float, *, at_m: Place) -> Effort:
    """Push down and let up in time with the car, a number of times, then let go."""

    def effort(t_s: float) -> Three | None:
        if t_s < start_s:
            return (0.0, 0.0, 0.0)
        if t_s > start_s + pushes * period_s:
            return None
        return at_place(force_N * 0.5 * (1 - cos(2 * pi * (t_s - start_s) / period_s)), *at_m)

    return effort


def shudder(start_s: float, moment_N_m: float, frequency_Hz: float = 5.0, fade_s: float = 0.25) -> Effort:
    """The last turns of a motor: a roll moment that dies away."""

    def effort(t_s: float) -> Three | None:
        since = t_s - start_s
        if since < 0:
            return (0.0, 0.0, 0.0)
        if since > 8 * fade_s:
            return None
        return (0.0, 0.0, moment_N_m * sin(2 * pi * frequency_Hz * since) * exp(-since / fade_s))

    return effort


def brake(start_s: float, stop_s: float, moment_N_m: float) -> Effort:
    """A gentle halt: nose down while it slows, let go when it stands."""

    def effort(t_s: float) -> Three | None:
        if t_s > stop_s:
            return None
        held = smooth((t_s - start_s) / 0.3) if t_s > start_s else 0.0
        return (0.0, moment_N_m * held, 0.0)

    return effort


def on_the_sill(person: Mass, sill_y_m: float, start_s: float, stop_s: float, *, getting_in: bool) -> Effort:
    """A foot on the sill: weight comes on until the seat takes it, or goes off when getting out."""

    def effort(t_s: float) -> Three | None:
        if t_s > stop_s:
            return None
        share = smooth((t_s - start_s) / (stop_s - start_s))
        share = 0.75 * share if getting_in else 0.75 * (1.0 - share)
        if t_s < start_s:
            share = 0.0
        return at_place(person.mass_kg * G * share, person.x_m + 0.1, sill_y_m)

    return effort


def blow(start_s: float, impulse_N_s: float, at_m: Place, length_s: float = 0.12) -> Effort:
    """A short push down (half a sine): a body dropping into a seat, a door slammed, a part set down."""
    peak_N = impulse_N_s * pi / (2 * length_s)

    def effort(t_s: float) -> Three | None:
        since = t_s - start_s
        if since < 0:
            return (0.0, 0.0, 0.0)
        if since > length_s:
            return None
        return at_place(peak_N * sin(pi * since / length_s), *at_m)

    return effort


def shuffle(random: Random, start_s: float, stop_s: float, weight_N: float, spread_m: float) -> Effort:
    """A weight moving about its place (three slow sines of random phase), less and less until it stops."""
    waves = [(random.uniform(0.4, 1.6), random.uniform(0, 2 * pi), random.uniform(0, 2 * pi)) for _ in "abc"]

    def effort(t_s: float) -> Three | None:
        if t_s > stop_s:
            return None
        if t_s < start_s:
            return (0.0, 0.0, 0.0)
        left = weight_N * spread_m * (1.0 - smooth((t_s - start_s) / (stop_s - start_s)))
        x = sum(sin(2 * pi * f * t_s + a) for f, a, _ in waves) * left
        y = sum(sin(2 * pi * f * t_s + b) for f, _, b in waves) * left
        return (0.0, x, y)

    return effort


def breath(seated: Callable[[], bool], weight_N: float, rate_Hz: float = 0.25) -> Effort:
    """Somebody breathing in the seat while seated: the chest rises (about 0.2 N), the trunk sways 1 mm."""

    def effort(t_s: float) -> Three | None:
        if not seated():
            return None
        wave = sin(2 * pi * rate_Hz * t_s)
        return (-0.2 * wave, 0.001 * weight_N * wave, 0.0003 * weight_N * wave)

    return effort


def carry(part: Mass, start_s: float, stop_s: float, *, lifting: bool) -> Effort:
    """Hands under a part: they take its weight until it is lifted out, or give it when it is set down."""

    def effort(t_s: float) -> Three | None:
        if t_s > stop_s:
            return None
        share = smooth((t_s - start_s) / (stop_s - start_s))
        share = share if lifting else 1.0 - share
        return at_place(-part.mass_kg * G * share if t_s >= start_s else 0.0, part.x_m, part.y_m)

    return effort
