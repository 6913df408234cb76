"""What a knock parts and what it does not: one rest keeps what it read, two levels are two."""

from __future__ import annotations

import random
from math import pi, sin

import pytest
from settling.helpers_settling import Row, rests, run, span

from logger.model import CarRest, Knock, Rest

SIGMA, D, SESSIONS = 0.08, 0.05, 12


def stretch(
    rows: list[Row], last_s: float, load: float, dice: random.Random, rate: float, reach: float = 0.0
) -> None:
    """Add readings of a load with noise, and of hands that reach so far to either side."""
    start = rows[-1][0] + 1.0 / rate if rows else 0.0
    for k in range(round(last_s * rate)):
        x = load + dice.gauss(0.0, SIGMA) + dice.choice((-1.0, 1.0)) * dice.uniform(0.6, 1.0) * reach
        rows.append((round(start + k / rate, 3), "p", round(round(x / D) * D, 2)))


def knocked(seed: int, rate: float, before_s: float, after_s: float, reach: float, step: float) -> list[Row]:
    """10 kg, a knock of 0.7 s, then that and a step."""
    rows: list[Row] = []
    dice = random.Random(seed)
    stretch(rows, before_s, 10.0, dice, rate)
    stretch(rows, 0.7, 10.1, dice, rate, reach)
    stretch(rows, after_s, 10.0 + step, dice, rate)
    stretch(rows, 2.0, 30.0, dice, rate, 9.0)
    return rows


def told(rows: list[Row]) -> list[Rest | CarRest]:
    return [r for r in rests(run(rows)[0], "p") if r.mass_kg < 15.0]


def test_a_step_under_a_knock_is_told_once_it_is_sure() -> None:
    """0.2 kg, 2.5 times the noise: at first it may be the same level, seconds later it is not."""
    found = [told(knocked(seed, 5.0, 8.0, 9.0, 1.0, 0.2)) for seed in range(5 * SESSIONS)]
    two = [rests for rests in found if len(rests) == 2]
    assert len(two) >= (SESSIONS - 1) / SESSIONS * len(found)  # two of three without a second look
    off = [max(abs(r.mass_kg - load) for r, load in zip(rests, (10.0, 10.2), strict=True)) for rests in two]
    assert max(off[: SESSIONS - 2]) < 0.06
    assert max(off) < 0.1
    assert sum(e < 0.06 for e in off) >= 0.95 * len(off)
    for first, second in two:
        assert span(first)[1] < span(second)[0]
        assert not first.open
        assert not second.open


def test_a_rest_parted_by_a_knock_keeps_what_it_read() -> None:
    """Twenty seconds, a knock, and then less than two: the twenty count more."""
    for seed in range(100, 100 + SESSIONS):
        first = told(knocked(seed, 20.0, 20.0, 1.8, 20.0, 0.0))[0]
        assert abs(first.mass_kg - 10.0) < 0.035  # a quarter of them missed it by the last two alone


def struck(rate: float, last_s: float, seed: int, blows: tuple[float, ...]) -> list[Row]:
    """231 kg for 36 s, and blows of 20 kg."""
    dice, rows = random.Random(seed), []
    for k in range(round(36 * rate)):
        t = k / rate
        blow = sum(20 * sin(pi * (t - b) / last_s) for b in blows if b <= t < b + last_s)
        rows.append((t, "p", round(231.0 + blow + dice.gauss(0, 0.05), 1)))
    return rows


BLOWS = (12.4, 20.9, 28.3)


@pytest.mark.parametrize(("rate", "last_s"), [(10.0, 0.8), (20.0, 0.4), (40.0, 0.3)])
def test_a_knock_is_told_with_the_time_it_was(rate: float, last_s: float) -> None:
    """Not with that of the rest found after it, two to six seconds later."""
    for seed in range(4):
        out = run(struck(rate, last_s, seed, BLOWS))[0]
        told = [r.t_mono_ns * 1e-9 - 1.0 for r in out if isinstance(r, Knock)]
        assert told == pytest.approx([b + last_s / 2 for b in BLOWS], abs=0.2), seed


def test_a_blow_within_one_cell_parts_no_rest() -> None:
    """Two readings of 10 Hz in one cell: they had made a shift since two seconds before, or a ramp."""
    for seed in range(SESSIONS):
        found = rests(run(struck(10.0, 0.3, seed, BLOWS))[0], "p")
        assert [round(r.mass_kg, 1) for r in found] == [231.0], seed
        assert span(found[0])[1] > 35.0


def test_no_knock_is_told_twice() -> None:
    """A knock, then a touch and a level too short to be told until it ends: that told the knock anew."""
    for seed in range(40):
        rows: list[Row] = []
        dice = random.Random(seed)
        stretch(rows, 8.0, 10.0, dice, 20.0)
        stretch(rows, 0.5, 10.1, dice, 20.0, 20.0)
        stretch(rows, dice.uniform(2.0, 6.0), 10.0, dice, 20.0)
        stretch(rows, dice.uniform(0.3, 0.8), 10.1, dice, 20.0, dice.uniform(0.2, 1.0))
        stretch(rows, dice.uniform(0.8, 2.0), 10.0, dice, 20.0)
        stretch(rows, 3.0, 30.0, dice, 20.0, 9.0)
        told = [r.t_mono_ns for r in run(rows)[0] if isinstance(r, Knock)]
        assert len(told) == len(set(told)), seed
