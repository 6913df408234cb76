"""Levels told late: they stood, but moved on before it was sure enough what they would settle to."""

from __future__ import annotations

import math

import numpy as np

from logger.settling.cells import Cells
from logger.settling.level import Level
from logger.settling.noise import NoiseLearner
from logger.settling.settings import Settling
from logger.settling.tail import Estimate


def late_s(noise: NoiseLearner) -> float:
    """How long a level must have stood to be told when it ends (s)."""
    s = noise.settings
    return s.late_noisy_s if noise.sigma() > noise.resolution else s.late_rest_s


def late_fit(fit: Estimate, near: bool, cells: Cells, noise: NoiseLearner) -> Estimate | None:
    """What to tell late of a level that these cells show: what it settles to; where nobody can say that,
    what it read, known no better than it stood; None where it was still going.

    `near` says that it has not far to go.
    """
    s = noise.settings
    creep = s.late_goes_bands * noise.band() / s.creep_horizon_s
    if abs(fit.slope) > max(s.late_goes_sigma * fit.u_slope, creep):
        return None
    if near and fit.risk <= s.late_risk:
        return fit
    x = cells.x[cells.n - fit.count : cells.n]
    off = x - np.add.reduce(x) / len(x)
    stood = math.sqrt(np.add.reduce(off * off) / len(x))
    u = max(stood, 0.5 * abs(fit.value - fit.now), 0.5 * noise.tolerance())
    return fit.other(fit.now, u, fit.risk, fit.now)


def late_end(late: Level, cells: Cells, settings: Settling) -> int:
    """Until when it stood for certain (monotonic ns): what moved it on may have begun within the noise."""
    told = cells.index_after(late.to_ns - round(settings.late_cut_s * 1e9))
    return max(int(cells.last[told - 1]), late.from_ns) if told else late.to_ns


def another(level: Level, late: Level, noise: NoiseLearner) -> bool:
    """Does the load stand at another level than the one that was not told yet?"""
    sure = 3.0 * math.hypot(level.u, late.u) / math.sqrt(noise.settings.modest)
    return level.from_ns > late.to_ns and abs(level.value - late.value) > max(sure, noise.band())
