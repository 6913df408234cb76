"""Straight lines through readings: how a level moved, with what that is known by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.drawing.numbers import Floats

BLOCKS = 24
"""Blocks that a long rest is averaged in to tell its slope: their scatter includes slow wander."""


@dataclass(frozen=True, kw_only=True)
class Slope:
    """How a level moved: block means over time, the line's slope and its standard uncertainty."""

    t_s: Floats
    x_kg: Floats
    per_s: float
    u_per_s: float


def gradient(t: Floats, x: Floats) -> float:
    """Slope of the least-squares line; 0 where all times are the same."""
    centred = t - t.mean()
    square = float(centred @ centred)
    return float(centred @ x) / square if square > 0 else 0.0


def slope(t: Floats, x: Floats) -> Slope | None:
    """Line through block means; None for fewer than three readings a block."""
    if len(t) < 3 * BLOCKS:
        return None
    n = len(t) // BLOCKS * BLOCKS
    bt, bx = t[:n].reshape(BLOCKS, -1).mean(axis=1), x[:n].reshape(BLOCKS, -1).mean(axis=1)
    centred, per_s = bt - bt.mean(), gradient(bt, bx)
    left = bx - bx.mean() - per_s * centred
    square = float(centred @ centred)
    if square <= 0:
        return None
    return Slope(t_s=bt, x_kg=bx, per_s=per_s, u_per_s=float(np.sqrt((left @ left) / (BLOCKS - 2) / square)))
