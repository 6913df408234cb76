"""Loads of pads told as loads of corners: which pad is on which spot, which spot under which corner."""

from __future__ import annotations

from collections.abc import Mapping

from logger.model import CORNERS, CarRest, CornerLoad, Facing
from logger.weighin.placements import SPOT_OF


def loads_on_spots(rest: CarRest, pad_on_spot: Mapping[str, str]) -> dict[str, float]:
    """Loads by spot (kg)."""
    by_pad = dict(zip(rest.pads, rest.loads_kg, strict=True))
    return {spot: by_pad[pad] for spot, pad in pad_on_spot.items()}


def corner_loads(
    rest: CarRest, facing: Facing, pad_on_spot: Mapping[str, str]
) -> tuple[tuple[CornerLoad, ...], tuple[float, ...]]:
    """Loads by corner and their covariance (kg², 4 × 4 row-major), both in CORNERS order."""
    n = len(rest.pads)
    at = {pad: i for i, pad in enumerate(rest.pads)}
    spots = SPOT_OF[facing]
    order = [at[pad_on_spot[spots[corner]]] for corner in CORNERS]
    loads = tuple(
        CornerLoad(
            corner=corner,
            spot=spots[corner],
            pad=rest.pads[i],
            mass_kg=rest.loads_kg[i],
            u_kg=rest.covariance_kg2[i * n + i] ** 0.5,
        )
        for corner, i in zip(CORNERS, order, strict=True)
    )
    return loads, tuple(rest.covariance_kg2[i * n + j] for i in order for j in order)
