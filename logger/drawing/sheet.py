"""The paper a plan is drawn on: where metres land, how large a load's disc is; lines and text as SVG."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from math import atan2, ceil, cos, degrees, pi, sin, sqrt
from typing import Literal

from logger.drawing.view import CarView, CovarianceXY

Nose = Literal["left", "up"]
Point = tuple[float, float]

KG_PER_M2 = 1000.0
"""A square metre of disc on the plan is one tonne: a small car's wheel load then just covers its wheel."""
COARSER = (1, 2, 5, 10, 20, 50)
"""Factors on KG_PER_M2 for heavier cars, so that discs stay apart."""
LEGEND_PX = 27.0
"""Height of a line of the legend."""
OVERHANG, TAIL = 0.29, 0.21
"""The sketched body's ends beyond the axles, in wheelbases."""
UP = (390.0, 48.0, 18.0, (170, 262))
LEFT = (1000.0, 58.0, 21.0, (370, 610))
"""Of a sheet: width, size of numbers, size of text, most px that track and wheelbase may take."""
EDGE = 6.0
"""px kept free at the sheet's edges."""
PART_ROOM_M = 0.2
"""Room kept beyond a part's place and its ±, for its ring and number."""
MOST_END = 0.6
"""Room kept for parts beyond an axle goes no further than this, in wheelbases."""
LEAST_REACH_M = 0.3
"""Room kept round a contact point: a disc of 283 kg, so that labels stand still while a load comes on."""


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """Where metres on the car land on paper (px): `scale` px a metre, `origin` the middle of the rear axle.

    `reach` is the distance kept from a contact point to its label; `number` and `text` are sizes of type.
    """

    nose: Nose
    width: float
    height: float
    scale: float
    origin: Point
    kg_per_m2: float
    reach: float
    number: float
    text: float

    def at(self, x_m: float, y_m: float) -> Point:
        """Place a point of the car (x ahead, y left, m) on paper."""
        ox, oy = self.origin
        if self.nose == "up":
            return ox - y_m * self.scale, oy - x_m * self.scale
        return ox - x_m * self.scale, oy + y_m * self.scale

    def matrix(self) -> str:
        """The same placing as an SVG transform."""
        s = self.scale
        turn = (0.0, -s, -s, 0.0) if self.nose == "up" else (-s, 0.0, 0.0, s)
        return "matrix({})".format(" ".join(f"{value:.2f}" for value in (*turn, *self.origin)))

    def radius(self, mass_kg: float) -> float:
        """Radius (px) of the disc whose area is this mass."""
        return sqrt(abs(mass_kg) / self.kg_per_m2 / pi) * self.scale


def lay_out(view: CarView, nose: Nose) -> Sheet:
    """Choose the scale so that car and labels fill a sheet that is as wide as UP or LEFT says."""
    track, wheelbase = max(view.track_front_m, view.track_rear_m), view.wheelbase_m
    kg_per_m2, reach_m = _disc_scale(view)
    width, number, text, most = UP if nose == "up" else LEFT
    ahead, behind = _ends(view)
    scale = min(most[0] / track, most[1] / wheelbase)
    if nose == "left":
        scale = min(scale, (width - 2 * EDGE) / (wheelbase + ahead + behind))
    reach = reach_m * scale + 10
    label = reach + 1.35 * text + 0.86 * number + 6
    if nose == "up":
        end = max(label, max(ahead, behind) * scale + EDGE)
        origin, used = (width / 2, end + wheelbase * scale), 2 * end + wheelbase * scale
    else:
        side = label + track / 2 * scale
        origin, used = (width / 2 + (wheelbase + ahead - behind) / 2 * scale, side), 2 * side
    return Sheet(
        nose=nose,
        width=width,
        height=used + 40 + LEGEND_PX * len(view.parts),
        scale=scale,
        origin=origin,
        kg_per_m2=kg_per_m2,
        reach=reach,
        number=number,
        text=text,
    )


def _ends(view: CarView) -> tuple[float, float]:
    """Room ahead of the front axle and behind the rear one (m), for the body and for parts drawn there."""
    wheelbase = view.wheelbase_m
    ahead, behind = OVERHANG * wheelbase, TAIL * wheelbase
    for part in view.parts:
        if part.x_m is not None:
            room = PART_ROOM_M + 2 * sqrt((part.covariance_xy_m2 or (0.0,))[0])
            ahead, behind = max(ahead, part.x_m - wheelbase + room), max(behind, room - part.x_m)
    return min(ahead, MOST_END * wheelbase), min(behind, MOST_END * wheelbase)


def _disc_scale(view: CarView) -> tuple[float, float]:
    """How many kg a square metre of disc is, and the room (m) its largest disc needs."""
    heaviest = max((wheel.load.value for wheel in view.loads if wheel.load), default=0.0)
    room = 0.45 * min(view.track_front_m, view.track_rear_m, view.wheelbase_m)
    for times in COARSER:
        radius = sqrt(max(heaviest, 0.0) / (KG_PER_M2 * times) / pi)
        if radius <= room:
            break
    return KG_PER_M2 * times, max(min(LEAST_REACH_M, room), ceil(radius * 20) / 20)


def ellipse_axes(covariance: CovarianceXY) -> tuple[float, float, float]:
    """Standard deviations along the long and short axis (m), and the long axis' angle from x to y (rad)."""
    xx, xy, yy = covariance
    mean, half = (xx + yy) / 2, (xx - yy) / 2
    spread = sqrt(half * half + xy * xy)
    return sqrt(max(mean + spread, 0.0)), sqrt(max(mean - spread, 0.0)), atan2(2 * xy, xx - yy) / 2


def svg_ellipse(covariance: CovarianceXY, at_m: Point, sheet: Sheet, times: float, look: str) -> str:
    """Draw a 2u ellipse, `times` as large as it is."""
    long_m, short_m, angle = ellipse_axes(covariance)
    px, py = sheet.at(*at_m)
    tip = sheet.at(at_m[0] + cos(angle), at_m[1] + sin(angle))
    turn = degrees(atan2(tip[1] - py, tip[0] - px))
    rx, ry = (2 * axis * times * sheet.scale for axis in (long_m, short_m))
    return (
        f'<ellipse cx="{px:.1f}" cy="{py:.1f}" rx="{rx:.2f}" ry="{ry:.2f}" {look} stroke="currentColor" '
        f'stroke-width="1.2" transform="rotate({turn:.1f} {px:.1f} {py:.1f})"/>'
    )


def svg_line(start: Point, end: Point, more: str = "", colour: str = "currentColor") -> str:
    """Draw a line; `more` is further attributes."""
    return (
        f'<line x1="{start[0]:.1f}" y1="{start[1]:.1f}" x2="{end[0]:.1f}" y2="{end[1]:.1f}" '
        f'stroke="{colour}" {more}/>'
    )


def svg_text(
    at: Point, words: str, size: float, anchor: str = "middle", *, attributes: str = "", more: str = ""
) -> str:
    """Write a line of text at its baseline; `more` is markup (spans) put behind it."""
    return (
        f'<text x="{at[0]:.1f}" y="{at[1]:.1f}" font-size="{size:.0f}" text-anchor="{anchor}" {attributes}>'
        f"{escape(words)}{more}</text>"
    )
