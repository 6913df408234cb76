"""A plan worked out as one self-contained HTML page: the car to be, figures, what to do, cautions."""

from __future__ import annotations

from html import escape

from logger.cautions import CAUTIONS
from logger.drawing.car import car_svg
from logger.mechanics.budget import Forecast
from logger.plan.words import (
    FIGURES,
    NAMES,
    sensitivity_lines,
    target_lines,
    todo_lines,
    view_of,
)
from logger.plan.work import Planned
from logger.report.data import Units
from logger.report.markup import bullets, figure, number, section, table
from logger.report.page import page
from logger.sentences import in_unit
from logger.version import VERSION


def plan_page(planned: Planned) -> str:
    """Set the page; it refers to nothing outside itself."""
    unit = planned.plan.unit
    body = [
        _header(planned),
        section("The car now, and as planned", _figures(planned), aside="± is two standard uncertainties."),
        section("Against the targets", bullets(target_lines(planned))),
        section("What cannot be had, and what to relax", bullets(in_unit(s, unit) for s in planned.short)),
        section("What to do", bullets(todo_lines(planned))),
        section("What moves the answer most", bullets(sensitivity_lines(planned))),
        section("Notes", bullets(in_unit(note, unit) for note in planned.notes)),
        section("Cautions", bullets(CAUTIONS[n] for n in planned.cautions)),
    ]
    return page(f"{planned.plan.name} – plan", "\n".join(filter(None, body)), version=VERSION)


def _header(planned: Planned) -> str:
    plan = planned.plan
    people = " and ".join(plan.aboard) or "nobody"
    result = (
        f"{planned.base.car.name}, {planned.base.label}, {people} aboard. {' '.join(target_lines(planned))}"
    )
    note = '<p class="invented">Name and figures of this car are invented.</p>' if plan.invented else ""
    caption = (
        "The car as planned: a disc's area is the load expected on that wheel. Numbered rings are the "
        "changes, each where its weight sits, dashed for what comes off."
    )
    view = view_of(planned)
    drawings = figure(car_svg(view, nose="left", units=plan.unit), caption, "plan broad")
    drawings += figure(car_svg(view, nose="up", units=plan.unit), caption, "plan tall")
    return (
        f'<header><p class="over">Plan of a car on four pads</p><h1>{escape(plan.name)}</h1>'
        f'<p class="result">{escape(result)}</p>{note}<div class="full">{drawings}</div></header>'
    )


def _figures(planned: Planned) -> str:
    units: Units = planned.plan.unit
    columns: list[tuple[str, Forecast]] = [("now", planned.now), ("after the changes", planned.then)]
    if planned.plates:
        columns.append(("with ballast", planned.ballasted))
    heads = ["", *(name for name, _ in columns), *(["perches turned"] if planned.perches else [])]
    rows = []
    for name in FIGURES:
        cells = [getattr(car, name) for _, car in columns]
        if cells[0] is None:
            continue
        row = [escape(NAMES.get(name, name)), *(number(q, units) for q in cells)]
        if planned.perches:
            row.append(number(planned.perches.cross, units) if name == "cross" else "")
        rows.append(row)
    return table(heads, rows)
