"""Many messages at once, for replay: the same bytes come again and again, and are decoded once.

So do those bytes of a message that its frames are made of, where the others count or tell the time.

A stretch is what a driver would make of its next bytes if all of them are good messages one after another. It
changes nothing; what of it is wanted is then taken as read. Anything else (damage, noise, hunting, polling)
is not for stretches: those bytes are fed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from drivers.alike import Alike
from drivers.api import Frame, Reason
from drivers.cutters import Cutter, Ended, Sized
from drivers.words import Table, Words, hashed, words, words_of

MOST = 1 << 15
"""Different messages remembered; then the memory is emptied before the next stretch."""


Bytes = NDArray[np.uint8]
Key = tuple[int, tuple[bytes, ...]]
"""A message's size, and its gist."""
Gist = Callable[[bytes], "tuple[bytes, ...] | None"]
"""What of a message its frames are made of; None of one that is refused by its framing."""


@dataclass(frozen=True, eq=False)
class Stretch:
    """Good messages that follow one another from the first byte not yet read.

    `buffer` holds the `held` bytes that the driver had kept back, then those asked about. Message k is number
    `which[k]` of the different ones, whose frames (less their `raw`) and sizes (bytes) are `frames` and
    `sizes`: both only grow, until they are other lists.
    """

    buffer: bytes
    held: int
    which: NDArray[np.intp]
    frames: list[list[Frame]]
    sizes: list[int]


class Memory:
    """Decodes messages and remembers them: by their bytes that matter, and by what frames are made of.

    Where a layout says nothing about likeness, all bytes matter.
    """

    def __init__(
        self, decode: Callable[[bytes], list[Frame] | Reason], gist: Gist, alike: Alike | None
    ) -> None:
        self._decode, self._gist, self._alike = decode, gist, alike
        self._of_size: dict[int, _OfSize] = {}
        self._empty()

    def _empty(self) -> None:
        self._of_size.clear()
        self._said: dict[Key, int] = {}
        self._frames: list[list[Frame]] = []
        self._sizes: list[int] = []

    def stretch(self, cutter: Cutter, rest: bytes, data: bytes) -> Stretch:
        """Read good messages from `rest` and `data` on, up to the first that is none, or not yet whole."""
        if len(self._frames) > MOST:
            self._empty()
        if sum(map(len, self._of_size.values())) > MOST:
            self._of_size.clear()
        buffer = rest + data if rest else data
        values = np.frombuffer(buffer, np.uint8)
        classes = (
            None if self._alike is None else np.frombuffer(buffer.translate(self._alike.classes), np.uint8)
        )
        ends = _ends(cutter, buffer, values)
        starts = np.concatenate((np.zeros(1, np.int64), ends[:-1]))[: len(ends)]
        sizes = ends - starts
        good = _first(sizes > cutter.longest)
        which = np.full(good, -1, np.intp)
        for size in np.unique(sizes[:good]).tolist():
            here = np.flatnonzero(sizes[:good] == size)
            found = self._messages(size).numbers(values, classes, starts[here], self._number)
            which[here[: len(found)]] = found
            good = int(here[len(found)]) if len(found) < len(here) else good
        return Stretch(buffer, len(rest), which[:good], self._frames, self._sizes)

    def _messages(self, size: int) -> _OfSize:
        if size not in self._of_size:
            self._of_size[size] = _OfSize(size, self._alike)
        return self._of_size[size]

    def _number(self, message: bytes) -> int | None:
        """Number of a message by what it says; None of one that is not good."""
        gist = self._gist(message)
        if gist is None:
            return None
        key = len(message), gist
        number = self._said.get(key)
        if number is None:
            read = self._decode(message)
            if not isinstance(read, list):
                return None
            number = self._said[key] = len(self._frames)
            self._frames.append([replace(frame, raw=b"") for frame in read])
            self._sizes.append(len(message))
        return number


class _OfSize:
    """Messages of one size that came before: their shapes, and those that differ in what matters."""

    def __init__(self, size: int, alike: Alike | None) -> None:
        self._size, self._alike = size, alike
        width = len(words_of(bytes(size)))
        self._shapes = Table(width)
        self._matters: Words = [np.zeros(0, np.uint64) for _ in range(width)]
        """By shape: the bytes that matter, as all ones."""
        self._keys = Table(width + (alike is not None))
        self._numbers = np.zeros(0, np.intp)

    def __len__(self) -> int:
        """How many messages and shapes."""
        return len(self._keys) + len(self._shapes)

    def numbers(
        self,
        values: Bytes,
        classes: Bytes | None,
        starts: NDArray[np.int64],
        read: Callable[[bytes], int | None],
    ) -> NDArray[np.intp]:
        """Their numbers up to the first that is not good; `read` says that of a message not seen before."""

        def message(k: int) -> bytes:
            return values[int(starts[k]) : int(starts[k]) + self._size].tobytes()

        key = words(values, starts, self._size)
        if self._alike is not None and classes is not None:
            shape = self._shape(words(classes, starts, self._size), message, read)
            key = [
                word[: len(shape)] & matters[shape] for word, matters in zip(key, self._matters, strict=True)
            ]
            key.append(shape.astype(np.uint64))
        found = self._keys.find(key)
        while len(missing := np.flatnonzero(found < 0)):
            _, firsts = np.unique(hashed([word[missing] for word in key]), return_index=True)
            new, numbers = [], []
            for k in missing[np.sort(firsts)].tolist():
                number = read(message(k))
                if number is None:
                    found, key = found[:k], [word[:k] for word in key]
                    break
                new.append(k)
                numbers.append(number)
            self._keys.add([word[new] for word in key])
            self._numbers = np.concatenate((self._numbers, np.array(numbers, np.intp)))
            missing = missing[missing < len(found)]
            found[missing] = self._keys.find([word[missing] for word in key])
        return self._numbers[found]

    def _shape(
        self, classes: Words, message: Callable[[int], bytes], read: Callable[[bytes], int | None]
    ) -> NDArray[np.intp]:
        """Numbers of the shapes up to the first message of a new one that is not good."""
        found = self._shapes.find(classes)
        while len(missing := np.flatnonzero(found < 0)):
            k = int(missing[0])
            if read(message(k)) is None:
                return found[:k]
            assert self._alike is not None
            matters = bytearray(self._size)
            for begin, end, _ in self._alike.spans(message(k)):
                matters[max(begin, 0) : end] = b"\xff" * (end - begin)  # -1 to -1 where there is none
            self._shapes.add([word[k : k + 1] for word in classes])
            for n, word in enumerate(words_of(bytes(matters))):
                self._matters[n] = np.append(self._matters[n], np.uint64(word))
            found[missing] = self._shapes.find([word[missing] for word in classes])
        return found


def _first(wrong: NDArray[np.bool_]) -> int:
    """Place of the first that is; how many there are if none is."""
    where = np.flatnonzero(wrong)
    return int(where[0]) if len(where) else len(wrong)


def _ends(cutter: Cutter, buffer: bytes, values: Bytes) -> NDArray[np.int64]:
    """Where the messages end that `cutter.ends` finds; of lines, empty and overlong ones among them."""
    if isinstance(cutter, Ended) and cutter.plain:
        size = len(cutter.end)
        last = np.flatnonzero(values[size - 1 :] == cutter.end[-1]) + size
        for k, byte in enumerate(cutter.end[:-1]):
            last = last[values[last - size + k] == byte]
        return last
    if isinstance(cutter, Sized):
        ends = np.arange(cutter.longest, len(values) + 1, cutter.longest)
        for k, byte in enumerate(cutter.start):
            ends = ends[: _first(values[ends - cutter.longest + k] != byte)]
        return ends
    return np.fromiter(cutter.ends(buffer, 0), np.int64)
