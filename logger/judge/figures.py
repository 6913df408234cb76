"""Drawings of a verdict: the recording, settles aligned at their step, a fit with residuals, Allan, drift."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logger.drawing.curves import Axis, Band, Chart, Rule, Span, Trace, chart_svg
from logger.drawing.numbers import Floats, nice_step
from logger.judge.measures import Settle
from logger.judge.trend import PadTrend, Trend
from logger.judge.verdict import PadVerdict

SHOWN_S = 20.0
"""Aligned settles are shown for so long from their step."""
BANDS = 5.0
"""A close-up shows so many of max(d, 3 × noise) to either side of the settled value."""


def overview(pad: PadVerdict) -> str:
    """Draw the whole recording with its rests and gaps."""
    seen = pad.seen
    spans = [Span(low=s.from_s, high=s.to_s) for s in seen.stood]
    spans += [Span(low=h.from_s, high=h.to_s, kind="missing") for h in seen.holes]
    return chart_svg(
        Chart(
            summary=f"Pad {pad.pad}: the whole recording, {len(seen.stood)} rests shaded",
            x=Axis(label="seconds"),
            y=Axis(label="reading", unit=pad.unit),
            traces=(Trace(x=seen.t_s, y=seen.x_kg / pad.per_unit_kg, break_after=_apart(pad)),),
            spans=tuple(spans),
            width=860,
            height=190,
        )
    )


def _apart(pad: PadVerdict) -> float:
    """Readings further apart than this (s) are not joined by a line."""
    return max(2.0, 6.0 / pad.seen.rate_Hz) if pad.seen.rate_Hz > 0 else 2.0


def _band(pad: PadVerdict) -> float:
    """What cannot be told from standing still by one reading, in the pad's unit; never 0."""
    m = pad.measures
    return max(m.resolution_kg, 3 * (m.noise_kg or 0.0), 1e-9) / pad.per_unit_kg


def aligned(pad: PadVerdict) -> str:
    """Draw every settle over each other: seconds since its step, reading less its settled value."""
    reach = nice_step(BANDS * _band(pad))
    longest = min(max((float(s.t_s[-1]) - s.t_step_s for s in pad.settles), default=1.0), SHOWN_S)
    traces = [
        Trace(
            x=s.t_s - s.t_step_s,
            y=(s.x_kg - s.stood.level_kg) / pad.per_unit_kg,
            quiet=True,
            break_after=_apart(pad),
        )
        for s in pad.settles
    ]
    spread = _band(pad)
    x = np.array([-1.0, longest])
    return chart_svg(
        Chart(
            summary=f"Pad {pad.pad}: {len(pad.settles)} settles aligned at their step",
            x=Axis(label="seconds since the step", low=-1.0, high=longest),
            y=Axis(label="reading less its settled value", unit=pad.unit, low=-reach, high=reach),
            traces=tuple(traces),
            bands=(Band(x=x, low=np.full(2, -spread), high=np.full(2, spread)),),
            rules=_settle_rule(pad),
            width=430,
            height=306,
        )
    )


def _settle_rule(pad: PadVerdict) -> tuple[Rule, ...]:
    settle_s = pad.measures.settle_s
    if settle_s is None or settle_s > SHOWN_S:
        return ()
    return (Rule(at=settle_s, axis="x", label=f"half have settled by {settle_s:.1f} s"),)


def typical(settles: Sequence[Settle]) -> Settle | None:
    """The fitted settle whose time to settle is the middle one; None when nothing was fitted."""
    fits = [s for s in settles if s.curve is not None]
    told = sorted((s.settle_s, k) for k, s in enumerate(fits) if s.settle_s is not None)
    if told:
        return fits[told[len(told) // 2][1]]
    return fits[0] if fits else None


def fitted(pad: PadVerdict, settle: Settle) -> str:
    """Draw one settle with its fit and band over the readings, residuals below."""
    curve = settle.curve
    if curve is None:
        return ""
    t = settle.t_s - settle.t_step_s
    high = min(float(t[-1]), SHOWN_S)
    fine = np.linspace(curve.fit_from_s, high, 600)
    model = (curve.model(fine + settle.t_step_s) - settle.stood.level_kg) / pad.per_unit_kg
    away = (settle.x_kg - settle.stood.level_kg) / pad.per_unit_kg
    left = (settle.x_kg - curve.model(settle.t_s)) / pad.per_unit_kg
    spread = 2 * max(curve.residual / pad.per_unit_kg, 1e-12)
    reach = nice_step(max(BANDS * _band(pad), float(np.nanmax(np.abs(model), initial=0.0)) * 1.1))
    group = f"fit {pad.pad}"
    above = Chart(
        summary=f"Pad {pad.pad}: one settle with its fit",
        x=Axis(label="", low=-1.0, high=high, bare=True),
        y=Axis(label="reading less its settled value", unit=pad.unit, low=-reach, high=reach),
        traces=(Trace(x=t, y=away, look="dots", style=4), Trace(x=fine, y=model)),
        bands=(Band(x=fine, low=model - spread, high=model + spread),),
        width=430,
        height=190,
        group=group,
    )
    return chart_svg(above) + chart_svg(_residuals(pad, t, left, spread, high, group))


def _residuals(pad: PadVerdict, t: Floats, left: Floats, spread: float, high: float, group: str) -> Chart:
    x = np.array([-1.0, high])
    reach = nice_step(2.2 * spread)
    return Chart(
        summary=f"Pad {pad.pad}: what the fit leaves",
        x=Axis(label="seconds since the step", low=-1.0, high=high),
        y=Axis(label="what the fit leaves", unit=pad.unit, low=-reach, high=reach),
        traces=(Trace(x=t, y=left, look="dots", style=4),),
        bands=(Band(x=x, low=np.full(2, -spread), high=np.full(2, spread)),),
        rules=(Rule(at=0.0),),
        width=430,
        height=110,
        group=group,
    )


def allan(pad: PadVerdict) -> str:
    """Draw the Allan deviation against averaging time, with what white noise alone would do."""
    curve = pad.allan
    if curve is None:
        return ""
    tau = np.array(curve.tau_s)
    deviation = np.array(curve.deviation) / pad.per_unit_kg
    white = deviation[0] * np.sqrt(tau[0] / tau)
    return chart_svg(
        Chart(
            summary=f"Pad {pad.pad}: Allan deviation over averaging time",
            x=Axis(label="averaging time, s", log=True),
            y=Axis(label="Allan deviation", unit=pad.unit, log=True),
            traces=(
                Trace(x=tau, y=deviation, label="found"),
                Trace(x=tau, y=deviation, look="dots"),
                Trace(x=tau, y=white, label="white noise", style=2),
            ),
            rules=(Rule(at=pad.measures.resolution_kg / 12**0.5 / pad.per_unit_kg, label="d/√12"),)
            if pad.measures.resolution_kg > 0
            else (),
            width=430,
            height=230,
        )
    )


def drift(pad: PadVerdict) -> str:
    """Draw the longest rest's block means against time with their straight line."""
    slope = pad.longest
    if slope is None:
        return ""
    minutes = (slope.t_s - slope.t_s[0]) / 60
    away = (slope.x_kg - slope.x_kg.mean()) / pad.per_unit_kg
    centred = slope.t_s - slope.t_s.mean()
    line = slope.per_s * centred / pad.per_unit_kg
    spread = 2 * slope.u_per_s * np.abs(centred) / pad.per_unit_kg
    return chart_svg(
        Chart(
            summary=f"Pad {pad.pad}: how the longest rest moved",
            x=Axis(label="minutes into the longest rest"),
            y=Axis(label="block mean less the rest's mean", unit=pad.unit),
            traces=(
                Trace(x=minutes, y=away, look="dots"),
                Trace(x=minutes, y=line, style=1),
            ),
            bands=(Band(x=minutes, low=line - spread, high=line + spread),),
            width=430,
            height=230,
        )
    )


def zeros(pad: PadVerdict) -> str:
    """Draw the zero checks against time, with ±2u and the straight line between them; "" below two."""
    checks = pad.seen.zeros
    if len(checks) < 2:
        return ""
    t = np.array([z.t_s for z in checks]) / 60
    x = np.array([z.zero_kg for z in checks]) / pad.per_unit_kg
    u = 2 * np.array([z.u_kg for z in checks]) / pad.per_unit_kg
    return chart_svg(
        Chart(
            summary=f"Pad {pad.pad}: {len(checks)} zero checks",
            x=Axis(label="minutes of the recording"),
            y=Axis(label="zero", unit=pad.unit),
            traces=(Trace(x=t, y=x, style=1), Trace(x=t, y=x, look="dots")),
            bands=(Band(x=t, low=x - u, high=x + u),),
            width=860,
            height=170,
        )
    )


def trend(study: PadTrend, figure: Trend) -> str:
    """Draw one figure of one pad over its recordings, by months where dates are known; "" for no values."""
    at = study.months or tuple(float(k) for k in range(1, len(study.pads) + 1))
    x = np.array(at)
    y = np.array([np.nan if v is None else v for v in figure.values], np.float64)
    if not np.isfinite(y).any():
        return ""
    dated = study.months is not None
    margin = 0.04 * max(float(np.ptp(x)), 1e-3)
    return chart_svg(
        Chart(
            summary=f"Pad {study.pad}: {figure.name} over {len(study.pads)} recordings",
            x=Axis(
                label="months since the first" if dated else "recording, in the order given",
                low=float(x[0]) - margin,
                high=float(x[-1]) + margin,
            ),
            y=Axis(label=figure.name, unit=figure.unit, low=0.0, high=float(np.nanmax(y)) * 1.15 or 1.0),
            traces=(Trace(x=x, y=y, style=1), Trace(x=x, y=y, look="dots")),
            width=430,
            height=150,
        )
    )
