"""Swings in a stretch of movement: turning points, their frequency and the damping of the free decay."""

from __future__ import annotations

from math import log, pi

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def turning_points(t: Array, x: Array, least: float) -> list[tuple[float, float]]:
    """List (time, value) of the extremes of x between crossings of zero, larger than `least`; x is off the
    level."""
    if len(t) < 3:
        return []
    edges = np.flatnonzero(np.diff(np.sign(x)) != 0) + 1
    points: list[tuple[float, float]] = []
    for lo, hi in zip([0, *edges], [*edges, len(x)], strict=True):
        if hi <= lo:
            continue
        k = lo + int(np.argmax(np.abs(x[lo:hi])))
        if abs(x[k]) >= least:
            points.append((float(t[k]), float(x[k])))
    return points


def decay(points: list[tuple[float, float]]) -> tuple[float | None, float | None]:
    """Frequency (Hz) and damping ratio from the alternating, shrinking run of extremes at the end.

    Logarithmic decrement over half periods: δ/2 = mean ln|x_i/x_{i+1}|, ζ = δ/√(4π² + δ²).
    """
    run = points[-1:]
    for point in reversed(points[:-1]):
        if point[1] * run[0][1] >= 0 or abs(point[1]) < abs(run[0][1]):
            break
        run.insert(0, point)
    if len(run) < 3:
        return None, None
    halves = len(run) - 1
    frequency = halves / (2.0 * (run[-1][0] - run[0][0]))
    delta = 2.0 * log(abs(run[0][1] / run[-1][1])) / halves
    return frequency, delta / (4.0 * pi * pi + delta * delta) ** 0.5


def rock_of(
    t: Array, x: Array, least: float, min_swings: int
) -> tuple[float, float, int, float | None, float | None, float] | None:
    """Find a rock: at least `min_swings` extremes past the level, on alternating sides, 0.3–4 Hz.

    Returns start, end (s), swings, frequency (Hz), damping ratio, amplitude; None if there is none.
    """
    points = turning_points(t, x, least)
    best: list[tuple[float, float]] = []
    run: list[tuple[float, float]] = []
    for point in points:
        fits = run and point[1] * run[-1][1] < 0 and 0.12 <= point[0] - run[-1][0] <= 1.7
        run = [*run, point] if fits else [point]
        if len(run) > len(best):
            best = run
    if len(best) < min_swings:
        return None
    frequency, damping = decay(best)
    amplitude = max(abs(p[1]) for p in best)
    return best[0][0], best[-1][0], len(best), frequency, damping, amplitude
