"""What will it read once settled: fits of level plus exponential tail over many windows and time constants at once.

Model, age counted back from now: x(age) = a + b·exp(age/τ) + c·exp(age/τ₀) + noise, so a is the settled value,
b what is still to go and c what is left of the swing and the last touch (τ₀ is the shortest time constant). For each window (newest m cells) and each τ the weighted least-squares fit with a normal
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
ENOUGH_CELLS = 15
"""Cells whose scatter is known to about a factor of two (χ² with a dozen degrees of freedom)."""


@dataclass(frozen=True, slots=True)
class Noise:
    """What is known of the noise: variance of one sample, its weight in cells, and the von Neumann ratio η.

    `floor` is the variance that no averaging removes (resolution).
    """

    variance: float
    weight: float
    eta: float
    floor: float


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
    scatter: float
    """Least residual variance of one sample in any window of enough cells, inf if none is."""
    weights: Array
    """Posterior probability of no tail, then of each time constant."""
    left: Array
    """What is still to go, for each time constant."""


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
    t: Array, x: Array, w: Array, noise: Noise, tails_s: Array, log_prior: Array, spread: Array, least: int
) -> Estimate:
    """Fit all windows of the cells (times s, means, sample counts; oldest first) and return the surest.

    `log_prior` belongs to no tail and to each of `tails_s` but the first; `spread` is the prior standard
    deviation of what each of `tails_s` has still to go. Needs at least max(least, 3) cells. Values may have any magnitude: sums run on
    differences from the newest.
    """
    age = t[-1] - t[::-1]
    y = x[::-1] - x[-1]
    weight = w[::-1]
    sizes = windows(len(t), max(least, 3))
    at = sizes - 1
    k = len(tails_s)
    basis = np.exp(np.minimum(age / tails_s[:, None], 14.0))
    wy, wt = weight * y, weight * age
    wb = weight * basis
    rows = np.concatenate(((weight, wy, wy * y, wt, wt * age, wt * y), wb, wb * basis, wb * y, wb[1:] * basis[0]))
    sums = np.cumsum(rows, axis=1)[:, at]
    s0, sy, syy, st, stt, sty = sums[:6]
    mean = sy / s0
    f = sums[6 : 6 + k] / s0
    cyy = np.maximum(syy - sy * mean, 0.0)
    cff = np.maximum(sums[6 + k : 6 + 2 * k] - f * f * s0, 1e-300)
    cfy = sums[6 + 2 * k : 6 + 3 * k] - f * sy
    # The first time constant is what is left of the swing: always there, taken out of everything else.
    ridge = noise.variance / spread[0] ** 2
    soft = cff[0] + ridge
    lean = (sums[6 + 3 * k :] - f[1:] * f[0] * s0) / soft
    fast = cfy[0] / soft
    cff, cfy = np.maximum(cff[1:] - lean * lean * soft, 1e-300), cfy[1:] - lean * cfy[0]
    cyy = np.maximum(cyy - fast * fast * soft, 0.0)
    ssr = np.maximum(cyy - cfy * cfy / cff, 0.0)
    least_ssr = ssr.min(axis=0)
    variance, eta = _scatter(y, weight, least_ssr, sizes, noise)
    enough = sizes >= ENOUGH_CELLS
    scale = variance * (2.0 - eta) / eta
    # Information on b from the readings: white noise, and rounding, which is alike all along a slow tail.
    reach = basis[1:, at] - 1.0
    known = 1.0 / (scale / cff + 2.0 * noise.floor / np.maximum(reach * reach, 1e-300))
    before = 1.0 / (spread[1:] * spread[1:])[:, None]
    after = known + before
    fit = cfy / cff
    told = cff / (scale * (1.0 + 2.0 * noise.floor * s0 / sizes / variance))
    evidence = 0.5 * (fit * fit * told * told / (told + before) - np.log1p(told / before)) + log_prior[1:, None]
    top = np.maximum(evidence.max(axis=0), log_prior[0])
    p, p0 = np.exp(evidence - top), np.exp(log_prior[0] - top)
    total = p.sum(axis=0) + p0
    p, p0 = p / total, p0 / total
    b = fit * known / after
    pull = f[1:] - lean * f[0]
    steady = mean - fast * f[0]
    a = steady - b * pull
    value = (p * a).sum(axis=0) + p0 * steady
    var = scale / s0 + scale * f[0] * f[0] / soft
    var += (p * (pull * pull / after + (a - value) ** 2)).sum(axis=0) + p0 * (steady - value) ** 2
    i = int(np.argmin(var))
    ctt = max(float(stt[i] - st[i] ** 2 / s0[i]), 1e-300)
    count = int(sizes[i])
    return Estimate(
        value=float(value[i] + x[-1]),
        u=float(np.sqrt(var[i] + noise.floor)),
        now=float(value[i] + fast[i] + (p[:, i] * (b - b * lean)[:, i]).sum() + x[-1]),
        slope=-float(sty[i] - st[i] * mean[i]) / ctt,
        u_slope=float(np.sqrt(scale[i] / ctt)),
        count=count,
        samples=float(s0[i]),
        span_s=float(age[count - 1]),
        variance=float(variance[i]),
        eta=float(eta[i]),
        scatter=float((least_ssr / (sizes - 3.0))[enough].min()) if enough.any() else float("inf"),
        weights=np.concatenate(((p0[i],), p[:, i])),
        left=b[:, i],
    )


def _scatter(
    y: Array, weight: Array, ssr: Array, sizes: NDArray[np.intp], noise: Noise
) -> tuple[Array, Array]:
    """Residual variance of one sample in each window, and its von Neumann ratio (1: white, less: correlated)."""
    step = np.diff(y)
    pair = weight[1:] * weight[:-1] / (weight[1:] + weight[:-1])
    rough = np.cumsum(step * step * pair)[sizes - 2] / (sizes - 1)
    free = np.maximum(sizes - 3.0, 1.0)
    variance = (ssr + noise.weight * noise.variance) / (free + noise.weight)
    raw = np.minimum(rough / np.maximum(ssr / free, 1e-300), 1.0)
    eta = (raw * sizes + noise.eta * 20.0) / (sizes + 20.0)
    return variance, eta
