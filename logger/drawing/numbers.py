"""Numbers behind a drawn curve: thinning that keeps every spike, and round ticks. Pure."""

from __future__ import annotations

from math import ceil, floor, isfinite, log10

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def extremes(x: Floats, y: Floats, buckets: int) -> NDArray[np.intp]:
    """Choose the lowest and highest point of each of `buckets` equal stretches of x; return their indices.

    `x` must not fall and `y` hold no NaN. First and last point stay; of 2·buckets points or fewer, all do.
    """
    if len(x) <= 2 * buckets:
        return np.arange(len(x))
    width = float(x[-1] - x[0]) / buckets or 1.0
    bucket = np.minimum(((x - x[0]) / width).astype(np.int64), buckets - 1)
    by_value = np.lexsort((y, bucket))
    starts = np.flatnonzero(np.diff(bucket[by_value], prepend=-1))
    ends = np.append(starts[1:], len(x)) - 1
    return np.unique(np.concatenate(([0, len(x) - 1], by_value[starts], by_value[ends])))


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Return round numbers (1, 2 or 5 times a power of ten apart) within low…high, about so many."""
    step = nice_step((high - low) / max(about, 1))
    first, last = ceil(low / step - 1e-9), floor(high / step + 1e-9)
    return [round(k * step, 12) for k in range(first, last + 1)]


def log_ticks(low: float, high: float) -> list[float]:
    """Return 1, 2, 5 times powers of ten within low…high (> 0), powers alone where they are many."""
    decades = range(floor(log10(low)), ceil(log10(high)) + 1)
    marks = (1, 2, 5) if len(decades) <= 4 else (1,)
    return [m * 10.0**k for k in decades for m in marks if low * 0.999 <= m * 10.0**k <= high * 1.001]


def nice_step(rough: float) -> float:
    """Round a step (> 0) up to 1, 2 or 5 times a power of ten."""
    if not isfinite(rough) or rough <= 0:
        return 1.0
    power = 10.0 ** floor(log10(rough))
    return float(next(m for m in (1, 2, 5, 10) if rough <= m * power * (1 + 1e-9)) * power)


def tick_text(value: float, step: float) -> str:
    """Write a tick with the decimals its step needs and a true minus."""
    places = max(0, -floor(log10(step) + 1e-9)) if step > 0 else 0
    return f"{value:.{places}f}".replace("-", "−")
