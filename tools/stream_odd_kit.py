"""What the families of odd indicators are made with: the scale of a number, and its design."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from stream_kit import Design, State

Rng = random.Random
STEPS = (("kg", "0.1", 1), ("kg", "0.02", 2), ("kg", "0.05", 2), ("lb", "0.2", 1), ("lb", "0.1", 1))


@dataclass(frozen=True)
class Scale:
    """Unit, step and decimal places of a number."""

    unit: str
    step: Fraction
    places: int

    def text(self, count: int, form: str = "") -> str:
        return f"{float(count * self.step):{form}.{self.places}f}"


def scale_of(rng: Rng, *choices: tuple[str, str, int]) -> Scale:
    unit, step, places = rng.choice(choices or STEPS)
    return Scale(unit, Fraction(step), places)


def odd_design(shape: str, scale: Scale, encode: Callable[[list[State]], bytes], **more: object) -> Design:
    values: dict[str, object] = {"pads": [""], "together": False, **more}
    return Design(shape=shape, unit=scale.unit, step=scale.step, encode=encode, **values)  # type: ignore[arg-type]  # by name
