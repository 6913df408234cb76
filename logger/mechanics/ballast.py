"""Ballast: the least added mass that reaches minimum mass, front % and left %, in whole plates."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from logger.mechanics.statics import FRONT, LEFT, Array, Geometry
from logger.mechanics.whole import least

PRICES = np.array([1.0, 10.0, 10.0])
"""When nothing fits: a kilogram short, a kg·m of front and one of left moment off, what each costs."""


class Place(Struct, frozen=True, kw_only=True):
    """Where ballast may go: on the plan (m), how much it carries (kg), and the plates that fit there (kg)."""

    name: str
    x_m: float
    y_m: float
    capacity_kg: float
    plate_kg: float


class Target(Struct, frozen=True, kw_only=True):
    """What is to be reached: least total (kg), front and left as shares of 1 with a tolerance; None: free."""

    least_total_kg: float | None = None
    front: float | None = None
    front_tolerance: float = 0.002
    left: float | None = None
    left_tolerance: float = 0.002


class Ballast(Struct, frozen=True, kw_only=True):
    """Plates per place and what the car then is.

    `feasible` False: the nearest there is, and `notes` say what would have to give.
    """

    plates: dict[str, int]
    added_kg: float
    total_kg: float
    front: float
    left: float
    feasible: bool
    notes: tuple[str, ...]


def ballast(
    loads_kg: Sequence[float], places: Sequence[Place], target: Target, geometry: Geometry
) -> Ballast:
    """Choose plates for a car with these loads (kg, CORNERS order) by mixed-integer programming.

    Least added mass that meets the target; when none does, the plates that miss it least, with the
    constraint to relax in words. ValueError without geometry, without places or for a plate of nothing.
    """
    if geometry.missing:
        raise ValueError(f"ballast needs {', '.join(geometry.missing)}: a place must be on the plan")
    if not places or any(p.plate_kg <= 0 or p.capacity_kg < 0 for p in places):
        raise ValueError("name at least one place, each with a plate above zero and a capacity")
    loads = np.asarray(loads_kg, dtype=float)
    per_plate = np.column_stack([_spread(p, geometry) * p.plate_kg for p in places])
    rows, low = _rows(loads, per_plate, target)
    most = [np.floor(p.capacity_kg / p.plate_kg + 1e-9) for p in places]
    counts, slack = _solve(rows, low, np.array([p.plate_kg for p in places]), np.array(most))
    after = loads + per_plate @ counts
    short = np.where(slack > 1e-6, slack, 0.0)
    total = float(after.sum())
    return Ballast(
        plates={p.name: round(n) for p, n in zip(places, counts.tolist(), strict=True) if round(n)},
        added_kg=float(after.sum() - loads.sum()),
        total_kg=total,
        front=float(FRONT @ after / total),
        left=float(LEFT @ after / total),
        feasible=not short.any(),
        notes=_notes(short, after, target),
    )


def _spread(place: Place, geometry: Geometry) -> Array:
    """What a kilogram at a place adds to each corner, warp aside (4)."""
    return np.asarray(geometry.spread @ np.array([1.0, place.x_m, place.y_m]))


def _rows(loads: Array, per_plate: Array, target: Target) -> tuple[Array, Array]:
    """Constraints rows·plates ≥ low: least total; front low, high; left low, high (empty rows are free)."""
    shares = (
        (FRONT, target.front, target.front_tolerance),
        (LEFT, target.left, target.left_tolerance),
    )
    rows, low = [per_plate.sum(axis=0)], [(target.least_total_kg or 0.0) - loads.sum()]
    for weights, share, tolerance in shares:
        for sign in (1.0, -1.0):
            # sign·(part − share·total) ≥ −tolerance·total, linear in the loads
            functional = np.zeros(4) if share is None else sign * (weights - share) + tolerance
            rows.append(functional @ per_plate)
            low.append(-float(functional @ loads))
    return np.array(rows), np.array(low)


def _solve(rows: Array, low: Array, plate_kg: Array, most: Array) -> tuple[Array, Array]:
    """Plates per place and what each constraint is short of, nothing where the target is met."""
    n, k = len(plate_kg), len(low)
    counts = least(plate_kg, [(rows, low - 1e-9, np.inf)], n, (np.zeros(n), most))
    if counts is not None:
        return counts, np.zeros(k)
    price = np.r_[1e-4 * plate_kg, PRICES[[0, 1, 1, 2, 2]]]
    bounds = (np.zeros(n + k), np.r_[most, np.full(k, np.inf)])
    soft = least(price, [(np.hstack([rows, np.eye(k)]), low, np.inf)], n, bounds)
    if soft is None:
        raise ValueError("no ballast can be chosen from these places; check plates and capacities")
    return soft[:n], soft[n:]


def _notes(short: Array, after: Array, target: Target) -> tuple[str, ...]:
    if not short.any():
        return ()
    total = float(after.sum())
    notes = ["These places cannot reach the target; this is the nearest. What would have to give:"]
    if short[0] and target.least_total_kg is not None:
        notes.append(
            f"The least total: {total:.1f} kg is reached, {target.least_total_kg - total:.1f} kg short. "
            "Allow more capacity or add a place."
        )
    for i, name, weights, share, ways in (
        (1, "front", FRONT, target.front, ("ahead", "to the rear")),
        (3, "left", LEFT, target.left, ("to the left", "to the right")),
    ):
        if share is not None and short[i : i + 2].any():
            off = float(weights @ after / total) - share
            way = ways[0] if off < 0 else ways[1]
            notes.append(
                f"The tolerance of {name} %: {100 * (share + off):.2f} % is reached, {100 * abs(off):.2f} % "
                f"off. Allow ±{100 * abs(off):.2f} %, or add capacity further {way}."
            )
    return tuple(notes)
