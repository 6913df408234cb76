"""Several recordings of one pad, over months: which of its figures change by more than chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.judge.verdict import PadVerdict, Verdict

MONTH_S = 30.44 * 86400
"""A twelfth of a year."""
LEAST = 3
"""Fewest recordings that tell a trend from two readings that differ."""
CHANCE = 0.05
"""A pad's trends are told if chance alone shows any as strong at most so often: each figure has its share."""


@dataclass(frozen=True, kw_only=True)
class Trend:
    """How one figure went: its values in the order of the recordings, and a straight line through them.

    `per_step` is the change a month, or from one recording to the next where dates are not known; None where
    the values do not tell a trend from chance.
    """

    name: str
    unit: str
    values: tuple[float | None, ...]
    per_step: float | None


@dataclass(frozen=True, kw_only=True)
class PadTrend:
    """One pad over its recordings in order of time; `months` since the first (None: no dates)."""

    pad: str
    names: tuple[str, ...]
    pads: tuple[PadVerdict, ...]
    months: tuple[float, ...] | None
    figures: tuple[Trend, ...]

    @property
    def sentence(self) -> str:
        """What changes, in words."""
        span = "" if self.months is None else f" in {self.months[-1]:.1f} months"
        head = f"Pad {self.pad} over {len(self.pads)} recordings{span}: "
        told = [t for t in self.figures if t.per_step is not None]
        if len(self.pads) < LEAST:
            return f"{head}too few to tell a trend."
        if not told:
            return f"{head}nothing changes by more than chance would."
        per = "from one to the next" if self.months is None else "a month"
        return head + "; ".join(f"{t.name} {_way(t)} {per}" for t in told) + "."


def _way(trend: Trend) -> str:
    assert trend.per_step is not None
    return f"{'grows' if trend.per_step > 0 else 'falls'} by {abs(trend.per_step):.2g} {trend.unit}"


def trends(verdicts: Sequence[Verdict]) -> list[PadTrend]:
    """Study every pad that occurs in more than one recording, by id and unit."""
    by_pad: dict[tuple[str, str], list[tuple[Verdict, PadVerdict]]] = {}
    dated = all(v.began_ns is not None for v in verdicts)
    for verdict in sorted(verdicts, key=lambda v: v.began_ns or 0) if dated else verdicts:
        for pad in verdict.pads:
            by_pad.setdefault((pad.pad, pad.unit), []).append((verdict, pad))
    return [_study(rows) for rows in by_pad.values() if len(rows) > 1]


def _study(rows: Sequence[tuple[Verdict, PadVerdict]]) -> PadTrend:
    pads = tuple(pad for _, pad in rows)
    began = [v.began_ns for v, _ in rows]
    months: tuple[float, ...] | None = None
    if all(b is not None for b in began):
        months = tuple(((b or 0) - (began[0] or 0)) * 1e-9 / MONTH_S for b in began)
    at, figures = months or tuple(float(k) for k in range(len(rows))), _figures(pads)
    return PadTrend(
        pad=pads[0].pad,
        names=tuple(v.name for v, _ in rows),
        pads=pads,
        months=months,
        figures=tuple(_trend(*figure, at=at, chance=CHANCE / len(figures)) for figure in figures),
    )


def _figures(pads: Sequence[PadVerdict]) -> list[tuple[str, str, tuple[float | None, ...]]]:
    unit = pads[0].unit

    def own(values: Sequence[float | None]) -> tuple[float | None, ...]:
        return tuple(None if v is None else pads[0].own(v) for v in values)

    back = [None if p.measures.zero_return_kg is None else abs(p.measures.zero_return_kg) for p in pads]
    creep = [None if p.measures.creep_30min_kg is None else abs(p.measures.creep_30min_kg) for p in pads]
    lost = [p.measures.lost / max(p.measures.samples + p.measures.lost, 1) * 100 for p in pads]
    return [
        ("noise", unit, own([p.measures.noise_kg for p in pads])),
        ("zero return", unit, own(back)),
        ("creep in 30 min", unit, own(creep)),
        ("time to settle", "s", tuple(p.measures.settle_s for p in pads)),
        ("lost frames", "%", tuple(lost)),
    ]


def _trend(
    name: str, unit: str, values: tuple[float | None, ...], *, at: Sequence[float], chance: float
) -> Trend:
    """A straight line, told if its slope stands out of the scatter about it (two-sided t test)."""
    points = [(t, v) for t, v in zip(at, values, strict=True) if v is not None]
    per_step = None
    if len(points) >= LEAST:
        from scipy.stats import linregress  # noqa: PLC0415  heavy, and only asked of several recordings

        t, v = np.array(points).T
        if np.ptp(t) > 0 and np.ptp(v) > 0:
            line = linregress(t, v)
            per_step = float(line.slope) if line.pvalue < chance else None
    return Trend(name=name, unit=unit, values=values, per_step=per_step)
