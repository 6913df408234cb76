"""How the centre of mass wandered over the plan: its places from build to build, close up, with ellipses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from math import hypot

from logger.drawing.numbers import tick_text, ticks
from logger.drawing.sheet import ellipse_axes, svg_line, svg_text
from logger.drawing.view import CovarianceXY

WIDTH, LEFT, RIGHT, TOP, FOOT = 640.0, 58.0, 14.0, 26.0, 40.0
LEAST_M = 0.02
"""A close-up shows this much at least: smaller wanderings are below what placing the car repeats."""
PER_LENGTH = {"kg": ("mm", 1e3), "lb": ("in", 1 / 0.0254)}
LEGEND = 18.0


@dataclass(frozen=True, kw_only=True)
class Point:
    """One centre of mass (m ahead of the rear axle, m left of the centre line) with its name."""

    label: str
    x_m: float
    y_m: float
    covariance_xy_m2: CovarianceXY | None


def wander_svg(points: Sequence[Point], *, units: str) -> str:
    """Draw the places joined in their order, nose to the left; "" for fewer than two."""
    if len(points) < 2:
        return ""
    frame = _Frame(points)
    unit, per_m = PER_LENGTH[units]
    marks = [*_grid(frame, unit, per_m)]
    places = [frame.at(p.x_m, p.y_m) for p in points]
    marks += [svg_line(a, b, 'stroke-opacity="0.5"') for a, b in pairwise(places)]
    marks += [_ellipse(p, frame) for p in points]
    for number, (px, py) in enumerate(places, 1):
        marks.append(f'<circle cx="{px:.1f}" cy="{py:.1f}" r="3.5"/>')
        marks.append(svg_text((px + 7, py - 6), str(number), 13, "start", attributes='font-weight="600"'))
    foot = frame.height - LEGEND * len(points)
    for number, point in enumerate(points, 1):
        words = (
            f"{number} {point.label}: {point.x_m * per_m:.4g} {unit} ahead of the rear axle, "
            f"{abs(point.y_m) * per_m:.3g} {unit} {'left' if point.y_m >= 0 else 'right'}"
        )
        marks.append(svg_text((LEFT, foot + LEGEND * (number - 0.4)), words, 12, "start"))
    summary = f"How the centre of mass moved over {len(points)} builds, nose to the left"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {frame.height:.0f}" role="img" '
        f'aria-label="{escape(summary)}" fill="currentColor">{"".join(marks)}</svg>'
    )


class _Frame:
    """Where metres land on paper: one scale for both axes, the nose to the left."""

    def __init__(self, points: Sequence[Point]) -> None:
        spreads = [2 * ellipse_axes(p.covariance_xy_m2)[0] if p.covariance_xy_m2 else 0.0 for p in points]
        pad = max(*spreads, LEAST_M / 4)
        self.x_low, self.x_high = min(p.x_m for p in points) - pad, max(p.x_m for p in points) + pad
        self.y_low, self.y_high = min(p.y_m for p in points) - pad, max(p.y_m for p in points) + pad
        self._widen()
        self.scale = (WIDTH - LEFT - RIGHT) / (self.x_high - self.x_low)
        self.bottom = TOP + (self.y_high - self.y_low) * self.scale
        self.height = self.bottom + FOOT + LEGEND * len(points)

    def _widen(self) -> None:
        """Make the frame at least LEAST_M wide and between a fifth and a half as high."""
        short = LEAST_M - (self.x_high - self.x_low)
        if short > 0:
            self.x_low, self.x_high = self.x_low - short / 2, self.x_high + short / 2
        wide, high = self.x_high - self.x_low, self.y_high - self.y_low
        if high > 0.5 * wide:
            more = (2 * high - wide) / 2
            self.x_low, self.x_high = self.x_low - more, self.x_high + more
        elif high < 0.2 * wide:
            more = (0.2 * wide - high) / 2
            self.y_low, self.y_high = self.y_low - more, self.y_high + more

    def at(self, x_m: float, y_m: float) -> tuple[float, float]:
        """A point of the car on paper: ahead is left and left is down, as on the plan with its nose left."""
        return LEFT + (self.x_high - x_m) * self.scale, TOP + (y_m - self.y_low) * self.scale


def _grid(frame: _Frame, unit: str, per_m: float) -> Sequence[str]:
    marks = []
    along = ticks(frame.x_low * per_m, frame.x_high * per_m, 5)
    across = ticks(frame.y_low * per_m, frame.y_high * per_m, 4)
    pen = 'stroke-opacity="0.18"'
    for values, is_x in ((along, True), (across, False)):
        step = values[1] - values[0] if len(values) > 1 else 1.0
        for value in values:
            if is_x:
                px, _ = frame.at(value / per_m, 0.0)
                marks.append(svg_line((px, TOP), (px, frame.bottom), pen))
                marks.append(svg_text((px, frame.bottom + 15), tick_text(value, step), 11))
            else:
                _, py = frame.at(0.0, value / per_m)
                marks.append(svg_line((LEFT, py), (WIDTH - RIGHT, py), pen))
                marks.append(svg_text((LEFT - 6, py + 4), tick_text(value, step), 11, "end"))
    marks.append(svg_text((WIDTH - RIGHT, frame.bottom + 30), f"ahead of the rear axle, {unit}", 11, "end"))
    marks.append(svg_text((4, 14), f"left of the centre line, {unit}; nose to the left", 11, "start"))
    return marks


def _ellipse(point: Point, frame: _Frame) -> str:
    """The ellipse of two standard uncertainties, as a path so that no rotation has to be worked out twice."""
    if point.covariance_xy_m2 is None:
        return ""
    long_m, short_m, angle = ellipse_axes(point.covariance_xy_m2)
    if hypot(long_m, short_m) * frame.scale < 0.3:
        return ""
    px, py = frame.at(point.x_m, point.y_m)
    # ahead is left and left is down on paper, so an angle from x to y turns the other way round
    turn = -angle * 57.29577951308232
    rx, ry = 2 * long_m * frame.scale, 2 * short_m * frame.scale
    return (
        f'<ellipse cx="{px:.1f}" cy="{py:.1f}" rx="{rx:.1f}" ry="{ry:.1f}" fill-opacity="0.1" '
        f'stroke="currentColor" stroke-opacity="0.6" transform="rotate({turn:.1f} {px:.1f} {py:.1f})"/>'
    )
