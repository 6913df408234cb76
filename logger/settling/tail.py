"""What will it read once settled: level plus exponential tail, averaged over time constants.

Model, age counted back from now: x(age) = a + b·exp(age/τ) + fast + noise, so a is the settled value, b what
is still to go; the fast part, one short exponential, is what is left of the swing and the last touch. The
fit is weighted least squares with normal priors; no tail, and tails of several sizes and τ, are averaged over
by their marginal likelihood. No model of a car is right to the last digit: a cell that lay far off counts as
uncertain by a share of how far, so that movement fades out of the fit by itself. Correlated noise (an
indicator's own average, swing, breathing) widens u by the von Neumann ratio, rounding by what its dither
leaves, a slow wander by itself. Pure numpy, no state.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import erfc
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
LONG_AGO = 14.0
"""Ages beyond so many time constants tell nothing of a tail: it would have been a million times larger."""
WANDER_S = 4.0
"""Shortest stretch that shows how a load wanders from second to second."""
ENOUGH_CELLS = 15
"""Cells whose scatter is known to about a factor of two (χ² with a dozen degrees of freedom)."""


@dataclass(frozen=True, slots=True)
class Noise:
    """What is known of the noise: variance of one sample, its weight in cells, and the von Neumann ratio η.

    `step` is the resolution d, `copies` how many independently rounded values add up in one (four pads: 4),
    `distrust` the share by which the model may be wrong, `horizon` how many bands off a cell may lie to be
    used,
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
    """Expectation: time constants (s; first the fast tail's, which is always fitted), log prior of no slow
    one and of each size and time constant, spreads (sizes by time constants), and the share of what a tail
    has to go (`doubt`) that no exponential tells."""

    times_s: Array
    log_prior: Array
    spread: Array
    doubt: float


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
    wander: float
    """Variance of what the load wanders from second to second beyond noise."""
    changes: int
    """How many of these cells differ from the one before."""
    crossings: int
    """How often the residuals change sign."""
    weights: Array
    """Posterior probability of no slow tail, then of each size (outermost) and time constant."""
    values: Array
    """The settled value were it so, from `value`, …"""
    own: Array
    """… and its variance."""


def estimate(t: Array, x: Array, w: Array, noise: Noise, tails: Tails, band: float) -> Estimate:
    """Fit the cells (times s, means, sample counts; oldest first, at least 3) and say what they settle to.

    `band` is what counts as standing still around the newest cells. Values may have any magnitude: sums run
    on differences from the newest.
    """
    age, y, weight, count = _near(t, x, w, noise, band)
    fits = _fit_each(age, y, weight, tails, noise)
    left = fits.left()
    found = _scatter(left[:count], weight[:count], noise)
    per_cell = float(w[max(len(w) - 10, 0) :].mean())
    rounding = noise.copies * noise.step * noise.step / 12.0
    share = rounding * _undithered(found.variance, noise)
    kappa = min((2.0 - found.eta) / found.eta, max(count / (found.crossings + 1.0), 1.0))
    scale = max(kappa * (found.variance - share) + share * per_cell, rounding, 1e-18)
    mix = _weigh(fits, tails, age, scale, share, per_cell)
    value = float((mix.p * mix.values).sum())
    variance = float((mix.p * (mix.own + (mix.values - value) ** 2)).sum())
    wander, swings = _wander(age[:count], left[:count], found.variance / per_cell)
    fall, ctt = slope(age[:count], y[:count], weight[:count])
    origin = float(x[-1])
    return Estimate(
        value=value + origin,
        u=float(variance + share + wander / swings) ** 0.5,
        risk=_risk(noise.tolerance, mix.p, mix.values - value, mix.own + share),
        now=value + mix.to_go + origin,
        slope=fall,
        u_slope=float(np.sqrt(scale / ctt)),
        count=count,
        samples=float(w[len(w) - count :].sum()),
        span_s=float(age[count - 1]),
        variance=found.variance,
        scatter=found.scatter,
        eta=found.eta,
        wander=wander,
        changes=int(np.count_nonzero(np.diff(y[:count]))),
        crossings=found.crossings,
        weights=mix.p,
        values=mix.values - value,
        own=mix.own + share + wander / swings,
    )


def _least_variance(noise: Noise) -> float:
    return max(noise.variance, noise.copies * noise.step * noise.step / 12.0, 1e-18)


def _near(t: Array, x: Array, w: Array, noise: Noise, band: float) -> tuple[Array, Array, Array, int]:
    """Ages, values (from the newest) and weights of the cells to use, how many newest lie within the band.

    A cell that lay `off` outside what noise explains, or is older than one that did, weighs as if its noise
    were `distrust` · off more; beyond `horizon` bands it is left out.
    """
    age = t[-1] - t[::-1]
    y = x[::-1] - x[-1]
    weight = w[::-1]
    per_cell = float(weight[: min(len(weight), 10)].mean())
    least = _least_variance(noise)
    off = np.abs(y - np.median(y[:5])) - 2.5 * (least / per_cell) ** 0.5
    off = np.maximum.accumulate(np.maximum(off, 0.0))
    count = max(int(np.searchsorted(off, band, side="right")), 3)
    use = max(int(np.searchsorted(off, noise.horizon * band, side="right")), count)
    age, y, weight, off = age[:use], y[:use], weight[:use], off[:use]
    return age, y, weight / (1.0 + weight * (noise.distrust * off) ** 2 / least), count


class _Fits(NamedTuple):
    """Level and fast tail, and beside them each slow tail by itself.

    `steady` is the settled value without a slow tail, `touch` what the fast one still has to go, `loose` how
    loosely it leaves the level. For each slow tail: its curve freed of level and fast tail (`slow`), the sum
    of its squares, its size now (`size`), by how much a size of 1 lowers the settled value (`pull`) and
    raises the newest (`front`).
    """

    weight_sum: float
    rest: Array
    steady: float
    touch: float
    loose: float
    slow: Array
    squares: Array
    size: Array
    pull: Array
    front: Array

    def left(self) -> Array:
        """Residuals of the slow tail that explains most."""
        best = int(np.argmax(self.size * self.size * self.squares))
        residuals: Array = self.rest - self.size[best] * self.slow[best]
        return residuals


def _fit_each(age: Array, y: Array, weight: Array, tails: Tails, noise: Noise) -> _Fits:
    """Weighted least squares, the fast tail held by its prior."""
    ages = age / tails.times_s[:, None]
    curves = np.exp(np.minimum(ages, LONG_AGO)) * (ages <= LONG_AGO)
    total = float(weight.sum())
    mean = float((weight * y).sum()) / total
    f = (weight * curves).sum(axis=1) / total
    curves -= f[:, None]
    fast = curves[0]
    row = weight * fast
    ridge = _least_variance(noise) / float(tails.spread[-1, 0]) ** 2
    soft = float((row * fast).sum()) + ridge
    touch = float((row * (y - mean)).sum()) / soft
    rest = y - mean - touch * fast
    lean = (row * curves[1:]).sum(axis=1) / soft
    slow = curves[1:] - lean[:, None] * fast
    squares = np.maximum((weight * slow * slow).sum(axis=1), 1e-300)
    return _Fits(
        weight_sum=total,
        rest=rest,
        steady=mean - touch * float(f[0]),
        touch=touch,
        loose=float(f[0]) ** 2 / soft,
        slow=slow,
        squares=squares,
        size=(weight * slow * rest).sum(axis=1) / squares,
        pull=f[1:] - lean * f[0],
        front=1.0 - lean,
    )


class _Mixture(NamedTuple):
    """For no slow tail, then each size and time constant: probability, settled value and its own variance.

    `to_go` is how far the newest point of the mixed curve is from settled.
    """

    p: Array
    values: Array
    own: Array
    to_go: float


def _weigh(fits: _Fits, tails: Tails, age: Array, scale: float, share: float, per_cell: float) -> _Mixture:
    """Weigh no tail and every size and time constant by what it explains.

    `scale` is the variance of a sample, correlation included, `share` that part of the rounding error which
    is the same for all: a curve that moved little within the window may have hidden behind it.
    """
    reach = np.exp(np.minimum(age[-1] / tails.times_s[1:], LONG_AGO)) - 1.0
    known = 1.0 / (scale / fits.squares + 2.0 * share / np.maximum(reach * reach, 1e-12))
    before = 1.0 / tails.spread[:, 1:] ** 2
    after = known + before
    p = _probabilities(fits.size, fits.squares / (scale + 2.0 * share * per_cell), before, tails.log_prior)
    b = fits.size * known / after
    values = fits.steady - np.concatenate(((0.0,), (b * fits.pull).ravel()))
    own = np.concatenate(
        ((0.0,), (fits.pull * fits.pull / after + (tails.doubt * b * fits.front) ** 2).ravel())
    )
    return _Mixture(
        p=p,
        values=values,
        own=own + scale * (1.0 / fits.weight_sum + fits.loose),
        to_go=fits.touch + float((p[1:] * (b * fits.front).ravel()).sum()),
    )


def _probabilities(fit: Array, told: Array, before: Array, log_prior: Array) -> Array:
    """Posterior probability of no tail and of each slow one; `told` and `before` are precisions of b."""
    evidence = 0.5 * (fit * fit * told * told / (told + before) - np.log1p(told / before))
    log_p = np.concatenate(((0.0,), evidence.ravel())) + log_prior
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    return np.asarray(p)


def together(own: Estimate, beside: Estimate, shared: Estimate, sign: float, tolerance: float) -> Estimate:
    """A pad's own estimate made better by its share of the diagonal and what it reads beside that."""
    more = beside.u * beside.u
    return replace(
        own,
        value=beside.value + sign * shared.value,
        u=(more + shared.u * shared.u) ** 0.5,
        risk=_risk(tolerance, shared.weights, shared.values, shared.own + more),
        now=beside.now + sign * shared.now,
    )


def _risk(limit: float, p: Array, offset: Array, variance: Array) -> float:
    """Probability that a mixture of normal errors exceeds ±limit."""
    risk = 0.0
    for q, o, v in zip(p.tolist(), offset.tolist(), variance.tolist(), strict=True):
        scale = 1.0 / max((2.0 * v) ** 0.5, 1e-300)
        risk += q * 0.5 * (erfc((limit - o) * scale) + erfc((limit + o) * scale))
    return risk


class _Scatter(NamedTuple):
    variance: float
    scatter: float
    eta: float
    crossings: int


def _scatter(left: Array, weight: Array, noise: Noise) -> _Scatter:
    """Residual variance of one sample, with and without what was known, its von Neumann ratio η, crossings.

    κ = (2 − η)/η is how much more a mean varies than with white noise; a swing that crosses its mean m times
    averages out at least as well as m + 1 independent readings.
    """
    count = len(left)
    newest = float((weight * left * left).sum())
    free = max(count - 2.0, 1.0)
    variance = (newest + noise.weight * noise.variance) / (free + noise.weight)
    step, w = np.diff(left), weight
    rough = float((step * step * w[1:] * w[:-1] / (w[1:] + w[:-1])).sum()) / max(count - 1, 1)
    scatter = newest / max(count - 3.0, 1.0)
    raw = min(rough / max(newest / max(count - 2.0, 1.0), 1e-300), 1.0) if newest > 0 else noise.eta
    eta = max((raw * count + noise.eta * 20.0) / (count + 20.0), 0.02)
    crossings = int(np.count_nonzero(left[1:] * left[:-1] < 0))
    return _Scatter(variance, scatter if count >= ENOUGH_CELLS else float("inf"), eta, crossings)


def _wander(age: Array, left: Array, white: float) -> tuple[float, float]:
    """Variance of what the load wanders from second to second beyond noise, and how often it swung (≥ 1).

    A wander does not average out by waiting, unless it swings to and fro. `white` is the variance of one
    cell; below four seconds no wander is seen.
    """
    if age[-1] < WANDER_S:
        return 0.0, 1.0
    seconds = (age + 1e-6).astype(np.int64)
    count = np.bincount(seconds)
    full = count > 0
    means = np.bincount(seconds, left)[full] / count[full]
    means -= means.mean()
    more = float((means * means).mean()) - 1.5 * white * len(means) / len(age)
    swings = np.count_nonzero(means[1:] * means[:-1] < 0) / 2.0
    return max(more, 0.0), max(swings, 1.0)


def _undithered(variance: float, noise: Noise) -> float:
    """Share of the rounding error that averaging leaves: 1 without noise, 0 with noise of d/2 and more.

    First harmonic of the rounding error under Gaussian dither, exp(−2π²σ²/d²), with the variance that
    rounding itself adds, d²/12, taken off.
    """
    if noise.step <= 0:
        return 0.0
    ratio = max(variance / noise.copies / noise.step**2 - 1.0 / 12.0, 0.0)
    return float(np.exp(-19.74 * ratio))


def slope(age: Array, y: Array, weight: Array) -> tuple[float, float]:
    """Weighted least-squares slope in time, and the sum of squares it rests on."""
    total = weight.sum()
    centred = age - (weight * age).sum() / total
    ctt = max(float((weight * centred * centred).sum()), 1e-300)
    return -float((weight * centred * y).sum()) / ctt, ctt


def turns(t: Array, x: Array) -> int:
    """How often half-second means cross their own straight line: a tail's do twice, a breath's more often."""
    halves = np.floor((t - t[0]) * 2.0 + 1e-6).astype(int)
    count = np.bincount(halves)
    full = count > 0
    means = np.bincount(halves, x - x[0])[full] / count[full]
    at = np.flatnonzero(full) - 0.5 * (len(count) - 1)
    left = means - means.mean() - at * (at @ means) / max(float(at @ at), 1e-9)
    return int(np.count_nonzero(left[1:] * left[:-1] < 0))
