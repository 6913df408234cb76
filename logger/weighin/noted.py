"""What a weigh-in's conditions say of the floor: pad-top heights measured while it went on. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from logger.car_file import Car
from logger.weighin.placements import SPOTS

HEIGHTS, HEIGHT_U = "spot_heights_m", "height_u_m"


def noted_heights(car: Car) -> dict[str, Any]:
    """The car's known heights as conditions of a weigh-in."""
    known = car.known
    return {HEIGHTS: dict(known.spot_heights_m), HEIGHT_U: known.height_u_m}


def with_noted(car: Car, conditions: Mapping[str, Any]) -> Car:
    """The car with the heights that were noted in a weigh-in; those it had where none were."""
    heights = conditions.get(HEIGHTS)
    if not isinstance(heights, Mapping) or not all(spot in heights for spot in SPOTS):
        return car
    told = {str(spot): float(h) for spot, h in heights.items()}
    known = replace(
        car.known, spot_heights_m=told, height_u_m=float(conditions.get(HEIGHT_U, car.known.height_u_m))
    )
    return replace(car, known=known)
