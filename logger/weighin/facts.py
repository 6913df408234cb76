"""What people write into the ledger by hand: parts, people, things aboard, fluids, photos, corrections.

A fact has an id and revisions; the latest one counts. Nothing is deleted: a fact taken back is `withdrawn`.
Masses are kg and positive for what goes on, negative for what comes off; places as everywhere: x ahead of the
rear axle, y left of the centre line, z above the ground (m). None is not known.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from logger.car_file import Car
from logger.quantity import Quantity

PETROL_KG_PER_L = Quantity(0.75, 0.015, "kg/L")
"""Petrol at 15 °C: 0.72–0.78 kg/L (from memory, common practice)."""
DIESEL_KG_PER_L = Quantity(0.84, 0.01, "kg/L")
"""Diesel at 15 °C: 0.82–0.86 kg/L (from memory, common practice)."""


class FactBase(Struct, frozen=True, kw_only=True, tag_field="kind"):
    """What all facts have; `id` 0 stands for one that is not in a ledger yet."""

    id: int = 0
    withdrawn: bool = False


class CarFact(FactBase, frozen=True, kw_only=True, tag="car"):
    """A car's own name and geometry, where they were corrected or read from its file.

    `row` is the ledger's number of the car, `merged_into` that of the car this one turned out to be.
    """

    row: int
    name: str
    car: Car | None = None
    merged_into: int | None = None


class WeighInFact(FactBase, frozen=True, kw_only=True, tag="weigh-in"):
    """What is corrected of a weigh-in: conditions (added to those noted), or that it counts no more."""

    weigh_in: int
    conditions: Mapping[str, Any] = {}
    counts: bool = True


class PartFact(FactBase, frozen=True, kw_only=True, tag="part"):
    """A change typed in, not weighed with the car: `basis` says how its mass is known.

    `merged_into` is the reference of what it turned out to be the same as (w3.1, e4).
    """

    car: str
    name: str
    mass: Quantity
    t_wall_ns: int
    x: Quantity | None = None
    y: Quantity | None = None
    z: Quantity | None = None
    basis: str = "estimated"
    merged_into: str | None = None


class PersonFact(FactBase, frozen=True, kw_only=True, tag="person"):
    """Somebody who may sit in a car, as dressed for it, and where."""

    name: str
    mass: Quantity
    x: Quantity | None = None
    y: Quantity | None = None


class AboardFact(FactBase, frozen=True, kw_only=True, tag="aboard"):
    """A thing that was in the car during a weigh-in and does not belong to it (a laptop, a toolbox)."""

    weigh_in: int
    name: str
    mass: Quantity
    x: Quantity | None = None
    y: Quantity | None = None


class FluidFact(FactBase, frozen=True, kw_only=True, tag="fluid"):
    """How much of a fluid was in the car during a weigh-in, against the level its mass is stated with."""

    weigh_in: int
    name: str
    volume_L: Quantity
    standard_L: float
    density: Quantity = PETROL_KG_PER_L
    x: Quantity | None = None
    y: Quantity | None = None

    @property
    def above(self) -> AboardFact:
        """What is aboard above the standard level (mass below zero: missing), as a thing aboard."""
        litres = self.volume_L.value - self.standard_L
        u_kg = (
            (self.density.value * (self.volume_L.u or 0.0)) ** 2 + (litres * (self.density.u or 0.0)) ** 2
        ) ** 0.5
        mass = Quantity(litres * self.density.value, u_kg, "kg")
        name = f"{self.name} {'above' if litres >= 0 else 'below'} the standard level"
        return AboardFact(weigh_in=self.weigh_in, name=name, mass=mass, x=self.x, y=self.y)


class PhotoFact(FactBase, frozen=True, kw_only=True, tag="photo"):
    """A photo by reference: `where` is a path or address, `of` what it shows (such as w3 or w3.1)."""

    of: str
    where: str
    caption: str = ""


class NoteFact(FactBase, frozen=True, kw_only=True, tag="note"):
    """A remark; `of` as for a photo, empty: the ledger as a whole."""

    of: str
    text: str


Fact = CarFact | WeighInFact | PartFact | PersonFact | AboardFact | FluidFact | PhotoFact | NoteFact


def kind_of(fact: Fact) -> str:
    """The fact's kind as it is stored and shown."""
    return str(type(fact).__struct_config__.tag)


def words_of(fact: Fact) -> str:
    """All text in a fact, for search."""
    texts = (getattr(fact, name, "") for name in ("name", "text", "caption", "where", "of", "basis"))
    more = " ".join(map(str, fact.conditions.values())) if isinstance(fact, WeighInFact) else ""
    return " ".join([*map(str, texts), more])


def withdrawn(fact: Fact) -> Fact:
    """The fact taken back."""
    return replace(fact, withdrawn=True)
