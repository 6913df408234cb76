"""What a plan asks for, as PLAN.toml says it, and the car it starts from; all in SI."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from logger.car_file import Car
from logger.mechanics.ballast import Place
from logger.mechanics.budget import Goal, Item
from logger.mechanics.height import LiftStep
from logger.mechanics.parts import Weighed
from logger.mechanics.perches import Perch
from logger.mechanics.statics import Statics
from logger.model import Corner, Facing
from logger.quantity import Quantity
from logger.weighin.states import Step

Site = tuple[float, float]
"""Latitude (degrees) and height above the sea (m)."""


@dataclass(frozen=True, kw_only=True)
class From:
    """Where the car's present state comes from: a ledger, a CSV of weighings, or loads typed in; one of them.

    `build` picks a build by its label (None: the last). `aboard` are the people on board in typed loads.
    """

    ledger: Path | None = None
    car_name: str | None = None
    weighings: Path | None = None
    car: Path | None = None
    build: str | None = None
    loads: Mapping[Corner, Quantity] = field(default_factory=dict)
    aboard: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """A change that is planned: an item typed in, or one the ledger knows (`ref` such as w3.1).

    Its mass is positive where it goes on and negative where it comes off; with a `ref`, only its sign counts.
    """

    item: Item
    ref: str | None = None


@dataclass(frozen=True, kw_only=True)
class Adjustment:
    """Perches turned, and cross weight (share of 1) measured before and after on the same spots."""

    turns: Mapping[Corner, float]
    before: Quantity
    after: Quantity


@dataclass(frozen=True, kw_only=True)
class LiftWanted:
    """An axle lift as measured; `total` and `level` (axle that stays down) None: taken from the state."""

    raised: Literal["rear", "front"]
    radius_front: Quantity
    radius_rear: Quantity
    steps: tuple[LiftStep, ...]
    total: Quantity | None = None
    level: Quantity | None = None


@dataclass(frozen=True, kw_only=True)
class HalfTurnWanted:
    """A height from a half turn: the floor's slopes facing out, None: from the heights of the car's file."""

    along: Quantity | None = None
    across: Quantity | None = None


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A whole plan. None and empty mean: not asked for."""

    file: Path
    name: str
    state: From
    unit: Literal["kg", "lb"] = "kg"
    invented: bool = False
    goal: Goal = field(default_factory=Goal)
    tolerance: Mapping[str, float] = field(default_factory=dict)
    """Of total (kg), front, left and cross (shares); goal's own for those not in it."""
    least_total_kg: float | None = None
    aboard: tuple[str, ...] = ()
    people: tuple[Item, ...] = ()
    changes: tuple[Wanted, ...] = ()
    places: tuple[Place, ...] = ()
    perches: tuple[Perch, ...] = ()
    step_turns: float = 0.25
    adjustments: tuple[Adjustment, ...] = ()
    stiffness: Quantity | None = None
    height: Quantity | None = None
    lift: LiftWanted | None = None
    half_turn: HalfTurnWanted | None = None
    calibrated: Site | None = None
    used: Site | None = None
    shims_m: Mapping[float, int] = field(default_factory=dict)
    assumed: tuple[str, ...] = ()
    """What was assumed where the file says no ±, in sentences."""

    def tolerance_of(self, figure: str) -> float:
        """How far a figure may lie from its target: kg for the total, a share for the others."""
        goal = self.goal
        usual = goal.total_tolerance_kg if figure == "total" else goal.share_tolerance
        return self.tolerance.get(figure, usual)


class PlanFault(ValueError):
    """A plan cannot be worked out; says what is wrong and what to do."""


@dataclass(frozen=True, kw_only=True)
class Base:
    """The car now: `weighed` with its covariance, who was aboard then, what to add to be up to date.

    `steps` and `people` are what the ledger knows by reference and name. `facings` are the means of the
    build's weighings by facing.
    """

    car: Car
    label: str
    weighed: Weighed
    aboard: tuple[str, ...] = ()
    items: tuple[Item, ...] = ()
    people: Mapping[str, Item] = field(default_factory=dict)
    steps: Mapping[str, Step] = field(default_factory=dict)
    facings: Mapping[Facing, Statics] = field(default_factory=dict)
    stiffness: Quantity | None = None
    notes: tuple[str, ...] = ()
