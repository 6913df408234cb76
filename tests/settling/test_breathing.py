"""A person who breathes aboard: one rest, known no better than it sways."""

from __future__ import annotations

import random
from math import pi, sin

import pytest
from settling.helpers_settling import Row, rests, run, span

from logger.model import Boarding, CarRest
from logger.settling.cells import Cell, Cells, Trail
from logger.settling.sway import sway_cells


@pytest.mark.parametrize(("sway_d", "sway_Hz"), [(0.8, 0.28), (1.6, 0.28), (2.0, 0.2), (2.5, 0.35)])
def test_breathing_is_one_rest_that_covers_the_level(sway_d: float, sway_Hz: float) -> None:
    """Either end of a breath stands for a second within one d; a chain of short rests helps nobody."""
    for seed in range(8):
        dice = random.Random(seed)
        d, level, at = 0.2, 231.4, 0.0 if seed == 4 else dice.uniform(0, 2 * pi)
        rows: list[Row] = []
        for k in range(680):
            t = k / 20
            x = level + sway_d * d * sin(2 * pi * sway_Hz * t + at) if t > 4 else 161.4
            rows.append((t, "P1", round(round((x + dice.gauss(0, 0.05 * d)) / d) * d, 6)))
        out, _ = run(rows)
        before, told = rests(out, "P1")
        assert before.mass_kg == pytest.approx(161.4, abs=d)
        assert told.mass_kg == pytest.approx(level, abs=2 * told.u_kg), seed
        assert span(told)[1] - span(told)[0] > 20, seed
        assert told.n <= 20 * (span(told)[1] - span(told)[0]) + 2, "no sample counts twice"


def uneven_breath(
    seed: int, sway_d: float, sway_Hz: float, then_d: float = 0.0
) -> tuple[list[Row], float, float]:
    """Somebody gets in at 4 s and breathes, no two breaths alike; at 24 s the load goes up by `then_d`.

    Rows, settled load and d, in kg.
    """
    dice = random.Random(seed)
    d, level, phase = 0.2, 231.4, dice.uniform(0, 2 * pi)
    breath, way_Hz, way_d, rows = -1, 0.0, 0.0, []
    for k in range(800):
        t = k / 20
        if phase // (2 * pi) != breath:
            breath = int(phase // (2 * pi))
            way_Hz, way_d = sway_Hz * dice.uniform(0.8, 1.2), sway_d * dice.uniform(0.8, 1.2)
        phase += 2 * pi * way_Hz / 20
        x = 161.4 if t < 4 else level + way_d * d * sin(phase) + (then_d * d if t > 24 else 0.0)
        rows.append((t, "P1", round(round((x + dice.gauss(0, 0.2 * d)) / d) * d, 6)))
    return rows, level, d


@pytest.mark.parametrize(
    ("sway_d", "sway_Hz"),
    [(0.8, 0.25), (1.2, 0.2), (1.2, 0.25), (1.6, 0.2), (1.6, 0.25), (2.2, 0.25), (2.2, 0.32)],
)
def test_an_uneven_breath_is_one_rest(sway_d: float, sway_Hz: float) -> None:
    """Ends of breaths that are told, left and come back to are one rest, known no better than it sways."""
    ones = held = 0
    for seed in range(16):
        rows, level, _ = uneven_breath(seed, sway_d, sway_Hz)
        _, *told = rests(run(rows)[0], "P1")
        ones += len(told) == 1
        held += bool(told) and abs(told[-1].mass_kg - level) <= 2 * told[-1].u_kg
    assert ones >= 14, ones
    assert held == 16, held


@pytest.mark.parametrize(
    ("d", "sway_kg", "burst"), [(0.02, 0.2, 1), (0.02, 0.4, 1), (0.05, 0.4, 1), (0.2, 0.5, 1), (0.1, 0.25, 6)]
)
def test_whoever_sits_in_the_car_is_told_one_rest_of_it(d: float, sway_kg: float, burst: int) -> None:
    """A breath moves load through all four pads, by far more than fine displays show: the car rests."""
    empty, person = (231.4, 220.7, 180.2, 190.9), (25.0, 22.0, 13.0, 11.0)
    for seed in range(6):
        dice = random.Random(seed)
        phase, way_Hz, rows = dice.uniform(0, 2 * pi), 0.24, []
        for k in range(40 * 16):
            t = k / 16
            if k % 64 == 0:
                way_Hz = 0.24 * dice.uniform(0.85, 1.15)
            phase += 2 * pi * way_Hz / 16
            for n, pad in enumerate(("P1", "P2", "P3", "P4")):
                x = empty[n]
                if t > 8:
                    stirs = 2.0 * sin(7.0 * t) * max(0.0, 1.0 - (t - 8) / 2)
                    x += person[n] * (1.0 + sway_kg / sum(person) * sin(phase)) + stirs
                sent_s = t + n / 100 + (burst - 1 - k % burst) / 16  # some radios send several at once
                rows.append((sent_s, pad, round(round((x + dice.gauss(0, 0.4 * d)) / d) * d, 6)))
        rows.sort(key=lambda row: row[0])
        out, _ = run(rows)
        told = {r.t_from_mono_ns: r for r in out if isinstance(r, CarRest) and r.mass_kg > sum(empty) + 50}
        (car,) = told.values()
        assert car.mass_kg == pytest.approx(sum(empty) + sum(person), abs=2 * car.u_kg), seed
        assert car.u_kg < sway_kg, seed
        assert sum(isinstance(r, Boarding) for r in out) == 1, seed


@pytest.mark.parametrize("then_d", [6.0, 9.0])
def test_a_step_in_a_breath_is_two_levels(then_d: float) -> None:
    """Whoever sits in the car and is handed a helmet breathes before and after."""
    for seed in range(8):
        rows, level, d = uneven_breath(seed, 1.4, 0.24, then_d)
        _, *told = rests(run(rows)[0], "P1")
        before = [r for r in told if span(r)[1] < 25.0]
        after = [r for r in told if span(r)[1] > 35.0]
        assert before, seed
        assert before[-1].mass_kg == pytest.approx(level, abs=1.5 * d), seed
        assert after[-1].mass_kg == pytest.approx(level + then_d * d, abs=1.5 * d), seed


@pytest.mark.parametrize(("held", "first", "count"), [(50, 369.0, 41), (150, 300.0, 10)])
def test_a_sway_is_looked_back_upon_as_far_as_its_cells_are_remembered(
    held: int, first: float, count: int
) -> None:
    """What an ended rest dropped is in the trail; behind a hundred newer cells only what is held is seen."""
    cells, trail = Cells(), Trail()
    for k in range(450):
        cell = Cell(0.1 * k, float(k), 2, round(1e8 * k), round(1e8 * k) + 50_000_000)
        cells.append(cell)
        trail.append(cell)
        if k == 449 - held:
            cells.drop(cells.n)
    t, x, w = sway_cells(cells, trail, 10, 4.05)
    assert (x[0], x[-1], len(t), len(w)) == (first, 459.0 - held, count, count)
