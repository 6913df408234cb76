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

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import erfc, exp, log1p
from operator import mul
from statistics import median
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
LONG_AGO = 14.0
"""Ages beyond so many time constants tell nothing of a tail: it would have been a million times larger."""
NEVER = 1e-6
"""A kind of tail less probable than this adds nothing to a risk of per cents."""
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
    weights: list[float]
    """Posterior probability of no slow tail, then of each size (outermost) and time constant."""
    offsets: list[float]
    """The settled value were it so, from `value`, …"""
    own: list[float]
    """… and its variance."""


def estimate(t: Array, x: Array, w: Array, noise: Noise, tails: Tails, band: float) -> Estimate:
    """Fit the cells (times s, means, sample counts; oldest first, at least 3) and say what they settle to.

    `band` is what counts as standing still around the newest cells. Values may have any magnitude: sums run
    on differences from the newest.
    """
    age, y, weight, count = _near(t, x, w, noise, band)
    fits = _fit_each(age, y, weight, tails, noise)
    left = fits.left(count)
    found = _scatter(left, weight[:count], noise)
    per_cell = float(w[max(len(w) - 10, 0) :].sum()) / min(len(w), 10)
    rounding = noise.copies * noise.step * noise.step / 12.0
    share = rounding * _undithered(found.variance, noise)
    kappa = min((2.0 - found.eta) / found.eta, max(count / (found.crossings + 1.0), 1.0))
    scale = max(kappa * (found.variance - share) + share * per_cell, rounding, 1e-18)
    mix = _weigh(fits, tails, float(age[-1]), scale, share, per_cell)
    wander, swings = _wander(age[:count], left, found.variance / per_cell)
    more = share + wander / swings
    fall, ctt = slope(age[:count], y[:count], weight[:count])
    origin = float(x[-1])
    return Estimate(
        value=mix.value + origin,
        u=(mix.variance + more) ** 0.5,
        risk=_risk(noise.tolerance, mix.p, mix.offsets, mix.own, share),
        now=mix.value + mix.to_go + origin,
        slope=fall,
        u_slope=(scale / ctt) ** 0.5,
        count=count,
        samples=float(w[len(w) - count :].sum()),
        span_s=float(age[count - 1]),
        variance=found.variance,
        scatter=found.scatter,
        eta=found.eta,
        wander=wander,
        changes=int(np.count_nonzero(y[1:count] != y[: count - 1])),
        crossings=found.crossings,
        weights=mix.p,
        offsets=mix.offsets,
        own=[v + more for v in mix.own],
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
    per_cell = float(weight[:10].sum()) / min(len(weight), 10)
    least = _least_variance(noise)
    off = np.abs(y - median(y[:5].tolist()))
    off -= 2.5 * (least / per_cell) ** 0.5
    off = np.maximum.accumulate(np.maximum(off, 0.0))
    count = max(int(off.searchsorted(band, side="right")), 3)
    use = max(int(off.searchsorted(noise.horizon * band, side="right")), count)
    age, y, weight, off = age[:use], y[:use], weight[:use], off[:use]
    if off[-1] <= 0.0:
        return age, y, weight, count
    return age, y, weight / (1.0 + weight * off * off * (noise.distrust**2 / least)), count


class _Fits(NamedTuple):
    """Level and fast tail, and beside them each slow tail by itself.

    `steady` is the settled value without a slow tail, `touch` what the fast one still has to go, `loose` how
    loosely it leaves the level. For each slow tail: how much of the fast curve its own holds (`lean`), the
    sum of squares of what that leaves (`squares`), its size now (`size`), by how much a size of 1 lowers the
    settled value (`pull`) and raises the newest (`front`). `rows` are the curves and the values, centred.
    """

    rows: Array
    weight_sum: float
    steady: float
    touch: float
    loose: float
    lean: list[float]
    squares: list[float]
    size: list[float]
    pull: list[float]
    front: list[float]

    def left(self, count: int) -> Array:
        """Residuals of the newest cells from the slow tail that explains most."""
        explained = [size * size * square for size, square in zip(self.size, self.squares, strict=True)]
        best = explained.index(max(explained))
        rows, size = self.rows[:, :count], self.size[best]
        residuals: Array = rows[-1] - (self.touch - size * self.lean[best]) * rows[0] - size * rows[best + 1]
        return residuals


def _fit_each(age: Array, y: Array, weight: Array, tails: Tails, noise: Noise) -> _Fits:
    """Weighted least squares, the fast tail held by its prior.

    All sums of squares and products come from one product of matrices; what follows is arithmetic on a few
    numbers, which plain floats do faster than arrays.
    """
    rows = np.empty((len(tails.times_s) + 1, len(age)))
    ages = age / tails.times_s[:, None]
    np.exp(np.minimum(ages, LONG_AGO), out=rows[:-1])
    if age[-1] > LONG_AGO * tails.times_s[0]:
        rows[:-1] *= ages <= LONG_AGO
    rows[-1] = y
    total = float(weight.sum())
    means = rows @ weight / total
    rows -= means[:, None]
    products = ((rows * weight) @ rows.T).tolist()
    *f, mean = means.tolist()
    fast, *others = products[:-1]
    soft = fast[0] + _least_variance(noise) / float(tails.spread[-1, 0]) ** 2
    touch = fast[-1] / soft
    lean, squares, size = [], [], []
    for k, row in enumerate(others, start=1):
        held = fast[k] / soft
        square = max(row[k] - held * (2.0 * fast[k] - held * fast[0]), 1e-300)
        lean.append(held)
        squares.append(square)
        size.append((row[-1] - touch * fast[k] - held * (fast[-1] - touch * fast[0])) / square)
    return _Fits(
        rows=rows,
        weight_sum=total,
        steady=mean - touch * f[0],
        touch=touch,
        loose=f[0] ** 2 / soft,
        lean=lean,
        squares=squares,
        size=size,
        pull=[each - held * f[0] for each, held in zip(f[1:], lean, strict=True)],
        front=[1.0 - held for held in lean],
    )


class _Mixture(NamedTuple):
    """For no slow tail, then each size and time constant: probability, settled value (from the mean of all)
    and its own variance; and that mean, its variance, and how far the newest point of the mixed curve is
    from settled."""

    p: list[float]
    offsets: list[float]
    own: list[float]
    value: float
    variance: float
    to_go: float


def _weigh(fits: _Fits, tails: Tails, age: float, scale: float, share: float, per_cell: float) -> _Mixture:
    """Weigh no tail and every size and time constant by what it explains.

    `scale` is the variance of a sample, correlation included, `share` that part of the rounding error which
    is the same for all: a curve that moved little within the window may have hidden behind it.
    """
    always = scale * (1.0 / fits.weight_sum + fits.loose)
    log_p, values, own, to_go = [float(tails.log_prior[0])], [fits.steady], [always], [0.0]
    times, log_prior, spread = tails.times_s.tolist(), tails.log_prior.tolist(), tails.spread.tolist()
    slow = []
    for k, (size, square) in enumerate(zip(fits.size, fits.squares, strict=True)):
        reach = exp(min(age / times[k + 1], LONG_AGO)) - 1.0
        known = 1.0 / (scale / square + 2.0 * share / max(reach * reach, 1e-12))
        told = square / (scale + 2.0 * share * per_cell)
        slow.append((size, known, told, fits.pull[k], fits.front[k]))
    for line in spread:
        for wide, (size, known, told, pull, front) in zip(line[1:], slow, strict=True):
            before = 1.0 / (wide * wide)
            after = known + before
            b = size * known / after
            evidence = size * size * told * told / (told + before) - log1p(told / before)
            log_p.append(0.5 * evidence + log_prior[len(log_p)])
            values.append(fits.steady - b * pull)
            own.append(always + pull * pull / after + (tails.doubt * b * front) ** 2)
            to_go.append(b * front)
    most = max(log_p)
    p = [exp(each - most) for each in log_p]
    whole = sum(p)
    p = [each / whole for each in p]
    value = sum(map(mul, p, values))
    offsets = [each - value for each in values]
    variance = sum(q * (v + o * o) for q, o, v in zip(p, offsets, own, strict=True))
    return _Mixture(p, offsets, own, value, variance, fits.touch + sum(map(mul, p, to_go)))


def together(own: Estimate, beside: Estimate, shared: Estimate, sign: float, tolerance: float) -> Estimate:
    """A pad's own estimate made better by its share of the diagonal and what it reads beside that."""
    more = beside.u * beside.u
    return replace(
        own,
        value=beside.value + sign * shared.value,
        u=(more + shared.u * shared.u) ** 0.5,
        risk=_risk(tolerance, shared.weights, shared.offsets, shared.own, more),
        now=beside.now + sign * shared.now,
    )


def _risk(
    limit: float, p: Sequence[float], offsets: Sequence[float], own: Sequence[float], more: float
) -> float:
    """Probability that a mixture of normal errors (variance: own and more) exceeds ±limit."""
    risk = 0.0
    for q, o, v in zip(p, offsets, own, strict=True):
        if q > NEVER:
            scale = 1.0 / max((2.0 * (v + more)) ** 0.5, 1e-300)
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
    newest = float(weight @ (left * left))
    free = max(count - 2.0, 1.0)
    variance = (newest + noise.weight * noise.variance) / (free + noise.weight)
    step, w0, w1 = left[1:] - left[:-1], weight[:-1], weight[1:]
    rough = float((step * step) @ (w0 * w1 / (w0 + w1))) / max(count - 1, 1)
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
    swings = int(np.count_nonzero(means[1:] * means[:-1] < 0)) / 2.0
    return max(more, 0.0), max(swings, 1.0)


def _undithered(variance: float, noise: Noise) -> float:
    """Share of the rounding error that averaging leaves: 1 without noise, 0 with noise of d/2 and more.

    First harmonic of the rounding error under Gaussian dither, exp(−2π²σ²/d²), with the variance that
    rounding itself adds, d²/12, taken off.
    """
    if noise.step <= 0:
        return 0.0
    ratio = max(variance / noise.copies / noise.step**2 - 1.0 / 12.0, 0.0)
    return exp(-19.74 * ratio)


def slope(age: Array, y: Array, weight: Array) -> tuple[float, float]:
    """Weighted least-squares slope in time, and the sum of squares it rests on."""
    total = float(weight.sum())
    centred = age - float(weight @ age) / total
    lever = weight * centred
    ctt = max(float(lever @ centred), 1e-300)
    return -float(lever @ y) / ctt, ctt


def turns(t: Array, x: Array) -> int:
    """How often half-second means cross their own straight line: a tail's do twice, a breath's more often."""
    halves = np.floor((t - t[0]) * 2.0 + 1e-6).astype(int)
    count = np.bincount(halves)
    full = count > 0
    means = np.bincount(halves, x - x[0])[full] / count[full]
    at = np.flatnonzero(full) - 0.5 * (len(count) - 1)
    left = means - means.mean() - at * (at @ means) / max(float(at @ at), 1e-9)
    return int(np.count_nonzero(left[1:] * left[:-1] < 0))
