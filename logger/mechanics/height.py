"""Height of the centre of mass: by lifting an axle in steps, or by turning the car on a known slope."""

from __future__ import annotations

from math import asin, hypot, sqrt, tan
from typing import Literal

import numpy as np
from msgspec import Struct

from logger.mechanics.lines import Line, line, student
from logger.mechanics.statics import Geometry, Statics
from logger.quantity import Quantity

CAUTIONS = (4, 1, 2, 8, 9)
"""Numbers of the cautions that go before an axle lift."""
LEAST_STEPS = 3
"""Lifts needed beside the level, both directions counted once (ISO 10392:2011, 6.2)."""
PLAUSIBLE_M = (0.25, 1.0)
"""A computed height outside is doubtful: 0.45–0.99 m in 1,270 light vehicles (NHTSA), less in racers."""


class LiftStep(Struct, frozen=True, kw_only=True):
    """One step: how far the axle's wheels were raised (m), and the load on the axle that stayed down (kg)."""

    lift_m: float
    load_kg: float
    direction: Literal["up", "down"] = "up"


class Lift(Struct, frozen=True, kw_only=True):
    """An axle lift: the level car, the axle raised, and the loaded radii (m) with the u of each input.

    `total_kg` and `level_kg` (load on the axle that stays down, level) are from the pads; `u_load_kg` is the
    standard uncertainty of an axle's load.
    """

    raised: Literal["rear", "front"]
    wheelbase_m: float
    radius_front_m: float
    radius_rear_m: float
    total_kg: float
    level_kg: float
    steps: tuple[LiftStep, ...]
    u_load_kg: float = 0.2
    u_lift_m: float = 0.002
    u_radius_m: float = 0.003
    u_wheelbase_m: float = 0.003


class Height(Struct, frozen=True, kw_only=True):
    """Height of the centre of mass above the ground (m), with what the steps say about it.

    `up` and `down` are the heights of the steps in one direction alone, None with fewer than two of them;
    `hysteresis_kg` is the largest difference of loads at the same lift, None when no lift was visited twice.
    `line` is moment over mass (m) against the tangent: its slope is the height, its a should be nothing.
    """

    height: Quantity
    line: Line
    up: float | None
    down: float | None
    hysteresis_kg: float | None
    notes: tuple[str, ...]


def lift_angle_rad(lift: Lift, lift_m: float) -> float:
    """Angle by which the car pitches when one axle's wheels rise by lift_m, with unequal loaded radii.

    The wheel centres are √(L² + (r_raised − r_down)²) apart and already inclined when the car is level.
    """
    step = _raised(lift) - _down(lift)
    apart = hypot(lift.wheelbase_m, step)
    rise = (lift_m + step) / apart
    if not abs(rise) < 1:
        raise ValueError(f"a lift of {lift_m:g} m is longer than the car's wheelbase allows")
    return asin(rise) - asin(step / apart)


def height_of_step(lift: Lift, step: LiftStep) -> float:
    """Height (m) from one step and the level car, exact for unequal loaded radii.

    h = r_down + (r_raised − r_down)·W_raised/W + L·gain/(W·tan θ); with equal radii that is the method of
    ISO 10392. Derived from moments about the ground contact; checked against a forward model.
    """
    tangent = tan(lift_angle_rad(lift, step.lift_m))
    return _moment(lift, step, tangent) / tangent


def _moment(lift: Lift, step: LiftStep, tangent: float) -> float:
    """h·tan θ (m) as the loads tell it."""
    on_raised = (lift.total_kg - step.load_kg) / lift.total_kg
    lever = _down(lift) + (_raised(lift) - _down(lift)) * on_raised
    return lift.wheelbase_m * (step.load_kg - lift.level_kg) / lift.total_kg + lever * tangent


def _raised(lift: Lift) -> float:
    return lift.radius_rear_m if lift.raised == "rear" else lift.radius_front_m


def _down(lift: Lift) -> float:
    return lift.radius_front_m if lift.raised == "rear" else lift.radius_rear_m


def axle_lift(lift: Lift) -> Height:
    """Fit the height from at least three lifts, up and down, as the slope of moment against tan θ.

    The level weighing is one point of the line. The u of the height has the scatter of the points or the
    loads' own u, whichever is larger (Student's factor for few points), the lifts', radii and wheelbase.
    ValueError with fewer than three different lifts or a lift of nothing.
    """
    lifts = {round(s.lift_m, 4) for s in lift.steps}
    if len(lifts) < LEAST_STEPS or min(lifts) <= 0:
        raise ValueError(
            f"{len(lifts)} different lifts were given; three above zero are needed at least, up and down, so "
            "that sticking and a bad reading show"
        )
    tangents = np.array([0.0, *(tan(lift_angle_rad(lift, s.lift_m)) for s in lift.steps)])
    moments = np.array([0.0, *(_moment(lift, s, t) for s, t in zip(lift.steps, tangents[1:], strict=True))])
    above = moments[1:] / tangents[1:] - _down(lift)
    slant = np.r_[0.0, above] * (1 + tangents**2) * lift.u_lift_m / lift.wheelbase_m
    u_points = np.hypot(lift.wheelbase_m * lift.u_load_kg / lift.total_kg, slant)
    fitted = line(tangents.tolist(), moments.tolist(), u_points.tolist())
    spread = max(1.0, sqrt(fitted.chi2 / fitted.freedom) * student(2.0, fitted.freedom) / 2)
    rise = fitted.b - _down(lift)
    u = sqrt(
        (fitted.u_b * spread) ** 2
        + lift.u_radius_m**2
        + (rise * 2 * lift.u_wheelbase_m / lift.wheelbase_m) ** 2
    )
    hysteresis = _hysteresis(lift)
    return Height(
        height=Quantity(fitted.b, u, "m"),
        line=fitted,
        up=_one_way(lift, "up"),
        down=_one_way(lift, "down"),
        hysteresis_kg=hysteresis,
        notes=_notes(lift, fitted, u, hysteresis),
    )


def _one_way(lift: Lift, direction: str) -> float | None:
    steps = [s for s in lift.steps if s.direction == direction]
    if len(steps) < 2:
        return None
    tangents = np.array([tan(lift_angle_rad(lift, s.lift_m)) for s in steps])
    moments = np.array([_moment(lift, s, float(t)) for s, t in zip(steps, tangents, strict=True)])
    return float(tangents @ moments / (tangents @ tangents))


def _hysteresis(lift: Lift) -> float | None:
    by_lift: dict[float, dict[str, list[float]]] = {}
    for s in lift.steps:
        by_lift.setdefault(round(s.lift_m, 3), {}).setdefault(s.direction, []).append(s.load_kg)
    gaps = [abs(float(np.mean(b["up"]) - np.mean(b["down"]))) for b in by_lift.values() if len(b) == 2]
    return max(gaps) if gaps else None


def _notes(lift: Lift, fitted: Line, u: float, hysteresis: float | None) -> tuple[str, ...]:
    notes = []
    if fitted.chi2 > fitted.freedom + 4 * sqrt(2 * fitted.freedom):
        notes.append(
            "The points leave the line by more than the pads' ±: is the suspension blocked solid, do the "
            "wheels roll freely, did the fuel move? Unblocked suspension falsifies the height by 20–50 % "
            "(SAE paper of 1998-02-23 on errors of measured heights)."
        )
    if hysteresis is None:
        notes.append("Measured one way only: go up and down again, so that sticking shows.")
    elif hysteresis > 4 * lift.u_load_kg:
        notes.append(f"Up and down differ by {hysteresis:.2g} kg at the same lift: something sticks.")
    if abs(fitted.a) > 2 * fitted.u_a:
        notes.append("The level weighing does not lie on the line of the lifts: weigh level again.")
    if not PLAUSIBLE_M[0] <= fitted.b <= PLAUSIBLE_M[1]:
        notes.append(
            f"A height of {fitted.b:.2f} m is not a car's; check lifts, radii and which axle was raised."
        )
    highest = max(s.lift_m for s in lift.steps)
    double = expected_u(lift, 2 * highest) if 2 * highest < 0.4 * lift.wheelbase_m else None
    if double is not None and double < 0.7 * u:
        notes.append(
            f"Lifts twice as high ({2 * highest:.2f} m) would bring ±{2 * u:.2g} m to ±{2 * double:.2g} m."
        )
    return tuple(notes)


def expected_u(lift: Lift, lift_m: float, points: int = 1) -> float:
    """Standard uncertainty (m) of the height that `points` lifts to lift_m would give, loads and radii alone.

    L/(W·tan θ)·u·√2 from the two loads: it grows without bound as the lift goes to nothing.
    """
    tangent = tan(lift_angle_rad(lift, lift_m))
    of_loads = lift.wheelbase_m / (lift.total_kg * tangent) * lift.u_load_kg * sqrt(1 + 1 / points)
    return hypot(of_loads, lift.u_radius_m)


def half_turn(out: Statics, back: Statics, alpha: Quantity, beta: Quantity) -> Quantity:
    """Height (m) from the same car facing out and back on a measured slope: h = (x_back − x_out)/(2·tan α).

    Both directions are combined by their uncertainty. ValueError without geometry, or when no slope stands
    clear of its own ±.
    """
    if out.x is None or out.y is None or back.x is None or back.y is None:
        raise ValueError("a height from a half turn needs wheelbase and both tracks")
    found = []
    for a, b, slope in ((out.x, back.x, alpha), (out.y, back.y, beta)):
        tangent, u_slope = tan(slope.value), slope.u or 0.0
        if abs(tangent) > 3 * u_slope:
            half = (b.value - a.value) / 2
            u_half = hypot(a.u or 0.0, b.u or 0.0) / 2
            found.append((half / tangent, hypot(u_half, half / tangent * u_slope) / abs(tangent)))
    if not found:
        raise ValueError(
            "neither slope is steeper than three times its own u; a height cannot be told from it"
        )
    weights = np.array([1 / max(u, 1e-9) ** 2 for _, u in found])
    value = float(weights @ [h for h, _ in found] / weights.sum())
    return Quantity(value, float(1 / np.sqrt(weights.sum())), "m")


def stability_factor(geometry: Geometry, height: Quantity) -> Quantity:
    """Static stability factor T/(2h), T the mean track (NHTSA's measure); without unit."""
    _, front, rear = geometry.lengths_m
    factor = (front + rear) / 4 / height.value
    return Quantity(factor, None if height.u is None else factor * height.u / height.value, "1")
