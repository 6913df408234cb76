"""Does the solver's ± keep its word?  `python -m tools.bench_mechanics [CARS]` prints the figures as JSON.

Each simulated car has its own geometry, mass, balance, springs, floor, pads and set of placements; a part is
taken out and the car is weighed again. Counted is how often ±2u covers the truth: for figures the solver says
are told, and apart for those it says rest on an allowance.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from math import log
from typing import Any

import numpy as np

from logger.mechanics.floor import attitude
from logger.mechanics.solve import Builds, solve_builds
from logger.mechanics.statics import Array, Geometry, statics
from logger.mechanics.weighing import HALF_TURN, Allowances, Known, Weighing
from logger.model import Facing

SPOTS = ("S1", "S2", "S3", "S4")
PADS = ("P1", "P2", "P3", "P4")
FIGURES = ("total", "front", "left", "cross", "x", "y")
PLAN = (("out", PADS, 0.0), ("back", PADS[::-1], 0.0), ("out", (*PADS[1::-1], *PADS[:1:-1]), 0.0))
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
        stiffness_Nm_per_rad=9.80665 * float(rng.normal(stiffness, stiffness_u)) if springs else None,
        stiffness_u_Nm_per_rad=9.80665 * stiffness_u if springs else None,
        gain_u=gain_u or None,
    )
    return World(
        geometry=geometry,
        state=state,
        heights=heights,
        stiffness=stiffness,
        scatter=float(np.exp(rng.normal(log(allow.cross_scatter), allow.cross_scatter_spread))),
        gains=rng.normal(0, gain_u, 4) if gain_u else np.zeros(4),
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
    fields = {"facing": facing, "spots": spots, "pads": pads, "loads_kg": tuple(readings.tolist())}
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
            facing,  # type: ignore[arg-type]  # PLAN holds nothing but facings
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


def coverage(cars: int, first_seed: int = 0) -> dict[str, Any]:
    """Count how often ±2u covers the truth, over simulated cars."""
    told: dict[str, list[bool]] = defaultdict(list)
    allowed: dict[str, list[bool]] = defaultdict(list)
    aside = 0
    for seed in range(first_seed, first_seed + cars):
        world, builds, states, part = one_car(seed)
        to_loads = np.column_stack([world.geometry.spread, world.geometry.warp])
        for build, solution in builds.solutions.items():
            truth = statics((to_loads @ states[build][:4]).tolist(), [0.0] * 4, world.geometry)
            aside += len(solution.suspects)
            for name in FIGURES:
                have, want = getattr(solution, name), getattr(truth, name)
                (allowed if name in solution.open else told)[name].append(
                    abs(have.value - want.value) <= 2 * have.u
                )
        found = builds.part("with", "without")
        for name, have, want in zip(
            ("mass", "x", "y"), (found.mass, found.x, found.y), part[:3], strict=True
        ):
            if have is not None and not found.too_light_to_locate:
                told[f"part {name}"].append(bool(abs(have.value - want) <= 2 * have.u))
    return {"told": _shares(told), "allowance": _shares(allowed), "suspects": aside, "cars": cars}


def _shares(counts: dict[str, list[bool]]) -> dict[str, Any]:
    return {name: [round(float(np.mean(c)), 4), len(c)] for name, c in sorted(counts.items())}
