"""Setting cross weight with the spring perches: whole steps that leave ride height and attitude alone."""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot

import numpy as np
from msgspec import Struct

from logger.mechanics.floor import attitude
from logger.mechanics.statics import Array, Geometry
from logger.mechanics.whole import Limit, nearest
from logger.model import CORNERS, Corner
from logger.quantity import Quantity
from logger.units import G_N

CAUTIONS = (2, 4, 1)
"""Numbers of the cautions that go with turning perches under a car."""


class Perch(Struct, frozen=True, kw_only=True):
    """One adjustable perch: thread pitch (m a turn), motion ratio (spring over wheel travel), turns left.

    `down_turns` and `up_turns` are how far it may still go each way. Up lifts that corner of the car.
    """

    corner: Corner
    pitch_m: float
    motion_ratio: float = 1.0
    down_turns: float = 4.0
    up_turns: float = 4.0

    def __post_init__(self) -> None:
        if self.pitch_m <= 0 or self.motion_ratio <= 0 or self.down_turns < 0 or self.up_turns < 0:
            raise ValueError(
                f"perch {self.corner}: pitch and motion ratio are above zero, turns left not negative"
            )

    @property
    def lift_m(self) -> float:
        """What one turn up does, as a shim under that wheel (m)."""
        return self.pitch_m / self.motion_ratio


class PerchPlan(Struct, frozen=True, kw_only=True):
    """Turns per corner (up positive, those not named stay), the cross expected, and what else changes.

    `heave_m` is the mean change of ride height, `nose_m` how far the nose rises against the tail, `left_m`
    the left against the right side. `notes` say when the target is out of reach.
    """

    turns: dict[Corner, float]
    cross: Quantity
    heave_m: float
    nose_m: float
    left_m: float
    notes: tuple[str, ...]


def perch_plan(
    cross: Quantity,
    target: float,
    total_kg: float,
    stiffness: Quantity,
    perches: Sequence[Perch],
    geometry: Geometry,
    *,
    step_turns: float = 0.25,
    tolerance: float = 0.0005,
) -> PerchPlan:
    """Choose turns that bring cross (share of 1) to the target within `tolerance`, or as near as steps allow.

    Mixed-integer programme: first the nearest cross, then within the tolerance the least change of ride
    height and attitude, then the fewest turns. `stiffness` is the car's warp stiffness (N·m/rad).
    ValueError without perches or geometry, or for two perches at one corner.
    """
    if geometry.missing:
        raise ValueError(f"turns need {', '.join(geometry.missing)}")
    if not perches or len({p.corner for p in perches}) != len(perches):
        raise ValueError("name each corner's perch once, and at least one")
    lift = np.zeros((4, len(perches)))
    for i, perch in enumerate(perches):
        lift[CORNERS.index(perch.corner), i] = perch.lift_m * step_turns
    per_step = _cross_per_lift(total_kg, stiffness.value, geometry) @ lift
    steps = _least(per_step, target - cross.value, _body(geometry) @ lift, perches, step_turns, tolerance)
    moved = float(per_step @ steps)
    heave, nose, left = (_body(geometry) @ lift @ steps).tolist()
    u = hypot(cross.u or 0.0, moved * (stiffness.u or 0.0) / stiffness.value)
    reached = Quantity(cross.value + moved, u, "1")
    turns = {p.corner: float(n * step_turns) for p, n in zip(perches, steps.tolist(), strict=True) if n}
    return PerchPlan(
        turns=turns,
        cross=reached,
        heave_m=heave,
        nose_m=nose,
        left_m=left,
        notes=_notes(reached, target, tolerance),
    )


def _cross_per_lift(total_kg: float, stiffness: float, geometry: Geometry) -> Array:
    """Change of cross per metre of lift at each corner (4): −(1/t_f + 1/t_r)·K·theta/(g·M)."""
    _, front, rear = geometry.lengths_m
    return np.asarray(-(1 / front + 1 / rear) * stiffness / G_N / total_kg * attitude(geometry)[2])


def _body(geometry: Geometry) -> Array:
    """3 × 4: lifts at the corners (m) → heave, nose against tail, left against right side (m)."""
    length, front, rear = geometry.lengths_m
    plane = attitude(geometry)[:2] * np.array([[length], [(front + rear) / 2]])
    return np.vstack([np.full(4, 0.25), plane])


def _least(
    per_step: Array, wanted: float, body: Array, perches: Sequence[Perch], step: float, tolerance: float
) -> Array:
    """Whole steps per perch.

    Unknowns: steps, |cross error| (0.01 %), |heave|, |nose|, |left| (mm), |steps|.
    """
    n = len(perches)
    error = np.vstack([1e4 * per_step, 1e3 * body])
    now = np.r_[1e4 * wanted, 0.0, 0.0, 0.0]
    none, one, four = np.zeros((4, n)), np.eye(n), np.zeros((n, 4))
    limits: list[Limit] = [
        (np.hstack([error, -np.eye(4), none]), -np.inf, now),
        (np.hstack([-error, -np.eye(4), none]), -np.inf, -now),
        (np.hstack([one, four, -one]), -np.inf, 0.0),
        (np.hstack([-one, four, -one]), -np.inf, 0.0),
    ]
    low = [-np.floor(p.down_turns / step + 1e-9) for p in perches]
    high = [np.floor(p.up_turns / step + 1e-9) for p in perches]
    bounds = (np.r_[low, np.zeros(4 + n)], np.r_[high, np.full(4 + n, np.inf)])
    cross = np.r_[np.zeros(n), 1.0, np.zeros(3 + n)]
    change = np.r_[np.zeros(n), 1e-3, np.ones(3), np.full(n, 1e-3)]
    return nearest(cross, change, limits, n, bounds, slack=1e4 * tolerance)[:n]


def _notes(reached: Quantity, target: float, tolerance: float) -> tuple[str, ...]:
    short = target - reached.value
    if abs(short) <= tolerance + 1e-9:
        return ()
    return (
        f"The perches cannot reach {100 * target:.2f} %: {100 * reached.value:.2f} % is as near as their "
        "travel and steps allow. Finer steps, more travel, or another corner's perch would bring it nearer.",
    )


def twist_of(turns: dict[Corner, float], perches: Sequence[Perch], geometry: Geometry) -> float:
    """Twist (rad) that turns put into the suspension, as shims under the wheels would."""
    lifts = {p.corner: p.lift_m * turns.get(p.corner, 0.0) for p in perches}
    return float(attitude(geometry)[2] @ np.array([lifts.get(c, 0.0) for c in CORNERS]))


def refit(stiffness: Quantity, twist_rad: float, before: Quantity, after: Quantity) -> Quantity:
    """Improve the warp stiffness (N·m/rad) by what an adjustment did to kappa (kg·m) on the same floor.

    The measured g·Δkappa/twist is combined with what was assumed, by their uncertainty.
    ValueError when the twist is nothing.
    """
    if abs(twist_rad) < 1e-6:
        raise ValueError("these turns put no twist into the suspension; they tell nothing of its stiffness")
    measured = (after.value - before.value) * G_N / twist_rad
    u_measured = hypot(before.u or 0.0, after.u or 0.0) * G_N / abs(twist_rad)
    if not stiffness.u:
        return Quantity(measured, u_measured, stiffness.unit)
    weights = np.array([1 / stiffness.u**2, 1 / max(u_measured, 1e-9) ** 2])
    value = float(weights @ [stiffness.value, measured] / weights.sum())
    return Quantity(value, float(1 / np.sqrt(weights.sum())), stiffness.unit)
