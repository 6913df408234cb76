"""Many chunks as columns, and what their good messages say as columns of samples: how a journal is replayed.

A bay takes such chunks as long as all is ordinary (`Bay.feed_chunks`); whatever is not is fed to it chunk by
chunk.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drivers.api import Frame
from drivers.stretch import Stretch
from logger.columns import Columns
from logger.model import Sample
from logger.packed import Packed

Indices = NDArray[np.intp]
Taken = tuple[Columns, Indices, Indices]
"""Rows of what a port's messages say, and the place of the chunk that each came with."""
_NOTHING = Sample(pad="", t_mono_ns=0, t_wall_ns=0, mass_wire_kg=None, mass_kg=None)


TIME = -1
"""In place of a port's number: no chunk, but a moment at which time was let pass (`Bay.advance`)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Chunks:
    """Chunks in the order they came: `port` counts in `ports`, or is TIME; times are int64 ns."""

    ports: Sequence[str]
    port: Indices
    t_mono_ns: NDArray[np.int64]
    t_wall_ns: NDArray[np.int64]
    data: Packed

    def __len__(self) -> int:
        """How many chunks."""
        return len(self.data)


class Known:
    """What the different messages of one port give, each once: samples without times."""

    def __init__(self, pads: tuple[str, ...], sample_of: Callable[[Frame], Sample | None]) -> None:
        """Take all pads, and what makes a sample of a frame; None where it gives none."""
        self._pads, self._sample_of = pads, sample_of
        self._forget()

    def _forget(self) -> None:
        self._messages: list[list[Frame]] = []
        self.frame: list[Frame] = []
        self.columns = Columns.of([], self._pads)
        """A row for each frame: what it says as a sample; -1 for the pad of one that gives none."""
        self.first, self.count = np.zeros(0, np.intp), np.zeros(0, np.intp)
        """By message: its first row, and how many it has."""
        self.odd = np.zeros(0, np.bool_)
        """By message: whether it has a sequence number, which only feeding heeds."""

    def learn(self, messages: list[list[Frame]]) -> None:
        """Take the messages that have come up since; another list begins anew."""
        if messages is not self._messages:
            self._forget()
            self._messages = messages
        new = messages[len(self.count) :]
        if not new:
            return
        count = np.array([len(each) for each in new], np.intp)
        self.first = np.concatenate((self.first, len(self.frame) + np.cumsum(count) - count))
        self.count = np.concatenate((self.count, count))
        odd = [any(frame.seq is not None for frame in each) for each in new]
        self.odd = np.concatenate((self.odd, np.array(odd, np.bool_)))
        frames = [frame for each in new for frame in each]
        self.frame += frames
        rows = Columns.of([self._sample_of(frame) or _NOTHING for frame in frames], self._pads)
        self.columns = Columns.joined((self.columns, rows))

    def rows(self, which: Indices) -> tuple[Indices, Indices]:
        """The rows of these messages in order, and for each the message's place in `which`."""
        count = self.count[which]
        if (count == 1).all():
            return self.first[which], np.arange(len(which))
        place = np.repeat(np.arange(len(which)), count)
        inside = np.arange(len(place)) - np.repeat(np.cumsum(count) - count, count)
        return self.first[which][place] + inside, place


class Part:
    """One port's chunks among all, and the good messages that their bytes give from the first on."""

    def __init__(self, chunks: Chunks, where: Indices, stretch: Stretch, known: Known) -> None:
        """`where` are the places of the port's chunks."""
        known.learn(stretch.frames)
        self._where, self._stretch, self.known = where, stretch, known
        which = stretch.which
        odd = np.flatnonzero(known.odd[which])
        self._which = which[: odd[0]] if len(odd) else which
        self._ends = stretch.ends[: len(self._which)] - stretch.held
        """By message: where it ends in the bytes of these chunks."""
        self._stops = np.cumsum(chunks.data.sizes[where])
        """By chunk: where it ends in them."""

    def good(self) -> int | None:
        """Place of the first chunk whose bytes are not all of good messages; None where all are."""
        read = self._ends[-1] if len(self._ends) else -self._stretch.held
        if read == self._stops[-1]:
            return None
        first = int(np.searchsorted(self._stops, max(read, 0), side="right"))
        return int(self._where[min(first, len(self._where) - 1)])

    def taken(self, before: int) -> tuple[Indices, Indices, int, bytes]:
        """Rows of `known` and the place of each one's chunk, for all chunks before that place; how many bytes
        these have, and the last of them, which no message has ended yet."""
        chunks = int(np.searchsorted(self._where, before))
        size = int(self._stops[chunks - 1]) if chunks else 0
        messages = int(np.searchsorted(self._ends, size, side="right"))
        rows, place = self.known.rows(self._which[:messages])
        chunk = self._where[np.searchsorted(self._stops, self._ends[:messages], side="left")]
        held = self._stretch.held
        read = int(self._ends[messages - 1]) + held if messages else 0
        return rows, chunk[place], size, self._stretch.buffer[read : held + size]


def samples_of(
    chunks: Chunks, taken: Sequence[Taken], count: int, pads: tuple[str, ...], late_ns: int
) -> Columns:
    """The samples of several ports in the order they came, with the times of their chunks.

    Where time was let pass among the first `count`, a row of pad -1 says to when: `late_ns` ago.
    """
    passes = np.flatnonzero(chunks.port[:count] == TIME)
    taken = [*taken, (Columns.of([_NOTHING], pads), np.zeros(len(passes), np.intp), passes)]
    base = np.cumsum([0, *(len(columns) for columns, _, _ in taken)])
    rows = np.concatenate([rows + at for (_, rows, _), at in zip(taken, base[:-1], strict=True)])
    chunk = np.concatenate([chunk for _, _, chunk in taken])
    order = np.argsort(chunk, kind="stable")
    at = chunk[order]
    said = Columns.joined([columns for columns, _, _ in taken]).taken(rows[order])
    t_mono_ns = chunks.t_mono_ns[at] - np.where(said.pad < 0, late_ns, 0)
    return replace(said, t_mono_ns=t_mono_ns, t_wall_ns=chunks.t_wall_ns[at])
