"""Curves as small self-contained SVG: axes with unit, traces, bands, spans and rules, spikes kept.

Traces are told apart by dash and by a label at their end, never by colour alone. Everything that moves lies
in one inner `svg` whose view box is the zoom: a page may bring `report/zoom.js`, and without it the drawing
is complete. Pure: numbers in, text out; looks (classes) are set by `drawing/curves.css`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from math import log10
from typing import Literal

import numpy as np

from logger.drawing.numbers import Floats, extremes, log_ticks, nice_step, tick_text, ticks

FINE = 10
"""Inner units per px: paths are whole numbers (short) and still sharp when zoomed."""
LABEL_GAP = 13.0
"""Least distance between two labels at the curves' ends, px."""
STYLES = 7
"""Looks of a trace: 0 is the one that matters, in the accent; 1 to 3 and 6 are ink told apart by dash alone,
for traces of equal rank; 4 and 5 are faint."""
EQUALS = (6, 1, 2, 3, 4, 5)
"""Styles for traces of equal rank, in order: no pad or corner has a colour of its own."""


@dataclass(frozen=True, kw_only=True)
class Axis:
    """An axis: what it shows, in which unit, and its limits (None: from the data).

    `bare` leaves out the figures at its ticks, for drawings stacked over one that has them.
    """

    label: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    log: bool = False
    bare: bool = False


@dataclass(frozen=True, kw_only=True)
class Trace:
    """One curve: `x` rising, `y` of the same length, NaN where a value is missing (the line breaks there).

    `break_after` breaks the line where x jumps by more; None never. `style` picks dash and tone. A quiet
    trace is thin and has no label.
    """

    x: Sequence[float] | Floats
    y: Sequence[float] | Floats
    label: str = ""
    look: Literal["line", "dots", "steps"] = "line"
    style: int = 0
    quiet: bool = False
    break_after: float | None = None


@dataclass(frozen=True, kw_only=True)
class Band:
    """An area between two curves over the same x."""

    x: Sequence[float] | Floats
    low: Sequence[float] | Floats
    high: Sequence[float] | Floats
    style: int = 0


@dataclass(frozen=True, kw_only=True)
class Span:
    """A stretch of the x axis with its name ("rest"); `kind` chooses the shade."""

    low: float
    high: float
    label: str = ""
    kind: Literal["rest", "moved", "missing"] = "rest"


@dataclass(frozen=True, kw_only=True)
class Rule:
    """A straight line across: at a value of y (a limit, the zero) or at a moment of x."""

    at: float
    label: str = ""
    axis: Literal["x", "y"] = "y"


@dataclass(frozen=True, kw_only=True)
class Chart:
    """One drawing, sizes in px; `group` joins drawings that zoom together, `summary` is read out for it."""

    summary: str
    x: Axis
    y: Axis
    traces: tuple[Trace, ...] = ()
    bands: tuple[Band, ...] = ()
    spans: tuple[Span, ...] = ()
    rules: tuple[Rule, ...] = ()
    width: int = 640
    height: int = 220
    group: str = ""


def chart_svg(chart: Chart) -> str:
    """Draw a chart as one `<svg>` element; empty data give empty axes, never an error."""
    frame = _Frame.of(chart)
    inner = [
        *(_span(s, frame) for s in chart.spans),
        *(_band(b, frame) for b in chart.bands),
        *(_rule(r, frame) for r in chart.rules),
        *(_trace(t, frame) for t in chart.traces),
    ]
    parts = [
        f'<svg class="chart" viewBox="0 0 {chart.width} {chart.height}" role="img" tabindex="0" '
        f'aria-label="{escape(chart.summary)}" {frame.zoom_attributes(chart.group)}>',
        f'<g class="grid">{_ticks_x(frame)}{_ticks_y(frame)}</g>',
        f'<svg class="pane" x="{frame.left:g}" y="{frame.top:g}" width="{frame.w:g}" height="{frame.h:g}" '
        f'viewBox="0 0 {frame.w * FINE:g} {frame.h * FINE:g}" preserveAspectRatio="none">',
        f'<rect width="{frame.w * FINE:g}" height="{frame.h * FINE:g}" fill="none" pointer-events="all"/>',
        *inner,
        "</svg>",
        _names(chart, frame),
        "</svg>",
    ]
    return "".join(parts)


@dataclass(frozen=True)
class _Frame:
    """Where the pane lies and how values become inner units."""

    left: float
    top: float
    w: float
    h: float
    x: Axis
    y: Axis
    x_low: float
    x_high: float
    y_low: float
    y_high: float

    @staticmethod
    def of(chart: Chart) -> _Frame:
        named = [t.label for t in chart.traces if t.label and not t.quiet]
        named += [r.label for r in chart.rules if r.axis == "y" and r.label]
        right = 14.0 + (26 + 6.0 * max(len(n) for n in named) if named else 0)
        marked = any(s.label for s in chart.spans) or any(r.label for r in chart.rules if r.axis == "x")
        left, top = 50.0, 5.0 + 20 * bool(chart.y.label) + 15 * marked
        bottom = 34.0 if chart.x.label else 8.0 if chart.x.bare else 20.0
        x_values = [_floats(c.x) for c in _curves(chart)]
        y_values = [_floats(t.y) for t in chart.traces]
        y_values += [_floats(v) for b in chart.bands for v in (b.low, b.high)]
        x_low, x_high = _limits(x_values, chart.x, 0.0)
        y_low, y_high = _limits(y_values, chart.y, 0.06)
        return _Frame(
            left, top, chart.width - left - right, chart.height - top - bottom,
            chart.x, chart.y, x_low, x_high, y_low, y_high,
        )  # fmt: skip

    def px(self, values: Sequence[float] | Floats) -> Floats:
        return _scale(values, self.x, self.x_low, self.x_high) * self.w * FINE

    def py(self, values: Sequence[float] | Floats) -> Floats:
        return (1 - _scale(values, self.y, self.y_low, self.y_high)) * self.h * FINE

    def zoom_attributes(self, group: str) -> str:
        figures = (self.left, self.top, self.w, self.h, self.x_low, self.x_high, self.y_low, self.y_high)
        logs = f"{int(self.x.log)}{int(self.y.log)}"
        where = " ".join(f"{v:.9g}" for v in figures)
        return f'data-frame="{where}" data-log="{logs}" data-group="{escape(group)}"'


def _floats(values: Sequence[float] | Floats) -> Floats:
    return np.asarray(values, np.float64)


def _curves(chart: Chart) -> list[Trace | Band]:
    return [*chart.traces, *chart.bands]


def _limits(values: list[Floats], axis: Axis, margin: float) -> tuple[float, float]:
    every = np.concatenate(values) if values else np.empty(0)
    every = every[np.isfinite(every) & ((every > 0) if axis.log else True)]
    low = float(every.min()) if len(every) else 1.0 if axis.log else 0.0
    high = float(every.max()) if len(every) else 10.0 if axis.log else 1.0
    if axis.log:
        low, high = 10 ** (log10(low) - margin), 10 ** (log10(high) + margin)
    else:
        low, high = low - margin * (high - low), high + margin * (high - low)
    low, high = (low if axis.low is None else axis.low), (high if axis.high is None else axis.high)
    if high > low:
        return low, high
    spread = abs(low) * 0.01 or 1.0
    return (low / 2, low * 2) if axis.log else (low - spread, low + spread)


def _scale(values: Sequence[float] | Floats, axis: Axis, low: float, high: float) -> Floats:
    v = _floats(values)
    if axis.log:
        with np.errstate(divide="ignore", invalid="ignore"):
            v = np.log10(v)
        low, high = log10(low), log10(high)
    scaled: Floats = (v - low) / (high - low)
    return scaled


def _runs(trace: Trace, buckets: int) -> list[tuple[Floats, Floats]]:
    """Thin a trace and cut it where values are missing or x jumps, as far as such a gap can be seen."""
    x, y = _floats(trace.x), _floats(trace.y)
    good = np.isfinite(x) & np.isfinite(y)
    cut = np.zeros(len(x), bool)
    cut[1:] = ~good[:-1]
    if trace.break_after is not None and len(x) > 1:
        cut[1:] |= np.diff(x) > trace.break_after
    run, x, y = np.cumsum(cut)[good], x[good], y[good]
    keep = extremes(x, y, buckets)
    if len(keep) < len(x):
        seen = np.diff(x, prepend=x[0]) > 2 * (x[-1] - x[0]) / buckets
        run = np.cumsum(seen & (np.diff(run, prepend=run[0]) > 0))
    edges = np.flatnonzero(np.diff(run[keep])) + 1
    return list(zip(np.split(x[keep], edges), np.split(y[keep], edges), strict=True))


def _trace(trace: Trace, frame: _Frame) -> str:
    draw: dict[str, Callable[[Floats, Floats], str]] = {"line": _line, "dots": _dots, "steps": _steps}
    buckets = int(frame.w * (8 if trace.look == "dots" else 2))
    d = []
    for x, y in _runs(trace, buckets):
        px, py = frame.px(x), frame.py(y)
        fit = np.isfinite(px) & np.isfinite(py)
        d.append(draw[trace.look](np.rint(px[fit]), np.rint(py[fit])))
    kind = f"{trace.look} s{trace.style % STYLES}" + (" quiet" if trace.quiet else "")
    return f'<path class="{kind}" d="{"".join(d)}"/>'


def _line(px: Floats, py: Floats) -> str:
    if not len(px):
        return ""
    steps = "".join(f"{dx:.0f} {dy:.0f} " for dx, dy in zip(np.diff(px), np.diff(py), strict=True))
    return f"M{px[0]:.0f} {py[0]:.0f}l{steps or '0 0'}".rstrip()


def _dots(px: Floats, py: Floats) -> str:
    return "".join(f"M{x:.0f} {y:.0f}h0" for x, y in zip(px, py, strict=True))


def _steps(px: Floats, py: Floats) -> str:
    if not len(px):
        return ""
    moves = "".join(f"H{x:.0f}V{y:.0f}" for x, y in zip(px[1:], py[1:], strict=True))
    return f"M{px[0]:.0f} {py[0]:.0f}{moves}"


def _band(band: Band, frame: _Frame) -> str:
    x = _floats(band.x)
    there = np.concatenate((x, x[::-1]))
    edge = np.concatenate((_floats(band.high), _floats(band.low)[::-1]))
    px, py = frame.px(there), frame.py(edge)
    fit = np.isfinite(px) & np.isfinite(py)
    return f'<path class="band s{band.style % STYLES}" d="{_line(np.rint(px[fit]), np.rint(py[fit]))}z"/>'


def _span(span: Span, frame: _Frame) -> str:
    low, high = frame.px([max(span.low, frame.x_low), min(span.high, frame.x_high)])
    width = max(float(high - low), 0.0)
    title = f"<title>{escape(span.label)}</title>" if span.label else ""
    place = f'x="{low:.0f}" y="0" width="{width:.0f}" height="{frame.h * FINE:g}"'
    return f'<rect class="span {span.kind}" {place}>{title}</rect>'


def _rule(rule: Rule, frame: _Frame) -> str:
    if rule.axis == "y":
        y = float(frame.py([rule.at])[0])
        return f'<path class="rule" d="M0 {y:.0f}H{frame.w * FINE:g}"/>'
    return f'<path class="rule" d="M{float(frame.px([rule.at])[0]):.0f} 0V{frame.h * FINE:g}"/>'


def _ticks_x(frame: _Frame) -> str:
    values, texts = _round_values(frame.x, frame.x_low, frame.x_high, max(3, int(frame.w // 80)))
    foot = frame.top + frame.h
    out = []
    for text, at in zip(texts, frame.px(values) / FINE + frame.left, strict=True):
        out.append(f'<path d="M{at:.1f} {foot:g}v4"/>')
        if not frame.x.bare:
            out.append(f'<text x="{at:.1f}" y="{foot + 15:g}">{text}</text>')
    return f'<g class="tx">{"".join(out)}</g>'


def _ticks_y(frame: _Frame) -> str:
    values, texts = _round_values(frame.y, frame.y_low, frame.y_high, max(3, int(frame.h // 34)))
    out = [
        f'<path d="M{frame.left:g} {at:.1f}h{frame.w:g}"/>'
        f'<text x="{frame.left - 6:g}" y="{at + 3.5:.1f}">{text}</text>'
        for text, at in zip(texts, frame.py(values) / FINE + frame.top, strict=True)
    ]
    return f'<g class="ty">{"".join(out)}</g>'


def _round_values(axis: Axis, low: float, high: float, about: int) -> tuple[list[float], list[str]]:
    """The round numbers along an axis, about so many, and how each is written."""
    if axis.log:
        values = log_ticks(low, high)
        return values, [f"{value:g}" for value in values]
    values = ticks(low, high, about)
    step = values[1] - values[0] if len(values) > 1 else nice_step(high - low)
    return values, [tick_text(value, step) for value in values]


def _axis_name(axis: Axis) -> str:
    return escape(f"{axis.label}, {axis.unit}" if axis.unit and axis.label else axis.label or axis.unit)


def _names(chart: Chart, frame: _Frame) -> str:
    """Axis names, labels of spans along the top and of traces and rules at their right-hand end."""
    edge = frame.left + frame.w
    out = [
        f'<text class="name" x="4" y="12">{_axis_name(frame.y)}</text>',
        f'<text class="name end" x="{edge:g}" y="{chart.height - 4}">{_axis_name(frame.x)}</text>',
    ]
    free = frame.left
    for at, label in sorted(_marks(chart, frame)):
        if free <= at < edge:
            place = f'x="{at + 3:.1f}" y="{frame.top - 4:g}"'
            out.append(f'<text class="spanname" {place}>{escape(label)}</text>')
            free = at + 6 + 5.6 * len(label)
    return f'<g class="names">{"".join(out)}{_end_labels(chart, frame)}</g>'


def _marks(chart: Chart, frame: _Frame) -> list[tuple[float, str]]:
    """Where names of spans and moments begin along the top, px."""
    named = [(s.low, s.label) for s in chart.spans] + [(r.at, r.label) for r in chart.rules if r.axis == "x"]
    places = frame.px([at for at, _ in named]) / FINE + frame.left
    return [(max(float(x), frame.left), name) for x, (_, name) in zip(places, named, strict=True) if name]


def _end_labels(chart: Chart, frame: _Frame) -> str:
    wanted: list[tuple[float, str, str]] = []
    for trace in chart.traces:
        seen = _floats(trace.y)
        seen = seen[np.isfinite(seen)]
        if trace.label and not trace.quiet:
            last = float(frame.py([seen[-1]])[0]) if len(seen) else 0.0
            wanted.append((last / FINE, trace.label, f"{trace.look} s{trace.style % STYLES}"))
    wanted += [
        (float(frame.py([r.at])[0]) / FINE, r.label, "rule") for r in chart.rules if r.axis == "y" and r.label
    ]
    wanted.sort(key=lambda w: w[0])
    places = _spread([min(max(w[0], 4.0), frame.h) for w in wanted], LABEL_GAP, frame.h)
    x = frame.left + frame.w + 6
    out = []
    for (_, label, kind), at in zip(wanted, places, strict=True):
        y = at + frame.top
        sample = f"M{x + 9:g} {y:.1f}h0" if kind.startswith("dots") else f"M{x:g} {y:.1f}h18"
        out.append(f'<path class="{kind}" d="{sample}"/>')
        out.append(f'<text x="{x + 22:g}" y="{y + 3.5:.1f}">{escape(label)}</text>')
    return "".join(out)


def _spread(wanted: list[float], gap: float, limit: float) -> list[float]:
    """Push rising places apart to at least `gap`, keeping the last within `limit` where there is room."""
    places: list[float] = []
    for place in wanted:
        places.append(max(place, places[-1] + gap) if places else place)
    for k in range(len(places) - 1, -1, -1):
        most = limit if k == len(places) - 1 else places[k + 1] - gap
        places[k] = min(places[k], most)
    return places
