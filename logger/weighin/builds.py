"""What a new total means: the same build, somebody in or out, or a part that came off or went on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from logger.model import Boarding


@dataclass(frozen=True, kw_only=True)
class Person:
    """Somebody who may sit in the car; `mass_kg` as dressed for it."""

    name: str
    mass_kg: float


Meaning = Literal["same", "person in", "person out", "change"]

PERSON_TOLERANCE_KG = 4.0
"""A known person may weigh this much more or less than the config says: clothes, boots, a meal (common
experience, no source)."""
COVERAGE = 3.0
"""A total counts as changed beyond this many standard uncertainties of the difference (gum.k: 99.7 %)."""
LEAST_CHANGE_KG = 0.5
"""And beyond this mass in any case: a glove or a rag is not a change of build."""


def meaning(
    delta_kg: float,
    u_kg: float,
    people: tuple[Person, ...],
    aboard: tuple[str, ...],
    boarding: Boarding | None,
) -> tuple[Meaning, str | None]:
    """Say what a difference of totals (kg, standard uncertainty kg) is, and which person if one is known.

    `boarding` is the last person-like step since the total before, None when there was none; by it somebody
    not known by mass may get in, and a known person leave who was not known to be in.
    """
    if abs(delta_kg) <= max(COVERAGE * u_kg, LEAST_CHANGE_KG):
        return "same", None
    if delta_kg > 0:
        person = _nearest(delta_kg, [p for p in people if p.name not in aboard])
        if person is not None or (boarding is not None and boarding.size_kg > 0):
            return "person in", person
        return "change", None
    left = boarding is not None and boarding.size_kg < 0
    person = _nearest(-delta_kg, [p for p in people if p.name in aboard or (left and not aboard)])
    if person is not None:
        return "person out", person
    return ("person out", aboard[-1]) if aboard and left else ("change", None)


def _nearest(mass_kg: float, people: list[Person]) -> str | None:
    near = min(people, key=lambda p: abs(p.mass_kg - mass_kg), default=None)
    return near.name if near is not None and abs(near.mass_kg - mass_kg) <= PERSON_TOLERANCE_KG else None
