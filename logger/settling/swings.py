"""Swings in a stretch of movement: turning points, how many, how fast and how large.

A swing is counted from one turning point to the next, so it does not matter where the load ends up, nor that
it comes or goes meanwhile.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, takewhile

import numpy as np
from numpy.typing import NDArray

from logger.settling.decay import SPAN_S, free_decay, strongest_hertz

Array = NDArray[np.float64]
Points = list[tuple[float, float]]

HALF_S = (0.12, 1.7)
"""Shortest and longest half period of a swing: 0.3 to 4 Hz."""
LEAST_SHARE = 0.25
"""Swings of a rock are not smaller than this share of its largest: a person's step is one large swing."""
PUSHED, GONE = 0.75, 0.08
"""Hands let go after the last swing of at least this share of the largest, before the first below that."""


def turning_points(t: Sequence[float], x: Sequence[float], least: float) -> Points:
    """List (time, value) where x turns round for good: it then goes back by at least `least`.

    The first and the last point of x count when they are such an end themselves. Empty for no such way.
    """
    points: Points = []
    high = low = 0
    rising: bool | None = None
    for k in range(1, len(x)):
        here = x[k]
        high = k if here > x[high] else high
        low = k if here < x[low] else low
        turned = high if rising is not False and x[high] - here >= least else None
        if turned is None and rising is not True and here - x[low] >= least:
            turned = low
        if turned is not None:
            points.append((t[turned], x[turned]))
            rising = turned == low
            high = low = k
    if points:
        last = high if rising else low
        points.append((t[last], x[last]))
    return points


@dataclass(frozen=True)
class Swings:
    """A rock: its turning points (time in s, value), and those of the movement that it is part of."""

    points: Points
    among: Points

    @property
    def count(self) -> int:
        """Swings from one turning point to the next."""
        return len(self.points) - 1

    @property
    def amplitude(self) -> float:
        """Half the largest swing."""
        return max(abs(b[1] - a[1]) for a, b in pairwise(self.points)) / 2.0


def rock_of(t: Sequence[float], x: Sequence[float], least: float, min_swings: int) -> Swings | None:
    """Find a rock: at least `min_swings` swings one after the other, of comparable size, at 0.3–4 Hz.

    `t`, `x`: times (s) and values of cells. A swing moves by at least twice `least`, its amplitude. None if
    there is no rock.
    """
    gap = (t[-1] - t[0]) / (len(t) - 1) if len(t) > 1 else 0.0
    runs = _runs(turning_points(t, x, 2.0 * least), gap)
    kept, run = max(((_comparable(run), run) for run in runs), key=lambda both: len(both[0]))
    return Swings(kept, run) if len(kept) - 1 >= min_swings else None


def swinging(rock: Swings, t: Array, x: Array, noise: float) -> tuple[float, float | None]:
    """How fast (Hz) and how damped a rocked car swings: of all swings, and None, where no free decay is seen.

    `t`, `x`: cells of what it is told by (see `decay`) up to where they rest; `noise` the standard deviation
    of a value.
    """
    begin, end = max(rock.points[0][0], rock.points[-1][0] - SPAN_S), rock.points[-1][0]
    inside = (t[0] >= begin) & (t[0] <= end)
    hertz = strongest_hertz(t[:, inside], x[:, inside], _counted(rock.points))
    return free_decay(t, x, _let_go(rock), hertz, noise) or (hertz, None)


def _counted(points: Points) -> float:
    """Frequency by turning points; the first and the last way may be parts of a swing."""
    inner = points[1:-1] if len(points) > 3 else points
    return (len(inner) - 1) / (2.0 * (inner[-1][0] - inner[0][0]))


def _let_go(rock: Swings) -> tuple[float, float]:
    """Between which times hands let go: from the rock's last large swing on until one is small, or larger."""
    most = 2.0 * rock.amplitude
    begin = max(a[0] for a, b in pairwise(rock.points) if abs(b[1] - a[1]) >= PUSHED * most)
    after = [(abs(b[1] - a[1]), b[0]) for a, b in pairwise(rock.among) if a[0] >= begin]
    return begin, list(takewhile(lambda swing: GONE * most <= swing[0] <= most, after))[-1][1]


def _runs(points: Points, gap: float) -> list[Points]:
    """Cut where a half period is too short or too long for a swing; turning points are known to a cell."""
    shortest, longest = HALF_S
    runs: list[Points] = [points[:1]]
    for before, point in pairwise(points):
        if shortest - gap / 2.0 <= point[0] - before[0] <= longest:
            runs[-1].append(point)
        else:
            runs.append([point])
    return runs


def _comparable(run: Points) -> Points:
    """The longest part of a run whose swings are all at least LEAST_SHARE of the part's largest."""
    sizes = [abs(b[1] - a[1]) for a, b in pairwise(run)]
    best = (0, 0)
    for lo in range(len(sizes)):
        least, most = sizes[lo], sizes[lo]
        for hi in range(lo, len(sizes)):
            least, most = min(least, sizes[hi]), max(most, sizes[hi])
            if least < LEAST_SHARE * most:
                break
            if hi + 1 - lo > best[1] - best[0]:
                best = (lo, hi + 1)
    return run[best[0] : best[1] + 1]
