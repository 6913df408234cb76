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
from drivers.words import Table, Words, by_size, hashed, words, words_in_a_row, words_of

MOST = 1 << 15
"""Different messages remembered; then the memory is emptied before the next stretch."""
AT_ONCE = 1 << 12
"""Messages of a stretch that are remembered as they are."""


Bytes = NDArray[np.uint8]
Key = tuple[int, tuple[bytes, ...]]
"""A message's size, and its gist."""
Gist = Callable[[bytes], "tuple[bytes, ...] | None"]
"""What of a message its frames are made of; None of one that is refused by its framing."""


@dataclass(frozen=True, eq=False)
class Stretch:
    """Good messages that follow one another from the first byte not yet read.

    `buffer` holds the `held` bytes that the driver had kept back, then those asked about. Message k ends
    before byte `ends[k]` and is number `which[k]` of the different ones, whose frames (less their `raw`) are
    `frames`: these only grow, until they are another list.
    """

    buffer: bytes
    held: int
    which: NDArray[np.intp]
    ends: NDArray[np.int64]
    frames: list[list[Frame]]


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

    def stretch(self, cutter: Cutter, rest: bytes, data: bytes) -> Stretch:
        """Read good messages from `rest` and `data` on, up to the first that is none, or not yet whole."""
        if len(self._frames) > MOST:
            self._empty()
        if sum(map(len, self._of_size.values())) > MOST:
            self._of_size.clear()
        buffer = rest + data if rest else data
        values = np.frombuffer(buffer, np.uint8)
        ends = _ends(cutter, buffer, values)
        sizes = np.diff(ends, prepend=0)
        good = _first(sizes > cutter.longest)
        which = np.full(good, -1, np.intp)
        starts, sizes = ends[:good] - sizes[:good], sizes[:good]
        for size in np.flatnonzero(np.bincount(sizes)).tolist():
            here = np.flatnonzero(sizes[:good] == size)
            found = self._messages(size).numbers(values, starts[here])
            which[here[: len(found)]] = found
            good = int(here[len(found)]) if len(found) < len(here) else good
        return Stretch(buffer, len(rest), which[:good], ends[:good], self._frames)

    def _messages(self, size: int) -> _OfSize:
        if size not in self._of_size:
            self._of_size[size] = _OfSize(size, self._alike, self._number)
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
        return number


class _OfSize:
    """Messages of one size that came before: their shapes, and those that differ in what matters.

    `read` gives the number of a message not seen before, None where it is not good.
    """

    def __init__(self, size: int, alike: Alike | None, read: Callable[[bytes], int | None]) -> None:
        self._size, self._alike, self._read = size, alike, read
        width = len(words_of(bytes(size)))
        self._exact: Table | None = Table(width) if alike else None
        """Messages as they are; None where all matters, or too few come again to look for them first."""
        self._exact_numbers = np.zeros(0, np.intp)
        self._shapes = Table(width)
        self._matters: Words = [np.zeros(0, np.uint64) for _ in range(width)]
        """By shape: the bytes that matter, as all ones."""
        self._keys = Table(width + (alike is not None))
        self._numbers = np.zeros(0, np.intp)

    def __len__(self) -> int:
        """How many messages and shapes."""
        return len(self._keys) + len(self._shapes) + len(self._exact or ())

    def numbers(self, values: Bytes, starts: NDArray[np.int64]) -> NDArray[np.intp]:
        """The numbers of messages that begin at these places, up to the first that is not good."""
        if self._exact is None:
            return self._told(by_size(values, self._size)[starts].tobytes())
        key = words(values, starts, self._size)
        found = self._exact.find(key)
        numbers = np.append(self._exact_numbers, -1)[found]
        missing = np.flatnonzero(found < 0)
        if not len(missing):
            return numbers
        told = self._told(by_size(values, self._size)[starts[missing]].tobytes())
        seen, bad = missing[: len(told)], missing[len(told) :]
        numbers[seen] = told
        if 2 * len(missing) > len(found) and len(self._exact) > AT_ONCE:
            self._exact = None
        else:
            new = [word[seen[:AT_ONCE]] for word in key]
            _, firsts = np.unique(hashed(new), return_index=True)
            self._exact.add([word[firsts] for word in new])
            self._exact_numbers = np.append(self._exact_numbers, told[firsts])
        return numbers[: bad[0]] if len(bad) else numbers

    def _told(self, data: bytes) -> NDArray[np.intp]:
        """The same for messages one behind another, by what of them matters."""
        key = self._words(data)
        if self._alike is not None:
            shape = self._shape(data, self._words(data.translate(self._alike.classes)))
            matters = [word[shape] for word in self._matters]
            key = [word[: len(shape)] & which for word, which in zip(key, matters, strict=True)]
            key.append(shape.astype(np.uint64))
        found = self._keys.find(key)
        while len(missing := np.flatnonzero(found < 0)):
            _, firsts = np.unique(hashed([word[missing] for word in key]), return_index=True)
            new, numbers = [], []
            for k in missing[np.sort(firsts)].tolist():
                number = self._read(self._message(data, k))
                if number is None:
                    found, key = found[:k], [word[:k] for word in key]
                    break
                new.append(k)
                numbers.append(number)
            self._keys.add([word[new] for word in key])
            self._numbers = np.append(self._numbers, np.array(numbers, np.intp))
            missing = missing[missing < len(found)]
            found[missing] = self._keys.find([word[missing] for word in key])
        return self._numbers[found]

    def _shape(self, data: bytes, classes: Words) -> NDArray[np.intp]:
        """Numbers of the shapes up to the first message of a new one that is not good."""
        found = self._shapes.find(classes)
        while len(missing := np.flatnonzero(found < 0)):
            k = int(missing[0])
            message = self._message(data, k)
            if self._read(message) is None:
                return found[:k]
            assert self._alike is not None
            matters = bytearray(self._size)
            for begin, end, _ in self._alike.spans(message):
                matters[max(begin, 0) : end] = b"\xff" * (end - begin)  # -1 to -1 where there is none
            self._shapes.add([word[k : k + 1] for word in classes])
            for n, word in enumerate(words_of(bytes(matters))):
                self._matters[n] = np.append(self._matters[n], np.uint64(word))
            found[missing] = self._shapes.find([word[missing] for word in classes])
        return found

    def _message(self, data: bytes, k: int) -> bytes:
        return data[k * self._size : (k + 1) * self._size]

    def _words(self, data: bytes) -> Words:
        return words_in_a_row(np.frombuffer(data, np.uint8), self._size)


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
