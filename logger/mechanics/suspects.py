"""Weighings that do not fit the others: which, by how much, and which explanation fits.

Scatter of the suspension moves kappa alone. A weighing that differs in total, x or y is something else: a
pad, a zero, exchanged pads, a mixed-up unit, somebody leaning on the car.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from msgspec import Struct

from logger.mechanics.fit import Fit, fit
from logger.mechanics.lines import student
from logger.mechanics.statics import Array, Geometry, square
from logger.mechanics.unknowns import Prior, Unknowns
from logger.mechanics.weighing import Allowances, Known, Weighing
from logger.model import CORNERS
from logger.units import LB_KG

FAR = 30.0
"""chi² with three degrees of freedom above which a weighing does not fit: one in a million by chance."""
CLEARER = 2.0
"""How much worse than the next a weighing must fit to be the one that is set aside."""
MEDIAN_CHI2_3 = 2.366
"""Median of chi² with three degrees of freedom (tables)."""
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
    kept = list(weighings)
    suspects: list[Suspect] = []
    while True:
        unknowns = Unknowns(kept, geometry)
        result = fit(unknowns, Prior(unknowns, known, allow))
        chi2 = determinate_chi2(result)
        worst = int(np.argmax(chi2))
        if chi2[worst] <= FAR * max(1.0, float(np.median(chi2)) / MEDIAN_CHI2_3):
            return _widened(result, u_assumed=u_assumed), (*suspects, *_hanging(result))
        odd = kept[worst]
        peers = [i for i, w in enumerate(kept) if w.build == odd.build and i != worst]
        enough = len(peers) >= 2 and 3 * (len(weighings) - len(kept) + 1) <= len(weighings)
        alone = enough and bool(chi2[worst] > CLEARER * max(chi2[peers]))
        text = None if alone else _two_builds(result, odd.build)
        text = text or _explain(odd, [kept[i] for i in peers], geometry, known, allow)
        by = float(np.sqrt(chi2[worst]))
        suspects.append(Suspect(run=odd.run, build=odd.build, by=by, text=text, set_aside=alone))
        if not alone:
            return _widened(result, u_assumed=u_assumed), tuple(suspects)
        kept.pop(worst)


def _widened(f: Fit, *, u_assumed: bool) -> Fit:
    ratio, freedom = reading_ratio(f)
    least = 1.0 if u_assumed else 1 + WIDE * np.sqrt(2 / max(freedom, 1.0))
    if freedom < 1 or ratio <= least:
        return f
    f.unknowns.widen(ratio)
    return fit(f.unknowns, f.prior)


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
            "agree, "
            "so the suspension hung (dampers, bushings, scrubbed tyres). Rock the car and weigh again; it "
            "is kept."
        )
        found.append(Suspect(run=w.run, build=w.build, by=float(by[i]), text=text, set_aside=False))
    return tuple(found)


def _explain(
    odd: Weighing, peers: Sequence[Weighing], geometry: Geometry, known: Known, allow: Allowances
) -> str:
    """One sentence: what differs, by how much, and the explanation that fits best."""
    if not peers:
        return f"Run {odd.run} does not fit weighings of other builds; weigh it again."
    away = tuple(float(x) for x in 1e8 * np.eye(4).ravel())
    silent = Weighing(**{f: getattr(odd, f) for f in odd.__struct_fields__} | {"covariance_kg2": away})
    unknowns = Unknowns([silent, *peers], geometry)
    result = fit(unknowns, Prior(unknowns, known, allow))
    expected = unknowns.predict(result.p)[0]
    jac = result.jacobian[0]
    cov = jac @ result.covariance @ jac.T + square(odd.covariance_kg2)
    readings = np.array(odd.loads_kg)
    gap = readings - expected
    wrench = geometry.wrench
    change = wrench @ gap
    told = f"Run {odd.run} does not fit the others: total {change[0]:+.3g} kg"
    if not geometry.missing:
        told += f", moments {change[1]:+.3g} kg·m along and {change[2]:+.3g} kg·m across"
    weight = np.linalg.inv(wrench @ cov @ wrench.T)
    why = (
        _mixed_unit(odd, readings / expected)
        or _exchanged(odd, readings, expected, wrench, weight)
        or _one_pad(odd, change, wrench, weight)
        or _something_aboard(change, weight, geometry)
    )
    return f"{told}. {why}"


def _two_builds(f: Fit, build: str) -> str | None:
    """A sentence when the facings agree within themselves and differ in total: not the same car."""
    mine = np.array([w.build == build for w in f.unknowns.weighings])
    totals = f.unknowns.readings.sum(axis=1)
    u2 = f.unknowns.covariance.sum(axis=(1, 2))
    facings = [mine & (f.unknowns.sign == s) for s in (1.0, -1.0)]
    if not all(rows.any() for rows in facings):
        return None
    gap = float(totals[facings[1]].mean() - totals[facings[0]].mean())
    u = float(np.sqrt(sum(u2[rows].mean() / rows.sum() for rows in facings)))
    within = max(float(np.ptp(totals[rows])) for rows in facings)
    if abs(gap) < 6 * u or within > abs(gap) / 3:
        return None
    return (
        f"Facing back the car weighs {abs(gap):.3g} kg {'more' if gap > 0 else 'less'} than facing out, "
        "and turning "
        "cannot do that: the facings are of different builds (a person, fuel or a part aboard once and not "
        "the other "
        "time), or a pad's zero moved between them. Weigh both in one build."
    )


def _mixed_unit(odd: Weighing, ratio: Array) -> str | None:
    for factor, text in (
        (1 / LB_KG, "pounds were taken as kilograms"),
        (LB_KG, "kilograms were taken as pounds"),
    ):
        wrong = np.abs(ratio / factor - 1) < 0.08
        rest = np.abs(ratio[~wrong] - 1) < 0.08
        if wrong.any() and rest.all():
            which = (
                "all pads" if wrong.all() else ", ".join(p for p, w in zip(odd.pads, wrong, strict=True) if w)
            )
            return f"It fits if on {which} {text}: check the unit."
    return None


def _exchanged(odd: Weighing, readings: Array, expected: Array, wrench: Array, weight: Array) -> str | None:
    best, fits = None, FAR / 2
    for i, j in combinations(range(4), 2):
        swapped = readings.copy()
        swapped[[i, j]] = swapped[[j, i]]
        gap = wrench @ (swapped - expected)
        if gap @ weight @ gap < fits:
            best, fits = (i, j), float(gap @ weight @ gap)
    if best is None:
        return None
    i, j = best
    return (
        f"It fits if pads {odd.pads[i]} and {odd.pads[j]} stood under each other's corner ({CORNERS[i]}, "
        f"{CORNERS[j]}), against what was written down: look which pad stands where."
    )


def _one_pad(odd: Weighing, change: Array, wrench: Array, weight: Array) -> str | None:
    best, size, fits = None, 0.0, FAR / 2
    for i in range(4):
        column = wrench[:, i]
        guess = float(column @ weight @ change / (column @ weight @ column))
        gap = change - column * guess
        if gap @ weight @ gap < fits:
            best, size, fits = i, guess, float(gap @ weight @ gap)
    if best is None:
        return None
    return (
        f"It fits if pad {odd.pads[best]} under {CORNERS[best]} read {abs(size):.3g} kg too "
        f"{'high' if size > 0 else 'low'}: check its zero, and that its wheel's edge does not drag. "
        "The suspension cannot do this."
    )


def _something_aboard(change: Array, weight: Array, geometry: Geometry) -> str:
    u = float(np.sqrt(np.linalg.inv(weight)[0, 0]))
    if abs(change[0]) <= 3 * u:
        return "The total agrees, the balance does not: something aboard moved, or a wheel stands otherwise."
    verb = "more aboard or leaning on the car" if change[0] > 0 else "less aboard, or somebody lifting"
    if geometry.missing:
        return f"It fits {abs(change[0]):.3g} kg {verb}. The suspension cannot do this."
    x, y = change[1:] / change[0]
    return (
        f"It fits {abs(change[0]):.3g} kg {verb}, {x:.2f} m ahead of the rear axle and {abs(y):.2f} m "
        f"{'left' if y > 0 else 'right'} of the centre line. The suspension cannot do this."
    )
