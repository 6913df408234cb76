"""A block of samples as columns through the pipeline: what `feed` gives for each, without the samples.

Readings of a cell are summed up for all cells at once, each in the order of time, so that every bit is the
same as one by one. A frame with anything unusual in it (a jump, a gap, no number, its first readings) goes
one by one through the very same code.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from logger.model import Record, Sample
from logger.settling.intake import SAME, CellPart

if TYPE_CHECKING:
    from logger.settling.pipeline import Pipeline

GAP_NS = 500_000_000
"""Times between samples up to this are never a gap (see Pad.take)."""


@dataclass(frozen=True, eq=False)
class Columns:
    """Samples in order of time: index of the pad in `pads`, times (ns, mono and wall), value on the wire.

    A value that is not a number stands for none.
    """

    pads: Sequence[str]
    pad: NDArray[np.intp]
    t_mono_ns: NDArray[np.int64]
    t_wall_ns: NDArray[np.int64]
    mass_wire_kg: NDArray[np.float64]

    def sample(self, i: int) -> Sample:
        """The i-th sample as a record."""
        x = float(self.mass_wire_kg[i])
        return Sample(
            pad=self.pads[self.pad[i]],
            t_mono_ns=int(self.t_mono_ns[i]),
            t_wall_ns=int(self.t_wall_ns[i]),
            mass_wire_kg=None if x != x else x,  # noqa: PLR0124 - the test for a NaN
            mass_kg=None if x != x else x,  # noqa: PLR0124 - the same
        )


class _PadParts:
    """One pad's cells of a block: which frames they are of, their parts, whether they may be taken whole."""

    def __init__(self, name: str, at: NDArray[np.intp], block: Columns, frame: NDArray[np.int64]) -> None:
        self.name = name
        self.next = 0
        t, x = block.t_mono_ns[at], block.mass_wire_kg[at]
        frames = frame[at]
        starts = np.flatnonzero(np.r_[True, frames[1:] != frames[:-1]])
        ends = np.r_[starts[1:], len(at)] - 1
        step = np.abs(np.diff(x, prepend=np.nan))
        gone = np.diff(t, prepend=t[0])
        odd = ~np.isfinite(x) | (gone < 0) | (gone > GAP_NS) | np.isnan(step)
        changed = (step >= SAME * np.abs(x)) & (step > 0.0)
        self.frames: list[int] = frames[starts].tolist()
        self.odd: list[bool] = np.logical_or.reduceat(odd, starts).tolist()
        self.jump: list[float] = np.maximum.reduceat(step, starts).tolist()
        self.before: list[float] = x[np.maximum(starts - 1, 0)].tolist()
        self.wall: list[int] = (block.t_wall_ns[at][ends] - t[ends]).tolist()
        total, t_total = _sums(x, t, starts, ends)
        last_but_one = np.where(ends > 0, x[np.maximum(ends - 1, 0)], np.nan)
        columns = (
            ends - starts + 1,
            x[starts],
            total,
            t_total,
            t[starts],
            last_but_one,
            x[ends],
            t[ends],
            np.minimum.reduceat(np.where(changed, step, np.inf), starts),
            np.add.reduceat(changed.astype(np.int64), starts),
        )
        self.parts: list[CellPart] = list(zip(*(c.tolist() for c in columns), strict=True))


def _sums(
    x: NDArray[np.float64], t: NDArray[np.int64], starts: NDArray[np.intp], ends: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sums of values and times beyond the first of each cell, added in order of time."""
    total, t_total = np.zeros(len(starts)), np.zeros(len(starts))
    for k in range(1, int((ends - starts).max(initial=0)) + 1):
        there = np.flatnonzero(starts + k <= ends)
        at = starts[there]
        total[there] += x[at + k] - x[at]
        t_total[there] += (t[at + k] - t[at]) * 1e-9
    return total, t_total


def feed_columns(pipeline: Pipeline, block: Columns) -> list[Record]:
    """Feed a block; returns what `feed` returns for its samples one by one, less the samples themselves."""
    if not len(block.pad):
        return []
    cell_ns, next_ns = pipeline.frame
    frame = np.maximum.accumulate(block.t_mono_ns // cell_ns)
    if next_ns > 0:
        frame = np.maximum(frame, next_ns // cell_ns - 1)
    starts = np.flatnonzero(np.r_[True, frame[1:] != frame[:-1]])
    bounds = [*starts.tolist(), len(frame)]
    pads = [
        _PadParts(name, at, block, frame)
        for p, name in enumerate(block.pads)
        if name in pipeline.pads and len(at := np.flatnonzero(block.pad == p))
    ]
    out: list[Record] = []
    first = block.t_mono_ns[starts].tolist()
    for k, number in enumerate(frame[starts].tolist()):
        out += pipeline.tick(first[k])
        mine = [
            parts for parts in pads if parts.next < len(parts.frames) and parts.frames[parts.next] == number
        ]
        if all(_plain(pipeline, parts) for parts in mine):
            for parts in mine:
                pipeline.pads[parts.name].take_cell(parts.parts[parts.next], parts.wall[parts.next])
        else:
            for i in range(bounds[k], bounds[k + 1]):
                out += [r for r in pipeline.feed(block.sample(i)) if not isinstance(r, Sample)]
        for parts in mine:
            parts.next += 1
    return out


def _plain(pipeline: Pipeline, parts: _PadParts) -> bool:
    """May the pad's next cell be taken whole?"""
    k = parts.next
    intake = pipeline.pads[parts.name].intake
    return (
        not parts.odd[k]
        and not intake.learning
        and intake.held is None
        and intake.count == 0
        and intake.last == parts.before[k]
        and parts.jump[k] <= intake.jump
    )
