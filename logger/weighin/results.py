"""What a weigh-in has come to: its captures solved together, build by build, and what each change weighed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from logger.car_file import Car
from logger.mechanics.parts import Part
from logger.mechanics.solve import Builds, Solution, solve_builds
from logger.mechanics.weighing import weighing_from_capture
from logger.model import Capture, Change


@dataclass(frozen=True, kw_only=True)
class Difference:
    """A person aboard or a part: `part.mass` is positive for what came off, negative for what went on."""

    name: str
    person: bool
    before: str
    after: str
    part: Part


@dataclass(frozen=True, kw_only=True)
class WeighInResult:
    """Solutions by label in the order weighed, and the differences between them."""

    solutions: dict[str, Solution]
    latest: str
    """Label of what the car is now: the state of the last capture."""
    differences: tuple[Difference, ...]


def label(capture: Capture) -> str:
    """Name of the state weighed: the build, and who is aboard."""
    return " + ".join((capture.build, *capture.aboard))


def weigh_in_result(
    captures: Iterable[Capture], changes: Iterable[Change], car: Car, aim: str = "cross"
) -> WeighInResult | None:
    """Solve all captures that were not discarded; None when there are none. `aim` ranks the next steps.

    ValueError, in words, when the loads cannot be a car's.
    """
    kept = [capture for capture in captures if not capture.discarded]
    if not kept:
        return None
    weighings = [weighing_from_capture(capture, build=label(capture)) for capture in kept]
    builds = solve_builds(weighings, car.geometry, car.known, car.allowances, aim)
    differences = (*_people(kept, builds), *_parts(kept, changes, builds))
    return WeighInResult(solutions=builds.solutions, latest=label(kept[-1]), differences=differences)


def _people(captures: Sequence[Capture], builds: Builds) -> Iterable[Difference]:
    """Each person once, from the first state in which the car was weighed both with and without."""
    seen: set[str] = set()
    for capture in captures:
        for name in capture.aboard:
            rest = tuple(other for other in capture.aboard if other != name)
            without = " + ".join((capture.build, *rest))
            if name not in seen and without in builds.solutions:
                seen.add(name)
                part = builds.part(without, label(capture))
                yield Difference(name=name, person=True, before=without, after=label(capture), part=part)


def _parts(captures: Sequence[Capture], changes: Iterable[Change], builds: Builds) -> Iterable[Difference]:
    by_number = {capture.number: capture for capture in captures}
    for change in changes:
        before, after = by_number.get(change.capture_before), by_number.get(change.capture_after)
        if before is not None and after is not None and label(before) != label(after):
            part = builds.part(label(before), label(after))
            name = change.name or f"change {change.number}"
            yield Difference(name=name, person=False, before=label(before), after=label(after), part=part)
