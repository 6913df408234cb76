"""The floor under four spots: its slopes and twist from heights, and the shims that take them out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct

from logger.mechanics.statics import Array, Geometry, Statics
from logger.mechanics.whole import Limit, nearest
from logger.model import CORNERS, Corner
from logger.quantity import Quantity

LEVER_M = 1.0
"""Slopes and twist are compared as what they lift over a metre."""


class FloorShape(Struct, frozen=True, kw_only=True):
    """Slopes in the frame of facing out (m/m): `alpha` nose up, `beta` left up; `theta` the twist (rad).

    `corner_m` is the twist as one corner's height out of the other three's plane.
    """

    alpha: Quantity
    beta: Quantity
    theta: Quantity
    corner_m: Quantity


class ShimPlan(Struct, frozen=True, kw_only=True):
    """Shims (m) to lay under each corner's pad, and the floor before and after."""

    shims_m: dict[Corner, tuple[float, ...]]
    before: FloorShape
    after: FloorShape


def attitude(geometry: Geometry) -> Array:
    """3 × 4: heights under the corners (m, CORNERS order) → slope nose-up, slope left-up (m/m), twist (rad).

    The slopes are those of the least-squares plane through the four contact patches; the twist is
    theta = (z_LF − z_RF)/t_f − (z_LR − z_RR)/t_r, which no plane has.
    """
    _, front, rear = geometry.lengths_m
    plane = np.linalg.pinv(np.column_stack([np.ones(4), geometry.x_m, geometry.y_m]))
    twist = np.array([1 / front, -1 / front, -1 / rear, 1 / rear])
    return np.vstack([plane[1:], twist])


def floor_shape(heights_m: Sequence[float], u_m: float, geometry: Geometry) -> FloorShape:
    """Find slopes and twist from the pad tops' heights (m, any datum, CORNERS order facing out), each ± u_m.

    ValueError without four finite heights or without the geometry.
    """
    heights = np.asarray(heights_m, dtype=float)
    if heights.shape != (4,) or not np.all(np.isfinite(heights)):
        raise ValueError(f"four heights are needed, one for each corner, not {list(heights_m)}")
    if geometry.missing:
        raise ValueError(f"slopes and twist need {', '.join(geometry.missing)}")
    rows = attitude(geometry)
    values = (rows @ heights).tolist()
    us = (u_m * np.linalg.norm(rows, axis=1)).tolist()
    _, front, rear = geometry.lengths_m
    track = (front + rear) / 2
    return FloorShape(
        alpha=Quantity(values[0], us[0], "rad"),
        beta=Quantity(values[1], us[1], "rad"),
        theta=Quantity(values[2], us[2], "rad"),
        corner_m=Quantity(values[2] * track, us[2] * track, "m"),
    )


def heights_of(alpha: Quantity, beta: Quantity, theta: Quantity, geometry: Geometry) -> tuple[Quantity, ...]:
    """Heights over their mean (m, CORNERS order facing out) of a floor with these slopes and this twist.

    The three are taken as told independently, as they are where the tracks are equal.
    """
    lift = np.linalg.pinv(attitude(geometry))
    values = lift @ [alpha.value, beta.value, theta.value]
    us = np.hypot.reduce(lift * [q.u or 0.0 for q in (alpha, beta, theta)], axis=1)
    return tuple(Quantity(float(z), float(u), "m") for z, u in zip(values, us, strict=True))


def slopes_from_half_turn(out: Statics, back: Statics, cg_height: Quantity) -> tuple[Quantity, Quantity]:
    """Slopes (alpha, beta) from the same car weighed facing out and back on the same spots, h being known.

    alpha = (x_back − x_out)/(2h), likewise beta. ValueError without the geometry.
    """
    if out.x is None or out.y is None or back.x is None or back.y is None:
        raise ValueError("slopes from a half turn need wheelbase and both tracks")
    return _slope(out.x, back.x, cg_height), _slope(out.y, back.y, cg_height)


def _slope(out: Quantity, back: Quantity, height: Quantity) -> Quantity:
    half = (back.value - out.value) / 2
    u_half = float(np.hypot(out.u or 0.0, back.u or 0.0)) / 2
    slope = half / height.value
    return Quantity(slope, float(np.hypot(u_half, slope * (height.u or 0.0))) / height.value, "rad")


def shim_plan(
    heights_m: Sequence[float],
    u_m: float,
    shims_m: Mapping[float, int],
    geometry: Geometry,
    *,
    most_m: float = 0.04,
) -> ShimPlan:
    """Choose shims from those to hand (thickness in m → how many): twist, then slopes, nearest to zero.

    Mixed-integer programme: first a twist within a quarter of its own u, or the least there is, then among
    those the least slopes with the thinnest stacks. `most_m` limits a stack. ValueError as for
    `floor_shape`, or when no shim is given.
    """
    sizes = [(t, n) for t, n in shims_m.items() if t > 0 and n > 0]
    if not sizes:
        raise ValueError("no shims were given; name thicknesses (m) and how many of each are to hand")
    before = floor_shape(heights_m, u_m, geometry)
    enough = 1e3 * LEVER_M * (before.theta.u or 0.0) / 4
    counts = _least(np.asarray(heights_m, dtype=float), sizes, geometry, (most_m, enough))
    stacks = {
        corner: tuple(t for (t, _), n in zip(sizes, row, strict=True) for _ in range(n))
        for corner, row in zip(CORNERS, counts, strict=True)
    }
    raised = [h + sum(stacks[c]) for h, c in zip(heights_m, CORNERS, strict=True)]
    return ShimPlan(shims_m=stacks, before=before, after=floor_shape(raised, u_m, geometry))


def _least(
    heights: Array, sizes: list[tuple[float, int]], geometry: Geometry, limit: tuple[float, float]
) -> list[list[int]]:
    """Shims of each size under each corner; unknowns: 4 × sizes counts, |alpha|, |beta|, |theta| (mm)."""
    rows, (most_m, enough) = attitude(geometry), limit
    thick = 1e3 * np.array([t for t, _ in sizes])
    to_hand = np.array([float(n) for _, n in sizes])
    n = 4 * len(sizes)
    stack = np.kron(np.eye(4), thick)
    shape, now = rows @ stack * LEVER_M, rows @ heights * 1e3 * LEVER_M
    rest = np.zeros((4, 3))
    limits: list[Limit] = [
        (np.hstack([shape, -np.eye(3)]), -np.inf, -now),
        (np.hstack([-shape, -np.eye(3)]), -np.inf, now),
        (np.hstack([stack, rest]), 0.0, 1e3 * most_m),
        (np.hstack([np.kron(np.ones(4), np.eye(len(sizes))), rest[:1].repeat(len(sizes), 0)]), 0.0, to_hand),
    ]
    twist = np.r_[np.zeros(n + 2), 1.0]
    slopes = np.r_[1e-3 * np.tile(thick, 4), 1.0, 1.0, 0.0]
    bounds = (np.zeros(n + 3), np.r_[np.tile(to_hand, 4), np.full(3, np.inf)])
    best = nearest(twist, slopes, limits, n, bounds, slack=enough)
    return [[int(v) for v in row] for row in best[:n].reshape(4, -1)]
