"""Many pieces of bytes of one size, eight bytes at a time: compared and found without an object for each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Words = list[NDArray[np.uint64]]
"""Columns of numbers; together they hold every byte of each piece, some twice."""
_ODD = 0x9E3779B97F4A7C15
"""Multiplies what is looked up, as in Fibonacci hashing: 2^64 over the golden ratio, odd."""


def by_size(values: NDArray[np.uint8], size: int) -> NDArray[np.void]:
    """All pieces of a size that there are, one at every byte."""
    return np.ndarray((max(len(values) - size + 1, 0),), f"V{size}", values, strides=(1,))


def words(values: NDArray[np.uint8], starts: NDArray[np.int64], size: int) -> Words:
    """The pieces of this size that begin at these places of `values`."""
    if size >= 8:
        eights = by_size(values, 8)
        return [eights[starts + place].view(np.uint64) for place in _places(size)]
    if size == 0:
        return []
    if len(values) < 8:
        values = np.concatenate((values, np.zeros(8, np.uint8)))
    over = len(starts) and int(starts.max()) > len(values) - 8
    at = np.minimum(starts, len(values) - 8) if over else starts
    eight = by_size(values, 8)[at].view(np.uint64)
    if over:
        eight >>= (8 * (starts - at)).astype(np.uint64)
    return [eight & np.uint64((1 << 8 * size) - 1)]


def words_in_a_row(values: NDArray[np.uint8], size: int) -> Words:
    """The same of pieces that lie one behind another, in less time."""
    if size < 8:
        return words(values, np.arange(0, len(values), size), size)
    return [by_size(values, 8)[place::size].copy().view(np.uint64) for place in _places(size)]


def _places(size: int) -> list[int]:
    """Where the words of a piece begin that has at least one."""
    return [*range(0, size - 7, 8), *([size - 8] if size % 8 else [])]


def words_of(piece: bytes) -> list[int]:
    """One piece, in the same way."""
    one = words(np.frombuffer(piece, np.uint8), np.zeros(1, np.int64), len(piece))
    return [int(word[0]) for word in one]


def hashed(key: Words) -> NDArray[np.uint64]:
    """A number for each piece whose highest bits differ where pieces do, mostly."""
    total = np.zeros(len(key[0]), np.uint64) if key else np.zeros(0, np.uint64)
    for k, word in enumerate(key):
        total += word * np.uint64(_ODD * (2 * k + 1) % (1 << 64))
    return (total ^ total >> np.uint64(32)) * np.uint64(_ODD)


class Table:
    """Keys, each of as many words, that are found again by what they are; the first taken is number 0."""

    def __init__(self, width: int) -> None:
        self._keys: Words = [np.zeros(0, np.uint64) for _ in range(width)]
        self._bits = 8
        self._slots = np.full(1 << self._bits, -1, np.intp)

    def __len__(self) -> int:
        """How many keys."""
        return len(self._keys[0])

    def find(self, key: Words) -> NDArray[np.intp]:
        """Their numbers; -1 for those that are not there."""
        slot = self._slot(key)
        found = self._slots[slot]
        left = self._others(key, found)
        while len(left):
            slot[left] = (slot[left] + 1) % len(self._slots)
            found[left] = here = self._slots[slot[left]]
            left = left[self._others([word[left] for word in key], here)]
        return found

    def add(self, key: Words) -> None:
        """Take keys that are not there, all different."""
        first = len(self)
        self._keys = [np.concatenate(pair) for pair in zip(self._keys, key, strict=True)]
        if 4 * len(self) > len(self._slots):  # few slots are taken: most keys are found at the first
            while 4 * len(self) > 1 << self._bits:
                self._bits += 2
            self._slots = np.full(1 << self._bits, -1, np.intp)
            first = 0
        number = np.arange(first, len(self))
        slot = self._slot([word[first:] for word in self._keys])
        while len(number):
            free = self._slots[slot] < 0
            self._slots[slot[free]] = number[free]
            left = self._slots[slot] != number
            number, slot = number[left], (slot[left] + 1) % len(self._slots)

    def _slot(self, key: Words) -> NDArray[np.intp]:
        return (hashed(key) >> np.uint64(64 - self._bits)).astype(np.intp)

    def _others(self, key: Words, found: NDArray[np.intp]) -> NDArray[np.intp]:
        """Where something was found that is another key."""
        if not len(self):
            return np.zeros(0, np.intp)
        other = np.zeros(len(found), np.bool_)
        for mine, theirs in zip(self._keys, key, strict=True):
            other |= mine[found] != theirs
        return np.flatnonzero(other & (found >= 0))
