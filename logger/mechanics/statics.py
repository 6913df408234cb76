"""What statics alone says about four wheel loads: total, shares, place of the centre of mass, warp term.

Ground frame on the car: origin under the middle of the rear axle, x forward, y to the left. Loads are masses
(kg) in the order of CORNERS. Three combinations (total, x, y) are determinate; whatever sticking dampers or
a twisted floor do goes along the warp mode v alone:  loads = determinate part + kappa·v.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from logger.model import CORNERS, Corner
from logger.quantity import Quantity

Array = NDArray[np.float64]

NOMINAL_WHEELBASE_M = 2.5
"""Stands in for a wheelbase that is not known; shares do not depend on it (a middling car)."""
NOMINAL_TRACK_M = 1.45
"""Stands in for tracks that are not known, as above."""

FRONT = np.array([1.0, 1.0, 0.0, 0.0])
LEFT = np.array([1.0, 0.0, 1.0, 0.0])
CROSS = np.array([0.0, 1.0, 1.0, 0.0])


class Geometry(Struct, frozen=True, kw_only=True):
    """Wheelbase and tracks of a car in m; None where nobody measured it (then shares only)."""

    wheelbase_m: float | None = None
    track_front_m: float | None = None
    track_rear_m: float | None = None

    def __post_init__(self) -> None:
        for name in ("wheelbase_m", "track_front_m", "track_rear_m"):
            value = getattr(self, name)
            if value is not None and not 0.2 <= value <= 10:
                raise ValueError(f"{name} is {value:g} m; a wheelbase or track lies between 0.2 and 10 m")

    @property
    def missing(self) -> tuple[str, ...]:
        """Names of the lengths that are not known."""
        return tuple(n for n in self.__struct_fields__ if getattr(self, n) is None)

    @property
    def lengths_m(self) -> tuple[float, float, float]:
        """Wheelbase, front and rear track in m, nominal where not known."""
        track = self.track_front_m or self.track_rear_m or NOMINAL_TRACK_M
        return (
            self.wheelbase_m or NOMINAL_WHEELBASE_M,
            self.track_front_m or track,
            self.track_rear_m or track,
        )

    @property
    def x_m(self) -> Array:
        """x of the four contact patches (m), CORNERS order."""
        return np.asarray(self.lengths_m[0] * FRONT)

    @property
    def y_m(self) -> Array:
        """y of the four contact patches (m), CORNERS order."""
        _, front, rear = self.lengths_m
        return np.array([front, -front, rear, -rear]) / 2

    @property
    def warp(self) -> Array:
        """The self-equilibrated pattern v (1/m): no force, no pitch or roll moment; + loads LF and RR."""
        _, front, rear = self.lengths_m
        return np.array([1 / front, -1 / front, -1 / rear, 1 / rear])

    @property
    def wrench(self) -> Array:
        """3 × 4: loads → total (kg), moment about the rear axle and about the centre line (kg·m)."""
        return np.vstack([np.ones(4), self.x_m, self.y_m])

    @property
    def spread(self) -> Array:
        """4 × 3: total and moments → the determinate part of the loads, free of the warp mode."""
        return np.asarray(np.linalg.pinv(self.wrench))


class Statics(Struct, frozen=True, kw_only=True):
    """What four loads say, each with its standard uncertainty.

    Shares are fractions of 1; cross is (RF+LR)/total. `x` is ahead of the rear axle, `y` left of the centre
    line (m), `kappa` the warp term (kg·m) against the loads' own determinate part (the one without warp).
    `x`, `y` and `kappa` are None unless wheelbase and both tracks are known. Covariance is row-major, kg².
    """

    total: Quantity
    front: Quantity
    left: Quantity
    cross: Quantity
    x: Quantity | None
    y: Quantity | None
    kappa: Quantity | None
    corners: dict[Corner, Quantity]
    loads_kg: tuple[float, ...]
    covariance_kg2: tuple[float, ...]
    geometry: Geometry


def statics(loads_kg: Sequence[float], covariance_kg2: Any, geometry: Geometry) -> Statics:
    """Compute total, shares and centre of mass of four loads (kg, CORNERS order) with their uncertainty.

    `covariance_kg2` is 4 × 4 (any shape of 16) or 4 variances. Linear propagation (GUM 5.2).
    ValueError when the loads are not four or do not add up to something positive.
    """
    loads = np.asarray(loads_kg, dtype=float)
    if loads.shape != (4,) or not np.all(np.isfinite(loads)) or loads.sum() <= 0:
        raise ValueError(f"four loads with a positive sum are needed, not {list(loads_kg)}")
    cov = square(covariance_kg2)
    has_place = not geometry.missing
    warp = geometry.warp
    return Statics(
        total=_linear(np.ones(4), loads, cov, "kg"),
        front=_mean(FRONT, loads, cov, "1"),
        left=_mean(LEFT, loads, cov, "1"),
        cross=_mean(CROSS, loads, cov, "1"),
        x=_mean(geometry.x_m, loads, cov, "m") if has_place else None,
        y=_mean(geometry.y_m, loads, cov, "m") if has_place else None,
        kappa=_linear(warp / (warp @ warp), loads, cov, "kg·m") if has_place else None,
        corners={c: _linear(np.eye(4)[i], loads, cov, "kg") for i, c in enumerate(CORNERS)},
        loads_kg=tuple(loads.tolist()),
        covariance_kg2=tuple(cov.ravel().tolist()),
        geometry=geometry,
    )


def square(covariance_kg2: Any) -> Array:
    """Read a covariance given as 4 × 4, as 16 numbers row-major, or as 4 variances (kg²)."""
    cov = np.asarray(covariance_kg2, dtype=float)
    if cov.size == 4:
        return np.diag(cov.ravel())
    if cov.size != 16:
        raise ValueError(f"a covariance of four loads has 16 numbers (or 4 variances), not {cov.size}")
    return cov.reshape(4, 4)


def root(variance: Any) -> float:
    """Square root of a variance that rounding may have left a hair below zero."""
    return sqrt(max(float(variance), 0.0))


def _linear(weights: Array, loads: Array, cov: Array, unit: str) -> Quantity:
    return Quantity(float(weights @ loads), root(weights @ cov @ weights), unit)


def _mean(weights: Array, loads: Array, cov: Array, unit: str) -> Quantity:
    """Load-weighted mean of a corner property: shares and the centre of mass alike."""
    value = float(weights @ loads / loads.sum())
    slope = (weights - value) / loads.sum()
    return Quantity(value, root(slope @ cov @ slope), unit)
