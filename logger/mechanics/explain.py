"""Which explanation fits a weighing that differs from the others in total or moments, in a sentence."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from logger.mechanics.fit import Fit, fit
from logger.mechanics.plausible import unit_mix_up
from logger.mechanics.statics import Array, Geometry, square
from logger.mechanics.unknowns import Prior, Unknowns
from logger.mechanics.weighing import Weighing
from logger.model import CORNERS
from logger.sentences import kilograms, significant
from logger.units import LB_KG

STEEP = 3.0
"""Allowances for a floor's slope (5 mm in a metre each) from which pads may have been swapped instead."""
TOO_STEEP = 4.0
"""And from which it is said although no swap explains it."""
FITS = 15.0
"""chi² (three degrees of freedom) below which an explanation fits: two in a thousand by chance."""


def explain(odd: Weighing, peers: Sequence[Weighing], f: Fit) -> str:
    """One sentence: what differs, by how much, and the explanation that fits best."""
    if not peers:
        return f"Run {odd.run} does not fit weighings of other builds; weigh it again."
    away = tuple(float(x) for x in 1e8 * np.eye(4).ravel())
    fields = {name: getattr(odd, name) for name in odd.__struct_fields__}
    silent = Weighing(**(fields | {"covariance_kg2": away}))
    geometry = f.unknowns.geometry
    unknowns = Unknowns([silent, *peers], geometry)
    result = fit(unknowns, Prior(unknowns, f.prior.known, f.prior.allow))
    expected = result.unknowns.predict(result.p)[0]
    jac = result.jacobian[0]
    cov = jac @ result.covariance @ jac.T + square(odd.covariance_kg2)
    readings = np.array(odd.loads_kg)
    gap = readings - expected
    wrench = geometry.wrench
    change = np.round(wrench @ gap, 6) + 0.0  # no rounding noise, no minus zero
    told = f"Run {odd.run} does not fit the others: total {kilograms(change[0], 3, sign=True)}"
    if not geometry.missing:
        along, across = (significant(moment, 3, sign=True) for moment in change[1:])
        told += f", moments {along} kg·m along and {across} kg·m across"
    weight = np.linalg.inv(wrench @ cov @ wrench.T)
    why = (
        _mixed_unit(odd, readings / expected)
        or _exchanged(odd, readings, expected, wrench, weight)
        or _one_pad(odd, change, wrench, weight)
        or _something_aboard(change, weight, geometry)
    )
    return f"{told}. {why}"


def two_builds(f: Fit, build: str) -> str | None:
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
        f"Facing back the car weighs {kilograms(abs(gap), 3)} {'more' if gap > 0 else 'less'} than "
        "facing out, and turning cannot do that: the facings are of different builds (a person, fuel or a "
        "part aboard once and not the other time), or a pad's zero moved between them. Weigh both in "
        "one build."
    )


def mixed_totals(f: Fit, build: str) -> str | None:
    """A sentence when totals of one build are to each other as pounds to kilograms; else None."""
    first, *others = [w for w in f.unknowns.weighings if w.build == build]
    for w in others:
        told = unit_mix_up(sum(w.loads_kg), sum(first.loads_kg), "run " + first.run)
        if told is not None:
            return (
                f"Run {w.run}: {told[0].lower()}{told[1:]} Correct the unit; as they stand, both runs count."
            )
    return None


def too_steep(f: Fit, build: str) -> tuple[Weighing, float, str] | None:
    """The last run of a build whose facings differ as no floor makes them, how far (in allowances), and why.

    Told only where nobody measured the floor: else the heights themselves speak against the readings.
    """
    unknowns, index = f.unknowns, f.unknowns.builds.index(build)
    mine = [w for w in unknowns.weighings if w.build == build]
    last = next((w for w in reversed(mine) if w.facing != mine[0].facing), None)
    at = unknowns.floor_of(int(unknowns.set[unknowns.build == index][0]))
    if last is None or unknowns.geometry.missing or f.prior.measured[at]:
        return None
    off = np.abs(f.p[at : at + 2]) / f.prior.u[at : at + 2]
    way = int(np.argmax(off))
    swap = _swap(f, mine, last)
    if off[way] < (TOO_STEEP if swap is None else STEEP):
        return None
    why = swap or "look at zeros, at which pad stands where, and whether the car was the same."
    rise = abs(f.p[at + way] / f.p[unknowns.at_h])
    told = (
        f"Facing {last.facing} the balance is another than facing {mine[0].facing}, as on a floor that rises "
        f"{1e3 * rise:.2g} mm in a metre {('along', 'across')[way]} the car."
    )
    return last, float(off[way]), f"{told} If yours does not: {why}"


def _swap(f: Fit, mine: Sequence[Weighing], last: Weighing) -> str | None:
    """Which two pads of the last facing, exchanged, leave no more slope than floors have; None: none."""
    geometry = f.unknowns.geometry
    first = np.mean([w.loads_kg for w in mine if w.facing != last.facing], axis=0)
    loads = np.mean([w.loads_kg for w in mine if w.placement == last.placement], axis=0)
    most = 2 * float(f.prior.u[f.unknowns.floor_of(0)]) * first.sum()
    best, least = None, most
    for i, j in combinations(range(4), 2):
        order = np.arange(4)
        order[[i, j]] = order[[j, i]]
        apart = float(np.abs(geometry.wrench[1:] @ (loads[order] - first)).max()) / 2
        if apart < least:
            best, least = (i, j), apart
    if best is None:
        return None
    i, j = best
    return (
        f"it fits if pads {last.pads[i]} and {last.pads[j]} stood under each other's corner "
        f"({CORNERS[i]}, {CORNERS[j]}) in run {last.run}, against what was written down; look which pad "
        "stands where."
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
    best, fits = None, FITS
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
    best, size, fits = None, 0.0, FITS
    for i in range(4):
        column = wrench[:, i]
        guess = float(column @ weight @ change / (column @ weight @ column))
        gap = change - column * guess
        if gap @ weight @ gap < fits:
            best, size, fits = i, guess, float(gap @ weight @ gap)
    if best is None:
        return None
    return (
        f"It fits if pad {odd.pads[best]} under {CORNERS[best]} read {kilograms(abs(size), 3)} too "
        f"{'high' if size > 0 else 'low'}: check its zero, and that its wheel's edge does not drag. The "
        "suspension cannot do this."
    )


def _something_aboard(change: Array, weight: Array, geometry: Geometry) -> str:
    u = float(np.sqrt(np.linalg.inv(weight)[0, 0]))
    if abs(change[0]) <= 3 * u:
        return "The total agrees, the balance does not: something aboard moved, or a wheel stands otherwise."
    verb = "more aboard or leaning on the car" if change[0] > 0 else "less aboard, or somebody lifting"
    if geometry.missing:
        return f"It fits {kilograms(abs(change[0]), 3)} {verb}. The suspension cannot do this."
    x, y = change[1:] / change[0]
    return (
        f"It fits {kilograms(abs(change[0]), 3)} {verb}, {x:.2f} m ahead of the rear axle and "
        f"{abs(y):.2f} m {'left' if y > 0 else 'right'} of the centre line. The suspension cannot do this."
    )
