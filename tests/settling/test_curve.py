"""Settle curves of known truth: the sort of decay is told, figures lie within their stated uncertainty."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest

from logger.settling.curve import Decay, SettleCurve, fit_settle

SIGMA, D = 0.08, 0.1


def settle(
    seed: int,
    decay: Decay,
    *,
    hertz: float = 1.5,
    zeta: float = 0.12,
    loss: float = 3.0,
    tail: float = 0.0,
    tail_s: float = 4.0,
    creep: float = 0.0,
    swing: float = 25.0,
    rate: float = 12.0,
) -> SettleCurve:
    """Fit 25 s after a step from 0 to 200 kg; `loss` is what friction takes of the amplitude a half swing."""
    t = np.arange(0, 25, 1 / rate)
    omega = 2 * pi * hertz
    envelope = {
        "viscous": np.exp(-zeta / sqrt(1 - zeta**2) * omega * t),
        "friction": np.maximum(1 - 2 * hertz * loss / swing * t, 0),
        "none": np.zeros(len(t)),
    }[decay]
    x = 200 + swing * envelope * np.cos(omega * t) + tail * np.exp(-t / tail_s) + creep * t
    x = np.round((x + np.random.default_rng(seed).normal(0, SIGMA, len(t))) / D) * D
    curve = fit_settle(t + 10, x, t_step_s=10.0, before=0.0, resolution=D)
    assert curve is not None
    return curve


def covered(pairs: list[tuple[float, float | None, float | None]]) -> float:
    """Share of (truth, value, u) whose truth lies within 2 u."""
    return float(
        np.mean([v is not None and u is not None and abs(v - truth) <= 2 * u for truth, v, u in pairs])
    )


RUNS = 24
LEAST = 0.8
"""Of 24, 23 are to be expected at 95 %; 20 or more come in 99.4 % of such tests."""


def test_a_viscous_swing_is_told_with_its_frequency_and_damping() -> None:
    curves = [settle(k, "viscous", zeta=0.12, hertz=1.5) for k in range(RUNS)]
    assert [c.decay for c in curves].count("viscous") >= RUNS - 1
    assert covered([(1.5, c.frequency_Hz, c.u_frequency_Hz) for c in curves]) >= LEAST
    assert covered([(0.12, c.damping_ratio, c.u_damping_ratio) for c in curves]) >= LEAST
    assert covered([(200.0, c.level, c.u_level) for c in curves]) >= LEAST
    assert all(c.u_damping_ratio is not None and c.u_damping_ratio < 0.003 for c in curves)
    assert np.mean([c.overshoot or 0 for c in curves]) == pytest.approx(25 / 200, rel=0.03)


def test_dry_friction_is_told_with_its_loss_a_swing() -> None:
    curves = [settle(k, "friction", loss=3.0, hertz=1.5) for k in range(RUNS)]
    assert [c.decay for c in curves].count("friction") >= RUNS - 1
    assert covered([(3.0, c.friction_per_swing, c.u_friction_per_swing) for c in curves]) >= LEAST
    assert covered([(1.5, c.frequency_Hz, c.u_frequency_Hz) for c in curves]) >= LEAST
    assert all(c.damping_ratio is None for c in curves)


@pytest.mark.parametrize("tail_s", [2.0, 5.0])
def test_a_tail_is_told_with_its_time_constant(tail_s: float) -> None:
    curves = [settle(k, "none", tail=-4.0, tail_s=tail_s) for k in range(RUNS)]
    assert all(c.decay == "none" for c in curves)
    assert covered([(tail_s, c.tail_s, c.u_tail_s) for c in curves]) >= LEAST
    assert covered([(200.0, c.level, c.u_level) for c in curves]) >= LEAST


def test_creep_is_told_and_none_is_not_invented() -> None:
    creeping = [settle(k, "none", creep=0.02) for k in range(RUNS)]
    assert covered([(0.02, c.creep_per_s, c.u_creep_per_s) for c in creeping]) >= LEAST
    still = [settle(k, "none") for k in range(RUNS)]
    assert sum(c.creep_per_s != 0 for c in still) <= 0.15 * RUNS
    assert sum(c.tail_s is not None for c in still) <= 0.1 * RUNS


def test_swing_and_tail_at_once() -> None:
    curves = [settle(k, "viscous", tail=-3.0, tail_s=4.0) for k in range(RUNS // 2)]
    assert covered([(0.12, c.damping_ratio, c.u_damping_ratio) for c in curves]) >= LEAST
    assert covered([(4.0, c.tail_s, c.u_tail_s) for c in curves]) >= LEAST


@pytest.mark.parametrize(("rate", "tail"), [(40.0, 0.0), (40.0, -1.0), (80.0, 0.0), (80.0, 1.5)])
def test_a_load_that_comes_without_a_swing_has_none(rate: float, tail: float) -> None:
    """What is left of the load's coming in 0.3 s was a swing of 10 to 3000 Hz, or a tail of 0.02 s."""
    for seed in range(4):
        dice = np.random.default_rng(seed)
        t = np.arange(0, 20, 1 / rate) + dice.uniform(-0.1, 0.1, round(20 * rate)) / rate
        x = np.interp(t, (0.1, 0.4), (0, 230)) + tail * np.exp(-np.maximum(t - 0.4, 0) / 4.0) * (t > 0.4)
        x = np.round((x + dice.normal(0, 0.05, len(t))) / D) * D
        curve = fit_settle(t, x, t_step_s=0.15, before=0.0, resolution=D)
        assert curve is not None
        assert curve.decay == "none"
        assert (curve.tail_s is None) == (tail == 0.0)
        assert tail == 0.0 or curve.tail_s == pytest.approx(4.0, rel=0.5)


def test_a_slow_display_does_not_take_a_swing_for_a_faster_one() -> None:
    """1.8 Hz in readings of 5 Hz looks like 3.2 Hz as well."""
    for seed in range(8):
        curve = settle(seed, "viscous", hertz=1.8, zeta=0.3, rate=5.0, swing=40.0)
        assert curve.frequency_Hz == pytest.approx(1.8, rel=0.1)
        assert curve.damping_ratio == pytest.approx(0.3, rel=0.2)


def test_too_little_or_nothing_gives_no_curve() -> None:
    t = np.arange(8.0)
    assert fit_settle(t, t * 0, t_step_s=0.0, before=0.0, resolution=0.1) is None
    gone = np.full(50, np.nan)
    assert fit_settle(np.arange(50.0), gone, t_step_s=0.0, before=0.0, resolution=0.1) is None
    flat = fit_settle(np.arange(50.0), np.full(50, 7.0), t_step_s=0.0, before=0.0, resolution=0.1)
    assert flat is not None
    assert flat.level == pytest.approx(7.0)
    assert flat.decay == "none"


def test_readings_too_slow_for_any_swing_are_fitted_without() -> None:
    """One in five seconds: only one is early, and tells no rate."""
    x = 7.0 + np.random.default_rng(2).normal(0, SIGMA, 16)
    slow = fit_settle(5.0 * np.arange(16.0), x, t_step_s=0.0, before=0.0, resolution=0.1)
    assert slow is not None
    assert slow.level == pytest.approx(7.0, abs=0.2)
    assert slow.decay == "none"
    assert fit_settle(np.zeros(16), x, t_step_s=0.0, before=0.0, resolution=0.1) is None, "all at one time"
