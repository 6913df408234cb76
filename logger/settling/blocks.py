"""A block of samples on its way into cells, frame by frame: as if each had been fed by itself, in less time.

What is ordinary in a frame goes to the pads' intakes at once; a frame in which any sample is not (refused, a
gap before it, something new said beside the mass) is fed sample by sample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.columns import Columns
from logger.settling.intake import LARGEST, OVERLOADED, Readings

GAP_NS = 500_000_000
"""A pad's sample that comes so long after the one before may have a gap before it."""


@dataclass(frozen=True, eq=False)
class Frames:
    """Where frames begin and end in a block, and which of them are ordinary.

    `starts` and `ends` are places in the block, `ticks` whether a frame's first sample ends the frame before,
    `plain` whether every sample is ordinary. `bounds[k]` are the places in pad k's readings where each frame
    begins, and the end.
    """

    starts: list[int]
    ends: list[int]
    ticks: list[bool]
    plain: list[bool]
    readings: list[Readings]
    bounds: list[list[int]]


def frames(block: Columns, cell_ns: int, next_ns: int) -> Frames:
    """Cut a block into frames of `cell_ns`, the running one ending at `next_ns`."""
    now = next_ns // cell_ns - 1
    latest = np.maximum.accumulate(np.maximum(block.t_mono_ns // cell_ns, now))
    begins = latest > np.concatenate(((now,), latest[:-1]))
    edge = begins.copy()
    edge[0] = True
    starts = np.flatnonzero(edge)
    refused, news = _refused(block), _told(block)
    odd = np.zeros(len(block), dtype=np.bool_)
    places = [np.flatnonzero(block.pad == k) for k in range(len(block.pads))]
    readings = []
    for where in places:
        t_ns = block.t_mono_ns[where]
        odd[where] = _odd(t_ns, refused[where], [column[where] for column in news])
        readings.append(Readings(block.floats["mass_wire_kg"][where], t_ns, block.t_wall_ns[where] - t_ns))
    edges = np.append(starts, len(block))
    return Frames(
        starts=starts.tolist(),
        ends=edges[1:].tolist(),
        ticks=begins[starts].tolist(),
        plain=(~np.logical_or.reduceat(odd, starts)).tolist(),
        readings=readings,
        bounds=[np.searchsorted(where, edges).tolist() for where in places],
    )


def _refused(block: Columns) -> NDArray[np.bool_]:
    """Which samples are no readings."""
    refused: NDArray[np.bool_] = ~(np.abs(block.floats["mass_wire_kg"]) < LARGEST)
    if block.missing.any():
        refused |= block.missing
    if block.flags.any():
        refused |= (block.flags & OVERLOADED) != 0
    return refused


def _told(block: Columns) -> list[NDArray[np.float64]]:
    """Columns of what is said beside the mass, as far as anything is."""
    columns = [block.floats[name] for name in ("resolution_kg", "temperature_C")]
    return [column for column in columns if not np.isnan(column).all()]


def _odd(
    t_ns: NDArray[np.int64], refused: NDArray[np.bool_], news: list[NDArray[np.float64]]
) -> NDArray[np.bool_]:
    """Which of a pad's samples need a look: the first, all that are refused, the next after such a one, what
    follows a gap or tells news."""
    gone = t_ns[1:] - np.maximum.accumulate(t_ns)[:-1]
    refused[1:] |= gone < 0
    odd: NDArray[np.bool_] = refused.copy()
    odd[:1] = True
    odd[1:] |= refused[:-1] | (gone > GAP_NS)
    for column in news:
        same = column[1:] == column[:-1]
        if not same.all():
            odd[1:] |= ~(same | np.isnan(column[1:]))
    return odd
