"""The session as one drawing: a lane a pad with what it did, zero checks and gaps, captures across all."""

from __future__ import annotations

from html import escape

from logger.drawing.numbers import tick_text, ticks
from logger.report.data import ConditionSpan, PadStory, ReportData

LEFT, RIGHT, TOP, LANE, WIDTH = 50.0, 14.0, 30.0, 30.0, 680.0
_HEIGHTS = {"empty": 2.0, "moving": 8.0, "resting": 16.0, "creeping": 16.0, "overloaded": 20.0}
"""Height of a condition's bar, px: shape tells it before tone does. A pad that says nothing has no bar."""
_LEGEND = ("empty", "moving", "resting", "creeping", "silent", "garbled", "overloaded")


def timeline_svg(data: ReportData) -> str:
    """Draw the session; "" when no pad's conditions are known."""
    end = max((span.to_s for pad in data.pads for span in pad.conditions), default=0.0)
    if end <= 0:
        return ""
    scale = (WIDTH - LEFT - RIGHT) / end
    foot = TOP + LANE * len(data.pads)
    parts = [_captures(data, scale, foot), _scale(end, scale, foot)]
    for row, pad in enumerate(data.pads):
        parts.append(_lane(data, pad, TOP + LANE * (row + 0.5), scale))
    parts.append(_legend(data, foot + 46))
    return (
        f'<svg class="timeline" viewBox="0 0 {WIDTH:g} {foot + 56:g}" role="img" '
        'aria-label="What each pad did over the session, with zero checks, gaps and captures">'
        f"{''.join(parts)}</svg>"
    )


def _captures(data: ReportData, scale: float, foot: float) -> str:
    out = []
    for row in data.captures:
        x = LEFT + row.t_s * scale
        number = f"({row.number})" if row.discarded else str(row.number)
        out.append(
            f'<path class="capture" d="M{x:.1f} {TOP - 6:g}V{foot:g}"/>'
            f'<text class="number" x="{x:.1f}" y="{TOP - 10:g}">{number}</text>'
        )
    return f'<text class="lane" x="{LEFT - 8:g}" y="{TOP - 10:g}">capture</text>' + "".join(out)


def _scale(end: float, scale: float, foot: float) -> str:
    minutes = ticks(0, end / 60, 8)
    step = minutes[1] - minutes[0] if len(minutes) > 1 else 1.0
    marks = "".join(
        f'<path class="tick" d="M{LEFT + m * 60 * scale:.1f} {foot:g}v4"/>'
        f'<text class="number" x="{LEFT + m * 60 * scale:.1f}" y="{foot + 15:g}">{tick_text(m, step)}</text>'
        for m in minutes
    )
    name = f'<text class="axis" x="{WIDTH - RIGHT:g}" y="{foot + 28:g}">minutes since the start</text>'
    return f'<path class="tick" d="M{LEFT:g} {foot:g}H{WIDTH - RIGHT:g}"/>{marks}{name}'


def _lane(data: ReportData, pad: PadStory, y: float, scale: float) -> str:
    out = [f'<text class="lane" x="{LEFT - 8:g}" y="{y + 4:g}">{escape(pad.pad)}</text>']
    out += [
        _bar(span.condition, LEFT + span.from_s * scale, y, _length(span, scale), span)
        for span in pad.conditions
    ]
    for gap in pad.gaps:
        x, w = LEFT + gap.from_s * scale, max((gap.to_s - gap.from_s) * scale, 2.0)
        out.append(f'<rect class="gap" x="{x:.1f}" y="{y - 11:g}" width="{w:.1f}" height="3"/>')
    for zero in data.zeros:
        if zero.pad == pad.pad:
            x = LEFT + zero.t_s * scale
            out.append(f'<path class="zero" d="M{x:.1f} {y - 5:g}l5 5-5 5-5-5z"/>')
    return "".join(out)


def _length(span: ConditionSpan, scale: float) -> float:
    return max((span.to_s - span.from_s) * scale, 0.6)


def _bar(condition: str, x: float, y: float, w: float, span: ConditionSpan | None = None) -> str:
    title = f"<title>{escape(condition + (f': {span.reason}' if span and span.reason else ''))}</title>"
    h = _HEIGHTS.get(condition)
    if h is None:
        cross = f"M{x:.1f} {y - 6:g}l{w:.1f} 12m0-12l{-w:.1f} 12" if w > 1 else f"M{x:.1f} {y - 6:g}v12"
        return f'<path class="{escape(condition)}" d="{cross}">{title}</path>'
    rise = 5.0 if condition == "creeping" else 0.0
    shape = f"M{x:.1f} {y + h / 2:g}v{-h + rise:g}l{w:.1f} {-rise:g}v{h:g}z"
    return f'<path class="{escape(condition)}" d="{shape}">{title}</path>'


def _legend(data: ReportData, y: float) -> str:
    seen = {span.condition for pad in data.pads for span in pad.conditions}
    out, x = [], LEFT
    for condition in (c for c in _LEGEND if c in seen):
        out.append(_bar(condition, x, y, 14))
        out.append(f'<text x="{x + 20:g}" y="{y + 4:g}">{condition}</text>')
        x += 32 + 6.2 * len(condition)
    if data.zeros:
        out.append(f'<path class="zero" d="M{x + 5:.1f} {y - 5:g}l5 5-5 5-5-5z"/>')
        out.append(f'<text x="{x + 16:g}" y="{y + 4:g}">zero check</text>')
        x += 84
    if any(pad.gaps for pad in data.pads):
        out.append(f'<rect class="gap" x="{x:.1f}" y="{y - 1:g}" width="14" height="3"/>')
        out.append(f'<text x="{x + 20:g}" y="{y + 4:g}">samples missing</text>')
    return "".join(out)
