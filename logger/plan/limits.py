"""What a plan cannot have: contradictions, targets out of reach with what to relax; its cautions. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from logger.cautions import GENERAL
from logger.mechanics import height, perches
from logger.mechanics.budget import Forecast, Item
from logger.mechanics.parts import Weighed
from logger.model import CORNERS
from logger.plan.wanted import Plan, PlanFault
from logger.quantity import Quantity
from logger.sentences import kilograms


def refuse_contradictions(plan: Plan) -> None:
    """PlanFault when targets exclude each other."""
    goal, least = plan.goal, plan.least_total_kg
    if least is not None and goal.total_kg is not None and least > goal.total_kg + plan.tolerance_of("total"):
        raise PlanFault(
            f"{plan.file}: least_total ({least:g} kg) is above the target's total ({goal.total_kg:g} ± "
            f"{plan.tolerance_of('total'):g} kg); relax one of them"
        )


def refuse_heavier(present: Sequence[Item], changes: Sequence[Item], weighed: Weighed) -> None:
    """PlanFault for a change heavier than the car."""
    total = sum(weighed.loads_kg) + sum(item.mass.value for item in present)
    for item in changes:
        if abs(item.mass.value) >= total:
            raise PlanFault(
                f"{item.name} would weigh {abs(item.mass.value):.4g} kg, more than the car's {total:.4g} kg; "
                "check the number and its unit"
            )


def too_heavy(plan: Plan, then: Forecast, ballasted: Forecast, plates: Sequence[Item]) -> list[str]:
    """What to relax when the total is above its target."""
    goal, tolerance = plan.goal, plan.tolerance_of("total")
    if goal.total_kg is None:
        return []
    over = ballasted.total.value - goal.total_kg
    if over <= tolerance:
        return []
    added = sum(item.mass.value for item in plates)
    size = Quantity(over, ballasted.total.u, "kg").text()
    lines = [f"The total is {size} above its target."]
    if added >= over - tolerance and plates and then.total.value <= goal.total_kg + tolerance:
        lines.append(
            f"The {added:g} kg of ballast bring it there: allow front and left more, or the "
            f"total {over:.1f} kg more."
        )
    else:
        lines.append(
            f"Take {over:.1f} kg more off than is planned, or allow a total of "
            f"{ballasted.total.value:.1f} kg."
        )
    return lines


def lifted_off(loads_kg: Sequence[float]) -> list[str]:
    """A sentence when the car of the plan would not stand on four wheels."""
    up = [
        f"{corner} {kilograms(load, 3)}" for corner, load in zip(CORNERS, loads_kg, strict=True) if load <= 0
    ]
    if not up:
        return []
    return [
        f"No car stands like that: its wheel loads would be {' and '.join(up)}. Look at the masses, places "
        "and signs of what is planned."
    ]


def cautions(plan: Plan, changes: Sequence[Item]) -> tuple[int, ...]:
    """Numbers of the cautions that fit what the plan leads to."""
    numbers = {*GENERAL}
    if plan.aboard:
        numbers.add(7)
    if any(item.mass.value < 0 for item in changes):
        numbers |= {5, 9}
    if any("battery" in item.name.casefold() for item in changes):
        numbers.add(6)
    if any(item.mass.value > 0 for item in changes) or plan.places:
        numbers.add(10)
    if plan.perches:
        numbers |= set(perches.CAUTIONS)
    if plan.lift is not None:
        numbers |= set(height.CAUTIONS)
    return tuple(sorted(numbers))
