"""Loads that cannot be a car's, and totals that look like another unit: a clear sentence for each."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from logger.mechanics.weighing import Known, Weighing
from logger.model import CORNERS
from logger.sentences import kilograms
from logger.units import LB_KG

LEAST_CAR_KG = 50.0
"""Below this nothing on four pads is a car: a bare racing kart has about 70 kg (from memory)."""
MOST_CAR_KG = 15_000.0
"""Above this it is a lorry; wheel-load pads end well below."""
MOST_PLACE_M = 10.0
"""Nothing on a car is farther from the middle of its rear axle."""
UNIT_TOLERANCE = 0.08
"""How near a ratio of totals must be to lb/kg to be called a unit mix-up; changes of a build are smaller."""


def refuse_impossible(weighings: Sequence[Weighing], known: Known) -> None:
    """Raise ValueError with one sentence per fault when loads cannot be a car's."""
    faults = [f for w in weighings for f in faults_of(w, known)]
    if faults:
        raise ValueError("\n".join(faults))


def faults_of(w: Weighing, known: Known) -> list[str]:
    """Sentences, one per fault, when a weighing's loads cannot be a car's; empty when they can."""
    faults = []
    for corner, pad, load in zip(CORNERS, w.pads, w.loads_kg, strict=True):
        where = f"run {w.run}: {corner} on pad {pad}"
        if not isfinite(load):
            faults.append(f"{where} has no number; weigh again or leave the run out.")
        elif load <= 0:
            faults.append(
                f"{where} carries {kilograms(load)}; a wheel cannot pull. Check that pad's zero and that the "
                "wheel stands on it, then weigh again."
            )
        elif known.capacity_kg is not None and load > known.capacity_kg:
            faults.append(
                f"{where} carries {kilograms(load)}, above its capacity of {kilograms(known.capacity_kg)}. "
                "Take the car off; the reading cannot be trusted: the pad may be damaged, or the unit wrong."
            )
    total = sum(w.loads_kg)
    if isfinite(total) and not faults and not LEAST_CAR_KG <= total <= MOST_CAR_KG:
        faults.append(
            f"run {w.run}: a total of {kilograms(total)} is not a car's ({LEAST_CAR_KG:g} to {MOST_CAR_KG:g} "
            "kg). Check the unit and that all four wheels stand on pads."
        )
    return faults


def off_the_car(place_m: float | None) -> str | None:
    """What to say of a place along or across (m) that no car reaches; None where one does."""
    if place_m is None or abs(place_m) <= MOST_PLACE_M:
        return None
    return f"{place_m:g} m is off every car (at most {MOST_PLACE_M:g} m from its rear axle); check the unit"


def unit_mix_up(now_kg: float, last_kg: float, last: str = "the last weigh-in") -> str | None:
    """Say so when a total is to the last one's as pounds to kilograms, or the other way; else None."""
    asked = mix_up_asked(now_kg, last_kg)
    if asked is None:
        return None
    return (
        f"The total of {kilograms(now_kg)} is {now_kg / last_kg:.3g} times that of {last}, "
        f"{kilograms(last_kg)}: {asked}"
    )


def mix_up_asked(now_kg: float, known_kg: float) -> str | None:
    """The end of a sentence that asks whether a mass was typed in the other unit; None where it fits."""
    mixed = mixed_units(now_kg, known_kg)
    return None if mixed is None else f"were values in {mixed[1]} entered as {mixed[0]}?"


def mixed_units(now_kg: float, known_kg: float) -> tuple[str, str] | None:
    """The unit a mass was typed in as and the one it was meant in, when its ratio to a known mass says so."""
    for factor, typed, meant in ((1 / LB_KG, "kg", "lb"), (LB_KG, "lb", "kg")):
        if abs(now_kg - factor * known_kg) < UNIT_TOLERANCE * factor * known_kg:
            return typed, meant
    return None
