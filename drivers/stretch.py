"""Many messages at once, for replay: the same bytes come again and again, and are decoded once.

A stretch is what a driver would make of its next bytes if all of them are good messages one after another. It
changes nothing; what of it is wanted is then taken as read. Anything else (damage, noise, hunting, polling)
is not for stretches: those bytes are fed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import repeat

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from drivers.api import Frame, Reason
from drivers.cutters import Cutter, Ended

MOST = 1 << 15
"""Different messages remembered; then the memory is emptied before the next stretch."""


Key = tuple[int, "tuple[bytes, ...] | None"]
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
    """Decodes messages and remembers them: by their bytes, and by what their frames are made of.

    The second helps where a counter or a clock in each line makes all of them different.
    """

    def __init__(self, decode: Callable[[bytes], list[Frame] | Reason], gist: Gist) -> None:
        self._decode, self._gist = decode, gist
        self._empty()

    def _empty(self) -> None:
        self._known: dict[bytes, int] = {}
        self._said: dict[Key, int] = {}
        self._frames: list[list[Frame]] = []
        self._sizes: list[int] = []

    def stretch(self, cutter: Cutter, rest: bytes, data: bytes) -> Stretch:
        """Read good messages from `rest` and `data` on, up to the first that is none, or not yet whole."""
        if len(self._frames) > MOST:
            self._empty()
        if len(self._known) > MOST:
            self._known = {}
        buffer = rest + data if rest else data
        pieces, tail = _pieces(cutter, buffer)
        which = self._numbers(pieces, tail, cutter.longest)
        return Stretch(buffer, len(rest), which, self._frames, self._sizes)

    def _numbers(self, pieces: list[bytes], tail: bytes, longest: int) -> NDArray[np.intp]:
        known, said, gist = self._known, self._said, self._gist
        found = np.fromiter(map(known.get, pieces, repeat(-1)), np.intp, len(pieces))
        for at in np.flatnonzero(found < 0).tolist():
            piece = pieces[at]
            number = known.get(piece)
            if number is None:
                message = piece + tail
                size = len(message)
                key = size, gist(message) if size <= longest else None
                number = said.get(key)
                if number is None:
                    number = self._decoded(message, key)
                    if number is None:
                        return found[:at]
                known[piece] = number
            found[at] = number
        return found

    def _decoded(self, message: bytes, key: Key) -> int | None:
        """Number of a message that says something new; None of one that is not good."""
        read = self._decode(message) if key[1] is not None else None
        if not isinstance(read, list):
            return None
        number = self._said[key] = len(self._frames)
        self._frames.append([replace(frame, raw=b"") for frame in read])
        self._sizes.append(len(message))
        return number


def _pieces(cutter: Cutter, buffer: bytes) -> tuple[list[bytes], bytes]:
    """The messages that `cutter.ends` finds, and what stands behind each of them that is left out here."""
    if isinstance(cutter, Ended) and cutter.plain:
        return buffer.split(cutter.end)[:-1], cutter.end
    at, pieces = 0, []
    for stop in cutter.ends(buffer, 0):
        pieces.append(buffer[at:stop])
        at = stop
    return pieces, b""
