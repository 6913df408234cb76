"""Swings in a stretch of movement: turning points, how fast and how large, and the damping of the free decay.

A swing is counted from one turning point to the next, so it does not matter where the load ends up, nor that
it comes or goes meanwhile.
"""

from __future__ import annotations

from itertools import pairwise
from math import log, pi

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Points = list[tuple[float, float]]

HALF_S = (0.12, 1.7)
"""Shortest and longest half period of a swing: 0.3 to 4 Hz."""
LEAST_SHARE = 0.25
"""Swings of a rock are not smaller than this share of its largest: a person's step is one large swing."""
FREE, SHRUNK = 3, 0.7
"""Fewest shrinking swings that tell a damping, and how far they have to shrink: hands keep up a swing."""


def turning_points(t: Array, x: Array, least: float) -> Points:
    """List (time, value) where x turns round for good: it then goes back by at least `least`.

    The first and the last point of x count when they are such an end themselves. Empty for no such way.
    """
    points: Points = []
    times, values = t.tolist(), x.tolist()  # one by one, numbers of Python are quicker
    high = low = 0
    rising: bool | None = None
    for k in range(1, len(values)):
        here = values[k]
        high = k if here > values[high] else high
        low = k if here < values[low] else low
        turned = high if rising is not False and values[high] - here >= least else None
        if turned is None and rising is not True and here - values[low] >= least:
            turned = low
        if turned is not None:
            points.append((times[turned], values[turned]))
            rising = turned == low
            high = low = k
    if points:
        last = high if rising else low
        points.append((times[last], values[last]))
    return points


def decay(points: Points) -> tuple[float | None, float | None]:
    """Frequency (Hz) and damping ratio of the shrinking swings at the end; None where fewer than FREE.

    Logarithmic decrement over half periods: δ/2 = mean ln(swing/next swing), ζ = δ/√(4π² + δ²). Swings are
    differences of neighbouring turning points and shrink as the amplitudes do.
    """
    sizes = [abs(b[1] - a[1]) for a, b in pairwise(points)]
    first = len(sizes) - 1
    while first > 0 and sizes[first - 1] > sizes[first]:
        first -= 1
    count = len(sizes) - first
    if count < FREE or sizes[-1] > SHRUNK * sizes[first]:
        return None, None
    frequency = count / (2.0 * (points[-1][0] - points[first][0]))
    delta = 2.0 * log(sizes[first] / sizes[-1]) / (count - 1)
    return frequency, delta / (4.0 * pi * pi + delta * delta) ** 0.5


def rock_of(
    t: Array, x: Array, least: float, min_swings: int
) -> tuple[float, float, int, float | None, float | None, float] | None:
    """Find a rock: at least `min_swings` swings one after the other, of comparable size, at 0.3–4 Hz.

    A swing moves by at least twice `least`, its amplitude. Returns start, end (s), swings, frequency (Hz; of
    all swings where the free decay is too short to tell), damping ratio (None then), amplitude; None if
    there is no rock.
    """
    points = turning_points(t, x, 2.0 * least)
    best: Points = []
    for run in _runs(points):
        kept = _comparable(run)
        if len(kept) > len(best):
            best = kept
    if len(best) - 1 < min_swings:
        return None
    frequency, damping = decay(points[: points.index(best[-1]) + 1])
    if frequency is None:
        inner = best[1:-1]  # the first and the last way may be parts of a swing
        frequency = (len(inner) - 1) / (2.0 * (inner[-1][0] - inner[0][0]))
    amplitude = max(abs(b[1] - a[1]) for a, b in pairwise(best)) / 2.0
    return best[0][0], best[-1][0], len(best) - 1, frequency, damping, amplitude


def _runs(points: Points) -> list[Points]:
    """Cut where a half period is too short or too long for a swing."""
    shortest, longest = HALF_S
    runs: list[Points] = [points[:1]]
    for before, point in pairwise(points):
        if shortest <= point[0] - before[0] <= longest:
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
