"""The car's plan to scale: discs whose area is the load, the centre of mass with its ellipse, parts in place.

`car_svg` draws a `CarView` for page and report; it is pure (`terminal.car_text` is for a terminal). The
drawing is ink in `currentColor` with presentation attributes and classes only: it prints, turns dark with its
surroundings and passes a content security policy that forbids inline styles. A style sheet may override the
two condition colours by class: `.ok` (standing still) and `.bad` (cannot be weighed).
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from logger.drawing.sheet import (
    KG_PER_M2,
    LEGEND_PX,
    OVERHANG,
    TAIL,
    Nose,
    Point,
    Sheet,
    ellipse_axes,
    lay_out,
    svg_ellipse,
    svg_line,
    svg_text,
)
from logger.drawing.view import (
    CarView,
    PartView,
    WheelLoad,
    age_words,
    corner_texts,
    part_text,
    plan_sentences,
    total_texts,
)
from logger.model import CORNERS, Condition
from logger.units import from_kg, to_kg

__all__ = ["GLYPHS", "MAGNIFICATIONS", "Nose", "car_svg"]

MAGNIFICATIONS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)
"""A good weighing's ellipse is some millimetres: it is drawn larger, and the factor is written."""
ELLIPSE_M = 0.11
"""Half length that a magnified ellipse may reach on the plan, m."""
CROSS_PX = 13.0
"""Arm of the cross that marks the centre of mass."""
BOLD = 'font-weight="600"'
EM_PER_LETTER = 0.58
"""How wide a letter of a label is in its mean, in its own size: digits and the condition's shape are wide."""

GLYPHS: dict[Condition, str] = {
    Condition.RESTING: "●",
    Condition.CREEPING: "◐",
    Condition.MOVING: "≈",
    Condition.EMPTY: "○",
    Condition.OVERLOADED: "▲",
    Condition.SILENT: "✕",
    Condition.GARBLED: "✕",
    Condition.ABSENT: "✕",
}
"""The shape that doubles the word of a condition."""
_COLOURS = {"ok": "#0b62a4", "bad": "#b84500", "plain": "currentColor"}
"""Blue and vermilion stay apart for every common colour blindness; shape and word say the same."""
_LOOKS = dict.fromkeys(Condition, "bad") | {
    Condition.RESTING: "ok",
    Condition.CREEPING: "ok",
    Condition.MOVING: "plain",
    Condition.EMPTY: "plain",
}


def car_svg(view: CarView, *, nose: Nose, units: str) -> str:
    """Draw the plan as one `svg` element, nose left (wide) or up (tall), masses in `units` (kg, lb …)."""
    sheet = lay_out(view, nose)
    marks = [
        _car(view, sheet),
        *(_disc(wheel, at_m, sheet) for wheel, at_m in zip(view.loads, view.contacts_m, strict=True)),
        *(_part(number, part, sheet) for number, part in enumerate(view.parts, 1)),
        _centre(view, sheet, units),
        *(_label(view, index, sheet, units) for index in range(len(CORNERS))),
        _key(view, sheet, units),
        *_legend(view, sheet, units),
    ]
    label = escape(f"Plan of the car, nose {nose}. " + " ".join(plan_sentences(view, units)))
    faded = "" if view.age_s is None else ' opacity="0.4"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {sheet.width:g} {sheet.height:.0f}" '
        f'role="img" aria-label="{label}" fill="currentColor"><g{faded}>{"".join(marks)}</g>'
        f"{_age(view, sheet)}</svg>"
    )


# -- the car itself ---------------------------------------------------------------------------------------


def _car(view: CarView, sheet: Sheet) -> str:
    """What stands still: a body sketched round the wheels; axles and centre line drawn to scale."""
    body, glass = _outline(view)
    sketch = (
        f'<g transform="{sheet.matrix()}"><path d="{body}" fill-opacity="0.05"/>'
        f'<path d="{glass}" fill-opacity="0.05" fill-rule="evenodd"/></g>'
    )
    lf, rf, lr, rr = (sheet.at(*contact) for contact in view.contacts_m)
    axles = svg_line(lf, rf, 'stroke-opacity="0.4"') + svg_line(lr, rr, 'stroke-opacity="0.4"')
    ends = sheet.at(1.2 * view.wheelbase_m, 0), sheet.at(-0.16 * view.wheelbase_m, 0)
    middle = svg_line(*ends, 'stroke-opacity="0.3" stroke-dasharray="14 4 2 4"')
    return sketch + axles + middle + "".join(_tyre(sheet, contact) for contact in view.contacts_m)


def _outline(view: CarView) -> tuple[str, str]:
    """Paths (m, x ahead and y left) of a body and its glass: a sketch that shows which end is the nose."""
    length, half = view.wheelbase_m, max(view.track_front_m, view.track_rear_m) / 2 + 0.1
    body = [(1 + OVERHANG, 0.0), (1 + OVERHANG, 0.62), (1.2, 0.9), (1.02, 0.97), (0.7, 1.0), (0.3, 1.0)]
    body += [(-0.02, 0.98), (0.04 - TAIL, 0.94), (-TAIL, 0.7), (-TAIL, 0.0)]
    cabin = [(0.8, 0.0), (0.8, 0.5), (0.74, 0.82), (0.66, 0.84), (0.4, 0.86), (0.2, 0.86)]
    cabin += [(-0.05, 0.8), (-0.1, 0.76), (-0.12, 0.5), (-0.12, 0.0)]
    roof = [(0.6, 0.0), (0.6, 0.4), (0.57, 0.68), (0.52, 0.7), (0.4, 0.72), (0.2, 0.72)]
    roof += [(0.06, 0.68), (0.03, 0.64), (0.02, 0.4), (0.02, 0.0)]
    paths = [_closed([(x * length, y * half) for x, y in side]) for side in (body, cabin, roof)]
    return paths[0], paths[1] + paths[2]


def _closed(side: list[Point]) -> str:
    """Mirror one side's Bézier points (1 + 3n, both ends on the centre line) to a closed path."""
    points = side + [(x, -y) for x, y in reversed(side[:-1])]
    curves = " ".join(f"{x:.3f},{y:.3f}" for x, y in points[1:])
    return f"M{points[0][0]:.3f},{points[0][1]:.3f} C{curves} Z "


def _tyre(sheet: Sheet, at_m: Point) -> str:
    along, across = 0.5 * sheet.scale, 0.15 * sheet.scale
    width, height = (across, along) if sheet.nose == "up" else (along, across)
    px, py = sheet.at(*at_m)
    return (
        f'<rect x="{px - width / 2:.1f}" y="{py - height / 2:.1f}" width="{width:.1f}" '
        f'height="{height:.1f}" rx="{0.3 * across:.1f}" fill-opacity="0.32"/>'
    )


# -- loads ------------------------------------------------------------------------------------------------


def _disc(wheel: WheelLoad, at_m: Point, sheet: Sheet) -> str:
    """The disc on a contact patch: full when it stands still, open and dashed when it does not."""
    px, py = sheet.at(*at_m)
    look = _LOOKS[wheel.condition]
    colour = _COLOURS[look]
    radius = sheet.radius(max(wheel.load.value, 0.0) if wheel.load else 0.0)
    fill = 'fill-opacity="0.3"' if look == "ok" else 'fill-opacity="0.06"'
    dash = "" if wheel.condition is Condition.RESTING else ' stroke-dasharray="7 5"'
    faded = "" if wheel.age_s is None else ' opacity="0.4"'
    disc = (
        f'<circle class="disc {look}" cx="{px:.1f}" cy="{py:.1f}" r="{radius:.2f}" '
        f'fill="{colour}" stroke="{colour}" stroke-width="{min(2.5, radius):.1f}" {fill}{dash}{faded}/>'
    )
    return disc + (_struck((px, py), 0.1 * sheet.scale) if look == "bad" else "")


def _struck(at: Point, arm: float) -> str:
    """A slanting cross over a wheel whose pad cannot be read."""
    (px, py), pen, colour = at, 'class="bad" stroke-width="5"', _COLOURS["bad"]
    falling = svg_line((px - arm, py - arm), (px + arm, py + arm), pen, colour)
    return falling + svg_line((px - arm, py + arm), (px + arm, py - arm), pen, colour)


def _label(view: CarView, index: int, sheet: Sheet, units: str) -> str:
    """The number beside a disc, outside the car, with its ± and its condition in a word under it."""
    wheel, corner = view.loads[index], CORNERS[index]
    px, py = sheet.at(*view.contacts_m[index])
    if sheet.nose == "up":  # two labels share the width, whatever the track
        px = min(px, 0.255 * sheet.width) if corner in ("LF", "LR") else max(px, 0.745 * sheet.width)
    above = corner in ("LF", "RF") if sheet.nose == "up" else corner in ("RF", "RR")
    line = 1.3 * sheet.text
    first = py - sheet.reach - line if above else py + sheet.reach + 0.76 * sheet.number
    number, spread = corner_texts(view, units)[index]
    size = sheet.number * (1.0 if len(number) <= 5 else 0.84)
    faded = "" if wheel.age_s is None else ' opacity="0.4"'
    big = svg_text(
        (px, first), number, size, attributes=BOLD + faded, more=_unit(units, size) if wheel.load else ""
    )
    return f'<g data-corner="{corner}">{big}{_detail(wheel, corner, spread, (px, first + line), sheet)}</g>'


def _unit(units: str, size: float) -> str:
    return f'<tspan font-size="{0.45 * size:.0f}" font-weight="400" dx="4">{escape(units)}</tspan>'


def _detail(wheel: WheelLoad, corner: str, spread: str, at: Point, sheet: Sheet) -> str:
    """The corner's letters, the ± while it is fresh, the condition as shape and word, else the age."""
    look = _LOOKS[wheel.condition]
    word = (
        f'<tspan class="{look}" fill="{_COLOURS[look]}" dx="6">'
        f"{GLYPHS[wheel.condition]} {wheel.condition}{_aged(wheel)}</tspan>"
    )
    words = f"{corner} {spread if wheel.age_s is None else ''}".rstrip()
    size = sheet.text
    if sheet.nose == "up":  # it has half the width, and no more
        count = len(f"{words} {GLYPHS[wheel.condition]} {wheel.condition}{_aged(wheel)}")
        size = min(size, 0.47 * sheet.width / (EM_PER_LETTER * count))
    return svg_text(at, words, size, more=word)


def _aged(wheel: WheelLoad) -> str:
    return "" if wheel.age_s is None else f", {age_words(wheel.age_s)}"


# -- the whole and its parts ------------------------------------------------------------------------------


def _centre(view: CarView, sheet: Sheet, units: str) -> str:
    """The centre of mass as a small cross with its 2u ellipse, the total beside it."""
    if view.x_m is None or view.y_m is None:
        at = sheet.at(0.5 * view.wheelbase_m, 0.0)
        return _total(view, sheet, units, at, under=True)
    px, py = sheet.at(view.x_m, view.y_m)
    under = _total_goes_under(view, sheet, (px, py))
    marks, room = _cross((px, py)), CROSS_PX + 4
    if view.covariance_xy_m2 is not None:
        long_m = ellipse_axes(view.covariance_xy_m2)[0]
        times = max((m for m in MAGNIFICATIONS if 2 * long_m * m <= ELLIPSE_M), default=1)
        half = 2 * long_m * times * sheet.scale
        room = max(room, half + 5)
        marks += svg_ellipse(view.covariance_xy_m2, (view.x_m, view.y_m), sheet, times, 'fill-opacity="0.1"')
        size = 0.8 * sheet.text
        beside = px + max(half, CROSS_PX) + 6, py + (-7 if under else size + 4)
        note = f"2u, drawn × {times}" if times > 1 else "2u"
        marks += svg_text(beside, note, size, "start", attributes='opacity="0.7"')
    return marks + _total(view, sheet, units, (px, py + (room if under else -room)), under)


def _cross(at: Point) -> str:
    (px, py), pen = at, 'stroke-width="2.5"'
    level = svg_line((px - CROSS_PX, py), (px + CROSS_PX, py), pen)
    return level + svg_line((px, py - CROSS_PX), (px, py + CROSS_PX), pen)


def _total_goes_under(view: CarView, sheet: Sheet, at: Point) -> bool:
    """Whether the total is written under the centre of mass: on the side where fewer parts are drawn."""
    offsets = [
        (x - at[0], y - at[1])
        for x, y in (sheet.at(p.x_m, p.y_m) for p in view.parts if p.x_m is not None and p.y_m is not None)
    ]
    near = [dy for dx, dy in offsets if abs(dx) < 2.5 * sheet.number and abs(dy) < 2.5 * sheet.number]
    return sum(dy > 0 for dy in near) <= sum(dy <= 0 for dy in near)


def _total(view: CarView, sheet: Sheet, units: str, at: Point, under: bool) -> str:
    if view.total is None:
        return ""
    number, spread = total_texts(view, units)
    size, line = sheet.number, 1.3 * sheet.text
    base = at[1] + 0.76 * size if under else at[1] - line - 2
    big = svg_text((at[0], base), number, size, attributes='font-weight="700"', more=_unit(units, size))
    return big + svg_text((at[0], base + line), f"total {spread}".rstrip(), sheet.text)


def _part(number: int, part: PartView, sheet: Sheet) -> str:
    """A part as a ring of its own weight's area, dashed when it was taken off, with its legend number."""
    if part.x_m is None or part.y_m is None:
        return ""
    px, py = sheet.at(part.x_m, part.y_m)
    radius = sheet.radius(part.mass.value)
    dash = ' stroke-dasharray="4 3"' if part.mass.value < 0 else ""
    ring = (
        f'<circle cx="{px:.1f}" cy="{py:.1f}" r="{radius:.1f}" fill-opacity="0.08" '
        f'stroke="currentColor" stroke-width="1.6"{dash}/>'
    )
    if part.covariance_xy_m2 is not None:
        look = 'fill="none" stroke-opacity="0.5"'
        ring += svg_ellipse(part.covariance_xy_m2, (part.x_m, part.y_m), sheet, 1, look)
    beside = px + radius + 4, py + 0.35 * sheet.text
    return ring + svg_text(beside, str(number), sheet.text, "start", attributes=BOLD)


# -- the foot ---------------------------------------------------------------------------------------------


def _key(view: CarView, sheet: Sheet, units: str) -> str:
    """What the scale is: half a metre as a line, a round load as a disc."""
    base, size = sheet.height - 12 - LEGEND_PX * len(view.parts), 0.8 * sheet.text
    load = _key_load(units, sheet.kg_per_m2 / KG_PER_M2)
    radius = sheet.radius(to_kg(load, units))
    x = sheet.width - 14 - radius
    return (
        f'<g opacity="0.65">{_rule(view, sheet, base, size)}'
        f'<circle cx="{x:.1f}" cy="{base - 5:.1f}" r="{radius:.1f}" fill-opacity="0.15" '
        + 'stroke="currentColor"/>'
        + svg_text((x - radius - 7, base), f"disc area: {load:g} {units}", size, "end")
        + "</g>"
    )


def _rule(view: CarView, sheet: Sheet, base: float, size: float) -> str:
    if not view.to_scale:
        return svg_text((14, base), "wheelbase and tracks not known", size, "start")
    end, pen = 14 + sheet.scale / 2, 'stroke-width="1.5"'
    ticks = "".join(svg_line((x, base - 10), (x, base), pen) for x in (14, end))
    return (
        ticks
        + svg_line((14, base - 5), (end, base - 5), pen)
        + svg_text((end + 8, base), "0.5 m", size, "start")
    )


def _key_load(units: str, coarser: float) -> float:
    """A round load in `units` near 5 kg (times `coarser`)."""
    about = from_kg(5.0 * coarser, units)
    return next(
        (step for step in (0.005, 0.01, 0.05, 0.1, 0.5, 1, 5, 10, 50, 100, 500) if step >= about * 0.9), 5000
    )


def _legend(view: CarView, sheet: Sheet, units: str) -> Iterable[str]:
    top = sheet.height - LEGEND_PX * len(view.parts)
    for number, part in enumerate(view.parts, 1):
        base = top + LEGEND_PX * (number - 1) + 0.9 * sheet.text
        words = part_text(number, part, units)
        size = min(0.92 * sheet.text, (sheet.width - 28) / (0.57 * len(words)))  # long names in small type
        yield svg_text((14, base), words, size, "start")


def _age(view: CarView, sheet: Sheet) -> str:
    """The age of a drawing that is older than it should be, unfaded."""
    if view.age_s is None:
        return ""
    at = sheet.width / 2, sheet.height - 12 - LEGEND_PX * len(view.parts)
    return svg_text(at, age_words(view.age_s), 1.1 * sheet.text, attributes=BOLD)
