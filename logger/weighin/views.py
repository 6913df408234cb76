"""A weigh-in's results as the page and the terminal show them."""

from __future__ import annotations

from collections.abc import Iterable

from logger.drawing.view import CarView, CovarianceXY, PartView, WheelLoad, centre_covariance, contacts_m
from logger.mechanics.parts import Part
from logger.mechanics.solve import Solution
from logger.model import CORNERS, Condition
from logger.quantity import Quantity
from logger.weighin.results import Difference, WeighInResult


def figures(solution: Solution, unit: str) -> list[tuple[str, Quantity]]:
    """Label and quantity of each figure of a build, masses in `unit` and shares in %."""
    length = "mm" if unit == "kg" else "in"
    rows = [("total", solution.total.shown_in(unit))]
    rows += [
        (name, quantity.shown_in("%"))
        for name, quantity in (
            ("front", solution.front),
            ("left", solution.left),
            ("cross weight", solution.cross),
        )
    ]
    if solution.x is not None:
        rows.append(("ahead of rear axle", solution.x.shown_in(length)))
    if solution.y is not None:
        rows.append(("left of centre line", solution.y.shown_in(length)))
    return rows


def car_view(solution: Solution, differences: Iterable[Difference] = ()) -> CarView:
    """The plan of a build with the parts that were weighed; lengths not known stand at a middling car's."""
    wheelbase_m, track_front_m, track_rear_m = solution.geometry.lengths_m
    x, y = solution.x, solution.y
    lf, rf, lr, rr = (
        WheelLoad(load=solution.corners[corner], condition=Condition.RESTING) for corner in CORNERS
    )
    return CarView(
        wheelbase_m=wheelbase_m,
        track_front_m=track_front_m,
        track_rear_m=track_rear_m,
        loads=(lf, rf, lr, rr),
        total=solution.total,
        x_m=x.value if x else None,
        y_m=y.value if y else None,
        covariance_xy_m2=centre_of_mass_covariance(solution),
        parts=tuple(part_view(d.name, d.part) for d in differences),
        to_scale=not solution.geometry.missing,
    )


def centre_of_mass_covariance(solution: Solution) -> CovarianceXY | None:
    """Covariance of the centre of mass (var x, cov xy, var y in m²), None where its place is not known."""
    x, y = solution.x, solution.y
    if x is None or y is None:
        return None
    contacts = contacts_m(*solution.geometry.lengths_m)
    return centre_covariance(contacts, (x.value, y.value), solution.total.value, solution.covariance_kg2)


def part_view(name: str, part: Part) -> PartView:
    """A difference as the plan draws it: mass negative for what came off."""
    mass = Quantity(-part.mass.value, part.mass.u, "kg")
    if part.x is None or part.y is None or part.too_light_to_locate:
        return PartView(name=name, mass=mass)
    cov = part.covariance
    return PartView(
        name=name, mass=mass, x_m=part.x.value, y_m=part.y.value, covariance_xy_m2=(cov[4], cov[5], cov[8])
    )


def difference_text(difference: Difference, unit: str) -> str:
    """One line: "spare wheel: 17.4 ± 0.3 kg off, 0.42 m behind the rear axle, 0.05 m right"."""
    part = difference.part
    went = "off" if part.mass.value > 0 else "on"
    mass = Quantity(abs(part.mass.value), part.mass.u, "kg").shown_in(unit)
    where = "aboard" if difference.person else went
    return f"{difference.name}: {mass.text()} {where}, {place_text(part, 'm' if unit == 'kg' else 'in')}"


def place_text(part: Part, unit: str = "m") -> str:
    """Where a part's weight sat, in words, lengths in `unit`."""
    if part.too_light_to_locate:
        return "too light to locate"
    if part.x is None or part.y is None:
        return "place not known"
    along = "ahead of" if part.x.value >= 0 else "behind"
    side = "left" if part.y.value >= 0 else "right"
    x, y = (Quantity(abs(q.value), q.u, "m").shown_in(unit) for q in (part.x, part.y))
    return f"{x.text()} {along} the rear axle, {y.text()} {side} of the centre line"


def sentences(result: WeighInResult) -> tuple[str, ...]:
    """Notes and doubts of all builds, each once, in order."""
    said: dict[str, None] = {}
    for solution in result.solutions.values():
        said.update(dict.fromkeys((*solution.notes, *solution.cannot_tell_apart)))
    return tuple(said)
