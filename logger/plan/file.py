"""Read PLAN.toml: every quantity is text with its own unit, such as "17.4 ± 0.3 kg"; all faults at once.

name = "Wagtail for the ice"
unit = "kg"                          # what is shown; every input carries its own
aboard = ["driver"]                  # who sits in the car that the targets are for
[state]                              # one of: ledger, weighings with car, loads with car
ledger = "data"
[target]
total = "930 ± 1 kg"                 # the ± of a target is its tolerance
front = "56 ± 0.3 %"
cross = "50 ± 0.1 %"
least_total = "930 kg"               # what the rules want at least: ballast fills up to it
[[remove]]
name = "sound mats"                  # or: ledger = "w3.1"
mass = "9 ± 1 kg"
x = "1.2 ± 0.1 m"
[[add]] … [[person]] … [[place]] … [[perch]] … [[adjustment]] … [lift] … [half_turn] … [gravity] … [shims]
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal, cast

from logger.bookkeeping.deeds import ROUGH, ROUGH_M
from logger.mechanics.ballast import Place
from logger.mechanics.budget import Goal, Item
from logger.mechanics.height import LiftStep
from logger.mechanics.perches import Perch
from logger.mechanics.plausible import off_the_car
from logger.model import CORNERS, Corner
from logger.plan.wanted import Adjustment, From, HalfTurnWanted, LiftWanted, Plan, Site, Wanted
from logger.quantity import Quantity
from logger.quantity_text import Kind, read_quantity
from logger.typed_toml import ConfigError, Faults, parse, unknown_key
from logger.units import from_m


class _Table:
    """One TOML table, read key by key; what nobody asked for is a fault at the end."""

    def __init__(self, data: dict[str, Any], faults: Faults, path: tuple[str | int, ...] = ()) -> None:
        self.data, self.faults, self.path = data, faults, path
        self.known: list[str] = []

    def quantity(self, key: str, kind: Kind) -> Quantity | None:
        """A quantity of this kind, None when the key is not there or cannot be read."""
        text = self.value(key, str, "text with a unit, in quotes")
        if text is None:
            return None
        try:
            return read_quantity(text, kind)
        except ValueError as error:
            self.fault(key, str(error))
            return None

    def needed(self, key: str, kind: Kind) -> Quantity:
        """A quantity that must be there; a fault and nothing (1) otherwise."""
        if key not in self.data:
            self.fault(None, f"{key!r} is missing")
        return self.quantity(key, kind) or Quantity(1.0, 0.0, "")

    def value(self, key: str, kind: type[Any] | tuple[type[Any], ...], what: str) -> Any:
        """A plain value of this type, None when it is not there or of another type."""
        self.known.append(key)
        found = self.data.get(key)
        if found is not None and (
            not isinstance(found, kind) or isinstance(found, bool) is not (kind is bool)
        ):
            self.fault(key, f"should be {what}, not {found!r}")
            return None
        return found

    def choice(self, key: str, values: tuple[str, ...], default: str) -> str:
        """One of these words."""
        found = self.value(key, str, "text in quotes")
        if found is not None and found not in values:
            self.fault(key, f"should be one of {', '.join(values)}, not {found!r}")
        return found if found in values else default

    def names(self, key: str) -> tuple[str, ...]:
        """A list of names."""
        found = self.value(key, list, "a list of names")
        if found is not None and not all(isinstance(name, str) for name in found):
            self.fault(key, "should be a list of names in quotes")
            return ()
        return tuple(found or ())

    def table(self, key: str) -> _Table | None:
        """The table below this one, None when it is not there."""
        found = self.value(key, dict, f"a table, written [{key}]")
        return None if found is None else _Table(found, self.faults, (*self.path, key))

    def tables(self, key: str) -> Iterator[_Table]:
        """The tables of an array; each is closed when the next is asked for."""
        found = self.value(key, list, f"tables, written [[{key}]]") or []
        for n, row in enumerate(found):
            if isinstance(row, dict):
                inner = _Table(row, self.faults, (*self.path, key, n))
                yield inner
                inner.close()
            else:
                self.faults.add((*self.path, key), f"should be tables, written [[{key}]]")

    def fault(self, key: str | None, wrong: str) -> None:
        """Note what is wrong with a key of this table, or with the table."""
        self.faults.add(self.path if key is None else (*self.path, key), wrong)

    def close(self) -> None:
        """Note every key that nothing asked for."""
        for key in self.data.keys() - set(self.known):
            self.fault(key, unknown_key(key, self.known))


def read_plan(file: Path) -> Plan:
    """Read a plan; ConfigError with all its faults, each with file and line."""
    data, faults = parse(file)
    top = _Table(data, faults)
    assumed: list[str] = []
    goal, tolerance, least = _target(top.table("target"))
    plan = Plan(
        file=file,
        name=top.value("name", str, "text in quotes") or file.stem,
        unit=cast(Literal["kg", "lb"], top.choice("unit", ("kg", "lb"), "kg")),
        invented=top.value("invented", bool, "true or false") or False,
        state=_state(top, file.parent),
        goal=goal,
        tolerance=tolerance,
        least_total_kg=least,
        aboard=top.names("aboard"),
        people=tuple(_item(row, 1.0, assumed) for row in top.tables("person")),
        changes=(*_changes(top, "remove", -1.0, assumed), *_changes(top, "add", 1.0, assumed)),
        places=tuple(_place(row) for row in top.tables("place")),
        adjustments=tuple(_adjustment(row) for row in top.tables("adjustment")),
        stiffness=top.quantity("warp_stiffness", "stiffness"),
        height=top.quantity("height", "length"),
    )
    plan = _with_perches(top, plan)
    plan = _with_height(top, plan)
    plan = _with_sites(top, plan)
    plan = replace(plan, shims_m=_shims(top.table("shims")), assumed=tuple(dict.fromkeys(assumed)))
    _check_people(top, plan)
    top.close()
    faults.check()
    return plan


def _state(top: _Table, folder: Path) -> From:
    table = top.table("state")
    if table is None:
        top.fault(None, "[state] is missing: name a ledger, or weighings and car, or loads and car")
        return From()
    paths = {key: table.value(key, str, "a path in quotes") for key in ("ledger", "weighings", "car")}
    loads = table.table("loads")
    found = From(
        ledger=folder / paths["ledger"] if paths["ledger"] else None,
        car_name=table.value("car_name", str, "text in quotes"),
        weighings=folder / paths["weighings"] if paths["weighings"] else None,
        car=folder / paths["car"] if paths["car"] else None,
        build=table.value("build", str, "text in quotes"),
        loads=_loads(loads) if loads is not None else {},
        aboard=table.names("aboard"),
    )
    given = [key for key in ("ledger", "weighings", "loads") if key in table.data]
    if len(given) != 1:
        told = " and ".join(given) or "none"
        table.fault(None, f"needs one of ledger, weighings, loads; it has {told}")
    elif given != ["ledger"] and found.car is None:
        table.fault(None, f'{given[0]} needs the car\'s file: add car = "CAR.toml"')
    table.close()
    return found


def _loads(table: _Table) -> dict[Corner, Quantity]:
    loads: dict[Corner, Quantity] = {corner: table.needed(corner, "mass") for corner in CORNERS}
    table.close()
    return loads


def _target(table: _Table | None) -> tuple[Goal, dict[str, float], float | None]:
    """The goal, the tolerances (the ± of each target), and the least total the rules want."""
    if table is None:
        return Goal(), {}, None
    least = table.quantity("least_total", "mass")
    targets = {"total": table.quantity("total", "mass")}
    targets |= {name: table.quantity(name, "share") for name in ("front", "left", "cross")}
    table.close()
    for name, q in targets.items():
        if q is not None and name != "total" and not 0 < q.value < 1:
            table.fault(name, f"{100 * q.value:g} % is not between 0 and 100 %")
    values = {name: q.value if q else None for name, q in targets.items()}
    goal = Goal(total_kg=values["total"], front=values["front"], left=values["left"], cross=values["cross"])
    tolerance = {name: 2 * q.u for name, q in targets.items() if q is not None and q.u is not None}
    return goal, tolerance, least.value if least else None


def _changes(top: _Table, key: str, sign: float, assumed: list[str]) -> Iterator[Wanted]:
    for row in top.tables(key):
        ref = row.value("ledger", str, 'a reference in quotes, such as "w3.1"')
        if ref is None:
            yield Wanted(item=_item(row, sign, assumed))
        else:
            name = row.value("name", str, "text in quotes") or ref
            yield Wanted(item=Item(name=name, mass=Quantity(sign, None, "kg")), ref=ref)


def _item(row: _Table, sign: float, assumed: list[str]) -> Item:
    name = row.value("name", str, "text in quotes")
    if name is None:
        row.fault(None, "'name' is missing")
    mass = row.needed("mass", "mass")
    if mass.value <= 0:
        row.fault("mass", f"is {mass.value:g} kg; give it above zero, the table says which way it goes")
    if mass.u is None:
        assumed.append(f"{name}: no ± of its mass was given, ± {2 * ROUGH:.0%} is assumed.")
        mass = Quantity(mass.value, ROUGH * abs(mass.value), "kg")
    place = {axis: _place_of(row, axis, str(name), assumed) for axis in ("x", "y", "z")}
    return Item(name=str(name), mass=Quantity(sign * mass.value, mass.u, "kg"), **place)


def _place_of(row: _Table, axis: str, name: str, assumed: list[str]) -> Quantity | None:
    place = row.quantity(axis, "length")
    if place is not None and (told := off_the_car(place.value)) is not None:
        row.fault(axis, told)
    if place is not None and place.u is None:
        assumed.append(f"{name}: no ± of its place was given, ± {2 * ROUGH_M:g} m is assumed.")
        return Quantity(place.value, ROUGH_M, "m")
    return place


def _place(row: _Table) -> Place:
    for axis in ("x", "y"):
        if (told := off_the_car(row.needed(axis, "length").value)) is not None:
            row.fault(axis, told)
    return Place(
        name=row.value("name", str, "text in quotes") or "a place",
        x_m=row.needed("x", "length").value,
        y_m=row.needed("y", "length").value,
        capacity_kg=row.needed("capacity", "mass").value,
        plate_kg=row.needed("plate", "mass").value,
    )


def _with_perches(top: _Table, plan: Plan) -> Plan:
    perches = tuple(p for row in top.tables("perch") if (p := _perch(row)) is not None)
    step = top.value("perch_step_turns", (int, float), "a number of turns")
    if step is not None and step <= 0:
        top.fault("perch_step_turns", f"is {step}; a step is above zero, such as 0.25")
        step = None
    return replace(plan, perches=perches, step_turns=float(step or 0.25))


def _perch(row: _Table) -> Perch | None:
    corner = row.choice("corner", CORNERS, "LF")
    plain = {
        key: row.value(key, (int, float), "a number") for key in ("motion_ratio", "up_turns", "down_turns")
    }
    pitch = row.needed("pitch", "length").value
    try:
        given = {key: float(value) for key, value in plain.items() if value is not None}
        return Perch(corner=cast(Corner, corner), pitch_m=pitch, **given)
    except ValueError as error:
        row.fault(None, str(error))
        return None


def _adjustment(row: _Table) -> Adjustment:
    table = row.table("turns")
    turns: dict[Corner, float] = {}
    if table is None:
        row.fault(None, "'turns' is missing, such as turns = { LF = 0.5, RF = -0.5 }")
    else:
        found = {corner: table.value(corner, (int, float), "a number of turns") for corner in CORNERS}
        turns = {corner: float(n) for corner, n in found.items() if n is not None}
        table.close()
    return Adjustment(
        turns=turns, before=row.needed("cross_before", "share"), after=row.needed("cross_after", "share")
    )


def _with_height(top: _Table, plan: Plan) -> Plan:
    lift, turn = top.table("lift"), top.table("half_turn")
    if turn is not None:
        wanted = HalfTurnWanted(
            along=turn.quantity("along", "slope"), across=turn.quantity("across", "slope")
        )
        turn.close()
        plan = replace(plan, half_turn=wanted)
    return plan if lift is None else replace(plan, lift=_lift(lift))


def _lift(table: _Table) -> LiftWanted:
    wanted = LiftWanted(
        raised=cast(Literal["rear", "front"], table.choice("raised", ("rear", "front"), "rear")),
        radius_front=table.needed("radius_front", "length"),
        radius_rear=table.needed("radius_rear", "length"),
        total=table.quantity("total", "mass"),
        level=table.quantity("level", "mass"),
        steps=tuple(
            LiftStep(
                lift_m=row.needed("lift", "length").value,
                load_kg=row.needed("load", "mass").value,
                direction=cast(Literal["up", "down"], row.choice("direction", ("up", "down"), "up")),
            )
            for row in table.tables("step")
        ),
    )
    table.close()
    return wanted


def _with_sites(top: _Table, plan: Plan) -> Plan:
    table = top.table("gravity")
    if table is None:
        return plan
    sites = [_site(table, key) for key in ("calibrated", "used")]
    table.close()
    return replace(plan, calibrated=sites[0], used=sites[1])


def _site(table: _Table, key: str) -> Site | None:
    inner = table.table(key)
    if inner is None:
        table.fault(None, f'{key!r} is missing, such as {key} = {{ latitude_deg = 52, height = "40 m" }}')
        return None
    latitude = inner.value("latitude_deg", (int, float), "degrees north")
    height = inner.quantity("height", "length")
    inner.close()
    if latitude is None:
        inner.fault(None, "'latitude_deg' is missing")
        return None
    return float(latitude), height.value if height else 0.0


def _shims(table: _Table | None) -> dict[float, int]:
    """Thickness to hand → how many: "2 mm" = 4."""
    found: dict[float, int] = {}
    for key in table.data if table is not None else ():
        assert table is not None  # there is a key
        count = table.value(key, int, "how many are to hand")
        try:
            thickness = read_quantity(key, "length").value
        except ValueError as error:
            table.fault(key, str(error))
            continue
        if not 0 < thickness <= 0.1:
            table.fault(key, f"is {from_m(thickness, 'mm'):g} mm thick; a shim is between 0 and 100 mm")
        found[thickness] = count or 0
    return found


def _check_people(top: _Table, plan: Plan) -> None:
    """People aboard of whom nothing can be known without a ledger."""
    known = {p.name for p in plan.people} | set(plan.state.aboard)
    if plan.state.ledger is None and plan.state.weighings is None:
        for name in plan.aboard:
            if name not in known:
                top.fault("aboard", f"{name!r} has no [[person]] with a mass")


__all__ = ["ConfigError", "read_plan"]
