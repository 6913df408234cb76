"""Many pieces of bytes in one buffer: what a column of a journal holds, without an object for each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


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

    def joined(self, where: NDArray[np.intp]) -> bytes:
        """These pieces, one after another."""
        starts, sizes = self.starts[where], self.sizes[where]
        ends = np.cumsum(sizes)
        out = np.empty(int(ends[-1]) if len(ends) else 0, np.uint8)
        goals = ends - sizes
        for size in np.unique(sizes[sizes > 0]).tolist():  # those of one size are moved at once
            here = np.flatnonzero(sizes == size)
            _by_size(out, size)[goals[here]] = _by_size(self.values, size)[starts[here]]
        return out.tobytes()


def _by_size(values: NDArray[np.uint8], size: int) -> NDArray[np.void]:
    """All pieces of a size that there are, one at every byte."""
    return np.ndarray((len(values) - size + 1,), f"V{size}", values, strides=(1,))
