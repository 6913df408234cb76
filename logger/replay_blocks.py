"""A journal through a bay in blocks: chunks as columns while all is ordinary, entry by entry where not."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np

from logger.bay import Bay
from logger.chunks import TIME, Chunks, Indices
from logger.derive import derive
from logger.journal_folder import OnDamage, Run, entries, read_rows
from logger.journal_rows import Rows
from logger.journal_segment import Batch, Damage, Entry
from logger.model import Gap, Record, Sample

MOST = 1 << 17
"""Rows of a block; bounds what is held at once."""
LEAST = 64
"""Rows of a block where most blocks end early; twice as many each time that most of one was taken."""


def told_in_blocks(run: Run, bay: Bay, notes: list[str]) -> Iterator[Record]:
    """Every record but samples that a run's journal gives; damaged places are noted."""

    def note(path: Path, damage: Damage) -> None:
        notes.append(f"{path}: {damage.reason}")

    for path, item in read_rows(run, note):
        if isinstance(item, Gap):
            yield item
        elif isinstance(item, Batch):
            yield from _one_by_one(bay, entries(path, item, item.rows, note))
        else:
            yield from _in_blocks(bay, path, item, note)
    yield from _less_samples(bay.finish())


def _less_samples(records: Iterable[Record]) -> Iterator[Record]:
    return (record for record in records if not isinstance(record, Sample))


def _one_by_one(bay: Bay, found: Iterable[Entry]) -> Iterator[Record]:
    for entry in found:
        yield from _less_samples(derive(bay, entry))


def _sleeps(rows: Rows, ticks: Indices) -> Indices:
    """Places of those ticks before which the computer may have slept."""
    sleeps = [not rows.data.piece(k).endswith(b',"slept_ns":0}') for k in ticks.tolist()]
    return ticks[np.array(sleeps, np.bool_)]


def _in_blocks(bay: Bay, path: Path, rows: Rows, note: OnDamage) -> Iterator[Record]:
    size = MOST
    for begin in range(0, len(rows), MOST):
        end = min(begin + MOST, len(rows))
        port, alone = _kinds(rows, list(bay.counts), begin, end)
        lo = begin
        for stop in [*alone.tolist(), end]:
            while lo < stop:
                hi = min(lo + size, stop)
                block = Chunks(
                    ports=list(bay.counts),
                    port=port[lo - begin : hi - begin],
                    t_mono_ns=rows.t_mono_ns[lo:hi],
                    t_wall_ns=rows.t_wall_ns[lo:hi],
                    data=rows.data.taken(lo, hi),
                )
                records, taken = bay.feed_chunks(block)
                yield from records
                size = min(2 * size, MOST) if 2 * taken > hi - lo else max(size // 8, LEAST)
                lo += taken
                if lo < hi:
                    yield from _one_by_one(bay, entries(path, rows, rows.rows(lo, lo + 1), note))
                    lo += 1
            if lo < end:
                yield from _one_by_one(bay, entries(path, rows, rows.rows(lo, lo + 1), note))
                lo += 1


def _kinds(rows: Rows, names: list[str], begin: int, end: int) -> tuple[Indices, Indices]:
    """Number of each row's port, or TIME, and the places of those that have to be fed one by one."""
    port = rows.port.taken(begin, end).numbers(names)
    kind = rows.kind.taken(begin, end).numbers(["chunk", "tick"])
    port[kind == 1] = TIME
    others = np.flatnonzero((kind < 0) | ((kind == 0) & (port < 0))) + begin
    return port, np.union1d(others, _sleeps(rows, np.flatnonzero(kind == 1) + begin))
