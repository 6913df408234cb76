"""Figures of one pad from what was seen of it: settles fitted, noise, wander, creep, drift, zero return."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from logger.drawing.numbers import Floats
from logger.judge.seen import Seen, Stood, Zero
from logger.quantity import Quantity
from logger.settling.allan import AllanCurve, allan_curve
from logger.settling.curve import SettleCurve, fit_settle

FIT_S = 60.0
"""A settle is fitted over so long from its step: five of the longest tails, and quick to search."""
FIT_POINTS = 1200
"""Readings that a fit uses; more are averaged in equal groups (20 a second still show a 3 Hz swing)."""
MOST_FITS = 40
"""Settles fitted of one pad: a fit takes a fifth of a second, and forty show what there is to show."""
BEFORE_S = 3.0
"""A settle is shown from so long before its step."""
HELD_S, KEPT = 1.5, 0.85
"""A swing that keeps this share of its size over so long is rocked: a car's dies away in a second or two."""
SWINGS_HZ = (0.3, 4.0)
"""Cars swing at 1–2 Hz, people and wind at 0.3 Hz and above, platforms faster than readings can follow."""
LEAST_TAIL_S = 0.3
"""Tyres, dampers and glue take longer; an indicator's own filter and the load's arrival do not."""
PUSHED = 4.0
"""And only one larger than this many bands."""
CREEP_FROM_S = 30.0
"""Creep is told from rests of at least this length, extrapolated below 30 minutes."""
HALF_HOUR_S = 1800.0
DRIFT_FROM_S = 300.0
"""Drift in an hour is told from zeros at least this far apart: twelve times less than what is told."""
SAME_LEVEL = 0.02
"""Rests within this share of the recording's span of loads count as the same load put back."""
NOISE_S, NOISE_READINGS = 1.0, 8
"""Noise is told within windows of so long, or so many readings: slower movement is wander."""
REGULAR = 0.8
"""Share of pauses of the usual length, in number and in time, from which a stream counts as regular."""
BLOCKS = 24
"""Blocks that a long rest is averaged in to tell its slope: their scatter includes slow wander."""
LEAST_WARMING_C = 2.0
"""Zero per degree is told when the pad's temperature changed by this much or more."""


@dataclass(frozen=True, kw_only=True)
class Settle:
    """One settle: readings from before the step to the end of the rest, and the fit (None: not fitted).

    `settle_s` is the time from the step after which the load stays within the band of its level (what one
    reading cannot tell from standing still); None: it does not within the rest.
    """

    t_s: Floats
    x_kg: Floats
    stood: Stood
    t_step_s: float
    curve: SettleCurve | None
    settle_s: float | None


@dataclass(frozen=True, kw_only=True)
class Slope:
    """How a level moved: block means over time, the line's slope and its standard uncertainty."""

    t_s: Floats
    x_kg: Floats
    per_s: float
    u_per_s: float


@dataclass(frozen=True, kw_only=True)
class Creep:
    """Change under load within 30 minutes and at the end of them; None where the rests do not tell."""

    in_30min_kg: float | None = None
    from_15_to_30min_kg: float | None = None
    from_20_to_30min_kg: float | None = None
    extrapolated: bool = False


def settles(seen: Seen) -> Iterable[Settle]:
    """Take every settle, from each rest to the end of the next; at most MOST_FITS are fitted, evenly."""
    near, every = band(seen), -(-(len(seen.stood) - 1) // MOST_FITS) or 1
    for number, (before, after) in enumerate(pairwise(seen.stood)):
        t, x = seen.between(before.to_s, after.to_s)
        if len(t) < 3:
            continue
        step = arrival(t, x, before.level_kg, after.level_kg, after.from_s, near)
        window = (t >= step - BEFORE_S) & (t <= step + FIT_S)
        t, x = t[window], x[window]
        curve = _fit(seen, t, x, step, before.level_kg) if number % every == 0 else None
        settle_s = settle_time(curve, near, float(t[-1]) - step) if curve is not None else None
        yield Settle(t_s=t, x_kg=x, stood=after, t_step_s=step, curve=curve, settle_s=settle_s)


def swing_Hz(curve: SettleCurve) -> float | None:
    """Frequency of a fitted swing if it is one that cars and pads make; a fit to wander is none."""
    slow, fast = SWINGS_HZ
    f = curve.frequency_Hz
    return f if f is not None and slow <= f <= fast else None


def tail_s(curve: SettleCurve) -> float | None:
    """Time constant of a fitted tail if it dies within what was fitted; a longer one is drift, a shorter one
    than LEAST_TAIL_S the arrival of the load, and one that is not sure to a third is no figure."""
    tail, u = curve.tail_s, curve.u_tail_s
    if tail is None or u is None or not LEAST_TAIL_S <= tail <= FIT_S:
        return None
    return tail if u <= tail / 3 else None


def band(seen: Seen) -> float:
    """What one reading cannot tell from standing still: d, or three standard deviations of noise (kg)."""
    return max(seen.resolution_kg, 3 * (noise(seen) or 0.0))


def settle_time(curve: SettleCurve, near_kg: float, until_s: float) -> float | None:
    """Time from the step after which the fit stays within `near_kg` of where it creeps; None: not yet.

    Told by the curve and not by single readings, of which one in 370 is off by three standard deviations. A
    curve that leaves much more than the noise is not believed: then the readings decide.
    """
    if curve.residual > max(near_kg, 1e-12):
        return curve.settle_s
    t = np.linspace(curve.fit_from_s, max(until_s, curve.fit_from_s), 2000)
    off = curve.model(t + curve.t_step_s) - curve.level - curve.creep_per_s * (t - curve.fit_from_s)
    outside = np.flatnonzero(np.abs(off) > near_kg)
    if not len(outside):
        return curve.fit_from_s
    return float(t[outside[-1] + 1]) if outside[-1] + 1 < len(t) else None


def _fit(seen: Seen, t: Floats, x: Floats, step_s: float, before_kg: float) -> SettleCurve | None:
    t, x = _thinned(t, x)
    return fit_settle(t, x, t_step_s=step_s, before=before_kg, resolution=seen.resolution_kg)


def arrival(t_s: Floats, x: Floats, before: float, after: float, rest_from_s: float, near: float) -> float:
    """When the free settle began (s): the load had come, and nobody rocked the car any more.

    The later of two times before the rest: the last at which the load was nearer to where it had been, and
    the last at which swings to both sides had kept their size for HELD_S. What is below some `near` (kg)
    counts for nothing.
    """
    moving = t_s <= rest_from_s
    t, away = t_s[moving], x[moving] - after
    if not len(t):
        return float(t_s[0])
    start = float(t[0])
    if abs(before - after) > 2 * near:
        came = np.flatnonzero(away * np.sign(before - after) >= 0.5 * abs(before - after))
        start = float(t[came[-1]]) if len(came) else start
    else:
        start = float(t[np.argmax(np.abs(away))])
    swing = np.minimum(_yet_to_come(away), _yet_to_come(-away))
    earlier = swing[np.searchsorted(t, t - HELD_S)]
    rocked = np.flatnonzero((swing >= KEPT * earlier) & (swing > PUSHED * near) & (t - t[0] >= HELD_S))
    return max(start, float(t[rocked[-1]])) if len(rocked) else start


def _yet_to_come(away: Floats) -> Floats:
    """The largest positive excursion from each moment on."""
    largest: Floats = np.maximum.accumulate(np.maximum(away, 0.0)[::-1])[::-1]
    return largest


def _thinned(t: Floats, x: Floats) -> tuple[Floats, Floats]:
    group = -(-len(t) // FIT_POINTS)
    if group <= 1:
        return t, x
    n = len(t) // group * group
    return t[:n].reshape(-1, group).mean(axis=1), x[:n].reshape(-1, group).mean(axis=1)


def noise(seen: Seen) -> float | None:
    """Standard deviation of single readings within short windows of rests, pooled; None without a window.

    Not from successive differences: streams that repeat or average their readings would look too quiet.
    """
    least = max(NOISE_READINGS, round(NOISE_S * seen.rate_Hz))
    squares, freedom = 0.0, 0
    for stood in seen.stood:
        x = seen.settled(stood)[1]
        if len(x) < least:  # a short rest: what came before its declaration has to do
            x = seen.between(stood.from_s, stood.to_s)[1]
        windows = x[: len(x) // least * least].reshape(-1, least)
        if len(windows):
            squares += float(((windows - windows.mean(axis=1, keepdims=True)) ** 2).sum())
            freedom += len(windows) * (least - 1)
    return float(np.sqrt(squares / freedom)) if freedom else None


def lost(seen: Seen) -> int:
    """Readings that are missing: as told by gaps, or by the pauses of a stream that is else regular.

    A stream that comes in bursts tells nothing by its pauses.
    """
    told = sum(hole.count or 0 for hole in seen.holes)
    pause = np.diff(seen.t_s)
    usual = 1.0 / seen.rate_Hz if seen.rate_Hz > 0 else 0.0
    if usual <= 0:
        return told
    regular = np.abs(pause - usual) < 0.25 * usual
    silent_s = sum(hole.to_s - hole.from_s for hole in seen.holes)
    whole_s = max(seen.duration_s - silent_s, usual)
    if float(regular.mean()) < REGULAR or float(pause[regular].sum()) < REGULAR * whole_s:
        return told
    missing = int(np.sum(np.maximum(np.rint(pause / usual) - 1, 0)))
    return max(told, missing - sum(seen.left_out.values()))


def wander(seen: Seen) -> float | None:
    """Standard deviation of readings about each rest's own straight line, pooled; None without a rest."""
    squares, freedom = 0.0, 0
    for stood in seen.stood:
        t, x = seen.settled(stood)
        if len(t) < 5:
            continue
        left = x - x.mean() - _gradient(t, x) * (t - t.mean())
        squares, freedom = squares + float(left @ left), freedom + len(t) - 2
    return float(np.sqrt(squares / freedom)) if freedom else None


def _gradient(t: Floats, x: Floats) -> float:
    centred = t - t.mean()
    square = float(centred @ centred)
    return float(centred @ x) / square if square > 0 else 0.0


def slope(t: Floats, x: Floats) -> Slope | None:
    """Line through block means; None for fewer than three readings a block."""
    if len(t) < 3 * BLOCKS:
        return None
    n = len(t) // BLOCKS * BLOCKS
    bt, bx = t[:n].reshape(BLOCKS, -1).mean(axis=1), x[:n].reshape(BLOCKS, -1).mean(axis=1)
    centred, per_s = bt - bt.mean(), _gradient(bt, bx)
    left = bx - bx.mean() - per_s * centred
    square = float(centred @ centred)
    if square <= 0:
        return None
    return Slope(t_s=bt, x_kg=bx, per_s=per_s, u_per_s=float(np.sqrt((left @ left) / (BLOCKS - 2) / square)))


def longest_slope(seen: Seen) -> Slope | None:
    """How the longest rest moved."""
    stood = seen.longest()
    return slope(*seen.settled(stood)) if stood is not None else None


def allan_of(seen: Seen) -> AllanCurve | None:
    """Allan deviation over the longest rest, whose readings count as equally spaced."""
    stood = seen.longest()
    if stood is None or seen.rate_Hz <= 0:
        return None
    return allan_curve(seen.settled(stood)[1], 1.0 / seen.rate_Hz)


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
    if len(t) and t[-1] - t[0] >= HALF_HOUR_S:
        start, at_15, at_20, end = (_mean_at(t, x, t[0] + 60.0 * after) for after in (0, 15, 20, 30))
        return Creep(
            in_30min_kg=end - start, from_15_to_30min_kg=end - at_15, from_20_to_30min_kg=end - at_20
        )
    if len(t) == 0 or t[-1] - t[0] < CREEP_FROM_S:
        return Creep()
    age_s = t - stood.from_s
    late_enough = age_s >= 1.0  # the logarithm makes too much of the first moment
    begun = float(age_s[late_enough][0])
    line = slope(np.log(age_s[late_enough]), x[late_enough])
    if line is None or abs(line.per_s) < 3 * line.u_per_s:
        return Creep()
    whole, from_15, from_20 = (
        line.per_s * float(np.log((begun + HALF_HOUR_S) / (begun + 60.0 * after))) for after in (0, 15, 20)
    )
    return Creep(
        in_30min_kg=whole, from_15_to_30min_kg=from_15, from_20_to_30min_kg=from_20, extrapolated=True
    )


def _mean_at(t: Floats, x: Floats, at_s: float) -> float:
    """Mean of the readings within five seconds of a time."""
    near = np.abs(t - at_s) <= 5.0
    return float(x[near].mean()) if near.any() else float(np.interp(at_s, t, x))


def zero_return(seen: Seen) -> Quantity | None:
    """Last zero less the first (kg), a load in between; without zero checks, of rests at the first level."""
    if len(seen.zeros) > 1:
        first, last = seen.zeros[0], seen.zeros[-1]
        return Quantity(last.zero_kg - first.zero_kg, float(np.hypot(first.u_kg, last.u_kg)), "kg")
    if len(seen.stood) < 3:
        return None
    before, after = seen.stood[0], seen.stood[-1]
    change = Quantity(after.level_kg - before.level_kg, float(np.hypot(before.u_kg, after.u_kg)), "kg")
    return change if abs(change.value) <= SAME_LEVEL * span_of_loads(seen.stood) else None


def span_of_loads(stood: Sequence[Stood]) -> float:
    """Largest difference between the levels of rests (kg), 0 without any."""
    levels = [s.level_kg for s in stood]
    return max(levels) - min(levels) if levels else 0.0


def drift_per_h(seen: Seen) -> float | None:
    """Slope of the empty level per hour, from three or more zero checks or returns to the first level.

    None where these lie less than DRIFT_FROM_S apart.
    """
    points = [(z.t_s, z.zero_kg) for z in seen.zeros]
    if not points and seen.stood:
        near = SAME_LEVEL * span_of_loads(seen.stood)
        same = [s for s in seen.stood if abs(s.level_kg - seen.stood[0].level_kg) <= near]
        points = [((s.from_s + s.to_s) / 2, s.level_kg) for s in same]
    if len(points) < 3 or points[-1][0] - points[0][0] < DRIFT_FROM_S:
        return None
    t, x = np.array(points).T
    return _gradient(t, x) * 3600


def zero_per_C(zeros: Sequence[Zero]) -> float | None:
    """Change of zero per degree, from three or more zero checks over enough warming or cooling."""
    points = [(z.temperature_C, z.zero_kg) for z in zeros if z.temperature_C is not None]
    if len(points) < 3:
        return None
    warm, x = np.array(points, np.float64).T
    return _gradient(warm, x) if float(np.ptp(warm)) >= LEAST_WARMING_C else None
