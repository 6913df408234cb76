"""What will it read once settled: level plus exponential tail, averaged over time constants.

Model, age counted back from now: x(age) = a + b·exp(age/τ) + fast + noise, so a is the settled value, b what
is still to go; the fast part, two short exponentials, is what is left of the swing and the last touch. The fit is weighted least squares with normal priors; τ (and "no tail") are averaged over by their marginal
likelihood. No model of a car is right to the last digit: a cell that lay far off counts as uncertain by a share
of how far, so that movement fades out of the fit by itself. Correlated noise (an indicator's own average, swing,
breathing) widens u by the von Neumann ratio, rounding by what its dither leaves. Pure numpy, no state.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
FAST = 2
"""The first time constants, always fitted: what is left of the swing and of the last touch."""
LONG_AGO = 14.0
"""Ages beyond so many time constants tell nothing of a tail: it would have been a million times larger."""
ENOUGH_CELLS = 15
"""Cells whose scatter is known to about a factor of two (χ² with a dozen degrees of freedom)."""


@dataclass(frozen=True, slots=True)
class Noise:
    """What is known of the noise: variance of one sample, its weight in cells, and the von Neumann ratio η.

    `step` is the resolution d, `copies` how many independently rounded values add up in one (four pads: 4),
    `distrust` the share by which the model may be wrong, `horizon` how many bands off a cell may lie to be used,
    `tolerance` the error beyond which a reading is wrong.
    """

    variance: float
    weight: float
    eta: float
    step: float
    copies: float
    distrust: float
    horizon: float
    tolerance: float


@dataclass(frozen=True, slots=True)
class Tails:
    """Expectation: time constants (s; the first always fitted), log prior of none and of each other, spreads."""

    tails_s: Array
    log_prior: Array
    spread: Array


@dataclass(frozen=True, slots=True)
class Estimate:
    """Settled value with its standard uncertainty, and the newest cells (`count`) that lie within a band."""

    value: float
    u: float
    risk: float
    """Probability that the settled value lies farther from `value` than the tolerance."""
    now: float
    """The fitted curve at the newest cell."""
    slope: float
    """Least-squares slope over these cells, per second."""
    u_slope: float
    count: int
    samples: float
    span_s: float
    variance: float
    """Residual variance of one sample."""
    scatter: float
    """The same from the newest cells alone, without what was known before; inf if they are few."""
    eta: float
    changes: int
    """How many of these cells differ from the one before."""
    crossings: int
    """How often the residuals change sign."""
    weights: Array
    """Posterior probability of no tail, then of each time constant but the first."""
    left: Array
    """What is still to go, for each of these."""


def estimate(t: Array, x: Array, w: Array, noise: Noise, tails: Tails, band: float) -> Estimate:
    """Fit the cells (times s, means, sample counts; oldest first, at least 3) and say what they settle to.

    `band` is what counts as standing still around the newest cells. Values may have any magnitude: sums run on
    differences from the newest.
    """
    age = t[-1] - t[::-1]
    y = x[::-1] - x[-1]
    weight = w[::-1]
    per_cell = float(weight[: min(len(weight), 10)].mean())
    rounding = noise.step * noise.step / 12.0
    floor_variance = max(noise.variance, noise.copies * rounding, 1e-18)
    off = np.abs(y - np.median(y[:5])) - 2.5 * (floor_variance / per_cell) ** 0.5
    off = np.maximum.accumulate(np.maximum(off, 0.0))
    count = max(int(np.searchsorted(off, band, side="right")), 3)
    use = max(int(np.searchsorted(off, noise.horizon * band, side="right")), count)
    age, y, weight, off = age[:use], y[:use], weight[:use], off[:use]
    weight = weight / (1.0 + weight * (noise.distrust * off) ** 2 / floor_variance)

    tau = tails.tails_s
    ages = age / tau[:, None]
    basis = np.exp(np.minimum(ages, LONG_AGO)) * (ages <= LONG_AGO)
    s0 = float(weight.sum())
    mean = float((weight * y).sum()) / s0
    f = (weight * basis).sum(axis=1) / s0
    basis -= f[:, None]
    y0 = y - mean
    front = np.ones(len(tau))
    steady, touch, loose = mean, 0.0, 0.0
    before = 1.0 / (tails.spread * tails.spread)
    for j in range(FAST):  # take the fast ones out of everything behind them
        row = weight * basis[j]
        soft = float((row * basis[j]).sum() + floor_variance * before[j])
        c = float((row * y0).sum()) / soft
        lean = (row * basis[j + 1 :]).sum(axis=1) / soft
        steady -= c * f[j]
        touch += c * front[j]
        loose += f[j] * f[j] / soft
        y0 = y0 - c * basis[j]
        basis[j + 1 :] -= lean[:, None] * basis[j]
        f[j + 1 :] -= lean * f[j]
        front[j + 1 :] -= lean * front[j]
    slow, pull, front, before = basis[FAST:], f[FAST:], front[FAST:], before[FAST:]
    cff = np.maximum((weight * slow * slow).sum(axis=1), 1e-300)
    fit = (weight * slow * y0).sum(axis=1) / cff
    best = int(np.argmax(fit * fit * cff))
    variance, scatter, eta, crossings = _scatter(y0 - fit[best] * slow[best], weight, count, noise)

    kappa = min((2.0 - eta) / eta, max(count / (crossings + 1.0), 1.0))
    share = noise.copies * rounding * _undithered(variance, noise)
    scale = max(variance, noise.copies * rounding + share * (per_cell - 1.0), 1e-18) * kappa
    reach = np.exp(np.minimum(age[-1] / tau[FAST:], LONG_AGO)) - 1.0
    known = 1.0 / (scale / cff + 2.0 * share / np.maximum(reach * reach, 1e-12))
    told = cff / (scale + 2.0 * share * per_cell)
    after = known + before
    evidence = 0.5 * (fit * fit * told * told / (told + before) - np.log1p(told / before))
    log_p = np.concatenate(((0.0,), evidence)) + tails.log_prior
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    b = fit * known / after
    values = np.concatenate(((steady,), steady - b * pull))
    value = float((p * values).sum())
    common = scale * (1.0 / s0 + loose)
    own = common + np.concatenate(((0.0,), pull * pull / after))
    var = float((p * (own + (values - value) ** 2)).sum())
    risk = sum(
        q * _beyond(noise.tolerance, v - value, (s + share) ** 0.5)
        for q, v, s in zip(p, values, own, strict=True)
    )
    slope, ctt = _slope(age[:count], y[:count], weight[:count])
    return Estimate(
        value=value + float(x[-1]),
        u=float(np.sqrt(var + share)),
        risk=risk,
        now=value + touch + float((p[1:] * b * front).sum()) + float(x[-1]),
        slope=slope,
        u_slope=float(np.sqrt(scale / ctt)),
        count=count,
        samples=float(w[len(w) - count :].sum()),
        span_s=float(age[count - 1]),
        variance=variance,
        scatter=scatter,
        eta=eta,
        changes=int(np.count_nonzero(np.diff(y[:count]))),
        crossings=crossings,
        weights=p,
        left=b,
    )


def _scatter(left: Array, weight: Array, count: int, noise: Noise) -> tuple[float, float, float, int]:
    """Residual variance of one sample, with and without what was known, its von Neumann ratio η, crossings.

    κ = (2 − η)/η is how much more a mean varies than with white noise; a swing that crosses its own mean m times
    averages out at least as well as m + 1 independent readings.
    """
    near, w = left[:count], weight[:count]
    newest = float((w * near * near).sum())
    free = max(count - 2.0, 1.0)
    variance = (newest + noise.weight * noise.variance) / (free + noise.weight)
    step = np.diff(near)
    rough = float((step * step * w[1:] * w[:-1] / (w[1:] + w[:-1])).sum()) / max(count - 1, 1)
    scatter = newest / max(count - 3.0, 1.0)
    raw = min(rough / max(newest / max(count - 2.0, 1.0), 1e-300), 1.0) if newest > 0 else noise.eta
    eta = max((raw * count + noise.eta * 20.0) / (count + 20.0), 0.02)
    crossings = int(np.count_nonzero(near[1:] * near[:-1] < 0))
    return variance, scatter if count >= ENOUGH_CELLS else float("inf"), eta, crossings


def _beyond(limit: float, offset: float, sd: float) -> float:
    """Probability that a normal error of this offset and standard deviation exceeds ±limit."""
    scale = 1.0 / (max(sd, 1e-300) * 2**0.5)
    return 0.5 * (erfc((limit - offset) * scale) + erfc((limit + offset) * scale))


def _undithered(variance: float, noise: Noise) -> float:
    """Share of the rounding error that averaging leaves: 1 without noise, 0 with noise of d/2 and more.

    First harmonic of the rounding error under Gaussian dither, exp(−2π²σ²/d²), with the variance that rounding
    itself adds, d²/12, taken off.
    """
    if noise.step <= 0:
        return 0.0
    ratio = max(variance / noise.copies / noise.step**2 - 1.0 / 12.0, 0.0)
    return float(np.exp(-19.74 * ratio))


def _slope(age: Array, y: Array, weight: Array) -> tuple[float, float]:
    """Weighted least-squares slope in time, and the sum of squares it rests on."""
    total = weight.sum()
    centred = age - (weight * age).sum() / total
    ctt = max(float((weight * centred * centred).sum()), 1e-300)
    return -float((weight * centred * y).sum()) / ctt, ctt
