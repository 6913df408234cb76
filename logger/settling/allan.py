"""Allan deviation of a pad's readings: how far averaging helps, where drift takes over.

Readings play the part of fractional frequency; formulae of NIST SP 1065, section 5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def overlapping(y: Array, m: int) -> float:
    """Overlapping Allan deviation at averages of m readings (SP 1065 eq. 11); nan with fewer than 2m
    readings."""
    n = len(y)
    if n < 2 * m or m < 1:
        return float("nan")
    x = np.concatenate(([0.0], np.cumsum(y - y.mean())))
    second = x[2 * m :] - 2.0 * x[m:-m] + x[: -2 * m]
    return float(np.sqrt(np.mean(second * second) / 2.0) / m)


def plain(y: Array, m: int) -> float:
    """Allan deviation without overlap (SP 1065 eq. 10); nan with fewer than 2m readings."""
    k = len(y) // m if m > 0 else 0
    if k < 2:
        return float("nan")
    means = y[: k * m].reshape(k, m).mean(axis=1)
    return float(np.sqrt(np.mean(np.diff(means) ** 2) / 2.0))


@dataclass(frozen=True, kw_only=True)
class AllanCurve:
    """Overlapping Allan deviation over averaging time, and what it shows.

    `noise` is the deviation of single readings, `floor` the smallest deviation and `floor_s` the averaging
    time that reaches it, `drift_per_s` the steady drift that the longest times show (None: none to be seen).
    """

    tau_s: tuple[float, ...]
    deviation: tuple[float, ...]
    noise: float
    floor: float
    floor_s: float
    drift_per_s: float | None


def allan_curve(y: Array, interval_s: float) -> AllanCurve | None:
    """Compute the curve for equally spaced readings (`interval_s` apart); None with fewer than 16.

    Averaging times double; the longest is a quarter of the recording, so that each value rests on some pairs.
    """
    if len(y) < 16:
        return None
    sizes = [2**k for k in range(int(np.log2(len(y) / 4)) + 1)]
    deviation = [overlapping(y, m) for m in sizes]
    low = int(np.argmin(deviation))
    drift = None
    if low < len(sizes) - 1 and deviation[-1] > 1.3 * deviation[low]:
        drift = deviation[-1] * 2**0.5 / (sizes[-1] * interval_s)  # σ = D·τ/√2 for a linear drift D
    return AllanCurve(
        tau_s=tuple(m * interval_s for m in sizes),
        deviation=tuple(deviation),
        noise=deviation[0],
        floor=deviation[low],
        floor_s=sizes[low] * interval_s,
        drift_per_s=drift,
    )
