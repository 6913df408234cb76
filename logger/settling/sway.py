# cython: annotation_typing=False, auto_pickle=False
"""Does a load sway to and fro, as with somebody who breathes aboard or in the wind?"""

from __future__ import annotations

import numpy as np

from logger.settling.cells import TRAIL, Array, Cells, Trail
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


def beyond_noise(fit: Estimate, sd: float, noise: NoiseLearner) -> bool:
    """Is what this fit leaves, `sd` of a cell, a swing? Few cells a breath look like noise, which is not so
    large."""
    s = noise.settings
    few = noise.rare() and sd > s.wobble_few_sigma * noise.sigma()
    most = s.wobble_few_eta if few else s.wobble_eta
    return bool(fit.crossings >= 2 and fit.eta < most and sd > s.wobble_least_band * noise.band())


def swung_back(last: Level | None, peak: float, noise: NoiseLearner, now_ns: int) -> bool:
    """May the level of now and the short rest just before it be two ends of one sway?

    `peak` is the farthest that the load was from that rest since.
    """
    s = noise.settings
    if last is None or not _near(last, peak, noise, now_ns, s.wobble_slow_s):
        return False
    return bool((last.to_ns - last.from_ns) * 1e-9 < s.sway_rest_s)


def breath_s(trail: Trail, last: Level | None, peak: float, noise: NoiseLearner, now_ns: int) -> float:
    """For how long (s) the load has gone to and fro, where one end of that was the rest told last; else 0.

    `peak` is the farthest that it was from that rest since.
    """
    s = noise.settings
    if last is None or not _near(last, peak, noise, now_ns, s.wobble_slowest_s):
        return 0.0
    for look_s in (s.wobble_slow_s, s.wobble_slowest_s):
        t, x = trail.lately(look_s)
        long = t[-1] - t[0] >= 0.9 * look_s
        if long and np.ptp(x) <= 2.0 * noise.sway() and _to_and_fro(t, x, s):
            return look_s
    return 0.0


def _near(last: Level, peak: float, noise: NoiseLearner, now_ns: int, within_s: float) -> bool:
    """Did that rest end so lately, and did the load go no farther from it than a sway?"""
    lately = (now_ns - last.to_ns) * 1e-9 < within_s
    return bool(last.change == "closed" and lately and peak <= 2.0 * noise.sway())


def sway_cells(cells: Cells, trail: Trail, n: int, look_s: float) -> tuple[Array, Array, Array]:
    """Times, values and samples of the oldest n cells held, or of those of the last `look_s` before if these
    are more: a sway may have begun in cells that ended rests have dropped."""
    less = cells.n - n
    if cells.t_of[n - 1] - cells.t_of[0] >= look_s or less > TRAIL // 2:
        return cells.t[:n], cells.x[:n], cells.w[:n]
    t, x = trail.lately(look_s, less)
    return t, x, np.full(len(t), cells.mean_n)
