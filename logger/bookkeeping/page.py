"""A ledger as one HTML page: plan with what came off, stair, wandering centre of mass, list of changes."""

from __future__ import annotations

from dataclasses import replace
from html import escape
from typing import cast

from logger.bookkeeping.text import left_to_find, now_quantity, place_words, size_text
from logger.cautions import CAUTIONS, GENERAL
from logger.clock import wall_text
from logger.drawing.car import car_svg
from logger.drawing.stair import staircase_svg
from logger.drawing.view import CarView, PartView
from logger.drawing.wander import Point, wander_svg
from logger.model import CORNERS
from logger.quantity import Quantity
from logger.report.data import BuildResult, Car, Job, Provenance, ReportData, Units
from logger.report.markup import bullets, figure, number, section, table
from logger.report.page import page
from logger.sentences import in_unit
from logger.version import VERSION
from logger.weighin.states import History, State, Step, empty_states, latest
from logger.weighin.views import car_view, centre_of_mass_covariance

CAUTIONS_HERE = (*GENERAL, 5, 9)


def ledger_page(told: History, unit: str, target: Quantity | None = None, *, invented: bool = False) -> str:
    """Set the page; `unit` is kg or lb, `target` a mass to reach with nobody aboard."""
    units = cast("Units", unit)
    body = [
        _header(told, units, target, invented=invented),
        section("From build to build", _stair(told, units)),
        section("How the centre of mass wandered", _wander(told, units)),
        section("What came off and went on", _steps(told, units), aside="± is two standard uncertainties."),
        section("What is doubtful", bullets(in_unit(doubt, unit) for doubt in told.doubts)),
        section("Cautions", bullets(CAUTIONS[n] for n in sorted(CAUTIONS_HERE))),
    ]
    return page(f"{told.car} – ledger", "\n".join(filter(None, body)), version=VERSION)


def _header(told: History, units: Units, target: Quantity | None, *, invented: bool) -> str:
    state = latest(told)
    drawn = car_svg(_view(told, state), nose="left", units=units)
    tall = car_svg(_view(told, state), nose="up", units=units)
    now = now_quantity(told)
    told_now = f"Now {now.shown_in(units).text()} with nobody aboard. " if now else ""
    sums = (
        f"Came off: {size_text(told.off, units)}; went on: {size_text(told.on, units)}. "
        f"{left_to_find(told, target, units).strip() if target else ''}"
    )
    note = '<p class="invented">Name and figures of this car are invented.</p>' if invented else ""
    caption = (
        f"The car as weighed last ({escape(state.label)}, w{state.weigh_in}). Numbered rings are the "
        "changes, each where its weight sat, dashed for what came off."
    )
    return (
        f'<header><p class="over">Ledger of a car on four pads</p><h1>{escape(told.car)}</h1>'
        f'<p class="result">{escape(told_now + sums)}</p>{note}<div class="full">'
        f"{figure(drawn, caption, 'plan broad')}{figure(tall, caption, 'plan tall')}</div></header>"
    )


def _view(told: History, state: State) -> CarView:
    return replace(car_view(state.solution), parts=tuple(part_view(step) for step in told.steps))


def part_view(step: Step) -> PartView:
    """A step as the plan draws it."""
    return PartView(
        name=step.name,
        mass=step.mass,
        x_m=step.x.value if step.x else None,
        y_m=step.y.value if step.y else None,
        covariance_xy_m2=step.covariance_xy_m2,
        unplaced="too light to locate" if step.too_light else "place not known",
    )


def _stair(told: History, units: Units) -> str:
    states = empty_states(told)
    data = ReportData(
        job=Job(title=told.car, when=""),
        car=Car(
            name=told.car,
            wheelbase_m=told.geometry.wheelbase_m,
            track_front_m=told.geometry.track_front_m,
            track_rear_m=told.geometry.track_rear_m,
        ),
        builds=tuple(_build(s) for s in states),
        captures=(),
        placements=(),
        provenance=Provenance(bay="", config_id="", version=VERSION, generated_at="", segments=()),
        units=units,
    )
    drawn = staircase_svg(data)
    caption = "The car's total with nobody aboard, build by build; the band is its ±."
    return figure(drawn, caption, "wide") if drawn else ""


def _build(state: State) -> BuildResult:
    solution = state.solution
    return BuildResult(
        label=f"w{state.weigh_in} {state.build}",
        total=state.total,
        front=state.front,
        left=state.left,
        cross=state.cross,
        x=state.x,
        y=state.y,
        loads=tuple(solution.corners[c] for c in CORNERS),
        covariance_xy_m2=centre_of_mass_covariance(solution),
        captures=(),
    )


def _wander(told: History, units: Units) -> str:
    points = [
        Point(
            label=f"w{s.weigh_in} {s.build}",
            x_m=s.x.value,
            y_m=s.y.value,
            covariance_xy_m2=centre_of_mass_covariance(s.solution),
        )
        for s in empty_states(told)
        if s.x is not None and s.y is not None
    ]
    drawn = wander_svg(points, units=units)
    caption = "Places of the centre of mass with nobody aboard, close up; ellipses are ± in both directions."
    return figure(drawn, caption, "wide") if drawn else ""


def _steps(told: History, units: Units) -> str:
    rows = [
        (
            escape(f"{n} {step.name}") + (" <small>(name proposed)</small>" if step.proposed else ""),
            number(step.mass, units, sign=True),
            escape("too light to locate" if step.too_light else place_words(step.x, step.y, units)),
            escape(step.how),
            escape(f"{step.ref}, {wall_text(step.t_wall_ns)[:10]}"),
        )
        for n, step in enumerate(told.steps, 1)
    ]
    return table(("Change", "mass", "where its weight sat", "how it is known", "in the ledger"), rows)
