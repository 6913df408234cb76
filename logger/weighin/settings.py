"""How a weigh-in runs by itself."""

from __future__ import annotations

from dataclasses import dataclass

from logger.model import Facing


@dataclass(frozen=True, kw_only=True)
class FlowSettings:
    """How a weigh-in runs by itself."""

    first_facing: Facing = "out"
    """Facing of the first placement; the driver is told it."""
    hold_s: float = 1.5
    """A rest must have stood this long (s) after its declaration before it is taken: a person half in the
    door rests for a moment too, and so does a car between two pushes."""
    least_car_kg: float = 200.0
    """Lighter than this (kg) is no car: somebody walks over the pads."""
    decided: float = 0.3
    """From this contrast on (0 to 1) the loads tell the facing; below it a car on again counts as turned."""
