"""A plan worked out, as a page of plain text and as one JSON object."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import msgspec

from logger.bookkeeping.text import place_words
from logger.cautions import CAUTIONS
from logger.drawing.terminal import car_text
from logger.drawing.view import CarView, PartView, WheelLoad, centre_of_mass, contacts_m
from logger.mechanics.budget import Forecast, Item
from logger.mechanics.floor import FloorShape
from logger.mechanics.perches import PerchPlan
from logger.model import CORNERS, SCHEMA, Condition
from logger.plan.work import Planned
from logger.quantity import Quantity
from logger.sentences import in_unit
from logger.units import from_kg, from_m

FIGURES = ("total", "front", "left", "cross", "x", "y", "height")
NAMES = {
    "x": "ahead of rear axle",
    "y": "left of centre line",
    "height": "height of the centre",
    "cross": "cross weight",
}
MOST = 3
"""Inputs named for each figure, those that move it most."""


def plan_lines(planned: Planned) -> list[str]:
    """The plan as text, in the unit it asks for."""
    plan, unit = planned.plan, planned.plan.unit
    people = " and ".join(plan.aboard) or "nobody"
    lines = [f"{plan.name}: {planned.base.car.name}, {planned.base.label}; {people} aboard."]
    lines += ["Name and figures are invented."] if plan.invented else []
    lines += ["± is two standard uncertainties.", "", car_text(view_of(planned), units=unit), ""]
    lines += list(_table(planned))
    lines += _section("Planned", [_item_line(item, unit) for item in (*planned.items, *planned.plates)])
    lines += _section("Against the targets", target_lines(planned))
    lines += _section("What cannot be had, and what to relax", [in_unit(s, unit) for s in planned.short])
    lines += _section("What to do", todo_lines(planned))
    lines += _section("What moves the answer most", sensitivity_lines(planned))
    lines += _section("Notes", [in_unit(note, unit) for note in planned.notes])
    lines += _section("Cautions", [CAUTIONS[n] for n in planned.cautions])
    return lines


def plan_json(planned: Planned) -> str:
    """The plan as one JSON object, SI throughout, shares as fractions of 1."""
    found: dict[str, Any] = {
        "schema": SCHEMA,
        "plan": planned.plan.name,
        "car": planned.base.car.name,
        "build": planned.base.label,
        "aboard": planned.plan.aboard,
        "invented": planned.plan.invented,
        "now": _figures(planned.now),
        "then": _figures(planned.then),
        "ballasted": _figures(planned.ballasted),
        "to_find": planned.ballasted.to_find,
        "moves_most": planned.ballasted.moves_most,
        "items": planned.items,
        "ballast": planned.ballast,
        "perches": planned.perches,
        "stiffness": planned.stiffness,
        "height": planned.height,
        "lift": planned.lift,
        "shims": planned.shims,
        "loads_kg": dict(zip(CORNERS, planned.loads_kg, strict=True)),
        "gravity": planned.gravity,
        "short": planned.short,
        "notes": planned.notes,
        "cautions": planned.cautions,
    }
    return msgspec.json.encode(found).decode()


def _figures(car: Forecast) -> dict[str, Quantity | None]:
    return {name: getattr(car, name) for name in FIGURES}


def view_of(planned: Planned) -> CarView:
    """The car as it will be: expected loads, centre of mass, and the changes at their places."""
    lengths = planned.base.car.geometry.lengths_m
    x_m, y_m = centre_of_mass(contacts_m(*lengths), planned.loads_kg)
    known = not planned.base.car.geometry.missing
    car = planned.ballasted
    lf, rf, lr, rr = (
        WheelLoad(load=Quantity(load, _load_u(planned), "kg"), condition=Condition.RESTING)
        for load in planned.loads_kg
    )
    return CarView(
        wheelbase_m=lengths[0],
        track_front_m=lengths[1],
        track_rear_m=lengths[2],
        loads=(lf, rf, lr, rr),
        total=car.total,
        x_m=x_m if known else None,
        y_m=y_m if known else None,
        covariance_xy_m2=_spread(car),
        parts=tuple(_part(item) for item in (*planned.items, *planned.plates)),
        to_scale=known,
    )


def _load_u(planned: Planned) -> float:
    """u of one wheel's load: half of what cross weight moves on a diagonal, and a quarter of the total's."""
    car = planned.ballasted
    cross = planned.perches.cross if planned.perches else car.cross
    return float((((cross.u or 0.0) * car.total.value / 2) ** 2 + ((car.total.u or 0.0) / 4) ** 2) ** 0.5)


def _spread(car: Forecast) -> tuple[float, float, float] | None:
    if car.x is None or car.y is None:
        return None
    return ((car.x.u or 0.0) ** 2, 0.0, (car.y.u or 0.0) ** 2)


def _part(item: Item) -> PartView:
    placed = item.x is not None and item.y is not None
    return PartView(
        name=item.name,
        mass=item.mass,
        x_m=item.x.value if placed and item.x else None,
        y_m=item.y.value if placed and item.y else None,
        covariance_xy_m2=((item.x.u or 0.0) ** 2, 0.0, (item.y.u or 0.0) ** 2) if item.x and item.y else None,
        unplaced="anywhere in the car",
    )


def _table(planned: Planned) -> Iterator[str]:
    unit = planned.plan.unit
    columns = [("now", planned.now), ("after the changes", planned.then)]
    columns += [("with ballast", planned.ballasted)] if planned.plates else []
    heads = [name for name, _ in columns] + (["perches turned"] if planned.perches else []) + ["target"]
    yield f"  {'':22}" + "".join(f"{head:>22}" for head in heads)
    for name in FIGURES:
        cells = [getattr(car, name) for _, car in columns]
        if cells[0] is None:
            continue
        shown_cells = [shown(q, unit) for q in cells]
        if planned.perches:
            shown_cells.append(shown(planned.perches.cross, unit) if name == "cross" else "")
        cells_text = "".join(f"{cell:>22}" for cell in (*shown_cells, target_text(planned, name)))
        yield f"  {NAMES.get(name, name):22}{cells_text}".rstrip()


def shown(q: Quantity, unit: str) -> str:
    """A quantity with its ± in the plan's units."""
    return q.shown_beside(unit).text()


def target_text(planned: Planned, name: str) -> str:
    """A figure's target and its tolerance; empty where none is set."""
    goal, unit = planned.plan.goal, planned.plan.unit
    if name == "total" and goal.total_kg is not None:
        tolerance = from_kg(planned.plan.tolerance_of(name), unit)
        return f"{from_kg(goal.total_kg, unit):.5g} ± {tolerance:.2g} {unit}"
    share = getattr(goal, name, None) if name in ("front", "left", "cross") else None
    return "" if share is None else f"{100 * share:.4g} ± {100 * planned.plan.tolerance_of(name):.2g} %"


def _item_line(item: Item, unit: str) -> str:
    sign = "+" if item.mass.value > 0 else "−"
    size = Quantity(abs(item.mass.value), item.mass.u, "kg").shown_in(unit).text()
    return f"{sign}{size:18} {item.name}, {where_words(item, unit)}"


def where_words(item: Item, unit: str) -> str:
    """Where a planned change sits, in words."""
    known = item.x is not None and item.y is not None
    return place_words(item.x, item.y, unit) if known else "anywhere in the car"


def target_lines(planned: Planned) -> list[str]:
    """What is still to be found, in hand, or within its tolerance, figure by figure; perches turned."""
    goal, unit = planned.plan.goal, planned.plan.unit
    lines = []
    for name, off in planned.ballasted.to_find.items():
        now = off
        if name == "cross" and planned.perches is not None and goal.cross is not None:
            reached = planned.perches.cross
            now = Quantity(reached.value - goal.cross, reached.u, "1")
        tolerance = planned.plan.tolerance_of(name)
        size = shown(Quantity(abs(now.value), now.u, now.unit), unit)
        label = NAMES.get(name, name)
        if abs(now.value) <= tolerance + 1e-9:
            sure = abs(now.value) + 2 * (now.u or 0.0) <= tolerance
            lines.append(f"{label}: within its tolerance{'' if sure else ', but its ± reaches beyond'}.")
        elif name == "total":
            lines.append(f"{label}: {size} {'still to be found' if now.value > 0 else 'in hand'}.")
        else:
            lines.append(
                f"{label}: {size} too {'much' if now.value > 0 else 'little'}{_moment(planned, name, now)}"
            )
    return lines


def _moment(planned: Planned, name: str, off: Quantity) -> str:
    """What would bring a share right, as something to carry: a mass moved so far."""
    if name == "cross":
        return "; that is for the perches." if planned.perches is None else "."
    unit = planned.plan.unit
    length, front, rear = planned.base.car.geometry.lengths_m
    lever = length if name == "front" else (front + rear) / 2
    ways = ("rearward", "forward") if name == "front" else ("to the right", "to the left")
    moment = abs(off.value) * planned.ballasted.total.value * lever
    far_m, far = (1.0, "1 m") if unit == "kg" else (0.9144, "36 in")
    way = ways[0] if off.value > 0 else ways[1]
    return f"; {from_kg(moment / far_m, unit):.3g} {unit} moved {far} {way} would bring it there."


def todo_lines(planned: Planned) -> list[str]:
    """Plates, shims, turns and the height, as things to do or to know."""
    unit = planned.plan.unit
    lines = []
    if planned.ballast is not None:
        plates = {p.name: p for p in planned.plan.places}
        for name, count in planned.ballast.plates.items():
            size = from_kg(plates[name].plate_kg, unit)
            lines.append(f"Ballast: {count} × {size:.4g} {unit} at {name!r}.")
        if not planned.ballast.plates:
            lines.append(f"Ballast: none {'would help' if planned.ballast.notes else 'is needed'}.")
    if planned.shims is not None:
        lines += _shim_lines(planned)
    if planned.perches is not None:
        lines += _perch_lines(planned.perches, unit)
    if planned.stiffness is not None and planned.plan.perches:
        lines.append(f"Warp stiffness used: {shown(planned.stiffness, unit)}.")
    if planned.height is not None:
        lines.append(f"Height of the centre of mass as weighed: {shown(planned.height, unit)}.")
    if planned.lift is not None:
        lines += _lift_lines(planned)
    return lines


def _perch_lines(turned: PerchPlan, unit: str) -> list[str]:
    if not turned.turns:
        return ["Perches: leave them; no step brings cross weight nearer."]
    told = ", ".join(f"{corner} {n:+g}".replace("-", "−") for corner, n in turned.turns.items())
    body = (
        f"ride height {_short(turned.heave_m, unit)}, nose {_short(turned.nose_m, unit)}, left side "
        f"{_short(turned.left_m, unit)}"
    )
    return [
        f"Perches, turns up: {told}. Cross weight then {turned.cross.shown_in('%').text()}; "
        f"{body.replace('-', '−')}.",
        "Turn one axle at a time, rock the car, weigh again, and write the result into the plan as an "
        "[[adjustment]]: the stiffness is refitted from it.",
    ]


def _short(length_m: float, unit: str) -> str:
    """A small length with its sign, mm or in."""
    return f"{1e3 * length_m:+.1f} mm" if unit == "kg" else f"{from_m(length_m, 'in'):+.2f} in"


def _shim_lines(planned: Planned) -> Iterator[str]:
    assert planned.shims is not None  # the caller saw to it
    unit = planned.plan.unit
    stacks = {c: stack for c, stack in planned.shims.shims_m.items() if stack}
    told = "; ".join(f"under {c} (facing out) {_stack(stack, unit)}" for c, stack in stacks.items())
    yield f"Shims: {told or 'none helps'}."
    before, after = (_floor(shape, unit) for shape in (planned.shims.before, planned.shims.after))
    yield f"The floor before: {before}; after: {after}."


def _stack(shims_m: Sequence[float], unit: str) -> str:
    length = "mm" if unit == "kg" else "in"
    return f"{' + '.join(f'{from_m(t, length):.3g}' for t in shims_m)} {length}"


def _floor(shape: FloorShape, unit: str) -> str:
    along, across = (Quantity(q.value, q.u, "1") for q in (shape.alpha, shape.beta))
    told = (
        f"twist {shown(shape.corner_m, unit)} at one corner, slopes {shown(along, unit)} along and "
        f"{shown(across, unit)} across"
    )
    return told.replace("-", "−")


def _lift_lines(planned: Planned) -> Iterator[str]:
    lift = planned.lift
    assert lift is not None  # the caller saw to it
    unit = planned.plan.unit
    ways = [
        in_unit(f"{word} {1e3 * h:.0f} mm", unit)
        for word, h in (("going up", lift.up), ("coming down", lift.down))
        if h
    ]
    gap = (
        ""
        if lift.hysteresis_kg is None
        else f"; loads at one lift differ by {lift.hysteresis_kg:.2g} kg at most"
    )
    if ways:
        yield f"Axle lift: {', '.join(ways)}{in_unit(gap, unit)}."


def sensitivity_lines(planned: Planned) -> list[str]:
    """For each figure with a target, the inputs whose own ± moves it most."""
    unit, car = planned.plan.unit, planned.ballasted
    lines = []
    for name in dict.fromkeys((*car.to_find, "total")):
        kind = getattr(car, name).unit
        told = [f"{what} ± {_size(2 * u, kind, unit)}" for what, u in car.moves_most[name][:MOST]]
        lines.append(f"{NAMES.get(name, name)}: {', '.join(told)}")
    return lines


def _size(spread: float, kind: str, unit: str) -> str:
    q = Quantity(spread, None, kind)
    q = q.shown_in({"kg": unit, "1": "%"}.get(kind, kind))
    return f"{q.value:.2g} {q.unit}"


def _section(title: str, lines: Sequence[str]) -> list[str]:
    return ["", title, *(f"  {line}" for line in lines)] if lines else []
