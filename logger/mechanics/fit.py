"""Weighted least squares over all weighings, with suspension scatter as a variance along the warp mode only.

The scatter is not known beforehand: the fit is made for a range of scatters, each weighed by how well it
explains the readings (marginal likelihood) and by a broad first guess, and the results are mixed. So few
repeats give a wide ±, many repeats a sharp one, without a step in between. The readings' own ± is treated
the same way where it is a guess.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logger.mechanics.lines import student
from logger.mechanics.statics import Array
from logger.mechanics.unknowns import Prior, Unknowns

SCATTERS = np.geomspace(1e-4, 2e-2, 20)
"""Standard deviations of cross weight from rock to rock (share of 1) that are tried."""
NOISES_KG = np.geomspace(0.01, 1, 12)
"""Standard deviations of readings beyond their stated ± that are tried where that ± is a guess."""
OFF = 1.0
"""Standard deviations of chi² above its mean from which gains told are more than the usual: one in six by
chance. Too often costs a wider ±, too seldom a wrong one."""
ABSURD = 5.0
"""A gain this many times its allowance or stated u is no gain: five standard deviations."""
PASSES = 4
"""Linearisations; products of small terms (gain × load, K × twist) settle to rounding in three."""
RANK_TOLERANCE = 1e-7
"""Singular values below this fraction of the largest are null, columns scaled to one."""


@dataclass(frozen=True, kw_only=True)
class Fit:
    """Unknowns with covariance; `scatter` is cross weight's rock-to-rock standard deviation (share of 1).

    `null` (unknowns × r) spans what the data alone leaves open, allowances set aside and pads taken as
    calibrated. `told_gains` (pads × r) are the combinations of gains fitted, `free` all directions fitted,
    `weights` those of SCATTERS, `jacobian` is that at `p`. `noise_kg2` is the variance of readings beyond
    their stated one; 0 unless that was a guess.
    """

    unknowns: Unknowns
    prior: Prior
    p: Array
    covariance: Array
    scatter: float
    scatter_u: float
    null: Array
    told_gains: Array
    free: Array
    jacobian: Array
    weights: Array
    noise_kg2: float


def fit(unknowns: Unknowns, prior: Prior) -> Fit:
    """Estimate all unknowns from all weighings.

    Where nobody states the pads' gains, the readings are asked first, as far as the placements tell; then
    all gains are allowed to be as far off as that and common practice say. If a gain comes out absurd,
    something other than a gain is wrong, and the pads are taken as calibrated so that it shows.
    """
    prior = prior.with_gain_u(unknowns, None)
    told = told_gains(unknowns, prior, unknowns.jacobian(unknowns.start(prior.mean)))
    found = _fit(unknowns, prior, told)
    if prior.known.gain_u is None and not _absurd(found):
        off, gain_u = gains_found_off(found)
        usual = prior.with_gain_u(unknowns, gain_u, found_off=off)
        found = replace(_fit(unknowns, usual, np.eye(len(unknowns.pads))), told_gains=told)
    return _fit(unknowns, prior.with_gain_u(unknowns, 0.0), told[:, :0]) if _absurd(found) else found


def _absurd(f: Fit) -> bool:
    """Whether a pad would have a gain that no pad has."""
    gains = slice(f.unknowns.at_gain, f.unknowns.at_zero)
    return bool(np.any(np.abs(f.p[gains]) > ABSURD * f.prior.u[gains]))


def gains_found_off(f: Fit) -> tuple[bool, float]:
    """Whether readings show that pads are off by more than the usual, and the deviation to allow for.

    What was found of some says something about what nobody can tell of the others. The estimate leans on
    the usual one while few combinations are told, and has Student's factor.
    """
    usual, weight = f.prior.allow.gain_usual, f.prior.allow.gain_usual_weight
    size = f.told_gains.shape[1]
    if size == 0:
        return False, usual
    gains = slice(f.unknowns.at_gain, f.unknowns.at_zero)
    told = f.told_gains.T @ f.p[gains]
    covariance = f.told_gains.T @ f.covariance[gains, gains] @ f.told_gains + usual**2 * np.eye(size)
    if told @ np.linalg.solve(covariance, told) < size + OFF * np.sqrt(2 * size):
        return False, usual
    freedom = size + weight
    spread = float(np.sqrt((told @ told + weight * usual**2) / freedom)) * student(2.0, freedom) / 2
    return True, min(max(usual, spread), f.prior.allow.gain)


def _fit(unknowns: Unknowns, prior: Prior, told: Array) -> Fit:
    p = unknowns.start(prior.mean)
    jac = unknowns.jacobian(p)
    identity = np.eye(len(p))
    gains = identity[:, unknowns.at_gain : unknowns.at_zero] @ told
    free = np.hstack([identity[:, : unknowns.at_gain], gains, identity[:, unknowns.at_zero :]])
    guess = np.array([prior.allow.cross_scatter])
    for _ in range(PASSES):
        step = _posterior(unknowns, prior, p, jac, free, guess)[0][0]
        p = p + free @ step
        jac = unknowns.jacobian(p)
    guessed = prior.guessed_u and not unknowns.noise_kg2
    noises = NOISES_KG**2 if guessed else np.zeros(1)
    found = [_posterior(unknowns, prior, p, jac, free, SCATTERS, noise) for noise in noises]
    steps, covariances, evidence = (np.concatenate(part) for part in zip(*found, strict=True))
    weights = _normalised(evidence + _log_guess(prior, noises).ravel())
    mean = weights @ steps
    off = steps - mean
    covariance = np.einsum("k,kij->ij", weights, covariances) + (weights[:, None] * off).T @ off
    weights = weights.reshape(len(noises), -1)
    noise, weights = float(noises @ weights.sum(axis=1)), weights.sum(axis=0)
    scatter = float(weights @ SCATTERS)
    covariance = free @ covariance @ free.T
    _add_product(unknowns, covariance)
    p = p + free @ mean
    jac = unknowns.jacobian(p)
    return Fit(
        unknowns=unknowns,
        prior=prior,
        p=p,
        covariance=covariance,
        scatter=scatter,
        scatter_u=float(np.sqrt(weights @ (SCATTERS - scatter) ** 2)),
        null=null_space(unknowns, prior, jac),
        told_gains=told,
        free=free,
        jacobian=jac,
        weights=weights,
        noise_kg2=noise,
    )


def _log_guess(prior: Prior, noises: Array) -> Array:
    """Logarithm of how likely scatters (columns) and noises (rows, kg²) are beforehand."""
    allow = prior.allow
    scatter = np.log(SCATTERS / allow.cross_scatter) / allow.cross_scatter_spread
    noise = np.zeros(1)
    if len(noises) > 1:
        noise = np.log(np.sqrt(noises) / allow.noise_kg) / allow.noise_spread
    return np.asarray(-0.5 * (scatter**2 + noise[:, None] ** 2))


def _add_product(unknowns: Unknowns, covariance: Array) -> None:
    """Add the second-order term of K·theta (GUM 5.1.2, note): it matters while neither is measured."""
    twist = unknowns.floor_of(unknowns.set) + 2
    shares = np.array(
        [
            np.bincount(twist[unknowns.build == b], minlength=len(covariance))
            for b in range(len(unknowns.builds))
        ]
    )
    shares = shares / shares.sum(axis=1, keepdims=True)
    kappa = np.arange(3, unknowns.at_floor, 4)
    product = covariance[unknowns.at_K, unknowns.at_K] * np.diag(covariance)
    covariance[np.ix_(kappa, kappa)] += (shares * product) @ shares.T


def kappa_scatter(unknowns: Unknowns, p: Array, scatters: Array) -> Array:
    """(k, n) variances of kappa (kg²·m²) for scatters of cross weight (share of 1)."""
    mass = p[4 * unknowns.build]
    _, front, rear = unknowns.geometry.lengths_m
    variance: Array = (scatters[:, None] * mass / (1 / front + 1 / rear)) ** 2
    return variance


def information(
    unknowns: Unknowns, jac: Array, covariance: Array, variance: Array, residual: Array
) -> tuple[Array, Array, Array, Array]:
    """Normal matrices (k, q, q), right sides (k, q), chi² (k) and log-determinants (k) for k warp variances.

    `jac` (n, 4, q), `covariance` (n, 4, 4), `variance` (k, n) along the warp mode, by Sherman–Morrison.
    """
    v = unknowns.warp
    inverse = np.linalg.inv(covariance)
    weighted = inverse @ jac
    along = np.einsum("nij,i->nj", weighted, v)
    stiff = np.einsum("i,nij,j->n", v, inverse, v)
    inv_r = np.einsum("nij,nj->ni", inverse, residual)
    r_along = inv_r @ v
    share = variance / (1 + variance * stiff)
    normal = np.einsum("niq,nir->qr", jac, weighted) - np.einsum("kn,nq,nr->kqr", share, along, along)
    right = np.einsum("niq,ni->q", jac, inv_r) - np.einsum("kn,nq,n->kq", share, along, r_along)
    chi2 = np.sum(residual * inv_r) - share @ r_along**2
    log_det = np.linalg.slogdet(covariance)[1].sum() + np.log1p(variance * stiff).sum(axis=1)
    return normal, right, chi2, log_det


def _posterior(
    unknowns: Unknowns,
    prior: Prior,
    p: Array,
    jac: Array,
    free: Array,
    scatters: Array,
    noise_kg2: float = 0.0,
) -> tuple[Array, Array, Array]:
    """Steps (k, q), covariances (k, q, q) and log marginal likelihoods (k), one per scatter.

    `noise_kg2` adds to each reading's variance.
    """
    residual = unknowns.readings - unknowns.predict(p)
    variance = kappa_scatter(unknowns, p, scatters)
    covariance = unknowns.covariance + noise_kg2 * np.eye(4)
    normal, right, chi2, log_det = information(unknowns, jac @ free, covariance, variance, residual)
    precision = 1 / prior.u**2
    gap = prior.mean - p
    normal = normal + free.T @ (precision[:, None] * free)
    right = right + free.T @ (precision * gap)
    chi2 = chi2 + precision @ gap**2
    covariances, log_normal = invert(normal)
    steps = np.einsum("kij,kj->ki", covariances, right)
    evidence = -0.5 * (chi2 - np.sum(right * steps, axis=1) + log_det + log_normal)
    return steps, covariances, evidence


def conditional(f: Fit) -> Array:
    """Covariance (unknowns²) of states and zeros with floor, stiffness and gains held."""
    unknowns = f.unknowns
    size = len(unknowns.names)
    moves = np.r_[0 : unknowns.at_floor, unknowns.at_zero : size]
    jac = f.jacobian[:, :, moves]
    variance = kappa_scatter(unknowns, f.p, SCATTERS)
    normal = information(unknowns, jac, unknowns.covariance, variance, unknowns.readings)[0]
    covariances, _ = invert(normal + np.diag(1 / f.prior.u[moves] ** 2))
    whole = np.zeros((size, size))
    whole[np.ix_(moves, moves)] = np.einsum("k,kij->ij", f.weights, covariances)
    return whole


def invert(normal: Array) -> tuple[Array, Array]:
    """Inverses and log-determinants of a stack of normal matrices, scaled so that units do not matter."""
    scale = 1 / np.sqrt(np.einsum("kii->ki", normal))
    scaled = normal * scale[:, :, None] * scale[:, None, :]
    inverse = np.linalg.inv(scaled) * scale[:, :, None] * scale[:, None, :]
    return inverse, np.linalg.slogdet(scaled)[1] - 2 * np.log(scale).sum(axis=1)


def _normalised(log_weights: Array) -> Array:
    weights = np.exp(log_weights - log_weights.max())
    normalised: Array = weights / weights.sum()
    return normalised


def null_space(unknowns: Unknowns, prior: Prior, jac: Array) -> Array:
    """Directions (unknowns × r) that readings, measured floor and measured stiffness leave open.

    Allowances do not count as data, and the pads are taken as calibrated. h, c and the zeros are taken as
    known: they are corrections, each with its own ±, and not questions that a placement answers.
    """
    size = len(unknowns.names)
    asked = np.zeros(size, dtype=bool)
    asked[: unknowns.at_K + 1] = True
    columns = jac.reshape(-1, size)
    norms = np.linalg.norm(columns, axis=0)
    asked &= ~prior.measured & (norms > RANK_TOLERANCE)
    _, values, rows = np.linalg.svd(np.linalg.qr(columns[:, asked] / norms[asked], mode="r"))
    rank = int(np.sum(values > RANK_TOLERANCE * values[0]))
    null = np.zeros((size, rows.shape[0] - rank))
    null[asked] = (rows[rank:] / norms[asked]).T
    return null


def told_gains(unknowns: Unknowns, prior: Prior, jac: Array) -> Array:
    """Pads × r: combinations of the pads' gains that are told; all of them when their u was given.

    None when it was given as 0. Else those that the readings tell to half of the allowance or better,
    everything else being unknown; the rest has its allowance alone.
    """
    pads = np.eye(len(unknowns.pads))
    if prior.known.gain_u is not None:
        return pads if prior.known.gain_u > 0 else pads[:, :0]
    variance = kappa_scatter(unknowns, unknowns.start(prior.mean), np.array([prior.allow.cross_scatter]))
    normal = information(unknowns, jac, unknowns.covariance, variance, unknowns.readings)[0][0]
    gains = np.arange(unknowns.at_gain, unknowns.at_zero)
    rest = np.r_[0 : unknowns.at_gain, unknowns.at_zero : len(unknowns.names)]
    others = normal[np.ix_(rest, rest)] + np.diag(1 / prior.u[rest] ** 2)
    shared = normal[np.ix_(gains, rest)]
    left = normal[np.ix_(gains, gains)] - shared @ invert(others[None])[0][0] @ shared.T
    values, vectors = np.linalg.eigh(left)
    return np.asarray(vectors[:, values > (2 / prior.allow.gain) ** 2])
