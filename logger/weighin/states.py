"""What a car's history is made of: weigh-ins, states, steps and people; and the states asked of it. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from dataclasses import replace as changed
from typing import Literal

from logger.car_file import Car
from logger.mechanics.budget import Item, forecast
from logger.mechanics.solve import Solution
from logger.mechanics.statics import Geometry
from logger.model import Capture, Change
from logger.quantity import Quantity

Basis = Literal["weighed", "between", "typed"]
CovarianceXY = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class WeighIn:
    """What the history needs of one weigh-in: when it began, its records, and the car as known for it."""

    id: int
    t_wall_ns: int
    captures: Sequence[Capture]
    changes: Sequence[Change]
    car: Car


@dataclass(frozen=True, kw_only=True)
class State:
    """The car as weighed at one time: `label` is build and people.

    `items` take off what was aboard and is not the car's; the figures are without it, but with the people
    of `aboard`.
    """

    weigh_in: int
    build: str
    label: str
    aboard: tuple[str, ...]
    t_wall_ns: int
    solution: Solution
    items: tuple[Item, ...]
    total: Quantity
    front: Quantity
    left: Quantity
    cross: Quantity
    x: Quantity | None
    y: Quantity | None


@dataclass(frozen=True, kw_only=True)
class Step:
    """A change of the car: `mass` is positive for what went on, its place None where it is not known.

    `ref` names it (w3.1 a weigh-in's change, e12 a typed one, w3-w4 what changed between weigh-ins);
    `proposed` tells that nobody named it. `basis` is "weighed", "between" or "typed"; `how` says it in words.
    """

    ref: str
    name: str
    proposed: bool
    basis: Basis
    how: str
    t_wall_ns: int
    mass: Quantity
    x: Quantity | None
    y: Quantity | None
    covariance_xy_m2: CovarianceXY | None = None
    too_light: bool = False
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Person:
    """Somebody aboard: measured (`ref` names the weigh-in) or typed in (e4)."""

    name: str
    mass: Quantity
    x: Quantity | None
    y: Quantity | None
    ref: str


@dataclass(frozen=True, kw_only=True)
class History:
    """All that is known of one car.

    `states` are as weighed; `since` are the steps typed in after the last of them. `off` and `on` are the
    sums of the steps each way. `doubts` are sentences.
    """

    car: str
    geometry: Geometry
    states: tuple[State, ...]
    steps: tuple[Step, ...]
    since: tuple[Step, ...]
    people: tuple[Person, ...]
    off: Quantity
    on: Quantity
    doubts: tuple[str, ...]


def empty_states(history: History) -> list[State]:
    """The car with nobody aboard, a state for each build; one weighed only with people has them taken off.

    A build with people whose own mass is not known is left out.
    """
    found: list[State] = []
    for key in dict.fromkeys((s.weigh_in, s.build) for s in history.states):
        same = [s for s in history.states if (s.weigh_in, s.build) == key]
        alone = next((s for s in same if not s.aboard), None)
        if alone is None:
            alone = next((e for s in same if (e := _without_people(s, history.people))), None)
        if alone is not None:
            found.append(alone)
    return found


def latest(history: History, aboard: Sequence[str] = ()) -> State:
    """The last build as weighed, with these people aboard if it was weighed so, else the nearest to it."""
    last = history.states[-1]
    same = [s for s in history.states if s.weigh_in == last.weigh_in and s.build == last.build]
    return min(same, key=lambda s: len(set(s.aboard) ^ set(aboard)))


def item_of(step: Step, *, back: bool = False) -> Item:
    """A step as a planned change, or its undoing."""
    sign = -1.0 if back else 1.0
    return Item(name=step.name, mass=Quantity(sign * step.mass.value, step.mass.u, "kg"), x=step.x, y=step.y)


def _without_people(state: State, people: Iterable[Person]) -> State | None:
    known = {p.name: p for p in people}
    if any(name not in known for name in state.aboard):
        return None
    off = [
        Item(name=p.name, mass=Quantity(-p.mass.value, p.mass.u, "kg"), x=p.x, y=p.y)
        for p in (known[name] for name in state.aboard)
    ]
    items = (*state.items, *off)
    told = forecast(state.solution, items)
    return changed(
        state,
        label=state.build,
        aboard=(),
        items=items,
        total=told.total,
        front=told.front,
        left=told.left,
        cross=told.cross,
        x=told.x,
        y=told.y,
    )
