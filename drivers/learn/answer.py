"""How a series of numbers answers to the known loads: slope, empty reading, and how many frames agree.

Several pads are several series; what they carry together is what was known. Each series is measured from
what it showed at the smallest known load.
"""

from __future__ import annotations

import itertools
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import gcd
from statistics import median

from drivers.learn.recording import Known

Series = tuple[list[float], list[float]]
"""Times (s, rising) and values."""

TRIM = 0.08
"""Share of a known interval left out at each end: people are not exact about when a load stood."""
LINEAR = 0.015
"""Departure from one slope allowed between known loads, of the largest answer."""
DRIFT = 1.5
"""Steps by which a pad's zero may wander meanwhile: with coarse steps that is more."""
WANDERED, WANDERED_STEPS = 0.05, 4
"""A pad that rises by less than this share of the one that rises most, and by few steps, carries nothing."""
CARRIED = 0.1
"""Share of the load that a pad which carried some of it rose by at least."""
CARRIES = 0.2
"""Share of the known load that a pad which carried some of it rose by at least; others may be none."""
LEAST = 3
"""Readings of a pad needed at each known load."""
MANY = 12
"""Distinct values below which their distances say nothing of the step."""
HEAVIER, HEAVY_STEP = 15, 0.5
"""How many times the known load another one may be, and how far such readings may leap where it stands."""
STILL = 0.02
"""Departure from an interval's median within which a frame agrees: a person sways by less."""


@dataclass(frozen=True, kw_only=True)
class Answer:
    """`slope` in units of the stream per kg; `empty` the reading of no load that is farthest from zero.

    `levels` are the medians by series and known load, `reach` the answer to the largest known load.
    """

    slope: float
    empty: float
    reach: float
    step: float
    agreeing: int
    inside: int
    within: float
    levels: dict[str, list[float]]

    def carrying(self) -> list[str]:
        """Names of the pads that carried a load."""
        return [name for name, m in self.levels.items() if max(m) - min(m) > CARRIES * self.reach]

    @property
    def share(self) -> float:
        """Share of frames within known intervals that agree."""
        return self.agreeing / max(self.inside, 1)


def window(series: Series, known: Known) -> list[float]:
    """The values while a known load stood, without the interval's edges."""
    times, values = series
    trim = TRIM * (known.to_s - known.from_s)
    return values[bisect_left(times, known.from_s + trim) : bisect_right(times, known.to_s - trim)]


def answer(
    groups: Mapping[str, Series], knowns: Sequence[Known], last_place: float | None = None
) -> Answer | None:
    """Fit the series to the known loads; None when they do not answer along one rising line.

    `last_place` is one unit in the last place sent, None for floats: the step where few values were seen.
    """
    levels = _levels(groups, knowns)
    if levels is None:
        return None
    order = sorted(range(len(knowns)), key=lambda k: knowns[k].mass_kg)
    low = order[0]
    step = min((step_of(values, last_place) for _, values in groups.values()), default=0.0)
    rises = [
        (knowns[k].mass_kg - knowns[low].mass_kg, risen([m[k] - m[low] for m in levels.values()], step))
        for k in order
    ]
    weight = sum(dy * dy for dy, _ in rises)
    slope = sum(dy * rise for dy, rise in rises) / weight if weight else 0.0
    reach = abs(slope) * rises[-1][0]
    off = max(LINEAR * reach, DRIFT * step * len(levels) ** 0.5)
    if slope <= 0 or any(abs(rise - slope * dy) > off for dy, rise in rises):
        return None
    if reach < 3 * step or not _apart(levels, reach):
        return None
    agreeing, inside = _agreeing(groups, knowns, levels, max(STILL * reach, 2.5 * step))
    return Answer(
        slope=slope,
        empty=_empty(levels, low, reach, slope * knowns[low].mass_kg),
        reach=reach,
        step=step,
        agreeing=agreeing,
        inside=inside,
        within=_within(groups, levels, reach),
        levels=levels,
    )


def risen(rises: Sequence[float], step: float) -> float:
    """What several pads show more, less what those that carry nothing wandered by meanwhile."""
    most = WANDERED * max(map(abs, rises), default=0.0)
    return sum(rise for rise in rises if abs(rise) > min(most, WANDERED_STEPS * step))


def _empty(levels: dict[str, list[float]], low: int, reach: float, loaded: float) -> float:
    """What is shown with nothing on: of the pads that carried a load what is farthest from zero."""
    if loaded:
        return sum(row[low] for row in levels.values()) - loaded
    carried = [row[low] for row in levels.values() if max(row) - min(row) > CARRIED * reach]
    return max(carried or [row[low] for row in levels.values()], key=abs)


def _levels(groups: Mapping[str, Series], knowns: Sequence[Known]) -> dict[str, list[float]] | None:
    levels: dict[str, list[float]] = {}
    for name, series in groups.items():
        windows = [window(series, known) for known in knowns]
        if any(len(values) < LEAST for values in windows):
            return None
        levels[name] = [median(values) for values in windows]
    return levels or None


def _apart(levels: dict[str, list[float]], reach: float) -> bool:
    """A pad carries all of a load or nothing of it, or some share: but no pad may answer downwards."""
    return all(m - min(row) < 1.3 * reach for row in levels.values() for m in row)


def _agreeing(
    groups: Mapping[str, Series], knowns: Sequence[Known], levels: dict[str, list[float]], tolerance: float
) -> tuple[int, int]:
    good = total = 0
    for name, series in groups.items():
        for number, known in enumerate(knowns):
            values = window(series, known)
            level = levels[name][number]
            total += len(values)
            good += sum(abs(value - level) <= tolerance for value in values)
    return good, total


def _within(groups: Mapping[str, Series], levels: dict[str, list[float]], reach: float) -> float:
    """Share of all values that lie where a load between and a little beyond the known ones puts them.

    A much heavier load is one too where it stands: numbers read wrongly leap, and none of them stays near.
    """
    good = total = 0
    for name, (_, values) in groups.items():
        low, high = min(levels[name]) - 0.4 * reach, max(levels[name]) + 1.2 * reach
        most = min(levels[name]) + HEAVIER * reach
        total += len(values)
        good += sum(low <= value <= high for value in values)
        near = HEAVY_STEP * reach
        good += sum(
            high < b <= most and (abs(b - a) < near or a <= b <= c or a >= b >= c)
            for a, b, c in zip(values, values[1:], [*values[2:], 0.0], strict=False)
        )
    return good / max(total, 1)


def step_of(values: Sequence[float], last_place: float | None = None) -> float:
    """The resolution, where enough distinct values were seen: what all their distances are multiples of.

    Floats have no last place: theirs is the smallest distance.
    """
    distinct = sorted(set(values))
    if len(distinct) < MANY:
        return last_place or 0.0
    if last_place is None:
        return min(b - a for a, b in itertools.pairwise(distinct))
    places = [round(value / last_place) for value in distinct]
    return last_place * gcd(*(place - places[0] for place in places))


def travel(values: Sequence[float]) -> float:
    """How far a series travels in all: the smoother of two hypotheses travels less."""
    return sum(abs(b - a) for a, b in itertools.pairwise(values))
