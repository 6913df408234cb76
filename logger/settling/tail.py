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
from array import array
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from logger.settling.sums import ENOUGH_CELLS, LONG_AGO, Curves, Sums, risk_of, zeros

if TYPE_CHECKING:
    from logger.settling.sums import Numbers

__all__ = ["ENOUGH_CELLS", "Estimate", "Noise", "Tails", "estimate", "together", "turns"]

Array = NDArray[np.float64]
NEVER = 1e-6
"""A kind of tail less probable than this adds nothing to a risk of per cents."""
ROOM = array("d", [0.0])
"""Multiplied, so much room."""
NOTHING = array("d")
PLAIN = (
    *("value", "u", "claimed", "risk", "now", "slope", "u_slope", "count", "samples", "span_s"),
    *("variance", "scatter", "eta", "wander", "changes", "crossings"),
)
"""What an estimate is made of, beside its kinds."""


class Noise:
    """What is known of the noise: variance of one sample, its weight in cells, and the von Neumann ratio η.

    `step` is the resolution d, `copies` how many independently rounded values add up in one (four pads: 4),
    `distrust` the share by which the model may be wrong, `horizon` how many bands off a cell may lie to be
    used.
    """

    def __init__(self) -> None:
        self.variance = self.weight = self.eta = self.step = self.copies = 0.0
        self.distrust = self.horizon = 0.0


class Tails:
    """Expectation: time constants (s; first the fast tail's, which is always fitted), log prior of no slow
    one and of each size and time constant, spreads (by size, the fast tail's first in each), and the share of
    what a tail has to go (`doubt`) that no exponential tells; what all this leads to has `modest` times the
    variance it claims."""

    def __init__(
        self, times_s: list[float], log_prior: list[float], sizes: int, doubt: float, modest: float
    ) -> None:
        self.times_s = times_s
        self.log_prior = log_prior
        self.sizes = sizes
        self.spread = zeros(sizes * len(times_s))
        self.doubt = doubt
        self.modest = modest


class Estimate:
    """Settled value with its standard uncertainty, and the newest cells (`count`) that lie within a band."""

    def __init__(self) -> None:
        self.value = self.u = 0.0
        self.claimed = 0.0
        """Variance of the value by the fit alone; risks are reckoned with it."""
        self.risk = 0.0
        """Probability that the settled value lies farther from `value` than the tolerance; 0 if not asked."""
        self.now = 0.0
        """The fitted curve at the newest cell."""
        self.slope = self.u_slope = 0.0
        """Least-squares slope over these cells, per second."""
        self.count = 0
        self.samples = self.span_s = 0.0
        self.variance = 0.0
        """Residual variance of one sample."""
        self.scatter = 0.0
        """The same from the newest cells alone, without what was known before; inf if they are few."""
        self.eta = 0.0
        self.wander = 0.0
        """Variance of what the load wanders from second to second beyond noise."""
        self.changes = 0
        """How many of these cells differ from the one before."""
        self.crossings = 0
        """How often the residuals change sign."""
        self.kinds = NOTHING
        """Three numbers of no slow tail, then of each size (outermost) and time constant: its posterior
        probability, the settled value were it so (from `value`), and the variance of that."""

    def __reduce__(self) -> tuple[Any, ...]:
        """What a bay's state keeps of it, compiled or not."""
        return Estimate, (), ([getattr(self, name) for name in PLAIN], list(self.kinds))

    def __setstate__(self, state: tuple[list[Any], list[float]]) -> None:
        for name, value in zip(PLAIN, state[0], strict=True):
            setattr(self, name, value)
        self.kinds = array("d", state[1])

    def weights(self) -> list[float]:
        """Posterior probability of no slow tail, then of each size and time constant."""
        return [self.kinds[i] for i in range(0, len(self.kinds), 3)]

    def other(self, value: float, u: float, risk: float, now: float) -> Estimate:
        """The same cells, read otherwise."""
        made = Estimate()
        made.value, made.u, made.risk, made.now = value, u, risk, now
        made.claimed = self.claimed
        made.slope, made.u_slope, made.count = self.slope, self.u_slope, self.count
        made.samples, made.span_s = self.samples, self.span_s
        made.variance, made.scatter, made.eta = self.variance, self.scatter, self.eta
        made.wander, made.changes, made.crossings = self.wander, self.changes, self.crossings
        made.kinds = self.kinds
        return made


_IDLE = [Sums()]
"""Sums that nobody uses now; taken out while they are used, so that two threads never meet in them."""


def estimate(
    t: Array,
    x: Array,
    w: Array,
    noise: Noise,
    tails: Tails,
    band: float,
    tolerance: float,
    curves: Curves | None = None,
) -> Estimate:
    """Fit the cells (times s, means, sample counts; oldest first, at least 3) and say what they settle to.

    `band` is what counts as standing still around the newest cells, `tolerance` the error beyond which a
    reading is wrong (0: nobody asks for the risk); `curves` may be shared by what ends with the same cell.
    Values may have any magnitude: sums run on differences from the newest.
    """
    sums = _IDLE.pop() if _IDLE else Sums()
    least = _least_variance(noise)
    sums.near(t, x, w, least, noise.distrust, noise.horizon, band)
    times = tails.times_s
    wide = tails.spread[(tails.sizes - 1) * len(times)]
    sums.make_room(len(times) - 1, tails.sizes)
    if curves is None:
        curves = sums.own
        curves.have = 0
    sums.fit(times, least / (wide * wide), curves)
    sums.scatters(noise.variance, noise.weight, noise.eta)
    count, per_cell, eta = sums.count, sums.per_cell, sums.eta
    rounding = noise.copies * noise.step * noise.step / 12.0
    share = rounding * _undithered(sums.variance, noise.copies, noise.step)
    kappa = min((2.0 - eta) / eta, max(count / (sums.crossings + 1.0), 1.0))
    scale = max(kappa * (sums.variance - share) + share * per_cell, rounding, 1e-18)
    found = Estimate()
    kinds = _weigh(sums, tails, scale, share)
    sums.wanders(sums.variance / per_cell)
    more = share + sums.wander / sums.swings
    sums.slopes()
    origin = float(x[len(x) - 1])
    found.value = sums.mean + origin
    found.claimed = sums.mixed + more
    found.u = math.sqrt(tails.modest * sums.mixed + more)
    found.risk = risk_of(tolerance, kinds, share, NEVER) if tolerance > 0 else 0.0
    found.now = sums.mean + sums.to_go + origin
    found.slope, found.u_slope = sums.fall, math.sqrt(scale / sums.lever)
    found.count, found.samples, found.span_s = count, sums.samples, sums.span_s
    found.variance, found.scatter, found.eta = sums.variance, sums.scatter, eta
    found.wander, found.changes, found.crossings = sums.wander, sums.changes(), sums.crossings
    for i in range(2, len(kinds), 3):
        kinds[i] += more
    found.kinds = kinds
    _IDLE.append(sums)
    return found


def _least_variance(noise: Noise) -> float:
    return max(noise.variance, noise.copies * noise.step * noise.step / 12.0, 1e-18)


def _weigh(sums: Sums, tails: Tails, scale: float, share: float) -> Numbers:
    """Weigh no tail and every size and time constant by what it explains: probability, settled value (from
    the mean of all) and its own variance of each, one after the other.

    The mean of all goes to `sums.mean`, its variance to `sums.mixed`, and how far the newest point of the
    mixed curve is from settled to `sums.to_go`. `scale` is the variance of a sample, correlation included,
    `share` that part of the rounding error which is the same for all: a curve that moved little within the
    window may have hidden behind it.
    """
    steady, per_cell, age = sums.steady, sums.per_cell, sums.oldest_s
    always = scale * (1.0 / sums.weight_sum + sums.loose)
    times, log_prior, spread, doubt = tails.times_s, tails.log_prior, tails.spread, tails.doubt
    most = log_prior[0]
    log_p, values, to_go, known, told = sums.log_p, sums.values, sums.ahead, sums.known, sums.told
    slow, kind, sizes = sums.slow, 0, tails.sizes
    found = ROOM * (3 * (slow * sizes + 1))
    log_p[0], values[0], to_go[0], found[2] = most, steady, 0.0, always
    for k in range(slow):
        square, tau = sums.squares[k], times[k + 1]
        reach = math.exp(min(age / tau, LONG_AGO)) - 1.0
        known[k] = 1.0 / (scale / square + 2.0 * share / max(reach * reach, 1e-12))
        told[k] = square / (scale + 2.0 * share * per_cell)
    for line in range(sizes):
        for k in range(slow):
            wide, size, shown = spread[line * (slow + 1) + k + 1], sums.size[k], known[k]
            clear, pull = told[k], sums.pull[k]
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
            found[3 * kind + 2] = always + pull * pull / after + doubt * ahead * (doubt * ahead)
    whole = value = ahead = variance = 0.0
    for i in range(kind + 1):
        share_of = math.exp(log_p[i] - most)
        log_p[i] = share_of
        whole += share_of
    for i in range(kind + 1):
        share_of = log_p[i] / whole
        found[3 * i] = share_of
        value += share_of * values[i]
        ahead += share_of * to_go[i]
    for i in range(kind + 1):
        share_of, wide, off = found[3 * i], found[3 * i + 2], values[i] - value
        found[3 * i + 1] = off
        variance += share_of * (wide + off * off)
    sums.mean, sums.mixed, sums.to_go = value, variance, sums.touch + ahead
    return found


def together(own: Estimate, beside: Estimate, shared: Estimate, sign: float, tolerance: float) -> Estimate:
    """A pad's own estimate made better by its share of the diagonal and what it reads beside that."""
    return own.other(
        beside.value + sign * shared.value,
        math.sqrt(beside.u * beside.u + shared.u * shared.u),
        risk_of(tolerance, shared.kinds, beside.claimed, NEVER) if tolerance > 0 else 0.0,
        beside.now + sign * shared.now,
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
