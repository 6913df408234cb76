# cython: annotation_typing=False, boundscheck=False, initializedcheck=False
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

import math
from typing import NamedTuple

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from logger.settling.sums import ENOUGH_CELLS, LONG_AGO, Sums, risk_of

__all__ = ["ENOUGH_CELLS", "Estimate", "Noise", "Tails", "estimate", "slope", "together", "turns"]

Array = NDArray[np.float64]
NEVER = 1e-6
"""A kind of tail less probable than this adds nothing to a risk of per cents."""


class Noise(Struct, frozen=True, gc=False):
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


class Tails(Struct, frozen=True, gc=False):
    """Expectation: time constants (s; first the fast tail's, which is always fitted), log prior of no slow
    one and of each size and time constant, spreads (sizes by time constants), and the share of what a tail
    has to go (`doubt`) that no exponential tells."""

    times_s: list[float]
    log_prior: list[float]
    spread: list[list[float]]
    doubt: float


class Estimate(Struct, frozen=True, gc=False):
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


_IDLE = [Sums()]
"""Sums that nobody uses now; taken out while they are used, so that two threads never meet in them."""


def estimate(t: Array, x: Array, w: Array, noise: Noise, tails: Tails, band: float) -> Estimate:
    """Fit the cells (times s, means, sample counts; oldest first, at least 3) and say what they settle to.

    `band` is what counts as standing still around the newest cells. Values may have any magnitude: sums run
    on differences from the newest.
    """
    sums = _IDLE.pop() if _IDLE else Sums()
    least = _least_variance(noise)
    sums.near(t, x, w, least, noise.distrust, noise.horizon, band)
    times, spread = tails.times_s, tails.spread
    wide = spread[len(spread) - 1][0]
    sums.make_room(len(times) - 1, len(spread))
    sums.fit(times, least / (wide * wide))
    sums.scatters(noise.variance, noise.weight, noise.eta)
    count, per_cell, eta = sums.count, sums.per_cell, sums.eta
    rounding = noise.copies * noise.step * noise.step / 12.0
    share = rounding * _undithered(sums.variance, noise.copies, noise.step)
    kappa = min((2.0 - eta) / eta, max(count / (sums.crossings + 1.0), 1.0))
    scale = max(kappa * (sums.variance - share) + share * per_cell, rounding, 1e-18)
    mix = _weigh(sums, times, tails.log_prior, spread, tails.doubt, scale, share)
    sums.wanders(sums.variance / per_cell)
    more = share + sums.wander / sums.swings
    sums.slopes()
    origin = float(x[len(x) - 1])
    found = Estimate(
        value=mix.value + origin,
        u=math.sqrt(mix.variance + more),
        risk=risk_of(noise.tolerance, mix.p, mix.offsets, mix.own, share, NEVER),
        now=mix.value + mix.to_go + origin,
        slope=sums.fall,
        u_slope=math.sqrt(scale / sums.lever),
        count=count,
        samples=sums.samples,
        span_s=sums.span_s,
        variance=sums.variance,
        scatter=sums.scatter,
        eta=eta,
        wander=sums.wander,
        changes=sums.changes(),
        crossings=sums.crossings,
        weights=mix.p,
        offsets=mix.offsets,
        own=[v + more for v in mix.own],
    )
    _IDLE.append(sums)
    return found


def _least_variance(noise: Noise) -> float:
    return max(noise.variance, noise.copies * noise.step * noise.step / 12.0, 1e-18)


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


def _weigh(
    sums: Sums,
    times: list[float],
    log_prior: list[float],
    spread: list[list[float]],
    doubt: float,
    scale: float,
    share: float,
) -> _Mixture:
    """Weigh no tail and every size and time constant by what it explains.

    `scale` is the variance of a sample, correlation included, `share` that part of the rounding error which
    is the same for all: a curve that moved little within the window may have hidden behind it.
    """
    steady, per_cell, age = sums.steady, sums.per_cell, sums.oldest_s
    always = scale * (1.0 / sums.weight_sum + sums.loose)
    most = log_prior[0]
    log_p, values, to_go, known, told = sums.log_p, sums.values, sums.to_go, sums.known, sums.told
    log_p[0], values[0], to_go[0], own = most, steady, 0.0, [always]
    slow, kind = sums.slow, 0
    for k in range(slow):
        square, tau = sums.squares[k], times[k + 1]
        reach = math.exp(min(age / tau, LONG_AGO)) - 1.0
        known[k] = 1.0 / (scale / square + 2.0 * share / max(reach * reach, 1e-12))
        told[k] = square / (scale + 2.0 * share * per_cell)
    for line in spread:
        for k in range(slow):
            wide, size, shown, clear, pull = line[k + 1], sums.size[k], known[k], told[k], sums.pull[k]
            before = 1.0 / (wide * wide)
            after = shown + before
            b = size * shown / after
            ahead = b * sums.front[k]
            evidence = size * size * clear * clear / (clear + before) - math.log1p(clear / before)
            kind += 1
            first = log_prior[kind]
            likely = 0.5 * evidence + first
            most = max(most, likely)
            log_p[kind], values[kind], to_go[kind] = likely, steady - b * pull, ahead
            own.append(always + pull * pull / after + doubt * ahead * (doubt * ahead))
    whole = value = ahead = variance = 0.0
    for i in range(kind + 1):
        share_of = math.exp(log_p[i] - most)
        log_p[i] = share_of
        whole += share_of
    p = []
    for i in range(kind + 1):
        share_of = log_p[i] / whole
        p.append(share_of)
        value += share_of * values[i]
        ahead += share_of * to_go[i]
    offsets = []
    for i in range(kind + 1):
        share_of, wide, off = p[i], own[i], values[i] - value
        offsets.append(off)
        variance += share_of * (wide + off * off)
    return _Mixture(p, offsets, own, value, variance, sums.touch + ahead)


def together(own: Estimate, beside: Estimate, shared: Estimate, sign: float, tolerance: float) -> Estimate:
    """A pad's own estimate made better by its share of the diagonal and what it reads beside that."""
    more = beside.u * beside.u
    return replace(
        own,
        value=beside.value + sign * shared.value,
        u=math.sqrt(more + shared.u * shared.u),
        risk=risk_of(tolerance, shared.weights, shared.offsets, shared.own, more, NEVER),
        now=beside.now + sign * shared.now,
    )


def _undithered(variance: float, copies: float, step: float) -> float:
    """Share of the rounding error that averaging leaves: 1 without noise, 0 with noise of d/2 and more.

    First harmonic of the rounding error under Gaussian dither, exp(−2π²σ²/d²), with the variance that
    rounding itself adds, d²/12, taken off. 0 where no step is known.
    """
    square = step * step
    if square <= 0:
        return 0.0
    ratio = max(variance / copies / square - 1.0 / 12.0, 0.0)
    return math.exp(-19.74 * ratio)


def slope(age: Array, y: Array, weight: Array) -> tuple[float, float]:
    """Weighted least-squares slope in time, and the sum of squares it rests on."""
    total = float(weight.sum())
    centred = age - float(weight @ age) / total
    lever = weight * centred
    ctt = max(float(lever @ centred), 1e-300)
    return -float(lever @ y) / ctt, ctt


def turns(t: Array, x: Array) -> int:
    """How often half-second means cross their own straight line by more than a quarter of their largest way
    from it: a tail's do twice, noise or not, a breath's more often."""
    halves = np.floor((t - t[0]) * 2.0 + 1e-6).astype(int)
    count = np.bincount(halves)
    full = count > 0
    means = np.bincount(halves, x - x[0])[full] / count[full]
    at = np.flatnonzero(full) - 0.5 * (len(count) - 1)
    left = means - means.mean() - at * (at @ means) / max(float(at @ at), 1e-9)
    far = left[np.abs(left) > 0.25 * np.abs(left).max()]
    return int(np.count_nonzero(far[1:] * far[:-1] < 0))
