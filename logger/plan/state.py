"""The car that a plan starts from: out of a ledger, a CSV of weighings, or loads typed in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from logger.bookkeeping.source import car_of, one_history, opened, row_of
from logger.car_file import Car, read_car
from logger.mechanics.budget import Item
from logger.mechanics.solve import Builds, Solution, solve_builds
from logger.mechanics.statics import Statics, square, statics
from logger.mechanics.weighing import Weighing, weighing_from_capture
from logger.model import CORNERS, Facing
from logger.plan.wanted import Base, From, Plan, PlanFault
from logger.quantity import Quantity
from logger.units import G_N
from logger.weigh_file import read_weighings
from logger.weighin.results import label
from logger.weighin.states import item_of, latest

T = TypeVar("T")

GUESS = 0.15
"""u of a warp stiffness typed in without its ±, as a share of it: as good as one from catalogue rates."""


def base_of(plan: Plan) -> Base:
    """Find the plan's base; PlanFault, ConfigError, NoWeighIn or LedgerError says why it cannot be had."""
    source = plan.state
    if source.ledger is not None:
        return _from_ledger(source.ledger, plan)
    car = _stiffened(read_car(source.car or Path()), plan.stiffness)
    if source.weighings is not None:
        return _from_file(source.weighings, source, car, plan.aboard)
    return _from_loads(source, car)


def _from_ledger(place: Path, plan: Plan) -> Base:
    source, aboard = plan.state, plan.aboard
    with opened(place) as ledger:
        told = one_history(ledger, source.car_name)
        state = latest(told, aboard)
        if source.build is not None:
            state = _picked([(s.label, s) for s in told.states], source.build)
        car = _stiffened(car_of(ledger, row_of(ledger, state.weigh_in)), plan.stiffness)
        captures = [c for c in ledger.captures(state.weigh_in) if not c.discarded and label(c) == state.label]
    since = tuple(item_of(step) for step in told.since) if source.build is None else ()
    return Base(
        car=car,
        label=f"{state.label} (w{state.weigh_in})",
        weighed=state.solution,
        aboard=state.aboard,
        items=(*state.items, *since),
        people={p.name: Item(name=p.name, mass=p.mass, x=p.x, y=p.y) for p in told.people},
        steps={step.ref: step for step in told.steps},
        facings=_facings([weighing_from_capture(c) for c in captures], car),
        stiffness=_known_stiffness(car) if plan.stiffness else _stiffness(state.solution, car),
        notes=(*state.solution.cannot_tell_apart, *told.doubts),
    )


def _from_file(file: Path, source: From, car: Car, aboard: Sequence[str]) -> Base:
    readings = read_weighings(file, car.known)
    builds = solve_builds(
        readings.weighings, car.geometry, car.known, car.allowances, u_assumed=readings.u_assumed
    )
    names = list(builds.solutions)
    name = _picked([(n, n) for n in names], source.build) if source.build else _last_with(names, aboard)
    solution = builds.solutions[name]
    mine = [w for w in readings.weighings if w.build == name]
    return Base(
        car=car,
        label=name or "as weighed",
        weighed=solution,
        aboard=source.aboard or _people_in(name, aboard),
        people=_people(builds),
        facings=_facings(mine, car),
        stiffness=_stiffness(solution, car),
        notes=(*readings.notes, *solution.cannot_tell_apart),
    )


def _stiffened(car: Car, stiffness: Quantity | None) -> Car:
    """The car with the plan's warp stiffness, so that the weighings are solved with it."""
    if stiffness is None:
        return car
    u = stiffness.u if stiffness.u is not None else GUESS * stiffness.value
    known = replace(car.known, stiffness_Nm_per_rad=stiffness.value, stiffness_u_Nm_per_rad=u)
    return replace(car, known=known)


def _from_loads(source: From, car: Car) -> Base:
    loads = [source.loads[corner] for corner in CORNERS]
    given = [q.u for q in loads if q.u is not None]
    us = [0.1 if q.u is None else q.u for q in loads]
    notes = [
        "The loads are as typed in: their ± holds nothing of floor and suspension, so cross weight is less "
        "sure than it says."
    ]
    notes += [] if len(given) == 4 else ["Loads without a ± are taken as ± 0.2 kg."]
    return Base(
        car=car,
        label="as typed in",
        weighed=statics([q.value for q in loads], [u**2 for u in us], car.geometry),
        aboard=source.aboard,
        stiffness=_known_stiffness(car) or _guessed_stiffness(car, sum(q.value for q in loads)),
        notes=tuple(notes),
    )


def _picked(labelled: Sequence[tuple[str, T]], wanted: str) -> T:
    """The last one of this label; PlanFault lists the labels there are."""
    found = [one for name, one in labelled if name == wanted]
    if not found:
        names = ", ".join(repr(name) for name in dict.fromkeys(name for name, _ in labelled))
        raise PlanFault(f"[state] build: there is no build {wanted!r}; there are {names}")
    return found[-1]


def _last_with(names: Sequence[str], aboard: Sequence[str]) -> str:
    """The last build, with these people aboard if it was weighed so ("build 2 + driver")."""
    build = names[-1].partition(" + ")[0]
    same = [name for name in names if name.partition(" + ")[0] == build]
    return min(same, key=lambda name: len(set(_people_in(name, aboard)) ^ set(aboard)))


def _people_in(name: str, aboard: Sequence[str]) -> tuple[str, ...]:
    """Who is aboard by a build's name in a file: what stands behind the plus signs."""
    return tuple(person for person in name.split(" + ")[1:] if person in aboard)


def _people(builds: Builds) -> dict[str, Item]:
    """Whoever a build was weighed both with and without ("build 2" and "build 2 + driver")."""
    found = {}
    for name in builds.solutions:
        without, _, person = name.rpartition(" + ")
        if without in builds.solutions:
            part = builds.part(without, name)
            mass = Quantity(-part.mass.value, part.mass.u, "kg")
            found[person] = Item(name=person, mass=mass, x=part.x, y=part.y)
    return found


def _facings(weighings: Sequence[Weighing], car: Car) -> dict[Facing, Statics]:
    """The mean of a build's loads in each facing, without what both facings share."""
    found: dict[Facing, Statics] = {}
    for facing in dict.fromkeys(w.facing for w in weighings):
        mine = [w for w in weighings if w.facing == facing]
        loads = np.mean([w.loads_kg for w in mine], axis=0)
        covariance = np.sum([square(w.covariance_kg2) for w in mine], axis=0) / len(mine) ** 2
        found[facing] = statics(loads.tolist(), covariance, car.geometry)
    return found


def _stiffness(solution: Solution, car: Car) -> Quantity | None:
    """The warp stiffness as the weighings tell it, else as the car's file says."""
    return solution.floor.get("stiffness") or _known_stiffness(car)


def _guessed_stiffness(car: Car, mass_kg: float) -> Quantity | None:
    if car.geometry.missing:
        return None
    guess = car.allowances.stiffness_kgm_per_rad_per_kg * mass_kg * G_N
    return Quantity(guess, car.allowances.stiffness_relative_u * guess, "N·m/rad")


def _known_stiffness(car: Car) -> Quantity | None:
    known = car.known
    if known.stiffness_Nm_per_rad is None:
        return None
    return Quantity(known.stiffness_Nm_per_rad, known.stiffness_u_Nm_per_rad, "N·m/rad")
