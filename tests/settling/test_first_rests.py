"""The first movement in a stream of few cells, of a slow display or of bursts: its noise is not known yet."""

from __future__ import annotations

import random
from math import exp, pi, sin

import pytest
from settling.helpers_settling import Row, rests, run, span


def stands(empty_s: float) -> list[tuple[float, float, float]]:
    """From when until when (s) which load (kg) stands, after the empty pad."""
    return [(empty_s, 30.0, 231.4), (30.0, 50.0, 225.3), (50.0, 60.0, 0.0)]


def arrivals(seed: int, rate: float, noise_d: float, d: float, empty_s: float, burst: int) -> list[Row]:
    """A wheel drives on after `empty_s`, swings, something is taken out, it drives off; `burst` samples come
    at a time, with one time stamp."""
    dice, rows, waiting = random.Random(seed), [], []
    for k in range(round(60 * rate)):
        t = k / rate
        load, before, since = 0.0, 0.0, t
        for start, _, level in stands(empty_s):
            if t >= start:
                load, before, since = level, load, t - start
        x = load
        if t >= empty_s:
            x -= (load - before) * exp(-since / 0.25)
            x += 0.06 * abs(load - before) * exp(-since / 0.7) * sin(2 * pi * 1.6 * since) if load else 0.0
        waiting.append(round(round((x + dice.gauss(0, noise_d * d)) / d) * d, 6))
        if len(waiting) == burst:
            rows += [(t, "a", value) for value in waiting]
            waiting = []
    return rows


@pytest.mark.parametrize("empty_s", [0.9, 1.5, 2.5, 4.0, 6.0])
@pytest.mark.parametrize(
    ("rate", "burst"), [(2.0, 1), (3.0, 1), (5.0, 1), (5.0, 8), (10.0, 8), (20.0, 8)], ids=str
)
@pytest.mark.parametrize(("noise_d", "d"), [(0.5, 0.1), (0.1, 0.5), (2.0, 0.05)])
def test_a_movement_is_not_taken_for_noise(
    empty_s: float, rate: float, burst: int, noise_d: float, d: float
) -> None:
    """Before, one rest of 328 kg held all: the car driving on was its noise."""
    for seed in range(3):
        told = rests(run(arrivals(seed, rate, noise_d, d, empty_s, burst))[0], "a")
        for start, end, level in stands(empty_s):
            mine = [r for r in told if start < span(r)[0] < end - 1.0]
            if end - start > 15:
                assert len(mine) == 1, (seed, level, [span(r) for r in told])
            for rest in mine:
                error = 1.5 * max(d, noise_d * d)
                assert rest.declared_mass_kg == pytest.approx(level, abs=error), seed
                assert rest.mass_kg == pytest.approx(level, abs=error), seed


@pytest.mark.parametrize("empty_s", [1.5, 3.0, 5.0])
@pytest.mark.parametrize("rate", [2.0, 3.0, 5.0])
@pytest.mark.parametrize(("noise_d", "d"), [(0.5, 0.1), (0.1, 0.5), (2.0, 0.02)])
def test_a_car_that_is_rocked_at_once_rests_as_what_it_weighs(
    empty_s: float, rate: float, noise_d: float, d: float
) -> None:
    """It drives on, is rocked for four seconds, and stands for twenty."""
    loads, swings = (231.4, 220.7, 180.2, 190.9), (6.0, 5.0, -4.0, 4.0)
    for seed in range(3):
        dice, rows = random.Random(seed), []
        for k in range(round((empty_s + 28) * rate)):
            for n, pad in enumerate(("P1", "P2", "P3", "P4")):
                t = (k + 0.2 * n + dice.uniform(0, 0.2)) / rate
                since, x = t - empty_s, 0.0
                if since >= 0:
                    x = loads[n] * (1 - exp(-since / 0.3) + 0.05 * exp(-since / 0.6) * sin(9 * since))
                    if 4 <= since < 8:
                        x += swings[n] * sin(2 * pi * 1.3 * since) * min(1.0, 8 - since)
                rows.append((t, pad, round(round((x + dice.gauss(0, noise_d * d)) / d) * d, 6)))
        told = [r for r in rests(run(rows)[0], "*") if span(r)[1] > empty_s + 20]
        assert len(told) == 1, (seed, [span(r) for r in told])
        error = 2.5 * max(d, 2.0 * noise_d * d)
        assert told[0].mass_kg == pytest.approx(sum(loads), abs=error), seed
        assert told[0].u_kg < error, seed


def test_a_last_value_that_is_off_does_not_move_the_level() -> None:
    """The stream ends with a value that nobody can hold against a neighbour any more."""
    rows = [row for row in arrivals(1, 20.0, 0.5, 0.1, 6.0, 1) if row[0] < 29.0]
    rows.append((29.0, "a", -140.3))
    *_, last = rests(run(rows)[0], "a")
    assert last.mass_kg == pytest.approx(231.4, abs=2 * last.u_kg)
    assert last.u_kg < 0.1
