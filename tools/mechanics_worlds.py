"""Simulated shops and cars for bench_mechanics.py: the truth, what is weighed of it, and what is known of it.

Each shop has its own car, springs, floor, pads and set of placements, drawn as the solver's allowances say.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log
from typing import Any

import numpy as np

from logger.mechanics.floor import attitude
from logger.mechanics.solve import Builds, solve_builds
from logger.mechanics.statics import Array, Geometry
from logger.mechanics.weighing import HALF_TURN, Allowances, Known, Weighing
from logger.model import Facing
from logger.units import G_N

SPOTS = ("S1", "S2", "S3", "S4")
PADS = ("P1", "P2", "P3", "P4")
WAGTAIL = Geometry(wheelbase_m=2.43, track_front_m=1.405, track_rear_m=1.395)
"""The invented car of the demo."""
FACINGS: tuple[tuple[Facing, tuple[str, ...]], ...] = (("out", PADS), ("back", PADS[::-1]))
PLAN: tuple[tuple[Facing, tuple[str, ...], float], ...] = (
    ("out", PADS, 0.0),
    ("back", PADS[::-1], 0.0),
    ("out", (*PADS[1::-1], *PADS[:1:-1]), 0.0),
)
"""Placements to draw from, as (facing, pads under LF RF LR RR, shim under RF in m); shims are drawn apart."""


@dataclass(frozen=True)
class World:
    """The truth of one shop: geometry, state (M, X, Y, kappa, M·h), floor, pads, and what is known."""

    geometry: Geometry
    state: Array
    heights: Array
    stiffness: float
    scatter: float
    gains: Array
    u_kg: float
    known: Known


def draw_world(rng: np.random.Generator) -> World:
    """Draw a shop; floor and springs as the solver's allowances say they are spread."""
    allow = Allowances()
    geometry = Geometry(
        wheelbase_m=rng.uniform(2.0, 3.1),
        track_front_m=rng.uniform(1.2, 1.65),
        track_rear_m=rng.uniform(1.2, 1.65),
    )
    mass = rng.uniform(500, 1900)
    x, y = rng.uniform(0.38, 0.64) * geometry.lengths_m[0], rng.normal(0, 0.03)
    height = rng.normal(allow.cg_height_m, allow.cg_height_u_m)
    state = np.array([mass, mass * x, mass * y, rng.normal(0, 0.01 * mass), mass * height])
    track = float(np.mean(geometry.lengths_m[1:]))
    alpha, beta = rng.normal(0, allow.slope, 2)
    warp = geometry.warp / (geometry.warp @ geometry.warp)
    heights = alpha * geometry.x_m + beta * geometry.y_m + rng.normal(0, allow.twist_m / track) * warp
    stiffness = mass * allow.stiffness_kgm_per_rad_per_kg * rng.normal(1, allow.stiffness_relative_u)
    levelled = rng.random() < 0.5
    gain_u = float(rng.choice([0.0, 5e-4]))
    read = heights + rng.normal(0, 1e-3, 4)
    stiffness_u = 0.1 * abs(stiffness)
    springs = rng.random() < 0.4
    known = Known(
        spot_heights_m=dict(zip(SPOTS, read.tolist(), strict=True)) if levelled else {},
        stiffness_Nm_per_rad=G_N * float(rng.normal(stiffness, stiffness_u)) if springs else None,
        stiffness_u_Nm_per_rad=G_N * stiffness_u if springs else None,
        gain_u=gain_u,
    )
    return World(
        geometry=geometry,
        state=state,
        heights=heights,
        stiffness=stiffness,
        scatter=float(np.exp(rng.normal(log(allow.cross_scatter), allow.cross_scatter_spread))),
        gains=rng.normal(0, gain_u, 4),
        u_kg=float(rng.choice([0.05, 0.1, 0.2])),
        known=known,
    )


def weigh(
    world: World, rng: np.random.Generator, state: Array, facing: Facing, pads: tuple[str, ...], **more: Any
) -> Weighing:
    """One rest of the car, with its draw of suspension scatter, floor, gains and noise."""
    geometry = world.geometry
    sign = 1.0 if facing == "out" else -1.0
    under = world.heights if facing == "out" else world.heights[list(HALF_TURN)]
    shims = np.array(more.get("shims_m", (0.0,) * 4))
    alpha, beta, _ = attitude(geometry) @ world.heights * sign + attitude(geometry) @ shims
    theta = float(attitude(geometry)[2] @ (under + shims))
    mass, lift = state[0], state[4]
    wrench = state[:3] - lift * np.array([0.0, alpha, beta])
    _, front, rear = geometry.lengths_m
    scatter = rng.normal(0, world.scatter * mass / (1 / front + 1 / rear))
    kappa = state[3] + world.stiffness * theta + scatter
    loads = geometry.spread @ wrench + kappa * geometry.warp
    gain = world.gains[[PADS.index(p) for p in pads]]
    readings = loads * (1 + gain) + rng.normal(0, world.u_kg, 4)
    spots = SPOTS if facing == "out" else SPOTS[::-1]
    fields: dict[str, Any] = {
        "facing": facing,
        "spots": spots,
        "pads": pads,
        "loads_kg": tuple(readings.tolist()),
    }
    return Weighing(**fields, covariance_kg2=(world.u_kg**2,) * 4, **more)


def draw_weighings(world: World, rng: np.random.Generator, states: dict[str, Array]) -> list[Weighing]:
    """Every build in the same placements: one to three, one to four runs each, perhaps a shim test."""
    chosen = rng.permutation(len(PLAN))[: rng.integers(1, len(PLAN) + 1)]
    plan = [(*PLAN[i], int(rng.integers(1, 5))) for i in sorted(chosen)]
    if rng.random() < 0.4:
        plan.append((plan[0][0], plan[0][1], 0.005, 2))
    return [
        weigh(
            world,
            rng,
            state,
            facing,
            pads,
            run=f"{build} {place}.{n}",
            build=build,
            shims_m=(0.0, shim, 0.0, 0.0),
        )
        for build, state in states.items()
        for place, (facing, pads, shim, runs) in enumerate(plan)
        for n in range(runs)
    ]


def draw_part(world: World, rng: np.random.Generator) -> Array:
    """A part (kg, x, y, z in m) somewhere in or a little outside the car."""
    length = world.geometry.lengths_m[0]
    x, y = rng.uniform(-0.7, length + 0.7), rng.uniform(-0.7, 0.7)
    return np.array([rng.uniform(2, 60), x, y, rng.uniform(0.1, 1.1)])


def one_car(seed: int) -> tuple[World, Builds, dict[str, Array], Array]:
    """Simulate one car with and without a part, and solve it."""
    rng = np.random.default_rng(seed)
    world = draw_world(rng)
    part = draw_part(world, rng)
    gone = part[0] * np.array([1.0, part[1], part[2], 0.0, part[3]])
    states = {"with": world.state, "without": world.state - gone}
    builds = solve_builds(draw_weighings(world, rng, states), world.geometry, world.known)
    return world, builds, states, part


def replace_covariance(w: Weighing, variance: float) -> Weighing:
    """The weighing with another variance on each pad (kg²)."""
    fields = {name: getattr(w, name) for name in w.__struct_fields__}
    return Weighing(**(fields | {"covariance_kg2": (variance,) * 4}))


def hundred_rests() -> list[Weighing]:
    """A hundred car rests in two facings."""
    rng = np.random.default_rng(0)
    world = draw_world(rng)
    return [
        weigh(world, rng, world.state, facing, pads, run=f"{facing}{n}")
        for facing, pads in FACINGS
        for n in range(50)
    ]
