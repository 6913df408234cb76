"""Simulated pads: lag, rounding, noise, creep, drift, gain, claims and a radio that loses bursts."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import pi, sqrt
from random import Random
from statistics import fmean, pstdev

import pytest

from drivers.sim.pads import Pad, PadSpec, Reading

QUIET = PadSpec(resolution_kg=1e-9, noise_kg=0.0, zero_walk_kg=0.0, creep=0.0)


def read(
    spec: PadSpec, load_kg: float, seconds: float, *, rate_Hz: float = 20.0, seed: int = 3
) -> list[Reading]:
    """Readings under one load that is put on at 0 s."""
    pad, readings = Pad("P1", spec, Random(seed)), []
    for n in range(1, round(seconds * rate_Hz) + 1):
        for _ in range(20):
            pad.press(load_kg, 1 / rate_Hz / 20)
        readings.append(pad.read(n / rate_Hz))
    return readings


def masses(readings: list[Reading]) -> list[float]:
    return [r.mass_kg for r in readings if r.mass_kg is not None]


def test_cell_lags_as_a_first_order_low_pass() -> None:
    """2 % of the step is left after 3.912 τ (check value step1, closed form)."""
    spec = replace(QUIET, lowpass_Hz=0.5)
    tau = 1 / (2 * pi * 0.5)
    shown = masses(read(spec, 100.0, 3.912023 * tau, rate_Hz=1 / tau / 3.912023))
    assert shown[-1] == pytest.approx(98.0, abs=1e-6)


def test_rounding_and_noise_have_their_size() -> None:
    """Noise of 0.2 kg rounded to 0.1 kg: √(0.2² + 0.1²/12) (GUM F.2.2.1, check value gum.quant)."""
    spec = replace(QUIET, resolution_kg=0.1, noise_kg=0.2)
    shown = masses(read(spec, 250.03, 300.0))[40:]
    assert all(abs(m / 0.1 - round(m / 0.1)) < 1e-6 for m in shown)
    assert pstdev(shown) == pytest.approx(sqrt(0.04 + 0.01 / 12), rel=0.05)
    assert fmean(shown) == pytest.approx(250.03, abs=0.01)


def test_moving_average_takes_noise_down_by_the_root_of_its_length() -> None:
    shown = masses(read(replace(QUIET, noise_kg=0.2, average=16), 250.0, 400.0))[100:]
    assert pstdev(shown) == pytest.approx(0.2 / 4, rel=0.12)


def test_creep_comes_with_time_and_gain_and_zero_at_once() -> None:
    spec = replace(QUIET, creep=0.001, creep_s=5.0, gain_error=0.01, zero_kg=0.4, lowpass_Hz=50.0)
    shown = masses(read(spec, 300.0, 60.0))
    assert shown[1] == pytest.approx(1.01 * 300.0 * 0.999 + 0.4, abs=0.02)
    assert shown[-1] == pytest.approx(1.01 * 300.0 + 0.4, abs=1e-3)


def test_zero_follows_the_cold_and_the_truth_says_so() -> None:
    spec = replace(QUIET, zero_per_degree_kg=-0.1, degrees_per_s=-0.05)
    last = read(spec, 0.0, 100.0)[-1]
    assert last.mass_kg == pytest.approx(0.5, abs=0.01)
    assert last.zero_kg == pytest.approx(0.5, abs=0.01)
    assert last.temperature_C == pytest.approx(3.0)


def test_random_walk_grows_with_the_root_of_time() -> None:
    ends = [
        read(replace(QUIET, zero_walk_kg=0.01), 0.0, 25.0, rate_Hz=2.0, seed=s)[-1].zero_kg
        for s in range(300)
    ]
    assert pstdev(ends) == pytest.approx(0.01 * 5, rel=0.15)


def test_overload_has_no_number() -> None:
    assert read(PadSpec(capacity_kg=500.0), 600.0, 2.0)[-1].mass_kg is None


def test_steady_is_claimed_after_its_time_and_not_while_the_load_moves() -> None:
    spec = PadSpec(noise_kg=0.01, steady_s=0.6)
    pad, claims = Pad("P1", spec, Random(1)), []
    for n in range(1, 81):
        pad.press(10.0 * n if n < 40 else 400.0, 0.05)
        claims.append(pad.read(n / 20).steady)
    assert not any(claims[:45])
    assert all(claims[-10:])


def test_losses_come_in_bursts_of_the_length_asked_for() -> None:
    readings = read(PadSpec(lose=0.02, recover=0.25, damage=0.05), 0.0, 1500.0)
    lost = [r.lost for r in readings]
    bursts = sum(b and not a for a, b in pairwise(lost))
    assert sum(lost) / bursts == pytest.approx(4.0, rel=0.15)
    assert sum(r.damaged for r in readings) / len(readings) == pytest.approx(0.05, rel=0.15)
    assert [r.seq for r in readings[:300]] == list(range(1, 301))
