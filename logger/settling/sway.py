# cython: annotation_typing=False, auto_pickle=False
"""Does a load sway to and fro, as with somebody who breathes aboard or in the wind?"""

from __future__ import annotations

from logger.settling.cells import Cells
from logger.settling.level import Level
from logger.settling.settings import Settling
from logger.settling.tail import turns


def sways(cells: Cells, band: float, settings: Settling) -> bool:
    """Do the newest cells sway within some `band`s, by the time of a quick or of a slow breath?"""
    quick_s, slow_s = settings.wobble_rest_s, settings.wobble_slow_s
    return _sways(cells, quick_s, band, settings) or _sways(cells, slow_s, band, settings)


def _sways(cells: Cells, rest_s: float, band: float, settings: Settling) -> bool:
    """The same for so many seconds. A ramp or a tail does not go to and fro."""
    n, lo = cells.n, cells.since(rest_s)
    if lo == 0 or n - lo < settings.min_rest_samples:
        return False  # too short a memory, or a radio gap
    span = cells.spread(lo, n)
    if span > 2.0 * settings.wobble_bands * band:
        return False
    half = (lo + n) // 2
    gone = abs(cells.middle(half, n) - cells.middle(lo, half))
    swings = turns(cells.t[lo:n], cells.x[lo:n])
    return bool(gone <= settings.wobble_gone * span and swings >= settings.wobble_turns)


def swung_back(last: Level | None, peak: float, band: float, now_ns: int, s: Settling) -> bool:
    """May the level of now and the short rest just before it be two ends of one sway?

    `peak` is the farthest that the load was from that rest since.
    """
    if last is None or last.change != "closed" or peak > s.wobble_bands * 2.0 * band:
        return False
    rest_s, gone_s = (last.to_ns - last.from_ns) * 1e-9, (now_ns - last.to_ns) * 1e-9
    return rest_s < s.sway_rest_s and gone_s < s.wobble_slow_s
