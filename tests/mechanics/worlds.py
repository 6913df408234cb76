"""Cars, floors and weighings made for the tests of mechanics: exact unless a test adds noise."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import strategies as st

from logger.mechanics.floor import attitude
from logger.mechanics.statics import Array, Geometry, statics
from logger.mechanics.weighing import HALF_TURN, Known, Weighing

GEOMETRY = Geometry(wheelbase_m=2.430, track_front_m=1.405, track_rear_m=1.395)
"""The invented Wagtail's."""
STATE = np.array([968.0, 968.0 * 1.41, 968.0 * 0.012, 4.0])
"""M, M·x, M·y, kappa."""
SPOTS = ("S1", "S2", "S3", "S4")
PADS = ("P1", "P2", "P3", "P4")
FRONT_SWAP, REAR_SWAP, ENDS = ("P2", "P1", "P3", "P4"), ("P1", "P2", "P4", "P3"), ("P3", "P4", "P1", "P2")
"""Pads exchanged: those in front, those behind, front for rear."""
STIFFNESS = 1900.0
"""kg·m/rad."""


def true_loads(state: Array = STATE, geometry: Geometry = GEOMETRY) -> Array:
    """Loads on a flat floor."""
    return geometry.spread @ state[:3] + state[3] * geometry.warp


def weighing(
    facing: str = "out",
    pads: tuple[str, ...] = PADS,
    *,
    state: Array = STATE,
    heights: Any = (0.0,) * 4,
    h_m: float = 0.5,
    noise: Any = 0.0,
    u_kg: float = 0.1,
    gains: dict[str, float] | None = None,
    kappa: float = 0.0,
    stiffness: float = STIFFNESS,
    geometry: Geometry = GEOMETRY,
    **more: Any,
) -> Weighing:
    """One weighing of the car on pads whose tops stand at `heights` (m, CORNERS order facing out)."""
    shims = np.array(more.get("shims_m", (0.0,) * 4))
    under = np.array(heights) if facing == "out" else np.array(heights)[list(HALF_TURN)]
    rows = attitude(geometry)
    alpha, beta, _ = (1 if facing == "out" else -1) * (rows @ np.array(heights)) + rows @ shims
    theta = rows[2] @ (under + shims)
    wrench = state[:3] - state[0] * h_m * np.array([0.0, alpha, beta])
    loads = geometry.spread @ wrench + (state[3] + kappa + stiffness * theta) * geometry.warp
    gain = np.array([1 + (gains or {}).get(p, 0.0) for p in pads])
    readings = loads * gain + np.array(noise)
    fields: dict[str, Any] = {
        "run": "1",
        "facing": facing,
        "spots": SPOTS if facing == "out" else SPOTS[::-1],
        "pads": pads,
        "loads_kg": tuple(readings.tolist()),
        "covariance_kg2": (u_kg**2,) * 4,
    }
    return Weighing(**(fields | more))


TRUTH = statics(true_loads().tolist(), [0.0] * 4, GEOMETRY)
"""The car on a flat floor."""


def facings(runs=1, **more):
    return [
        weighing(f, PADS if f == "out" else PADS[::-1], run=f"{f} {n}", **more)
        for f in ("out", "back")
        for n in range(runs)
    ]


def known_heights(heights, **more):
    return Known(spot_heights_m=dict(zip(SPOTS, np.asarray(heights).tolist(), strict=True)), **more)


def scattered(runs, sigma, seed=1, **more):
    rng = np.random.default_rng(seed)
    return [
        weighing(run=str(n), kappa=rng.normal(0, sigma), noise=rng.normal(0, 0.1, 4), **more)
        for n in range(runs)
    ]


geometries = st.builds(
    Geometry,
    wheelbase_m=st.floats(1.8, 3.3),
    track_front_m=st.floats(1.1, 1.8),
    track_rear_m=st.floats(1.1, 1.8),
)
loads = st.lists(st.floats(60, 900), min_size=4, max_size=4)
