"""The car's plan to scale: discs whose area is the load, the centre of mass with its ellipse, parts in place.

`plan_svg` draws a `PlanView` for page and report, `plan_text` for a terminal; both are pure. The drawing is
ink in `currentColor` with presentation attributes and classes only: it prints, turns dark with its
surroundings and passes a content security policy that forbids inline styles. A style sheet may override the
two condition colours by class: `.ok` (standing still) and `.bad` (cannot be weighed).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from math import atan2, ceil, cos, degrees, pi, sin, sqrt
from typing import Literal

from logger.model import CORNERS, Condition
from logger.plan_view import (
    CovarianceXY,
    PlanPart,
    PlanView,
    WheelLoad,
    age_words,
    load_texts,
    part_text,
    plan_sentences,
)
from logger.units import from_kg, to_kg

Nose = Literal["left", "up"]

KG_PER_M2 = 1000.0
"""A square metre of disc on the plan is one tonne: a small car's wheel load then just covers its wheel."""
MAGNIFICATIONS = (1, 2, 5, 10, 20, 50, 100, 200)
"""A good weighing's ellipse is some millimetres: it is drawn larger, and the factor is written."""
ELLIPSE_M = 0.11
"""Half length that a magnified ellipse may reach on the plan, m."""

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
_COLOURS = {"ok": "#0b62a4", "bad": "#c04a00", "plain": "currentColor"}
"""Blue and vermilion stay apart for every common colour blindness; shape and word say the same."""
_LOOKS = dict.fromkeys(Condition, "bad") | {
    Condition.RESTING: "ok",
    Condition.CREEPING: "ok",
    Condition.MOVING: "plain",
    Condition.EMPTY: "plain",
}


@dataclass(frozen=True)
class _Sheet:
    """Where metres on the car land on paper: `scale` px per metre, `ox, oy` the middle of the rear axle."""

    nose: Nose
    width: float
    height: float
    scale: float
    ox: float
    oy: float
    number_px: float
    text_px: float

    def at(self, x_m: float, y_m: float) -> tuple[float, float]:
        """Place a point of the car (x ahead, y left, m) on paper."""
        if self.nose == "up":
            return self.ox - y_m * self.scale, self.oy - x_m * self.scale
        return self.ox - x_m * self.scale, self.oy + y_m * self.scale

    def matrix(self) -> str:
        """The same placing as an SVG transform."""
        s = self.scale
        turn = (0.0, -s, -s, 0.0) if self.nose == "up" else (-s, 0.0, 0.0, s)
        return "matrix({})".format(" ".join(f"{value:.2f}" for value in (*turn, self.ox, self.oy)))


def plan_svg(view: PlanView, *, nose: Nose, units: str) -> str:
    """Draw the plan as one `svg` element, nose left (wide) or up (tall), masses in `units` (kg, lb …)."""
    sheet = _sheet(view, nose)
    marks = [
        _car(view, sheet),
        *(_wheel(view, index, sheet) for index in range(4)),
        *(_part(number, part, sheet) for number, part in enumerate(view.parts, 1)),
        _centre(view, sheet, units),
        *(_label(view, index, sheet, units) for index in range(4)),
        _key(view, sheet, units),
        *_legend(view, sheet, units),
    ]
    label = escape(f"Plan of the car, nose {nose}. " + " ".join(plan_sentences(view, units)))
    stale = ' class="plan stale" opacity="0.45"' if view.age_s is not None else ' class="plan"'
    age = (
        ""
        if view.age_s is None
        else _text(sheet.width / 2, 22, age_words(view.age_s), 20, "middle", weight=600)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {sheet.width:g} {sheet.height:g}" role="img" '
        f'aria-label="{label}" fill="currentColor" class="plan-drawing">{age}<g{stale}>{"".join(marks)}</g></svg>'
    )


def _sheet(view: PlanView, nose: Nose) -> _Sheet:
    track = max(view.track_front_m, view.track_rear_m)
    wheelbase = view.wheelbase_m
    legend = 24.0 * len(view.parts)
    if nose == "up":
        width, number, text = 390.0, 44.0, 16.0
        scale = min(200 / track, 340 / wheelbase)
        reach = _reach(view) * scale
        top = max(reach + 1.9 * number, 0.3 * wheelbase * scale) + 14
        height = top + wheelbase * scale + max(reach + 1.9 * number, 0.22 * wheelbase * scale) + 46
        return _Sheet(nose, width, height + legend, scale, width / 2, top + wheelbase * scale, number, text)
    width, number, text = 1000.0, 50.0, 19.0
    scale = min(640 / wheelbase, 360 / track)
    middle = (_reach(view) + track / 2) * scale + 1.9 * number + 14
    ox = width / 2 + 0.48 * wheelbase * scale
    return _Sheet(nose, width, 2 * middle + 40 + legend, scale, ox, middle, number, text)


def _radius_m(view: PlanView, mass_kg: float) -> float:
    return sqrt(max(mass_kg, 0.0) / (KG_PER_M2 * _coarser(view)) / pi)


def _coarser(view: PlanView) -> int:
    """How many times more kg a disc's area stands for, so that heavy cars' discs stay apart."""
    heaviest = max((wheel.load.value for wheel in view.loads if wheel.load), default=0.0)
    room = 0.45 * min(view.track_front_m, view.track_rear_m, view.wheelbase_m)
    return next(
        (times for times in (1, 2, 5, 10, 20) if sqrt(heaviest / (KG_PER_M2 * times) / pi) <= room), 50
    )


def _reach(view: PlanView) -> float:
    """Space kept from a contact point to its number, m: constant while loads change, unless they are huge."""
    heaviest = max((wheel.load.value for wheel in view.loads if wheel.load), default=0.0)
    return max(0.31, ceil(_radius_m(view, heaviest) * 10) / 10)


def _car(view: PlanView, sheet: _Sheet) -> str:
    """The still part: a body sketched round the wheels, axles and centre line drawn to scale."""
    lines = []
    for x, track in ((view.wheelbase_m, view.track_front_m), (0.0, view.track_rear_m)):
        lines.append(_line(sheet.at(x, track / 2), sheet.at(x, -track / 2), "axle", 'stroke-opacity="0.4"'))
    ends = sheet.at(1.2 * view.wheelbase_m, 0), sheet.at(-0.16 * view.wheelbase_m, 0)
    lines.append(_line(*ends, "centre-line", 'stroke-opacity="0.3" stroke-dasharray="14 4 2 4"'))
    body, glass = _outline(view)
    sketch = (
        f'<g transform="{sheet.matrix()}"><path class="body" d="{body}" fill-opacity="0.05"/>'
        f'<path class="glass" d="{glass}" fill-opacity="0.05" fill-rule="evenodd"/></g>'
    )
    tyres = [_tyre(sheet, x, y) for x, y in view.contacts_m]
    return sketch + "".join(lines) + "".join(tyres)


def _outline(view: PlanView) -> tuple[str, str]:
    """Paths (m, x ahead and y left) of a body and its glass: a sketch that shows which end is the nose."""
    long, half = view.wheelbase_m, max(view.track_front_m, view.track_rear_m) / 2 + 0.1
    body = [(1.29, 0.0), (1.29, 0.62), (1.2, 0.9), (1.02, 0.97), (0.7, 1.0), (0.3, 1.0), (-0.02, 0.98)]
    body += [(-0.17, 0.94), (-0.21, 0.7), (-0.21, 0.0)]
    cabin = [(0.8, 0.0), (0.8, 0.5), (0.74, 0.82), (0.66, 0.84), (0.4, 0.86), (0.2, 0.86), (-0.05, 0.8)]
    cabin += [(-0.1, 0.76), (-0.12, 0.5), (-0.12, 0.0)]
    roof = [(0.6, 0.0), (0.6, 0.4), (0.57, 0.68), (0.52, 0.7), (0.4, 0.72), (0.2, 0.72), (0.06, 0.68)]
    roof += [(0.03, 0.64), (0.02, 0.4), (0.02, 0.0)]
    paths = [_closed([(x * long, y * half) for x, y in half_side]) for half_side in (body, cabin, roof)]
    return paths[0], paths[1] + paths[2]


def _closed(side: list[tuple[float, float]]) -> str:
    """Mirror one side's Bézier points (1 + 3n, ends on the centre line) to a closed path."""
    points = side + [(x, -y) for x, y in reversed(side[:-1])]
    curves = " ".join(f"{x:.3f},{y:.3f}" for x, y in points[1:])
    return f"M{points[0][0]:.3f},{points[0][1]:.3f} C{curves} Z "


def _tyre(sheet: _Sheet, x_m: float, y_m: float) -> str:
    long, wide = 0.5 * sheet.scale, 0.15 * sheet.scale
    width, height = (wide, long) if sheet.nose == "up" else (long, wide)
    px, py = sheet.at(x_m, y_m)
    return (
        f'<rect class="tyre" x="{px - width / 2:.1f}" y="{py - height / 2:.1f}" width="{width:.1f}" '
        f'height="{height:.1f}" rx="{0.3 * wide:.1f}" fill-opacity="0.32"/>'
    )


def _wheel(view: PlanView, index: int, sheet: _Sheet) -> str:
    """The disc on a contact patch: full when it stands still, open and dashed when it does not."""
    wheel = view.loads[index]
    px, py = sheet.at(*view.contacts_m[index])
    look = _LOOKS[wheel.condition]
    load_kg = wheel.load.value if wheel.load else 0.0
    still = look == "ok"
    fill = 'fill-opacity="0.3"' if still else 'fill-opacity="0.06"'
    dash = "" if wheel.condition is Condition.RESTING else ' stroke-dasharray="7 5"'
    faded = ' opacity="0.4"' if wheel.age_s is not None else ""
    disc = (
        f'<circle class="disc {look}" cx="{px:.1f}" cy="{py:.1f}" r="{_radius_m(view, load_kg) * sheet.scale:.2f}" '
        f'fill="{_COLOURS[look]}" stroke="{_COLOURS[look]}" stroke-width="2.5" {fill}{dash}{faded}/>'
    )
    return disc + (_cross(px, py, 0.1 * sheet.scale, "bad") if look == "bad" else "")


def _cross(px: float, py: float, arm: float, look: str) -> str:
    ends = ((px - arm, py - arm), (px + arm, py + arm)), ((px - arm, py + arm), (px + arm, py - arm))
    return "".join(_line(*end, look, 'stroke-width="5"', _COLOURS[look]) for end in ends)


def _label(view: PlanView, index: int, sheet: _Sheet, units: str) -> str:
    """The number beside a disc, outside the car, with its ± and its condition in a word under it."""
    wheel, corner = view.loads[index], CORNERS[index]
    x_m, y_m = view.contacts_m[index]
    px, py = sheet.at(x_m, y_m)
    above = corner in ("LF", "RF") if sheet.nose == "up" else corner in ("RF", "RR")
    away = _reach(view) * sheet.scale + 8
    line = sheet.text_px * 1.35
    first = py - away - line if above else py + away + 0.76 * sheet.number_px
    number, spread = load_texts(wheel.load, wheel.digit_kg, units)
    faded = "" if wheel.age_s is None else ' opacity="0.45"'
    unit = f'<tspan class="unit" font-size="{0.45 * sheet.number_px:.0f}" font-weight="400" dx="4">{units}</tspan>'
    big = _text(px, first, number, sheet.number_px, "middle", more=unit if wheel.load else "", weight=600)
    return f'<g class="corner" data-corner="{corner}"{faded}>{big}{_detail(wheel, corner, spread, px, first + line, sheet)}</g>'


def _detail(wheel: WheelLoad, corner: str, spread: str, px: float, py: float, sheet: _Sheet) -> str:
    look = _LOOKS[wheel.condition]
    age = "" if wheel.age_s is None else f", {age_words(wheel.age_s)}"
    word = (
        f'<tspan class="word {look}" fill="{_COLOURS[look]}" dx="7">{GLYPHS[wheel.condition]} '
        f"{wheel.condition}{age}</tspan>"
    )
    shown = "" if wheel.age_s is not None else spread
    return _text(px, py, f"{corner} {shown}".rstrip(), sheet.text_px, "middle", more=word)


def _centre(view: PlanView, sheet: _Sheet, units: str) -> str:
    """The centre of mass as a small cross with its 2u ellipse, the total under it."""
    x_m = 0.5 * view.wheelbase_m if view.x_m is None else view.x_m
    y_m = 0.0 if view.y_m is None else view.y_m
    px, py = sheet.at(x_m, y_m)
    marks, below = "", 0.0
    if view.x_m is not None and view.y_m is not None:
        marks = _line((px - 13, py), (px + 13, py), "centre", 'stroke-width="2.5"')
        marks += _line((px, py - 13), (px, py + 13), "centre", 'stroke-width="2.5"')
        below = 16.0
        if view.covariance_xy_m2 is not None:
            ellipse, half_px = _ellipse(view.covariance_xy_m2, (x_m, y_m), sheet)
            marks += ellipse
            below = max(below, half_px + 4)
    if view.total is None:
        return marks
    number, spread = load_texts(view.total, 0.1, units)
    unit = f'<tspan font-size="{0.45 * sheet.number_px:.0f}" font-weight="400" dx="4">{units}</tspan>'
    base = py + below + 0.85 * sheet.number_px
    marks += _text(px, base, number, 1.1 * sheet.number_px, "middle", more=unit, weight=700)
    return marks + _text(px, base + 1.35 * sheet.text_px, f"total {spread}".rstrip(), sheet.text_px, "middle")


def _ellipse(covariance: CovarianceXY, at_m: tuple[float, float], sheet: _Sheet) -> tuple[str, float]:
    """The 2u ellipse, magnified by a factor written beside it; with its greatest half length in px."""
    long_m, short_m, angle = _axes(covariance)
    times = max((m for m in MAGNIFICATIONS if 2 * long_m * m <= ELLIPSE_M), default=1)
    px, py = sheet.at(*at_m)
    tip = sheet.at(at_m[0] + cos(angle), at_m[1] + sin(angle))
    turn = degrees(atan2(tip[1] - py, tip[0] - px))
    rx, ry = (2 * axis * times * sheet.scale for axis in (long_m, short_m))
    factor = f"2u × {times}" if times > 1 else "2u"
    return (
        f'<ellipse class="ellipse" cx="{px:.1f}" cy="{py:.1f}" rx="{rx:.2f}" ry="{ry:.2f}" fill-opacity="0.1" '
        f'stroke="currentColor" stroke-width="1.2" transform="rotate({turn:.1f} {px:.1f} {py:.1f})"/>'
        + _text(px + max(rx, 13) + 5, py - 6, factor, 0.8 * sheet.text_px, "start", opacity=0.7)
    ), max(rx, ry)


def _axes(covariance: CovarianceXY) -> tuple[float, float, float]:
    """Standard deviations along the long and the short axis (m), and the long axis' angle from x to y (rad)."""
    xx, xy, yy = covariance
    mean, half, cross = (xx + yy) / 2, (xx - yy) / 2, xy
    spread = sqrt(half * half + cross * cross)
    return sqrt(max(mean + spread, 0.0)), sqrt(max(mean - spread, 0.0)), atan2(2 * xy, xx - yy) / 2


def _part(number: int, part: PlanPart, sheet: _Sheet) -> str:
    """A part as a ring of its own weight's area, dashed when it was taken off, with its legend number."""
    if part.x_m is None or part.y_m is None:
        return ""
    px, py = sheet.at(part.x_m, part.y_m)
    radius = sqrt(abs(part.mass.value) / KG_PER_M2 / pi) * sheet.scale
    dash = ' stroke-dasharray="4 3"' if part.mass.value < 0 else ""
    ellipse = ""
    if part.covariance_xy_m2 is not None:
        long_m, short_m, angle = _axes(part.covariance_xy_m2)
        tip = sheet.at(part.x_m + cos(angle), part.y_m + sin(angle))
        turn = degrees(atan2(tip[1] - py, tip[0] - px))
        ellipse = (
            f'<ellipse cx="{px:.1f}" cy="{py:.1f}" rx="{2 * long_m * sheet.scale:.1f}" '
            f'ry="{2 * short_m * sheet.scale:.1f}" fill="none" stroke="currentColor" stroke-opacity="0.5" '
            f'transform="rotate({turn:.1f} {px:.1f} {py:.1f})"/>'
        )
    return (
        f'<g class="part"><circle cx="{px:.1f}" cy="{py:.1f}" r="{radius:.1f}" fill-opacity="0.08" '
        f'stroke="currentColor" stroke-width="1.6"{dash}/>{ellipse}'
        + _text(px, py + 0.35 * sheet.text_px, str(number), sheet.text_px, "middle", weight=600)
        + "</g>"
    )


def _key(view: PlanView, sheet: _Sheet, units: str) -> str:
    """What the scale is: a metre as a line, a round load as a disc."""
    bottom = sheet.height - 14 - 24 * len(view.parts)
    base, size = bottom, 0.8 * sheet.text_px
    metre = sheet.scale / 2
    load = _key_load(units, _coarser(view))
    radius = sqrt(to_kg(load, units) / (KG_PER_M2 * _coarser(view)) / pi) * sheet.scale
    x = sheet.width - 14 - radius
    return (
        '<g class="key" opacity="0.65">'
        + _line((14, base - 4), (14 + metre, base - 4), "rule", 'stroke-width="1.5"')
        + _line((14, base - 9), (14, base + 1), "rule", 'stroke-width="1.5"')
        + _line((14 + metre, base - 9), (14 + metre, base + 1), "rule", 'stroke-width="1.5"')
        + _text(14 + metre + 8, base, "0.5 m", size, "start")
        + f'<circle cx="{x:.1f}" cy="{base - 5:.1f}" r="{radius:.1f}" fill-opacity="0.15" stroke="currentColor"/>'
        + _text(x - radius - 7, base, f"disc area: {load:g} {units}", size, "end")
        + "</g>"
    )


def _key_load(units: str, coarser: int) -> float:
    """A round load whose disc is small, in `units`."""
    about = from_kg(5.0 * coarser, units)
    return next(
        step for step in (0.01, 0.1, 1, 5, 10, 50, 100, 500, 1000, 5000, 10**5) if step >= about * 0.9
    )


def _legend(view: PlanView, sheet: _Sheet, units: str) -> Iterable[str]:
    top = sheet.height - 24 * len(view.parts)
    for number, part in enumerate(view.parts, 1):
        yield _text(14, top + 24 * (number - 1) + 14, part_text(number, part, units), sheet.text_px, "start")


def _line(
    start: tuple[float, float],
    end: tuple[float, float],
    name: str,
    more: str = "",
    colour: str = "currentColor",
) -> str:
    return (
        f'<line class="{name}" x1="{start[0]:.1f}" y1="{start[1]:.1f}" x2="{end[0]:.1f}" y2="{end[1]:.1f}" '
        f'stroke="{colour}" {more}/>'
    )


def _text(
    px: float,
    py: float,
    text: str,
    size: float,
    anchor: str,
    *,
    more: str = "",
    weight: int = 400,
    opacity: float = 1,
) -> str:
    """A line of text; `more` is markup (spans) put behind it."""
    dim = "" if opacity == 1 else f' opacity="{opacity:g}"'
    return (
        f'<text x="{px:.1f}" y="{py:.1f}" font-size="{size:.0f}" font-weight="{weight}" '
        f'text-anchor="{anchor}"{dim}>{escape(text)}{more}</text>'
    )
