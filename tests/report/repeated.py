"""Rests of one car, one after the other, with loads as they are wanted."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from logger.model import CarRest

EVERY_NS, LASTS_NS = 10_000_000_000, 5_000_000_000
"""A rest begins every ten seconds and lasts for five."""


def car_rests(loads_kg: Iterable[np.ndarray]) -> list[CarRest]:
    """One rest of four pads, P1 to P4, for each row of loads; totals are known to 0.1 kg."""
    return [
        CarRest(
            pads=("P1", "P2", "P3", "P4"),
            t_from_mono_ns=k * EVERY_NS,
            t_from_wall_ns=0,
            t_declared_mono_ns=k * EVERY_NS,
            t_to_mono_ns=k * EVERY_NS + LASTS_NS,
            declared_mass_kg=float(loads.sum()),
            declared_u_kg=0.1,
            mass_kg=float(loads.sum()),
            u_kg=0.1,
            loads_kg=tuple(loads.tolist()),
            covariance_kg2=(0.0,) * 16,
            slope_kg_per_s=0.0,
            n=100,
            open=False,
        )
        for k, loads in enumerate(loads_kg)
    ]
