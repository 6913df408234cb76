# cython: annotation_typing=False, auto_pickle=False
"""Does a load sway to and fro, as with somebody who breathes aboard or in the wind?"""

from __future__ import annotations

import numpy as np

from logger.settling.cells import Array, Cells, Trail
from logger.settling.level import Level
from logger.settling.noise import NoiseLearner
from logger.settling.settings import Settling
from logger.settling.tail import Estimate, turns


def sways(cells: Cells, sway: float, settings: Settling) -> bool:
    """Do the newest cells go to and fro by no more than `sway` either way, by the time of a quick or of a
    slow breath?"""
    for look_s in (settings.wobble_rest_s, settings.wobble_slow_s):
        n, lo = cells.n, cells.since(look_s)
        if lo == 0 or cells.spread(lo, n) > 2.0 * sway:
            break  # too short a memory, or too far
        if _to_and_fro(cells.t[lo:n], cells.x[lo:n], settings):
            return True
    return False


def _to_and_fro(t: Array, x: Array, settings: Settling) -> bool:
    """Do these values go to and fro? A ramp or a tail does not."""
    count = len(x)
    if count < settings.min_rest_samples:
        return False  # a radio gap
    span, half = float(np.ptp(x)), count // 2
    gone = abs(float(np.add.reduce(x[half:])) / (count - half) - float(np.add.reduce(x[:half])) / half)
    return gone <= settings.wobble_gone * span and turns(t, x) >= settings.wobble_turns


def swings(fit: Estimate, sd: float, noise: NoiseLearner) -> bool:
    """Is what this fit leaves, `sd` of a cell, a swing and no noise? Few cells a breath look like noise, but
    noise is not so large."""
    s = noise.settings
    few = noise.cells.step_s() > 1.5 * s.cell_s and sd > 3.0 * noise.sigma()
    most = s.wobble_few_eta if few else s.wobble_eta
    return bool(fit.crossings >= 2 and fit.eta < most and sd > 0.4 * noise.band())


def swung_back(last: Level | None, peak: float, sway: float, now_ns: int, s: Settling) -> bool:
    """May the level of now and the short rest just before it be two ends of one sway?

    `peak` is the farthest that the load was from that rest since.
    """
    if last is None or last.change != "closed" or peak > 2.0 * sway:
        return False
    rest_s, gone_s = (last.to_ns - last.from_ns) * 1e-9, (now_ns - last.to_ns) * 1e-9
    return rest_s < s.sway_rest_s and gone_s < s.wobble_slow_s


def breath(trail: Trail, last: Level | None, peak: float, noise: NoiseLearner, now_ns: int) -> float:
    """For how long (s) the load has gone to and fro, where one end of that was the rest told last; else 0.

    `peak` is the farthest that it was from that rest since.
    """
    s, far = noise.settings, 2.0 * noise.sway()
    if last is None or last.change != "closed" or peak > far:
        return 0.0
    if (now_ns - last.to_ns) * 1e-9 >= s.wobble_slowest_s:
        return 0.0
    for look_s in (s.wobble_slow_s, s.wobble_slowest_s):
        t, x = trail.lately(look_s)
        if t[-1] - t[0] >= 0.9 * look_s and np.ptp(x) <= far and _to_and_fro(t, x, s):
            return look_s
    return 0.0


def swayed(cells: Cells, trail: Trail, n: int, look_s: float) -> tuple[Array, Array, Array]:
    """Times, values and samples of the oldest n cells held, or of those of the last `look_s` before if these
    are more."""
    if cells.t_of[n - 1] - cells.t_of[0] >= look_s:
        return cells.t[:n], cells.x[:n], cells.w[:n]
    t, x = trail.lately(look_s, cells.n - n)
    return t, x, np.full(len(t), cells.mean_n)
