"""Every sentence the weigh-in says: short, number last, the same text on phone, loudspeaker and bus."""

from __future__ import annotations

from math import hypot

from logger.model import Capture, Facing
from logger.quantity import Quantity
from logger.speech import quantity_words
from logger.weighin.builds import Meaning

_BUILD = "build "


class Phrases:
    """Sentences in one unit ("kg" or "lb")."""

    def __init__(self, unit: str) -> None:
        self._unit = unit

    def begin(self) -> str:
        return "Begun. Let all four pads stand empty."

    def begin_with_car(self) -> str:
        return "Begun with the car on. Rock it, then let it stand; or drive off first, for a zero check."

    def zeroed(self, facing: Facing, placements: int) -> str:
        if placements == 0:
            return f"All pads are at zero. Put the car on, facing {facing}."
        return "Zero checked. Put the car on again, turned round, or say stop."

    def car_on(self) -> str:
        return "Car on. Rock it, then let it stand."

    def rock_it(self, mass_kg: float, u_kg: float) -> str:
        return f"It stands but was not rocked. Rock it. Total {self._mass(mass_kg, u_kg)}."

    def stand(self) -> str:
        return "Let it stand. Hands off."

    def car_off(self) -> str:
        return "Car off. Let the pads stand empty for five seconds."

    def zero_is_old(self, age_s: float, u_kg: float) -> str:
        spread = Quantity(2 * u_kg, None, "kg").shown_in(self._unit)
        age = f"{age_s / 60:.0f} minutes old, ±{spread.value:.1g} {self._unit}"
        return f"Zero is {age}: let the pads stand empty for five seconds."

    def out_with_a_part(self, person: str | None, capture: Capture, before: Capture) -> str:
        """Somebody got out and the car is not what it was before he got in."""
        return f"{self._named(person)} out. {self._changed(capture, before)}"

    def captured(self, kind: Meaning, person: str | None, capture: Capture, reference: Capture | None) -> str:
        """The result of a rest: what it means, then the number."""
        total = self._mass(capture.mass_kg, capture.u_kg)
        if kind == "person in":
            return f"{self._named(person)} aboard. Total {total}."
        if kind == "person out":
            return f"{self._named(person)} out. Total {total}."
        if kind == "change" and reference is not None:
            return self._changed(capture, reference)
        return f"Resting, facing {capture.facing}. Total {total}."

    def next_step(self, facings: int) -> str:
        if facings < 2:
            return "Get in, take something off, rock again, or drive off and come back turned round."
        return "Get in, take something off, rock again, or drive off."

    def facing(self, facing: Facing) -> str:
        return f"Noted. The car faces {facing}."

    def discarded(self, capture: Capture) -> str:
        return f"Discarded. It was {self._mass(capture.mass_kg, capture.u_kg)}."

    def named(self, name: str) -> str:
        return f"Named: {name}."

    def stopped(self) -> str:
        return "Stopped. The weigh-in is in the ledger."

    def stands_already(self) -> str:
        return "This placement is weighed already. Drive off first, then say how the pads stand."

    def stand_noted(self, how: str) -> str:
        return f"Noted. {how}."

    def is_over(self) -> str:
        return "The weigh-in was stopped and is in the ledger. Say begin, or put the car on again."

    def nothing_rests(self) -> str:
        return "Nothing rests on all four pads. Let the car stand, then take again."

    def nothing_said(self) -> str:
        return "No result has been said yet."

    def nothing_to_discard(self) -> str:
        return "There is nothing to discard."

    def nothing_to_name(self) -> str:
        return "There is no change to name, or the name is empty."

    def nothing_weighed(self) -> str:
        return "Nothing has been weighed yet."

    def already_begun(self) -> str:
        return "A weigh-in is under way. Say stop first."

    def somebody(self) -> str:
        return "somebody"

    def build(self, number: int) -> str:
        """The name of a build until somebody gives it another."""
        return f"{_BUILD}{number}"

    def build_number(self, build: str) -> int:
        """The number in such a name."""
        return int(build.removeprefix(_BUILD))

    def _changed(self, after: Capture, before: Capture) -> str:
        delta_kg = after.mass_kg - before.mass_kg
        went = "Came off" if delta_kg < 0 else "Went on"
        return f"{went}: {self._mass(abs(delta_kg), hypot(after.u_kg, before.u_kg))}."

    def _named(self, person: str | None) -> str:
        name = person or self.somebody()
        return name[0].upper() + name[1:]

    def _mass(self, mass_kg: float, u_kg: float) -> str:
        return quantity_words(Quantity(mass_kg, u_kg, "kg"), self._unit)
