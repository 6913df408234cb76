"""A car's warp stiffness from its springs, bars and chassis."""

from __future__ import annotations

from dataclasses import dataclass

from logger.mechanics.statics import Geometry
from logger.quantity import Quantity


@dataclass(frozen=True, kw_only=True)
class Springs:
    """Rates at the wheels, N/m: `wheel_*` of one wheel alone, `bar_*` added per wheel in opposite travel.

    `chassis_Nm_per_rad` is the torsional stiffness between the axles, None for stiff. `relative_u` is the
    standard uncertainty of the resulting stiffness.
    """

    wheel_front_N_per_m: float
    wheel_rear_N_per_m: float
    bar_front_N_per_m: float = 0.0
    bar_rear_N_per_m: float = 0.0
    chassis_Nm_per_rad: float | None = None
    relative_u: float = 0.15
    """Catalogue rates, motion ratios, rubber and tyres in series: rarely better (own estimate)."""

    def __post_init__(self) -> None:
        for name in ("wheel_front_N_per_m", "wheel_rear_N_per_m"):
            if getattr(self, name) <= 0:
                raise ValueError(f"{name} is {getattr(self, name):g}; a wheel rate is above zero")


def warp_stiffness(springs: Springs, geometry: Geometry) -> Quantity:
    """Compute K = K_f·K_r/(K_f + K_r) in N·m/rad, K_i = (k_wheel/2 + k_bar)·t², in series with the chassis.

    Twisting both axles against each other loads them in series; from the rates alone, by hand.
    """
    _, track_front, track_rear = geometry.lengths_m
    front = (springs.wheel_front_N_per_m / 2 + springs.bar_front_N_per_m) * track_front**2
    rear = (springs.wheel_rear_N_per_m / 2 + springs.bar_rear_N_per_m) * track_rear**2
    soft = 1 / front + 1 / rear
    if springs.chassis_Nm_per_rad is not None:
        soft += 1 / springs.chassis_Nm_per_rad
    return Quantity(1 / soft, springs.relative_u / soft, "N·m/rad")
