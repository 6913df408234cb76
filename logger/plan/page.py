"""A plan worked out, as HTML: a self-contained page of its own, and a section of the report."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from logger.cautions import CAUTIONS
from logger.drawing.car import car_svg
from logger.mechanics.budget import Forecast, Item
from logger.plan.words import (
    FIGURES,
    NAMES,
    sensitivity_lines,
    target_lines,
    target_text,
    todo_lines,
    view_of,
    where_words,
)
from logger.plan.work import Planned
from logger.quantity import Quantity
from logger.report.data import Units
from logger.report.markup import bullets, figure, number, section, table
from logger.report.page import page
from logger.sentences import in_unit
from logger.version import VERSION

PLUS_MINUS = "± is two standard uncertainties; of a target, its tolerance."


def plan_page(planned: Planned) -> str:
    """Set the page; it refers to nothing outside itself."""
    plan = planned.plan
    note = '<p class="invented">Name and figures of this car are invented.</p>' if plan.invented else ""
    header = (
        f'<header><p class="over">Plan of a car on four pads</p><h1>{escape(plan.name)}</h1>'
        f'<p class="result">{escape(_whose(planned))}</p>{bullets(target_lines(planned))}{note}'
        f'<div class="full">{_drawings(planned)}</div></header>'
    )
    sections = [
        section(title, body, aside="" if n else PLUS_MINUS)
        for n, (title, body) in enumerate(_blocks(planned))
    ]
    return page(f"{plan.name} – plan", "\n".join((header, *sections)), version=VERSION)


def plan_section(planned: Planned) -> str:
    """Set the plan as one section of the report."""
    blocks = "".join(f"<h3>{title}</h3>{body}" for title, body in _blocks(planned))
    whose = escape(f"{planned.plan.name}: {_whose(planned)}")
    body = (
        f'<p>{whose}</p>{bullets(target_lines(planned))}<div class="full">{_drawings(planned)}</div>{blocks}'
    )
    return section("The plan", body, aside=PLUS_MINUS)


def _whose(planned: Planned) -> str:
    people = " and ".join(planned.plan.aboard) or "nobody"
    return f"{planned.base.car.name}, {planned.base.label}, {people} aboard."


def _drawings(planned: Planned) -> str:
    caption = (
        "The car as planned: a disc's area is the load expected on that wheel. Numbered rings are the "
        "changes, each where its weight sits, dashed for what comes off."
    )
    view, unit = view_of(planned), planned.plan.unit
    return figure(car_svg(view, nose="left", units=unit), caption, "plan broad") + figure(
        car_svg(view, nose="up", units=unit), caption, "plan tall"
    )


def _blocks(planned: Planned) -> Iterator[tuple[str, str]]:
    """Title and body (HTML) of each part of a plan that has something to say."""
    unit = planned.plan.unit
    blocks = [
        ("The car now, and as planned", _figures(planned)),
        ("What is planned", _changes(planned)),
        ("What cannot be had, and what to relax", bullets(in_unit(s, unit) for s in planned.short)),
        ("What to do", bullets(todo_lines(planned))),
        ("What moves the answer most", bullets(sensitivity_lines(planned))),
        ("What to know about the plan", bullets(in_unit(note, unit) for note in planned.notes)),
        ("Before you act on the plan", bullets((CAUTIONS[n] for n in planned.cautions), "cautions")),
    ]
    return ((title, body) for title, body in blocks if body)


def _figures(planned: Planned) -> str:
    units: Units = planned.plan.unit
    columns: list[tuple[str, Forecast]] = [("now", planned.now), ("after the changes", planned.then)]
    if planned.plates:
        columns.append(("with ballast", planned.ballasted))
    turned = ["perches turned"] if planned.perches else []
    rows = []
    for name in FIGURES:
        cells = [getattr(car, name) for _, car in columns]
        if cells[0] is None:
            continue
        row = [escape(NAMES.get(name, name)), *(number(q, units) for q in cells)]
        if planned.perches:
            row.append(number(planned.perches.cross, units) if name == "cross" else "")
        rows.append([*row, target_text(planned, name)])
    return table(["", *(name for name, _ in columns), *turned, "target"], rows)


def _changes(planned: Planned) -> str:
    rows = [_change(item, planned.plan.unit) for item in (*planned.items, *planned.plates)]
    return table(["Change", "goes", "mass", "where its weight sits"], rows, kind="words") if rows else ""


def _change(item: Item, units: Units) -> list[str]:
    mass = Quantity(abs(item.mass.value), item.mass.u, "kg")
    way = "on" if item.mass.value > 0 else "off"
    return [escape(item.name), way, number(mass, units), escape(where_words(item, units))]
