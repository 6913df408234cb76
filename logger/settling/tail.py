"""What will it read once settled: fits of level plus exponential tail over many windows and time constants at once.

Model, age counted back from now: x(age) = a + b·exp(age/τ) + noise, so a is the settled value and b what
is still to go. For each window (newest m cells) and each τ the weighted least-squares fit with a normal
prior on b comes from cumulative sums; τ (and "no tail") are averaged over by their marginal likelihood, and
the window with the smallest resulting uncertainty is taken. Correlated noise (an indicator's own average,
swing, breathing) widens u by the von Neumann ratio. Pure numpy, no state.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Noise:
    """What is known of the noise: variance of one sample, its weight in cells, and the von Neumann ratio η.

    `floor` is the variance that no averaging removes (resolution); `spread` the prior spread of b.
    """

    variance: float
    weight: float
    eta: float
    floor: float
    spread: float


@dataclass(frozen=True, slots=True)
class Estimate:
    """Settled value with its standard uncertainty, and the window it rests on (its `count` newest cells)."""

    value: float
    u: float
    now: float
    """The fitted curve at the newest cell."""
    slope: float
    """Least-squares slope over the window, per second."""
    u_slope: float
    count: int
    samples: float
    span_s: float
    variance: float
    """Residual variance of one sample."""
    eta: float
    white: float
    """Variance of one sample from successive differences."""


@lru_cache(maxsize=4096)
def windows(n: int, least: int) -> NDArray[np.intp]:
    """Window sizes from `least` to n cells in steps of about a third."""
    sizes: list[int] = []
    m = float(least)
    while m < n:
        sizes.append(int(m))
        m = max(m + 1, m * 1.33)
    return np.array([*sizes, n], dtype=np.intp)


def estimate(
    t: Array, x: Array, w: Array, noise: Noise, tails_s: Array, log_prior: Array, least: int
) -> Estimate:
    """Fit all windows of the cells (times s, means, sample counts; oldest first) and return the surest.

    Needs at least max(least, 3) cells. Values may have any magnitude: sums run on differences from the newest.
    """
    age = t[-1] - t[::-1]
    y = x[::-1] - x[-1]
    weight = w[::-1]
    sizes = windows(len(t), max(least, 3))
    at = sizes - 1
    basis = np.exp(np.minimum(age / tails_s[:, None], 14.0))
    wb = weight * basis
    wy = weight * y
    wt = weight * age
    rows = np.concatenate((np.stack((weight, wy, wy * y, wt, wt * age, wt * y)), wb, wb * basis, wb * y))
    sums = np.cumsum(rows, axis=1)[:, at]
    s0, sy, syy, st, stt, sty = sums[:6]
    k = len(tails_s)
    f, ff, fy = sums[6 : 6 + k] / s0, sums[6 + k : 6 + 2 * k], sums[6 + 2 * k :]
    mean = sy / s0
    cyy = np.maximum(syy - sy * mean, 0.0)
    cff = np.maximum(ff - f * f * s0, 1e-300)
    cfy = fy - f * sy
    step = np.diff(y)
    pair = weight[1:] * weight[:-1] / (weight[1:] + weight[:-1])
    rough = np.cumsum(step * step * pair)[at - 1] / at  # white-noise variance of one sample
    ridge = np.maximum(noise.variance, 1e-300) / (noise.spread * noise.spread)
    soft = cff + ridge
    ssr = cyy - cfy * cfy / soft
    best = np.minimum(ssr.min(axis=0), cyy)
    free = np.maximum(sizes - 2.0, 1.0)
    variance = (best + noise.weight * noise.variance) / (free + noise.weight)
    eta_raw = rough / np.maximum(best / free, 1e-300)
    eta = (np.minimum(eta_raw, 1.0) * sizes + noise.eta * 20.0) / (sizes + 20.0)
    kappa = (2.0 - eta) / eta
    scale = variance * kappa
    with_tail = -0.5 * (ssr - cyy) / scale + 0.5 * np.log(ridge / soft) + log_prior[1:, None]
    top = np.maximum(with_tail.max(axis=0), log_prior[0])
    p = np.exp(with_tail - top)
    p0 = np.exp(log_prior[0] - top)
    total = p.sum(axis=0) + p0
    b = cfy / soft
    a = mean - b * f
    value = ((p * a).sum(axis=0) + p0 * mean) / total
    spread = (p * (f * f / soft * scale + (a - value) ** 2)).sum(axis=0)
    var = scale / s0 + (spread + p0 * (mean - value) ** 2) / total
    pick = int(np.argmin(var))
    now = ((p * (a + b)).sum(axis=0) + p0 * mean)[pick] / total[pick]
    ctt = max(float(stt[pick] - st[pick] ** 2 / s0[pick]), 1e-300)
    slope = -float(sty[pick] - st[pick] * mean[pick]) / ctt
    count = int(sizes[pick])
    return Estimate(
        value=float(value[pick] + x[-1]),
        u=float(np.sqrt(var[pick] + noise.floor)),
        now=float(now + x[-1]),
        slope=slope,
        u_slope=float(np.sqrt(scale[pick] / ctt)),
        count=count,
        samples=float(s0[pick]),
        span_s=float(age[count - 1]),
        variance=float(variance[pick]),
        eta=float(eta[pick]),
        white=float(rough[pick]),
    )
