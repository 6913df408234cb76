"""Put a car's history together: its weigh-ins solved, the steps between them, what was typed in. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from dataclasses import replace as changed
from itertools import pairwise
from math import hypot

from logger.mechanics.budget import Item, forecast
from logger.mechanics.parts import Part, difference
from logger.mechanics.plausible import unit_mix_up
from logger.mechanics.statics import Geometry
from logger.quantity import Quantity
from logger.weighin.doubts import changed_twice, weigh_in_doubts
from logger.weighin.facts import AboardFact, Fact, FluidFact, PartFact, PersonFact
from logger.weighin.naming import Placed, propose_name
from logger.weighin.results import Difference, WeighInResult, label, weigh_in_result
from logger.weighin.states import History, Person, State, Step, WeighIn
from logger.weighin.typed_units import against_weigh_ins, parts_in_another_unit, people_in_another_unit


def history(car: str, weigh_ins: Iterable[WeighIn], facts: Iterable[Fact]) -> History | None:
    """Put a car's history together; None when nothing was weighed. Solves every weigh-in anew."""
    facts = list(facts)
    solved = [(w, result) for w in weigh_ins if (result := _solved(w)) is not None]
    if not solved:
        return None
    states = tuple(state for w, result in solved for state in _states(w, result, facts))
    typed = [f for f in facts if isinstance(f, PartFact) and f.car == car and f.merged_into is None]
    last_ns = max(s.t_wall_ns for s in states)
    steps = [step for w, result in solved for step in _weighed_steps(w, result)]
    betweens = [b for (one, _), (other, _) in pairwise(solved) if (b := _between(one, other, states, typed))]
    steps += [step for between in betweens if (step := _between_step(between))]
    steps += [_typed_step(f) for f in typed]
    named = _named(sorted(steps, key=lambda s: s.t_wall_ns), solved[-1][0].car.geometry)
    people = tuple(_people(solved, facts))
    counted = [s for s in named if not _explained(s, states)]
    return History(
        car=car,
        geometry=solved[-1][0].car.geometry,
        states=states,
        steps=tuple(named),
        since=tuple(s for s in named if s.basis == "typed" and s.t_wall_ns > last_ns),
        people=people,
        off=_sum(s.mass for s in counted if s.mass.value < 0),
        on=_sum(s.mass for s in counted if s.mass.value > 0),
        doubts=(
            *weigh_in_doubts(w for w, _ in solved),
            *changed_twice(named),
            *parts_in_another_unit(named),
            *people_in_another_unit((f for f in facts if isinstance(f, PersonFact)), people),
            *(doubt for b in betweens for doubt in against_weigh_ins(b.weigh_ins, b.change, b.typed)),
            *(doubt for b in betweens if (doubt := _mixed_up(b))),
        ),
    )


def _solved(w: WeighIn) -> WeighInResult | None:
    """The weigh-in's result; ValueError names the weigh-in that cannot be a car's."""
    try:
        return weigh_in_result(w.captures, w.changes, w.car)
    except ValueError as error:
        raise ValueError(f"weigh-in w{w.id}: {error}") from error


def _states(w: WeighIn, result: WeighInResult, facts: Sequence[Fact]) -> Iterable[State]:
    items = tuple(_item_off(f) for f in facts_aboard(w.id, facts))
    kept = [c for c in w.captures if not c.discarded]
    for name, solution in result.solutions.items():
        mine = [c for c in kept if label(c) == name]
        told = forecast(solution, items)
        yield State(
            weigh_in=w.id,
            build=mine[0].build,
            label=name,
            aboard=mine[0].aboard,
            t_wall_ns=mine[-1].t_wall_ns,
            solution=solution,
            items=items,
            total=told.total,
            front=told.front,
            left=told.left,
            cross=told.cross,
            x=told.x,
            y=told.y,
        )


def facts_aboard(weigh_in: int, facts: Iterable[Fact]) -> list[AboardFact]:
    """Things and surplus fluids that were aboard in a weigh-in."""
    things = [
        f.above if isinstance(f, FluidFact) else f for f in facts if isinstance(f, AboardFact | FluidFact)
    ]
    return [thing for thing in things if thing.weigh_in == weigh_in]


def _item_off(fact: AboardFact) -> Item:
    return Item(
        name=f"{fact.name} (was aboard)",
        mass=Quantity(-fact.mass.value, fact.mass.u, "kg"),
        x=fact.x,
        y=fact.y,
    )


def _weighed_steps(w: WeighIn, result: WeighInResult) -> Iterable[Step]:
    # Differences carry their own name: the change's, or its number
    parts = {_change_key(d): d for d in result.differences if not d.person}
    by_number = {c.number: c for c in w.captures if not c.discarded}
    for change in w.changes:
        before, after = by_number.get(change.capture_before), by_number.get(change.capture_after)
        if before is None or after is None:
            continue
        found = parts.get((change.name or f"change {change.number}", label(before), label(after)))
        if found is not None:
            step = _step(found.part, f"w{w.id}.{change.number}", change.name, after.t_wall_ns)
            yield changed(step, how=f"weighed, {label(before)} to {label(after)}")


def _change_key(d: Difference) -> tuple[str, str, str]:
    return d.name, d.before, d.after


def _step(part: Part, ref: str, name: str, t_wall_ns: int) -> Step:
    """A measured difference as a step; its mass changes sign, since parts count what came off."""
    located = part.covariance and not part.too_light_to_locate
    cov = part.covariance
    return Step(
        ref=ref,
        name=name,
        proposed=not name,
        basis="weighed",
        how="weighed",
        t_wall_ns=t_wall_ns,
        mass=Quantity(-part.mass.value, part.mass.u, "kg"),
        x=part.x if located else None,
        y=part.y if located else None,
        covariance_xy_m2=(cov[4], cov[5], cov[8]) if located else None,
        too_light=part.too_light_to_locate,
        notes=tuple(n for n in part.notes if "went on, it did not come off" not in n),
    )


@dataclass(frozen=True, kw_only=True)
class _Between:
    """From one weigh-in to the next: two states with equal people, and what was typed in for the time."""

    weigh_ins: tuple[int, int]
    before: State
    after: State
    typed: tuple[PartFact, ...]

    @property
    def change(self) -> Quantity:
        """By how much the total changed (kg)."""
        one, other = self.before.total, self.after.total
        return Quantity(other.value - one.value, hypot(one.u or 0.0, other.u or 0.0), "kg")


def _between(a: WeighIn, b: WeighIn, states: Sequence[State], typed: Sequence[PartFact]) -> _Between | None:
    """The last state of one weigh-in and the first of the next with equal people; None without a pair."""
    pairs = [
        (one, other)
        for one in reversed([s for s in states if s.weigh_in == a.id])
        for other in [s for s in states if s.weigh_in == b.id]
        if one.aboard == other.aboard
    ]
    if not pairs:
        return None
    before, after = pairs[0]
    noted = tuple(f for f in typed if before.t_wall_ns < f.t_wall_ns <= after.t_wall_ns)
    return _Between(weigh_ins=(a.id, b.id), before=before, after=after, typed=noted)


def _mixed_up(between: _Between) -> str | None:
    """Say so when one weigh-in's total is to the other's as pounds to kilograms."""
    first, second = (f"w{number}" for number in between.weigh_ins)
    said = unit_mix_up(between.after.total.value, between.before.total.value, first)
    return None if said is None else f"{second}: {said}"


def _between_step(between: _Between) -> Step | None:
    """What changed from one weigh-in to the next as a step; None when nothing can be told from noise."""
    before, after, delta = between.before, between.after, between.change
    if delta.u is not None and abs(delta.value) <= 2 * delta.u:
        return None
    first, second = (f"w{number}" for number in between.weigh_ins)
    part = difference(before.solution, after.solution) if before.x and after.x else None
    ref = f"{first}-{second}"
    how = f"weighed, last state of {first} to first of {second}"
    if between.typed:
        names = ", ".join(f.name for f in between.typed)
        expected = _sum(f.mass for f in between.typed)
        how += f"; typed in for the time between: {names}, together {expected.text()}"
    has_items = before.items or after.items
    step = _step(part, ref, "", after.t_wall_ns) if part is not None else None
    if step is None or has_items:
        step = Step(
            ref=ref, name="", proposed=True, basis="between", how=how, t_wall_ns=after.t_wall_ns,
            mass=delta, x=None, y=None,
        )  # fmt: skip
    name = f"between {first} and {second}"
    return changed(step, basis="between", how=how, name=name, proposed=False)


def _typed_step(fact: PartFact) -> Step:
    cov = None
    if fact.x is not None and fact.y is not None and fact.x.u and fact.y.u:
        cov = (fact.x.u**2, 0.0, fact.y.u**2)
    return Step(
        ref=f"e{fact.id}",
        name=fact.name,
        proposed=False,
        basis="typed",
        how=fact.basis,
        t_wall_ns=fact.t_wall_ns,
        mass=fact.mass,
        x=fact.x,
        y=fact.y,
        covariance_xy_m2=cov,
    )


def _named(steps: Sequence[Step], geometry: Geometry) -> list[Step]:
    """Propose a name for each step nobody named, from its place and the steps before it."""
    named: list[Step] = []
    for step in steps:
        earlier = [Placed(name=s.name, mass=s.mass, x=s.x, y=s.y) for s in named if s.basis != "between"]
        name = step.name or propose_name(step.mass, step.x, step.y, geometry, earlier)
        named.append(changed(step, name=name))
    return named


def _explained(step: Step, states: Sequence[State]) -> bool:
    """Whether a typed step lies between two weighed states, whose difference already counts it."""
    times = [s.t_wall_ns for s in states]
    return step.basis == "typed" and min(times) <= step.t_wall_ns <= max(times)


def _people(solved: Sequence[tuple[WeighIn, WeighInResult]], facts: Iterable[Fact]) -> Iterable[Person]:
    """Everybody once: as last weighed in the car, else as typed in."""
    found: dict[str, Person] = {
        f.name: Person(name=f.name, mass=f.mass, x=f.x, y=f.y, ref=f"e{f.id}")
        for f in facts
        if isinstance(f, PersonFact)
    }
    for w, result in solved:
        for d in result.differences:
            if d.person:
                step = _step(d.part, f"w{w.id}", d.name, w.t_wall_ns)
                mass = Quantity(abs(step.mass.value), step.mass.u, "kg")
                found[d.name] = Person(name=d.name, mass=mass, x=step.x, y=step.y, ref=step.ref)
    return found.values()


def _sum(masses: Iterable[Quantity]) -> Quantity:
    """Sum of masses taken as independent: too wide where neighbours share a weighing, never too narrow."""
    masses = list(masses)
    return Quantity(sum(m.value for m in masses), hypot(*(m.u or 0.0 for m in masses)), "kg")
