"""Weighted least squares over all weighings, with suspension scatter as a variance along the warp mode only.

The scatter is not known beforehand: the fit is made for a range of scatters, each weighed by how well it
explains the readings (marginal likelihood) and by a broad first guess, and the results are mixed. So few
repeats give a wide ±, many repeats a sharp one, without a step in between.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.mechanics.statics import Array
from logger.mechanics.unknowns import Prior, Unknowns

SCATTERS = np.geomspace(1e-4, 2e-2, 20)
"""Standard deviations of cross weight from rock to rock (share of 1) that are tried."""
PASSES = 4
"""Linearisations; products of small terms (gain × load, K × twist) settle to rounding in three."""
RANK_TOLERANCE = 1e-7
"""Singular values below this fraction of the largest are null, columns scaled to one."""


@dataclass(frozen=True, kw_only=True)
class Fit:
    """Unknowns with covariance; `scatter` is cross weight's rock-to-rock standard deviation (share of 1).

    `null` (unknowns × r) spans what the data alone leaves open, allowances set aside; `floor_null` likewise
    with the pads taken as calibrated. `free` are the directions fitted, `weights` those of SCATTERS,
    `jacobian` is that at `p`.
    """

    unknowns: Unknowns
    prior: Prior
    p: Array
    covariance: Array
    scatter: float
    scatter_u: float
    null: Array
    floor_null: Array
    free: Array
    jacobian: Array
    weights: Array


def fit(unknowns: Unknowns, prior: Prior) -> Fit:
    """Estimate all unknowns from all weighings."""
    p = unknowns.start(prior.mean)
    jac = unknowns.jacobian(p)
    null = null_space(unknowns, prior, jac)
    free = free_directions(unknowns, prior, null)
    guess = np.array([prior.allow.cross_scatter])
    for _ in range(PASSES):
        step = _posterior(unknowns, prior, p, jac, free, guess)[0][0]
        p = p + free @ step
        jac = unknowns.jacobian(p)
    steps, covariances, evidence = _posterior(unknowns, prior, p, jac, free, SCATTERS)
    log_guess = -0.5 * (np.log(SCATTERS / prior.allow.cross_scatter) / prior.allow.cross_scatter_spread) ** 2
    weights = _normalised(evidence + log_guess)
    mean = weights @ steps
    off = steps - mean
    covariance = np.einsum("k,kij->ij", weights, covariances) + (weights[:, None] * off).T @ off
    scatter = float(weights @ SCATTERS)
    covariance = free @ covariance @ free.T
    _add_product(unknowns, covariance)
    return Fit(
        unknowns=unknowns,
        prior=prior,
        p=p + free @ mean,
        covariance=covariance,
        scatter=scatter,
        scatter_u=float(np.sqrt(weights @ (SCATTERS - scatter) ** 2)),
        null=null,
        floor_null=null_space(unknowns, prior, jac, gains=False),
        free=free,
        jacobian=jac,
        weights=weights,
    )


def _add_product(unknowns: Unknowns, covariance: Array) -> None:
    """Add the second-order term of K·theta (GUM 5.1.2, note): it matters while neither is measured."""
    twist = unknowns.at_floor + 4 * unknowns.set + 3
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
    unknowns: Unknowns, prior: Prior, p: Array, jac: Array, free: Array, scatters: Array
) -> tuple[Array, Array, Array]:
    """Steps (k, q), covariances (k, q, q) and log marginal likelihoods (k), one per scatter."""
    residual = unknowns.readings - unknowns.predict(p)
    variance = kappa_scatter(unknowns, p, scatters)
    normal, right, chi2, log_det = information(unknowns, jac @ free, unknowns.covariance, variance, residual)
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


def null_space(unknowns: Unknowns, prior: Prior, jac: Array, *, gains: bool = True) -> Array:
    """Directions (unknowns × r) that the readings and the measured floor, height and stiffness leave open.

    Allowances do not count as data. c, h and the zeros are taken as known: they are corrections, each with
    its own ±, and not questions a placement answers. With `gains` False the pads are taken as calibrated.
    """
    size = len(unknowns.names)
    asked = np.ones(size, dtype=bool)
    asked[[unknowns.at_floor + 4 * i + 2 for i in range(len(unknowns.sets))]] = False
    asked[unknowns.at_K + 1] = False
    asked[unknowns.at_zero if gains else unknowns.at_gain :] = False
    asked &= ~prior.measured
    columns = jac.reshape(-1, size)[:, asked]
    norms = np.linalg.norm(columns, axis=0)
    norms[norms == 0] = 1.0
    _, values, rows = np.linalg.svd(columns / norms)
    rank = int(np.sum(values > RANK_TOLERANCE * values[0]))
    null = np.zeros((size, rows.shape[0] - rank))
    null[asked] = (rows[rank:] / norms).T
    return null


def free_directions(unknowns: Unknowns, prior: Prior, null: Array) -> Array:
    """Unknowns × q: every unknown, but of the gains only what the readings can tell, unless u was given.

    What the placements leave open about the pads stays at their calibration.
    """
    identity = np.eye(len(unknowns.names))
    if prior.known.gain_u is not None:
        return identity
    gains = slice(unknowns.at_gain, unknowns.at_zero)
    basis, values, _ = np.linalg.svd(null[gains])
    open_ = int(np.sum(values > 1e-6 * values.max(initial=0.0))) if values.size else 0
    told = identity[:, gains] @ basis[:, open_:]
    return np.hstack([identity[:, : unknowns.at_gain], told, identity[:, unknowns.at_zero :]])
