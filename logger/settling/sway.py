"""Does a load sway to and fro, as with somebody who breathes aboard or in the wind?"""

from __future__ import annotations

from logger.settling.cells import Cells
from logger.settling.settings import Settling
from logger.settling.tail import turns


def sways(cells: Cells, band: float, settings: Settling) -> bool:
    """Do the newest cells sway within some `band`s, by the time of a quick or of a slow breath?"""
    return any(
        _sways(cells, rest_s, band, settings) for rest_s in (settings.wobble_rest_s, settings.wobble_slow_s)
    )


def _sways(cells: Cells, rest_s: float, band: float, settings: Settling) -> bool:
    """The same for so many seconds. A ramp or a tail does not go to and fro."""
    n, lo = cells.n, cells.since(rest_s)
    if lo == 0:
        return False
    span = cells.spread(lo, n)
    if span > 2.0 * settings.wobble_bands * band:
        return False
    half = (lo + n) // 2
    gone = abs(cells.middle(half, n) - cells.middle(lo, half))
    swings = turns(cells.t[lo:n], cells.x[lo:n])
    return gone <= settings.wobble_gone * span and swings >= settings.wobble_turns
