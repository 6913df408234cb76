"""The report's drawings: plan with changes in place, settle curves whole and close up, zeros over time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logger.drawing.car import Nose, car_svg
from logger.drawing.curves import EQUALS, Axis, Band, Chart, Rule, Span, Trace, chart_svg
from logger.drawing.numbers import Floats, nice_step
from logger.drawing.view import CarView, PartView, WheelLoad
from logger.mechanics.statics import NOMINAL_TRACK_M, NOMINAL_WHEELBASE_M
from logger.model import Condition
from logger.quantity import Quantity
from logger.report.data import BuildResult, Change, ReportData, SettleCurve, SettleFigure, Units, ZeroRow
from logger.report.markup import plain
from logger.units import from_kg

BREAK_S = 2.0
"""A curve's line breaks where samples are missing for longer."""
CLOSE_UP = 8.0
"""A close-up shows so many standard uncertainties to either side of the rest reading, or all of the rest."""


def plan(data: ReportData, build: BuildResult, nose: Nose) -> str:
    """Draw the car in one build, with every located change as a part at its place."""
    loads = tuple(WheelLoad(load=load, condition=Condition.RESTING) for load in build.loads)
    view = CarView(
        wheelbase_m=data.car.wheelbase_m or NOMINAL_WHEELBASE_M,
        track_front_m=data.car.track_front_m or data.car.track_rear_m or NOMINAL_TRACK_M,
        track_rear_m=data.car.track_rear_m or data.car.track_front_m or NOMINAL_TRACK_M,
        loads=(loads[0], loads[1], loads[2], loads[3]),
        total=build.total,
        x_m=None if build.x is None else build.x.value,
        y_m=None if build.y is None else build.y.value,
        covariance_xy_m2=build.covariance_xy_m2,
        parts=tuple(_part(change) for change in data.changes),
    )
    return car_svg(view, nose=nose, units=data.units)


def _part(change: Change) -> PartView:
    sign = 1.0 if change.went == "on" else -1.0
    return PartView(
        name=change.name,
        mass=Quantity(sign * change.mass.value, change.mass.u, "kg"),
        x_m=None if change.x is None else change.x.value,
        y_m=None if change.y is None else change.y.value,
        covariance_xy_m2=change.covariance_xy_m2,
        unplaced="too light to locate" if change.too_light else "place not known",
    )


def settle_drawings(settle: SettleFigure, units: Units) -> str:
    """Draw a capture's curves: all pads whole above, then each pad close up about its rest reading."""
    if not settle.curves:
        return ""
    start = min(float(c.rest_from_s) for c in settle.curves)
    low = min((float(np.min(c.times_s)) for c in settle.curves if len(c.times_s)), default=start) - start
    high = max((float(np.max(c.times_s)) for c in settle.curves if len(c.times_s)), default=start) - start
    strips = [
        _close_up(
            curve, units, (start, low, high), settle.title, first=k == 0, last=k == len(settle.curves) - 1
        )
        for k, curve in enumerate(settle.curves)
    ]
    return f"<div>{_whole(settle, units, start, low, high)}</div><div>{''.join(strips)}</div>"


def _whole(settle: SettleFigure, units: Units, start: float, low: float, high: float) -> str:
    traces = tuple(
        Trace(
            x=_after(c.times_s, start),
            y=_masses(c.values_kg, units),
            label=c.label,
            style=EQUALS[k % len(EQUALS)],
            break_after=BREAK_S,
        )
        for k, c in enumerate(settle.curves)
    )
    spans = [Span(low=a - start, high=b - start, label="rocked", kind="moved") for a, b in settle.rocks]
    first = settle.curves[0]
    spans.append(Span(low=first.rest_from_s - start, high=first.rest_to_s - start, label="at rest"))
    return chart_svg(
        Chart(
            summary=f"{settle.title}: load on each pad over time, from the rock to the end of the rest",
            x=Axis(label="seconds since the rest began", low=low, high=high),
            y=Axis(label="load on the pad", unit=units),
            traces=traces,
            spans=tuple(spans),
            width=420,
            height=206,
            group=settle.title,
        )
    )


def _close_up(
    curve: SettleCurve,
    units: Units,
    window: tuple[float, float, float],
    group: str,
    *,
    first: bool,
    last: bool,
) -> str:
    start, low, high = window
    t = _after(curve.times_s, start)
    away = _masses(curve.values_kg, units) - from_kg(curve.value.value, units)
    band = 2 * from_kg(curve.value.u or 0.0, units)
    reach = nice_step(max(CLOSE_UP / 2 * band, _reach(t, away, curve, start), 1e-6))
    x = np.array([curve.rest_declared_s, curve.rest_to_s]) - start
    return chart_svg(
        Chart(
            summary=f"{curve.label} close up: {plain(curve.value, units)}, samples less that value",
            x=Axis(label="seconds since the rest began" if last else "", low=low, high=high, bare=not last),
            y=Axis(
                label=f"sample less the value, {units}" if first else "", low=-1.3 * reach, high=1.3 * reach
            ),
            traces=(Trace(x=t, y=away, look="dots", style=4),),
            bands=(Band(x=x, low=np.full(2, -band), high=np.full(2, band)),),
            rules=(
                Rule(at=0.0, label=f"{curve.label}  {plain(curve.value, units)}"),
                Rule(at=curve.rest_declared_s - start, axis="x"),
            ),
            width=440,
            height=43 + 20 * first + 26 * last,
            group=group,
        )
    )


def _reach(t: Floats, away: Floats, curve: SettleCurve, start: float) -> float:
    """How far samples of the rest itself lie from its value; one wild sample does not flatten the rest."""
    inside = away[(t >= curve.rest_from_s - start) & (t <= curve.rest_to_s - start) & np.isfinite(away)]
    return float(np.quantile(np.abs(inside), 0.98)) * 1.3 if len(inside) else 0.0


def zero_drawing(zeros: Sequence[ZeroRow], captures: Sequence[tuple[int, float]], units: Units) -> str:
    """Draw every pad's zero as it went from its first check, with the captures' numbers on top."""
    pads = sorted({row.pad for row in zeros})
    traces, bands = [], []
    for k, pad in enumerate(pads):
        style = EQUALS[k % len(EQUALS)]
        own = [row for row in zeros if row.pad == pad]
        t = np.array([row.t_s for row in own]) / 60
        away = _masses([row.zero.value - own[0].zero.value for row in own], units)
        spread = 2 * _masses([row.zero.u or 0.0 for row in own], units)
        traces.append(Trace(x=t, y=away, label=pad, style=style))
        traces.append(Trace(x=t, y=away, look="dots", style=style))
        bands.append(Band(x=t, low=away - spread, high=away + spread, style=style))
    rules = tuple(Rule(at=t / 60, label=str(number), axis="x") for number, t in captures)
    return chart_svg(
        Chart(
            summary="How each pad's zero moved from its first check, over the session",
            x=Axis(label="minutes since the start", low=0.0),
            y=Axis(label="zero less the first check", unit=units),
            traces=tuple(traces),
            bands=tuple(bands),
            rules=rules,
            width=680,
            height=200,
        )
    )


def _after(times_s: Sequence[float] | Floats, start: float) -> Floats:
    return np.asarray(times_s, np.float64) - start


def _masses(values_kg: Sequence[float] | Floats, units: Units) -> Floats:
    masses: Floats = np.asarray(values_kg, np.float64) * from_kg(1.0, units)
    return masses
