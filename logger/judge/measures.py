"""Figures of one pad from what was seen of it: settles fitted, noise, losses, wander."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from logger.drawing.numbers import Floats
from logger.judge.line import Slope, gradient, slope
from logger.judge.seen import Seen, Stood
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
NOISE_S, NOISE_READINGS = 1.0, 8
"""Noise is told within windows of so long, or so many readings: slower movement is wander."""
REGULAR = 0.8
"""Share of pauses of the usual length, in number and in time, from which a stream counts as regular."""


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
        left = x - x.mean() - gradient(t, x) * (t - t.mean())
        squares, freedom = squares + float(left @ left), freedom + len(t) - 2
    return float(np.sqrt(squares / freedom)) if freedom else None


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
