"""How a pad creeps under a load that stands: measured over 30 minutes, or extrapolated and said to be so.

A car on its tyres settles for some seconds whatever the pads do: an exponential of 1 to 15 s, taken for
creep, would be ten times larger in half an hour. So both are fitted together, and creep is what is left.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logger.drawing.numbers import Floats
from logger.judge.seen import Seen, span_of_loads
from logger.settling.projection import hang_together

CREEP_FROM_S = 30.0
"""Creep is told from rests of at least this length, extrapolated below 30 minutes."""
HALF_HOUR_S = 1800.0
BEGINS_S = 60.0
"""So much of a long rest tells what tyres and dampers had to go when it began; over more, creep bends."""
BEND = 0.25
"""A tail smaller than this share of what creeps meanwhile is how that bends, and none."""
TAILS_S = np.geomspace(1.0, 15.0, 60)
"""Time constants of tyres and dampers that are tried, so near that nothing between two is taken for creep
(with eight of them it was, in a fifth of rests without any); longer ones are creep, whosever it is."""
BLOCKS, LEAST_READINGS = 60, 3
"""Readings are averaged in so many blocks, even in the logarithm of time, of so many readings at least."""
AS_GOOD = 4.0
"""A tail that leaves at most this share of a degree of freedom above the least may be the one (χ², 2σ)."""


@dataclass(frozen=True, kw_only=True)
class Creep:
    """Change under load within 30 minutes and at the end of them; None where the rests do not tell."""

    in_30min_kg: float | None = None
    from_15_to_30min_kg: float | None = None
    from_20_to_30min_kg: float | None = None
    extrapolated: bool = False


@dataclass(frozen=True)
class _Course:
    """How a load went after it came: kg in a unit of what it creeps along (the logarithm of time, or time
    itself) with its standard uncertainty, what it crept over all (kg), and what a tail still had to go in the
    first seconds (kg). `left` is the sum of squares that this leaves.
    """

    creep: float
    u_creep: float
    crept_kg: float
    tail_kg: float
    left: float


def creep(seen: Seen) -> Creep:
    """Creep of the longest rest under load: measured where it lasts 30 minutes, else extrapolated.

    Extrapolated along the logarithm of the time since the load came, as creep of glue, rubber and metal goes
    (from memory, common practice), and only where it stands out of its uncertainty.
    """
    span = span_of_loads(seen.stood)
    loaded = [s for s in seen.stood if abs(s.level_kg - seen.stood[0].level_kg) > 0.5 * span > 0]
    stood = max(loaded, key=lambda s: s.to_s - s.declared_s, default=None)
    if stood is None:
        return Creep()
    t, x = seen.settled(stood)
    later = t - stood.from_s >= 1.0  # the logarithm makes too much of the first moment
    t, x = t[later], x[later]
    if len(t) == 0 or t[-1] - t[0] < CREEP_FROM_S:
        return Creep()
    age_s = t - stood.from_s
    if t[-1] - t[0] >= HALF_HOUR_S:
        return _measured(t, x, age_s)
    course = _course(age_s, x, np.log)
    if course is None or abs(course.creep) < 3 * course.u_creep:
        return Creep()
    begun = float(age_s[0])
    in_30, from_15, from_20 = (
        course.creep * float(np.log((begun + HALF_HOUR_S) / (begun + 60.0 * after))) for after in (0, 15, 20)
    )
    return Creep(
        in_30min_kg=in_30, from_15_to_30min_kg=from_15, from_20_to_30min_kg=from_20, extrapolated=True
    )


def _measured(t: Floats, x: Floats, age_s: Floats) -> Creep:
    """From the rest's first seconds, less what tyres and dampers still had to go then, to half an hour on."""
    start, at_15, at_20, end = (_mean_at(t, x, t[0] + 60.0 * after) for after in (0, 15, 20, 30))
    early = t <= t[0] + BEGINS_S
    begins = [_course(age_s[early], x[early], along) for along in (np.log, np.positive)]
    told = min([begin for begin in begins if begin is not None], key=lambda b: b.left, default=None)
    if told is not None and abs(told.tail_kg) > BEND * abs(told.crept_kg):
        start -= told.tail_kg
    return Creep(in_30min_kg=end - start, from_15_to_30min_kg=end - at_15, from_20_to_30min_kg=end - at_20)


def _mean_at(t: Floats, x: Floats, at_s: float) -> float:
    """Mean of the readings within five seconds of a time."""
    near = np.abs(t - at_s) <= 5.0
    return float(x[near].mean()) if near.any() else float(np.interp(at_s, t, x))


def _course(age_s: Floats, x: Floats, along: np.ufunc) -> _Course | None:
    """Level, creep and one tail, by least squares over blocks; None for too few readings."""
    blocks = _blocks(age_s, x)
    if blocks is None:
        return None
    age, mean, root = blocks
    free, courses = len(age) - 4, []
    window = age_s[age_s <= age_s[0] + 5.0]
    for tail_s in TAILS_S:
        tail = np.exp((age[0] - age) / tail_s)
        columns = np.array([np.ones(len(age)), along(age), tail]).T * root[:, None]
        found, *_ = np.linalg.lstsq(columns, mean * root, rcond=None)
        rest = mean * root - columns @ found
        left, spread = float(rest @ rest), float(np.linalg.pinv(columns.T @ columns)[1, 1])
        crept = float(found[1] * (along(age[-1]) - along(age[0])))
        to_go = float(found[2] * np.exp((age[0] - window) / tail_s).mean())
        u = (hang_together(rest) * left / free * spread) ** 0.5
        courses.append(_Course(float(found[1]), u, crept, to_go, left))
    best = min(courses, key=lambda course: course.left)
    likely = [c for c in courses if c.left <= best.left * (1.0 + AS_GOOD / free)]
    return replace(best, u_creep=max(abs(c.creep - best.creep) + c.u_creep for c in likely))


def _blocks(age_s: Floats, x: Floats) -> tuple[Floats, Floats, Floats] | None:
    """Mean ages and values of blocks, and the root of how many readings are in each."""
    if len(age_s) < 2 * BLOCKS:
        return None
    edges = np.geomspace(float(age_s[0]), float(age_s[-1]), BLOCKS + 1)
    places = np.unique(np.searchsorted(age_s, edges[:-1]))
    places = places[np.diff(places, append=len(age_s)) >= LEAST_READINGS]
    if len(places) < 8:
        return None
    count = np.diff(places, append=len(age_s)).astype(np.float64)
    ages: Floats = np.add.reduceat(age_s, places) / count
    means: Floats = np.add.reduceat(x, places) / count
    return ages, means, np.sqrt(count)
