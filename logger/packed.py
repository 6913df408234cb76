"""Many pieces of bytes in one buffer: what a column of a journal holds, without an object for each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.words import by_size, words, words_of


@dataclass(frozen=True, eq=False)
class Packed:
    """Pieces of `values` (bytes): where each begins, and its size."""

    values: NDArray[np.uint8]
    starts: NDArray[np.int64]
    sizes: NDArray[np.int64]

    def __len__(self) -> int:
        """How many pieces."""
        return len(self.starts)

    def taken(self, lo: int, hi: int) -> Packed:
        """Those from `lo` to before `hi`."""
        return Packed(self.values, self.starts[lo:hi], self.sizes[lo:hi])

    def piece(self, k: int) -> bytes:
        """One of them."""
        start = int(self.starts[k])
        return self.values[start : start + int(self.sizes[k])].tobytes()

    def joined(self, where: NDArray[np.intp] | slice) -> bytes:
        """These pieces, one after another."""
        starts, sizes = self.starts[where], self.sizes[where]
        if len(sizes) and sizes[0] and (sizes == sizes[0]).all():
            return by_size(self.values, int(sizes[0]))[starts].tobytes()
        ends = np.cumsum(sizes)
        out = np.empty(int(ends[-1]) if len(ends) else 0, np.uint8)
        goals = ends - sizes
        for size in np.unique(sizes[sizes > 0]).tolist():  # those of one size are moved at once
            here = np.flatnonzero(sizes == size)
            by_size(out, size)[goals[here]] = by_size(self.values, size)[starts[here]]
        return out.tobytes()

    def numbers(self, names: Sequence[str]) -> NDArray[np.intp]:
        """Pieces as their places among names; -1 for one that is none of them."""
        numbers = np.full(len(self), -1, np.intp)
        wanted = [name.encode() for name in names]
        for size in {len(name) for name in wanted}:
            where = np.flatnonzero(self.sizes == size)
            key = words(self.values, self.starts[where], size)
            found = np.full(len(where), -1, np.intp)
            for number, name in enumerate(wanted):
                if len(name) == size:
                    same = np.ones(len(where), np.bool_)
                    for word, like in zip(key, words_of(name), strict=True):
                        same &= word == np.uint64(like)
                    found[same] = number
            numbers[where] = found
        return numbers
