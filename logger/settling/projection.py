"""Least squares where some parameters enter linearly: only the others are searched for (variable projection).

A model is a function from the searched parameters to columns; the values are the best combination of these.
Used for settle curves (decaying swings, tails), and held to certified fits of sums of exponentials. Needs
scipy, imported when called.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
NOTHING = 1e-100
"""A column of less than this has no effect."""
Columns = Callable[[Array], Array]
"""Searched parameters → design matrix, a row a reading."""


@dataclass(frozen=True)
class Projected:
    """A fit: searched parameters, linear coefficients, covariance of both in that order, residuals.

    The covariance is for residuals that are independent, of the variance they show; `freedom` is the number
    of readings less that of parameters.
    """

    searched: Array
    linear: Array
    covariance: Array
    residuals: Array
    freedom: int

    @property
    def variance(self) -> float:
        """Variance of a residual."""
        return float(self.residuals @ self.residuals) / max(self.freedom, 1)


def fit_projected(columns: Columns, y: Array, starts: list[Array], tolerance: float = 1e-10) -> Projected:
    """Fit from each start and keep the best; a start of length 0 is a plain linear fit."""
    from scipy.optimize import least_squares  # noqa: PLC0415  heavy, and only judge asks for fits

    def left(p: Array) -> Array:
        return y - _combined(columns(p), y)[1]

    best: Array | None = None
    least = np.inf
    for start in starts:
        found = start
        if len(start):
            found = least_squares(left, start, method="lm", ftol=tolerance, xtol=tolerance, gtol=tolerance).x
        misfit = float(np.sum(left(found) ** 2))
        if best is None or misfit < least:
            best, least = found, misfit
    assert best is not None
    return _described(columns, y, best)


def _combined(design: Array, y: Array) -> tuple[Array, Array]:
    """Best coefficients and the values they give; columns are scaled, so that small ones count too."""
    scale = np.sqrt((design * design).sum(axis=0))
    scale[scale < NOTHING] = 1.0
    q, r = np.linalg.qr(design / scale)  # four times as fast as lstsq
    if np.abs(np.diag(r)).min() > 1e-12:
        coefficients = np.linalg.solve(r, q.T @ y) / scale
    else:
        coefficients = np.linalg.lstsq(design / scale, y, rcond=None)[0] / scale
    return coefficients, design @ coefficients


def _described(columns: Columns, y: Array, searched: Array) -> Projected:
    design = columns(searched)
    linear, values = _combined(design, y)
    slopes = [_slope(columns, searched, linear, k) for k in range(len(searched))]
    jacobian = np.column_stack([*slopes, design])
    freedom = len(y) - jacobian.shape[1]
    residuals = y - values
    scale = np.sqrt((jacobian * jacobian).sum(axis=0))
    scale[scale < NOTHING] = 1.0
    inverse = np.linalg.pinv((jacobian / scale).T @ (jacobian / scale)) / np.outer(scale, scale)
    variance = float(residuals @ residuals) / max(freedom, 1)
    return Projected(searched, linear, inverse * variance, residuals, freedom)


def _slope(columns: Columns, searched: Array, linear: Array, k: int) -> Array:
    """How the values change with one searched parameter, the coefficients held."""
    step = 1e-6 * max(abs(float(searched[k])), 1e-3)
    up, down = searched.copy(), searched.copy()
    up[k] += step
    down[k] -= step
    slope: Array = (columns(up) - columns(down)) @ linear / (2 * step)
    return slope


def hang_together(residuals: Array) -> float:
    """By how much residuals that hang together widen a variance: (1 + r)/(1 − r), r of neighbours."""
    power = float(residuals @ residuals)
    r = float(residuals[1:] @ residuals[:-1]) / power if power > 0 else 0.0
    r = min(max(r, 0.0), 0.9)
    return (1 + r) / (1 - r)
