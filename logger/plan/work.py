"""Work a plan out: forecast, ballast, perch turns, height, shims; what cannot be had, what to relax. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

import numpy as np

from logger.mechanics.ballast import Ballast, Target, ballast
from logger.mechanics.budget import Forecast, Item, forecast
from logger.mechanics.floor import ShimPlan, floor_shape, shim_plan
from logger.mechanics.gravity import shown_over_true
from logger.mechanics.height import Height, Lift, axle_lift, half_turn
from logger.mechanics.parts import Weighed
from logger.mechanics.perches import Perch, PerchPlan, perch_plan, refit, twist_of
from logger.mechanics.statics import Geometry, Statics, square, statics
from logger.model import CORNERS
from logger.plan.limits import cautions, lifted_off, refuse_contradictions, refuse_heavier, too_heavy
from logger.plan.wanted import Adjustment, Base, LiftWanted, Plan, PlanFault
from logger.quantity import Quantity
from logger.weighin.placements import SPOT_OF

PLATE, PLATE_PLACE_M = 0.005, 0.005
"""u of plates as a share of what is stamped on them, and of where they are bolted, m (own estimates)."""


ROUGH_STIFFNESS = 0.3
"""Relative u of a stiffness from which turns are to be made in two goes."""


@dataclass(frozen=True, kw_only=True)
class Planned:
    """A plan worked out, with the people of the plan aboard.

    `now` is the car as it stands, `then` after the changes, `ballasted` with ballast (equal without).
    `loads_kg` are the wheel loads expected at the end, perches turned. `short` says what cannot be reached
    and what to relax, `notes` what to know beside it.
    """

    plan: Plan
    base: Base
    now: Forecast
    then: Forecast
    ballasted: Forecast
    items: tuple[Item, ...]
    plates: tuple[Item, ...]
    ballast: Ballast | None
    perches: PerchPlan | None
    stiffness: Quantity | None
    height: Quantity | None
    lift: Height | None
    shims: ShimPlan | None
    loads_kg: tuple[float, ...]
    gravity: Quantity | None
    short: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[int, ...]


def work(plan: Plan, base: Base) -> Planned:
    """Work the plan out from this base; PlanFault says what contradicts itself."""
    notes = [*base.notes, *plan.assumed]
    gravity = _gravity(plan, notes)
    weighed = base.weighed if gravity is None else _scaled(base.weighed, gravity)
    refuse_contradictions(plan)
    present = (*base.items, *_people(plan, base, gravity))
    changes = tuple(_change(w.ref, w.item, base, gravity) for w in plan.changes)
    refuse_heavier(present, changes, weighed)
    lift, height = _height(plan, base, weighed, notes)
    now = forecast(weighed, present, plan.goal, height)
    then = forecast(weighed, (*present, *changes), plan.goal, height)
    items = (*present, *changes)
    filled, plates = _ballast(plan, base, weighed, items)
    ballasted = forecast(weighed, (*items, *plates), plan.goal, height)
    stiffness = _stiffness(plan, base, ballasted, notes)
    turned = _perches(plan, base, ballasted, stiffness, notes)
    short = [*too_heavy(plan, then, ballasted, plates), *(filled.notes if filled else ())]
    short += turned.notes if turned else ()
    loads_kg = _loads_then(weighed, (*items, *plates), ballasted, turned)
    short += lifted_off(loads_kg)
    return Planned(
        plan=plan,
        base=base,
        now=now,
        then=then,
        ballasted=ballasted,
        items=changes,
        plates=plates,
        ballast=filled,
        perches=turned,
        stiffness=stiffness,
        height=height,
        lift=lift,
        shims=_shims(plan, base),
        loads_kg=loads_kg,
        gravity=gravity,
        short=tuple(short),
        notes=tuple(dict.fromkeys(notes)),
        cautions=cautions(plan, changes),
    )


# -- the car now ------------------------------------------------------------------------------------------


def _gravity(plan: Plan, notes: list[str]) -> Quantity | None:
    """What pads show over what is true, when they were calibrated elsewhere."""
    if plan.calibrated is None or plan.used is None:
        return None
    ratio = shown_over_true(plan.calibrated, plan.used)
    off = 100 * (ratio.value - 1)
    notes.append(
        f"Where the pads are used, gravity makes them show {abs(off):.3f} % too "
        f"{'much' if off > 0 else 'little'}; the weighed "
        "masses are corrected for it. Shares and places do not change."
    )
    return ratio


def _scaled(weighed: Weighed, ratio: Quantity) -> Statics:
    loads = np.array(weighed.loads_kg) / ratio.value
    spread = (ratio.u or 0.0) / ratio.value
    covariance = square(weighed.covariance_kg2) / ratio.value**2 + spread**2 * np.outer(loads, loads)
    return statics(loads.tolist(), covariance, weighed.geometry)


def _people(plan: Plan, base: Base, gravity: Quantity | None) -> list[Item]:
    """Who gets in and out between the state as weighed and the car that the targets are for."""
    typed = {p.name: p for p in plan.people}
    weighed = {name: _on_pads(item, gravity) for name, item in base.people.items()}
    found = []
    for name in (*plan.aboard, *base.aboard):
        if (name in plan.aboard) == (name in base.aboard):
            continue
        person = typed.get(name) or weighed.get(name)
        if person is None:
            raise PlanFault(
                f"{plan.file}: nothing is known of {name!r}; add a [[person]] with mass and place, or "
                "weigh the car with and without"
            )
        sign = 1.0 if name in plan.aboard else -1.0
        found.append(_signed(person, sign))
    return found


def _signed(item: Item, sign: float) -> Item:
    return Item(
        name=item.name,
        mass=Quantity(sign * item.mass.value, item.mass.u, "kg"),
        x=item.x,
        y=item.y,
        z=item.z,
    )


def _on_pads(item: Item, gravity: Quantity | None) -> Item:
    """What was weighed on the pads, corrected for gravity."""
    if gravity is None:
        return item
    mass = Quantity(
        item.mass.value / gravity.value, hypot(item.mass.u or 0.0, item.mass.value * (gravity.u or 0.0)), "kg"
    )
    return Item(name=item.name, mass=mass, x=item.x, y=item.y, z=item.z)


def _change(ref: str | None, item: Item, base: Base, gravity: Quantity | None) -> Item:
    """A planned change; one that the ledger knows has its mass and place from there."""
    if ref is None:
        return item
    step = base.steps.get(ref)
    if step is None:
        known = ", ".join(f"{s.ref} ({s.name})" for s in base.steps.values()) or "none"
        raise PlanFault(f"the ledger has no change {ref}; it has {known}")
    on = item.mass.value > 0
    if on == (step.mass.value > 0):
        way = ("went on", "put on") if on else ("came off", "taken off")
        raise PlanFault(f"{ref} ({step.name}) {way[0]} already; it cannot be {way[1]} again")
    name = step.name if item.name == ref else item.name
    known_item = Item(name=name, mass=Quantity(-step.mass.value, step.mass.u, "kg"), x=step.x, y=step.y)
    return known_item if step.basis == "typed" else _on_pads(known_item, gravity)


def _height(
    plan: Plan, base: Base, weighed: Weighed, notes: list[str]
) -> tuple[Height | None, Quantity | None]:
    """The height of the centre of mass as weighed: by axle lift, typed in, or from a half turn."""
    if plan.lift is not None:
        try:
            found = axle_lift(_lift(plan.lift, weighed))
        except ValueError as error:
            raise PlanFault(f"{plan.file}: [lift]: {error}") from error
        notes += found.notes
        return found, found.height
    if plan.height is not None:
        return None, plan.height
    if plan.half_turn is not None:
        if set(base.facings) != {"out", "back"}:
            raise PlanFault("[half_turn] needs this build weighed in both facings, out and back")
        along, across = plan.half_turn.along, plan.half_turn.across
        if along is None and across is None:
            shape = floor_shape(_heights(base), base.car.known.height_u_m, base.car.geometry)
            along, across = shape.alpha, shape.beta
        none = Quantity(0.0, 0.0, "rad")
        return None, half_turn(base.facings["out"], base.facings["back"], along or none, across or none)
    known = base.car.known
    if known.cg_height_m is not None:
        return None, Quantity(known.cg_height_m, known.cg_height_u_m, "m")
    return None, None


def _lift(wanted: LiftWanted, weighed: Weighed) -> Lift:
    loads, length = np.array(weighed.loads_kg), weighed.geometry.wheelbase_m
    if length is None:
        raise PlanFault("the car's wheelbase is not known; add it to the car's file")
    stays = loads[:2].sum() if wanted.raised == "rear" else loads[2:].sum()
    return Lift(
        raised=wanted.raised,
        wheelbase_m=length,
        radius_front_m=wanted.radius_front.value,
        radius_rear_m=wanted.radius_rear.value,
        total_kg=wanted.total.value if wanted.total else float(loads.sum()),
        level_kg=wanted.level.value if wanted.level else float(stays),
        steps=wanted.steps,
    )


def _heights(base: Base) -> list[float]:
    known = base.car.known.spot_heights_m
    spots = SPOT_OF["out"]
    missing = [spots[c] for c in CORNERS if spots[c] not in known]
    if missing:
        raise PlanFault(
            f"the heights of {', '.join(missing)} are not in the car's file; add [floor] heights_mm to it"
        )
    return [known[spots[c]] for c in CORNERS]


# -- what to do -------------------------------------------------------------------------------------------


def _ballast(
    plan: Plan, base: Base, weighed: Weighed, items: Sequence[Item]
) -> tuple[Ballast | None, tuple[Item, ...]]:
    if not plan.places:
        return None, ()
    goal = plan.goal
    target = Target(
        least_total_kg=plan.least_total_kg,
        front=goal.front,
        front_tolerance=plan.tolerance_of("front"),
        left=goal.left,
        left_tolerance=plan.tolerance_of("left"),
    )
    geometry = base.car.geometry
    filled = ballast(_added(weighed.loads_kg, items, geometry), plan.places, target, geometry)
    plates = tuple(
        Item(
            name=f"ballast, {place.name}",
            mass=_plates(filled.plates[place.name] * place.plate_kg),
            x=Quantity(place.x_m, PLATE_PLACE_M, "m"),
            y=Quantity(place.y_m, PLATE_PLACE_M, "m"),
        )
        for place in plan.places
        if filled.plates.get(place.name)
    )
    return filled, plates


def _plates(mass_kg: float) -> Quantity:
    return Quantity(mass_kg, PLATE * mass_kg, "kg")


def _added(loads_kg: Sequence[float], items: Sequence[Item], geometry: Geometry) -> list[float]:
    """Loads with the items on them, a place not known in the middle (kg, CORNERS order)."""
    loads = np.array(loads_kg)
    for item in items:
        x_m = item.x.value if item.x else geometry.lengths_m[0] / 2
        y_m = item.y.value if item.y else 0.0
        loads = loads + item.mass.value * (geometry.spread @ np.array([1.0, x_m, y_m]))
    return [float(load) for load in loads]


def _stiffness(plan: Plan, base: Base, car: Forecast, notes: list[str]) -> Quantity | None:
    """The warp stiffness as known, refitted by every adjustment that was measured."""
    known = base.stiffness
    if known is None:
        return None
    if plan.stiffness is not None and plan.stiffness.u is None:
        notes.append("The warp stiffness was given without its ±: ± 30 % is assumed.")
    for adjustment in plan.adjustments:
        known = _refitted(known, adjustment, plan.perches, base.car.geometry, car.total)
    return known


def _refitted(
    known: Quantity, a: Adjustment, perches: Sequence[Perch], geometry: Geometry, total: Quantity
) -> Quantity:
    """The stiffness after one measured adjustment: cross weight before and after give kappa."""
    strange = set(a.turns) - {p.corner for p in perches}
    if strange:
        raise PlanFault(f"[[adjustment]] turns {', '.join(sorted(strange))}, which has no [[perch]]")
    _, front, rear = geometry.lengths_m
    per_share = -total.value / (1 / front + 1 / rear)
    before, after = (
        Quantity(q.value * per_share, (q.u if q.u is not None else 5e-4) * abs(per_share), "kg·m")
        for q in (a.before, a.after)
    )
    return refit(known, twist_of(dict(a.turns), perches, geometry), before, after)


def _perches(
    plan: Plan, base: Base, car: Forecast, stiffness: Quantity | None, notes: list[str]
) -> PerchPlan | None:
    if plan.goal.cross is None or not plan.perches:
        return None
    if stiffness is None:
        raise PlanFault(
            "perch turns need the car's wheelbase and tracks, and its warp stiffness: add them to the car's "
            "file (springs), or warp_stiffness to the plan"
        )
    if (stiffness.u or 0.0) > ROUGH_STIFFNESS * stiffness.value:
        notes.append(
            "The car's warp stiffness is little more than a guess: make half of these turns, weigh, and "
            "write an [[adjustment]]; spring and bar rates, or a shim test, tell it too."
        )
    if (base.car.known.spot_heights_m == {}) and (car.cross.u or 0.0) > 2 * plan.tolerance_of("cross"):
        notes.append(
            f"Cross weight is only known to ± {200 * (car.cross.u or 0.0):.2g} %: measure the heights of the "
            "four pad tops before turning perches for a fraction of that."
        )
    return perch_plan(
        car.cross,
        plan.goal.cross,
        car.total.value,
        stiffness,
        plan.perches,
        base.car.geometry,
        step_turns=plan.step_turns,
        tolerance=plan.tolerance_of("cross"),
    )


def _shims(plan: Plan, base: Base) -> ShimPlan | None:
    if not plan.shims_m:
        return None
    return shim_plan(_heights(base), base.car.known.height_u_m, plan.shims_m, base.car.geometry)


def _loads_then(
    weighed: Weighed, items: Sequence[Item], car: Forecast, turned: PerchPlan | None
) -> tuple[float, ...]:
    """Wheel loads expected at the end (kg, CORNERS order)."""
    loads = np.array(_added(weighed.loads_kg, items, weighed.geometry))
    if turned is not None:
        warp = weighed.geometry.warp
        per_kappa = (warp[1] + warp[2]) / car.total.value
        loads = loads + (turned.cross.value - car.cross.value) / per_kappa * warp
    return tuple(float(load) for load in loads)
