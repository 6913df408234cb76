"""How a pad comes back to zero from its loads, and how its zero drifts by the hour and by the degree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from logger.drawing.numbers import Floats
from logger.judge.line import gradient
from logger.judge.seen import Seen, Stood, Zero, span_of_loads
from logger.quantity import Quantity

SAME_LEVEL = 0.02
"""Rests within this share of the recording's span of loads count as the same load put back."""
AS_LONG = 0.5
"""A load tells how zero drifted over its neighbours if it took at least this share of their time."""
DRIFT_FROM_S = 300.0
"""Drift in an hour is told from zeros at least this far apart: twelve times less than what is told."""
PIECE_S = 60.0
"""An empty pad that stands for longer tells its zero once a minute."""
LEAST_WARMING_C = 2.0
"""Zero per degree is told when the pad's temperature changed by this much or more."""


@dataclass(frozen=True)
class _Back:
    """What zero changed by over a load (kg), with its standard uncertainty, and how long that took (s)."""

    change_kg: float
    u_kg: float
    took_s: float


def empties(seen: Seen) -> list[Stood]:
    """The rests of the empty pad: those with a zero check, and those at the level of the first (without any
    zero check, of the first rest), as a pad that comes back badly has no more checks."""
    if not seen.stood:
        return []
    checked = [s for s in seen.stood if any(s.from_s < zero.t_s <= s.to_s for zero in seen.zeros)]
    first, near = (checked or seen.stood)[0].level_kg, SAME_LEVEL * span_of_loads(seen.stood)
    return [s for s in seen.stood if s in checked or abs(s.level_kg - first) <= near]


def zero_return(seen: Seen) -> Quantity | None:
    """How far zero did not come back from a load (kg): of the loads, the one that left most behind.

    That is zero after it less zero before it, and less what zero drifts in that time by the change over the
    loads before and after, as far as there are any: drift is another fault, and has another cure. None where
    no load came between two zeros.
    """
    backs = _backs(seen)
    left = [_left(backs, k) for k in range(len(backs))]
    return max(left, key=lambda quantity: abs(quantity.value), default=None)


def _backs(seen: Seen) -> list[_Back]:
    """What zero changed by over each load."""
    empty, found = empties(seen), []
    far = SAME_LEVEL * span_of_loads(seen.stood)
    for a, b in pairwise(empty):
        loads = [s for s in seen.stood if a.to_s <= s.from_s and s.to_s <= b.from_s]
        if any(abs(s.level_kg - a.level_kg) > far for s in loads):
            u = float(np.hypot(a.u_kg, b.u_kg))
            found.append(_Back(b.level_kg - a.level_kg, u, _middle_s(b) - _middle_s(a)))
    return found


def _left(backs: Sequence[_Back], k: int) -> Quantity:
    """What one load left behind beside the drift that its neighbours show."""
    here = backs[k]
    beside = [b for b in backs[max(k - 1, 0) : k + 2] if b is not here and b.took_s >= AS_LONG * here.took_s]
    shares = [here.took_s / b.took_s / len(beside) for b in beside]
    drifted = sum(share * b.change_kg for share, b in zip(shares, beside, strict=True))
    square = sum((share * b.u_kg) ** 2 for share, b in zip(shares, beside, strict=True))
    if abs(drifted) <= 2.0 * square**0.5:  # nothing drifts that could be told
        return Quantity(here.change_kg, here.u_kg, "kg")
    return Quantity(here.change_kg - drifted, (here.u_kg**2 + square) ** 0.5, "kg")


def drift_per_h(seen: Seen) -> Quantity | None:
    """Slope of the empty pad's level per hour, over all its rests; None where they lie too near in time."""
    rests = empties(seen)
    points = np.array([point for stood in rests for point in _points(seen, stood)]).reshape(-1, 2)
    if len(points) < 3 or float(np.ptp(points[:, 0])) < DRIFT_FROM_S:
        return None
    t, x = points.T
    since, per_s = t - t.mean(), gradient(t, x)
    left = x - x.mean() - per_s * since
    known = float(np.mean([stood.u_kg**2 for stood in rests]))  # three points alone tell little of it
    u = (max(float(left @ left) / (len(points) - 2), known) / float(since @ since)) ** 0.5
    return Quantity(per_s * 3600, u * 3600, "kg")


def _points(seen: Seen, stood: Stood) -> list[tuple[float, float]]:
    """When (s) and where (kg) an empty pad stood, a point a minute."""
    t, x = seen.settled(stood)
    if len(t) == 0 or stood.to_s - stood.declared_s < 2 * PIECE_S:
        return [(_middle_s(stood), stood.level_kg)]
    pieces = int((stood.to_s - stood.declared_s) / PIECE_S)
    parts: list[tuple[Floats, Floats]] = list(
        zip(np.array_split(t, pieces), np.array_split(x, pieces), strict=True)
    )
    return [(float(a.mean()), float(b.mean())) for a, b in parts if len(a)]


def _middle_s(stood: Stood) -> float:
    return (stood.from_s + stood.to_s) / 2


def zero_per_C(zeros: Sequence[Zero]) -> float | None:
    """Change of zero per degree, from three or more zero checks over enough warming or cooling."""
    points = [(z.temperature_C, z.zero_kg) for z in zeros if z.temperature_C is not None]
    if len(points) < 3:
        return None
    warm, x = np.array(points, np.float64).T
    return gradient(warm, x) if float(np.ptp(warm)) >= LEAST_WARMING_C else None
