"""Masses typed into the ledger in pounds as kilograms, or the other way: told from what is known. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import hypot

from logger.mechanics.plausible import mixed_units
from logger.quantity import Quantity
from logger.sentences import kilograms
from logger.units import LB_KG
from logger.weighin.facts import PartFact, PersonFact
from logger.weighin.states import Person, Step


def parts_in_another_unit(steps: Iterable[Step]) -> Iterable[str]:
    """Typed steps whose mass is to that of the same thing before or after as pounds to kilograms."""
    last: dict[str, Step] = {}
    for step in steps:
        if step.proposed or step.basis == "between":
            continue
        before = last.get(step.name.casefold())
        if before is not None and "typed" in (step.basis, before.basis):
            typed, other = (step, before) if step.basis == "typed" else (before, step)
            yield from _told(typed.name, typed.ref, typed.mass, other.mass, other.ref)
        last[step.name.casefold()] = step


def people_in_another_unit(typed: Iterable[PersonFact], people: Iterable[Person]) -> Iterable[str]:
    """People typed in whose mass is to what they weighed in the car as pounds to kilograms."""
    known = {person.name: person for person in people}
    for fact in typed:
        person = known[fact.name]
        yield from _told(fact.name, f"e{fact.id}", fact.mass, person.mass, person.ref)


def _told(name: str, ref: str, mass: Quantity, other: Quantity, other_ref: str) -> Iterable[str]:
    typed_kg, other_kg = abs(mass.value), abs(other.value)
    mixed = mixed_units(typed_kg, other_kg)
    if mixed is not None:
        entered, meant = mixed
        yield (
            f"{name} ({ref}) was typed in as {kilograms(typed_kg)}, {typed_kg / other_kg:.2g} times the "
            f"{kilograms(other_kg)} of {other_ref}: was {meant} entered as {entered}? "
            f"`restpoint ledger correct {ref} --mass` puts it right."
        )


def against_weigh_ins(
    between: tuple[int, int], weighed: Quantity, typed: Sequence[PartFact]
) -> Iterable[str]:
    """Parts typed in for the time between two weigh-ins that go with these only in another unit.

    `weighed` is by how much the car's mass changed (kg). Nothing is said while weighed and typed agree.
    """
    sum_kg = sum(fact.mass.value for fact in typed)
    u_kg = hypot(weighed.u or 0.0, *(fact.mass.u or 0.0 for fact in typed))
    off_kg = weighed.value - sum_kg
    if abs(off_kg) <= 2 * u_kg:
        return
    for fact in typed:
        for factor, entered, meant in ((LB_KG, "kg", "lb"), (1 / LB_KG, "lb", "kg")):
            if abs(off_kg - (factor - 1) * fact.mass.value) <= 2 * u_kg:
                yield (
                    f"From w{between[0]} to w{between[1]} the car changed by {weighed.text()}, and what was "
                    f"typed in comes to {kilograms(sum_kg)}: it fits if {fact.name} (e{fact.id}) was {meant} "
                    f"entered as {entered}. `restpoint ledger correct e{fact.id} --mass` puts it right."
                )
