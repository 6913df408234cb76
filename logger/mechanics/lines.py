"""Small pieces of regression: a weighted straight line and its covariance, Student's factor without scipy."""

from __future__ import annotations

from collections.abc import Sequence
from math import erfc, pi, sqrt, tan

import numpy as np
from msgspec import Struct

from logger.mechanics.statics import Array


class Line(Struct, frozen=True, kw_only=True):
    """y = a + b·x with covariance; `chi2` over `freedom` tells whether the u of the points was right."""

    a: float
    b: float
    u_a: float
    u_b: float
    covariance: float
    chi2: float
    freedom: int

    def at(self, x: float) -> tuple[float, float]:
        """Value of the line at x and its standard uncertainty."""
        variance = self.u_a**2 + 2 * x * self.covariance + (x * self.u_b) ** 2
        return self.a + self.b * x, sqrt(max(variance, 0.0))

    def inverse(self, y: float, u_y: float) -> tuple[float, float]:
        """The x at which the line has y, and its standard uncertainty (ISO/TS 28037:2010, 6.4)."""
        x = (y - self.a) / self.b
        variance = u_y**2 + self.u_a**2 + 2 * x * self.covariance + (x * self.u_b) ** 2
        return x, sqrt(variance) / abs(self.b)


def line(x: Sequence[float], y: Sequence[float], u_y: Sequence[float] | None = None) -> Line:
    """Fit a straight line by weighted least squares; without `u_y` the scatter about the line is the u.

    QR decomposition about the mean of x, so that large offsets cost no digits. ValueError with fewer
    than two different x (three points when u is to come from the scatter).
    """
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if len(xs) < (2 if u_y is not None else 3) or np.ptp(xs) == 0:
        raise ValueError("a line needs two different x, and a third point when its u is to come from scatter")
    weight = np.ones(len(xs)) if u_y is None else 1 / np.asarray(u_y, dtype=float)
    middle = float(np.average(xs, weights=weight**2))
    design = np.column_stack([weight, weight * (xs - middle)])
    (level, slope), covariance, chi2 = least_squares(design, weight * ys)
    freedom = len(xs) - 2
    if u_y is None:
        covariance = covariance * chi2 / freedom
    u_b = sqrt(covariance[1, 1])
    return Line(
        a=float(level - slope * middle),
        b=float(slope),
        u_a=sqrt(covariance[0, 0] + (middle * u_b) ** 2),
        u_b=u_b,
        covariance=float(-middle * u_b**2),
        chi2=chi2,
        freedom=freedom,
    )


def least_squares(design: Array, y: Array) -> tuple[Array, Array, float]:
    """Solve min |design·p − y|² by QR of the scaled columns: p, (designᵀ·design)⁻¹, and the least sum."""
    scale = np.linalg.norm(design, axis=0)
    q, r = np.linalg.qr(design / scale)
    p = np.linalg.solve(r, q.T @ y) / scale
    inverse = np.linalg.inv(r) / scale[:, None]
    gap = y - design @ p
    return p, inverse @ inverse.T, float(gap @ gap)


def student(z: float, freedom: float) -> float:
    """Student's factor with the two-sided probability that z standard deviations have for a normal law.

    Exact for one degree of freedom, else the expansion 26.7.5 of Abramowitz and Stegun (1 % at two).
    """
    if freedom <= 1:
        return tan(pi / 2 * (1 - erfc(z / sqrt(2))))
    terms = (
        z,
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    return sum(term / freedom**power for power, term in enumerate(terms))
