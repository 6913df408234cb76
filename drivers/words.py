"""Many pieces of bytes of one size, eight bytes at a time: compared without an object for each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Words = list[NDArray[np.uint64]]
"""Columns of numbers; together they hold every byte of each piece, some twice."""


def by_size(values: NDArray[np.uint8], size: int) -> NDArray[np.void]:
    """All pieces of a size that there are, one at every byte."""
    return np.ndarray((max(len(values) - size + 1, 0),), f"V{size}", values, strides=(1,))


def words(values: NDArray[np.uint8], starts: NDArray[np.int64], size: int) -> Words:
    """The pieces of this size that begin at these places of `values`."""
    if size >= 8:
        places = [*range(0, size - 7, 8), *([size - 8] if size % 8 else [])]
        eights = by_size(values, 8)
        return [eights[starts + place].view(np.uint64) for place in places]
    if size == 0:
        return []
    if len(values) < 8:
        values = np.concatenate((values, np.zeros(8, np.uint8)))
    at = np.minimum(starts, len(values) - 8)
    eight = by_size(values, 8)[at].view(np.uint64) >> (8 * (starts - at)).astype(np.uint64)
    return [eight & np.uint64((1 << 8 * size) - 1)]


def words_of(piece: bytes) -> list[int]:
    """One piece, in the same way."""
    one = words(np.frombuffer(piece, np.uint8), np.zeros(1, np.int64), len(piece))
    return [int(word[0]) for word in one]
