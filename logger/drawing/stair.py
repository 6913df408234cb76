"""The car's total from build to build as treads of a stair, each with its ±; the changes are the risers."""

from __future__ import annotations

from html import escape
from textwrap import wrap

from logger.drawing.numbers import tick_text, ticks
from logger.report.data import BuildResult, ReportData, Units
from logger.report.markup import true_minus

LEFT, RIGHT, TOP, HEIGHT, FOOT, WIDTH = 50.0, 8.0, 34.0, 130.0, 50.0, 860.0
MOST = 12
"""Builds drawn at most, the last ones: narrower treads could not carry their names."""
LINE_CHARACTERS = 5.6
"""Width of a character of a name, px at 11 px type."""


def staircase_svg(data: ReportData) -> str:
    """Draw the stair; "" for fewer than two builds."""
    builds = data.builds[-MOST:]
    if len(builds) < 2:
        return ""
    totals = [b.total.shown_beside(data.units) for b in builds]
    low, high = min(q.value for q in totals), max(q.value for q in totals)
    margin = 0.12 * (high - low) or 1.0
    stair = _Stair(len(builds), low - margin, high + margin)
    parts = [_axis(stair, data.units)]
    parts += [_riser(stair, k, totals[k - 1].value, totals[k].value) for k in range(1, len(builds))]
    parts += [_tread(stair, k, build, data.units) for k, build in enumerate(builds)]
    summary = f"Total of the car over {len(builds)} builds, in {data.units}"
    return (
        f'<svg class="stair" viewBox="0 0 {WIDTH:g} {TOP + HEIGHT + FOOT:g}" role="img" '
        f'aria-label="{summary}">{"".join(parts)}</svg>'
    )


class _Stair:
    """Where builds and masses lie on paper."""

    def __init__(self, count: int, low: float, high: float) -> None:
        self.low, self.high = low, high
        self.width = (WIDTH - LEFT - RIGHT) / count

    def x(self, k: int) -> float:
        return LEFT + k * self.width

    def y(self, mass: float) -> float:
        return TOP + HEIGHT * (self.high - mass) / (self.high - self.low)


def _axis(stair: _Stair, units: Units) -> str:
    values = ticks(stair.low, stair.high, 4)
    step = values[1] - values[0] if len(values) > 1 else 1.0
    marks = "".join(
        f'<path class="tick" d="M{LEFT:g} {stair.y(v):.1f}H{WIDTH - RIGHT:g}"/>'
        f'<text class="lane" x="{LEFT - 6:g}" y="{stair.y(v) + 3.5:.1f}">{tick_text(v, step)}</text>'
        for v in values
    )
    return f'<text class="axisname" x="4" y="12">total, {units}</text>{marks}'


def _riser(stair: _Stair, k: int, before: float, after: float) -> str:
    return f'<path class="riser" d="M{stair.x(k):.1f} {stair.y(before):.1f}V{stair.y(after):.1f}"/>'


def _tread(stair: _Stair, k: int, build: BuildResult, units: Units) -> str:
    total = build.total.shown_beside(units)
    x, y, middle = stair.x(k), stair.y(total.value), stair.x(k) + stair.width / 2
    spread = 2 * (total.u or 0.0)
    tall = stair.y(total.value - spread) - stair.y(total.value + spread)
    size = f'y="{y - tall / 2:.1f}" width="{stair.width:.1f}" height="{tall:.1f}"'
    band = f'<rect class="spread" x="{x:.1f}" {size}/>'
    number = true_minus(total.value_text().partition(" ")[0])
    names = wrap(build.label, max(int(stair.width / LINE_CHARACTERS), 8))[:3]
    lines = "".join(
        f'<text class="number" x="{middle:.1f}" y="{TOP + HEIGHT + 15 + 13 * n:.1f}">{escape(line)}</text>'
        for n, line in enumerate(names)
    )
    return (
        f'{band}<path class="tread" d="M{x:.1f} {y:.1f}h{stair.width:.1f}"/>'
        f'<text class="total" x="{middle:.1f}" y="{y - 7:.1f}">{number}</text>{lines}'
    )
