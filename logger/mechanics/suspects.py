"""Weighings that do not fit the others: which, by how much, and what becomes of them.

Scatter of the suspension moves kappa alone. A weighing that differs in total, x or y is something else: a
pad, a zero, exchanged pads, a mixed-up unit, somebody leaning on the car.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from logger.mechanics.explain import explain, mixed_totals, too_steep, two_builds
from logger.mechanics.fit import Fit, fit
from logger.mechanics.lines import student
from logger.mechanics.statics import Array, Geometry
from logger.mechanics.unknowns import Prior, Unknowns
from logger.mechanics.weighing import Allowances, Known, Weighing

FAR = 30.0
"""chi² with three degrees of freedom above which a weighing does not fit: one in a million by chance."""
CLEARER = 2.0
"""How much worse than the next a weighing must fit to be the one that is set aside."""
BETTER = 4.0
"""How much the others' mean square residual must fall without the odd one for it to be the cause."""
WIDE = 4.0
"""Standard deviations of chi²/freedom above 1 from which the readings' ± is too narrow."""
WARP_FAR = 4.5
"""Standard deviations (as of a normal law) off the other runs from which a run hangs."""


class Suspect(Struct, frozen=True, kw_only=True):
    """A weighing that does not fit: `by` in standard deviations, and the sentence."""

    run: str
    build: str
    by: float
    text: str
    set_aside: bool


def sift(
    weighings: Sequence[Weighing], geometry: Geometry, known: Known, allow: Allowances, *, u_assumed: bool
) -> tuple[Fit, tuple[Suspect, ...]]:
    """Fit the weighings, setting aside the clear odd ones out, and say of each suspect what explains it.

    A weighing is set aside only where the others of its build agree among themselves, it stands out alone
    and two thirds remain; where two simply disagree, both are kept and said. When what is left still
    scatters more than its ± allows in total and moments, the ± is widened to fit.
    """
    suspects: list[Suspect] = []
    result = _fitted(weighings, geometry, known, allow, guessed_u=u_assumed)
    while (worst := _worst(result)) is not None:
        odd, rest, by = _apart(result, worst)
        left = None
        if 3 * len(rest) >= 2 * len(weighings):
            left = _fitted(rest, geometry, known, allow, guessed_u=u_assumed)
        agree = left is not None and _agrees(left, result)
        if left is None or not agree or not _stands_out(result, worst):
            return _disagreeing(result, worst, suspects, others_agree=agree)
        text = explain(odd, _peers(odd, rest), result)
        suspects.append(Suspect(run=odd.run, build=odd.build, by=by, text=text, set_aside=True))
        result = left
    return _widened(result), (*suspects, *_hanging(result), *_steep(result))


def _worst(f: Fit) -> int | None:
    """The weighing that fits worst, None when all fit."""
    chi2 = determinate_chi2(f)
    worst = int(np.argmax(chi2))
    return worst if chi2[worst] > FAR else None


def _apart(f: Fit, i: int) -> tuple[Weighing, tuple[Weighing, ...], float]:
    """A weighing, the others, and how many standard deviations it is off."""
    all_ = f.unknowns.weighings
    return all_[i], all_[:i] + all_[i + 1 :], float(np.sqrt(determinate_chi2(f)[i]))


def _peers(odd: Weighing, rest: Sequence[Weighing]) -> list[Weighing]:
    return [w for w in rest if w.build == odd.build]


def _stands_out(f: Fit, i: int) -> bool:
    """Whether a weighing fits clearly worse than every other of its build, two at least."""
    chi2, build = determinate_chi2(f), f.unknowns.build
    peers = np.delete(chi2, i)[np.delete(build, i) == build[i]]
    return len(peers) >= 2 and bool(chi2[i] > CLEARER * peers.max())


def _disagreeing(
    f: Fit, worst: int, suspects: list[Suspect], *, others_agree: bool
) -> tuple[Fit, tuple[Suspect, ...]]:
    """Keep weighings that disagree without one being clearly the cause, say what can be, widen their ±."""
    odd, rest, by = _apart(f, worst)
    peers = _peers(odd, rest)
    text = split = mixed_totals(f, odd.build) or two_builds(f, odd.build)
    if text is None and (others_agree or len(peers) < 3):
        text = explain(odd, peers, f)
    if text is not None:
        suspects.append(Suspect(run=odd.run, build=odd.build, by=by, text=text, set_aside=False))
    # runs of one facing err alike when the car was not the same: they count as one
    alike = 1.0 if split is None else len(f.unknowns.weighings) / 2
    return _widened(f, alike=alike), tuple(suspects)


def _fitted(
    weighings: Sequence[Weighing], geometry: Geometry, known: Known, allow: Allowances, *, guessed_u: bool
) -> Fit:
    unknowns = Unknowns(weighings, geometry)
    return _settled(unknowns, Prior(unknowns, known, allow, guessed_u=guessed_u))


def _settled(unknowns: Unknowns, prior: Prior) -> Fit:
    """Fit, and take the readings' ± from then on as wide as it turned out to be."""
    result = fit(unknowns, prior)
    unknowns.add_noise(result.noise_kg2)
    return result


def _agrees(left: Fit, whole: Fit) -> bool:
    """Whether the weighings left agree: within their ±, or far better than with the odd one among them."""
    ratio, freedom = reading_ratio(left)
    return bool(ratio <= max(1 + WIDE * np.sqrt(2 / max(freedom, 1.0)), reading_ratio(whole)[0] / BETTER))


def _widened(f: Fit, *, alike: float = 1.0) -> Fit:
    ratio, freedom = reading_ratio(f)
    if freedom < 1 or ratio <= 1 + WIDE * np.sqrt(2 / max(freedom, 1.0)):
        return f
    f.unknowns.widen(ratio * alike)
    return _settled(f.unknowns, f.prior)


def determinate_chi2(f: Fit) -> Array:
    """How badly each weighing fits in total and moments: (n) chi² with at most three degrees of freedom.

    Directions in which a weighing is nearly alone (its leverage above 0.98) say nothing and count nothing.
    """
    white, left = _whitened(f)
    values, vectors = np.linalg.eigh(left)
    parts = np.einsum("nji,nj->ni", vectors, white) ** 2
    told = values > 0.02
    chi2: Array = np.sum(np.where(told, parts / np.where(told, values, 1.0), 0.0), axis=1)
    return chi2


def reading_ratio(f: Fit) -> tuple[float, float]:
    """Mean square of the determinate residuals over what the readings' ± lets expect, and its freedom.

    The first is about 1 when the ± is right; the second is how many independent residuals there are.
    """
    white, left = _whitened(f)
    freedom = float(np.einsum("nii->", left))
    return float(np.sum(white**2)) / max(freedom, 1e-9), freedom


def _whitened(f: Fit) -> tuple[Array, Array]:
    """Residuals of total and moments in units of the readings' ± (n, 3), and their covariance (n, 3, 3)."""
    wrench = f.unknowns.geometry.wrench
    residual = (f.unknowns.readings - f.unknowns.predict(f.p)) @ wrench.T
    root = np.linalg.cholesky(wrench @ f.unknowns.covariance @ wrench.T)
    white = np.linalg.solve(root, residual[:, :, None])[:, :, 0]
    jac = np.linalg.solve(root, wrench @ f.jacobian)
    left = np.eye(3) - jac @ f.covariance @ np.swapaxes(jac, 1, 2)
    return white, left


def _steep(f: Fit) -> tuple[Suspect, ...]:
    """Facings that differ as no floor makes them, where nobody measured the floor."""
    found = [(build, too_steep(f, build)) for build in f.unknowns.builds]
    return tuple(
        Suspect(run=odd[0].run, build=build, by=odd[1], text=odd[2], set_aside=False)
        for build, odd in found
        if odd is not None
    )


def _hanging(f: Fit) -> tuple[Suspect, ...]:
    """Runs whose warp term stands far from the others': the suspension hangs, or the scatter is not even."""
    if len(f.unknowns.weighings) < 6:
        return ()
    warp = f.unknowns.geometry.warp
    kappa = (f.unknowns.readings - f.unknowns.predict(f.p)) @ warp / (warp @ warp)
    n = len(kappa)
    off = kappa - kappa.mean()
    without = np.maximum((np.sum(off**2) - off**2 * n / (n - 1)) / (n - 2), 0.0)
    u2 = float(warp @ f.unknowns.covariance.mean(axis=0) @ warp) / float(warp @ warp) ** 2
    by = np.abs(off) * n / (n - 1) / np.sqrt(np.maximum(without, u2) * n / (n - 1))
    _, front, rear = f.unknowns.geometry.lengths_m
    found = []
    for i in np.flatnonzero(by > student(WARP_FAR, n - 2)):
        w = f.unknowns.weighings[i]
        share = -float(off[i]) * n / (n - 1) * (1 / front + 1 / rear) / f.p[4 * f.unknowns.build[i]]
        text = (
            f"Run {w.run} differs in cross weight alone, by {100 * share:+.2g} %: total, front and left "
            "agree, so the suspension hung (dampers, bushings, scrubbed tyres). Rock the car and weigh "
            "again; it is kept."
        )
        found.append(Suspect(run=w.run, build=w.build, by=float(by[i]), text=text, set_aside=False))
    return tuple(found)
