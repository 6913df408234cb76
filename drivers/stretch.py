"""Many messages at once, for replay: the same bytes come again and again, and are decoded once.

A stretch is what a driver would make of its next bytes if all of them are good messages one after another. It
changes nothing; what of it is wanted is then taken as read. Anything else (damage, noise, hunting, polling)
is not for stretches: those bytes are fed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from drivers.api import Frame, Reason
from drivers.cutters import Cutter, Ended

MOST = 1 << 15
"""Different messages remembered; then the memory is emptied before the next stretch."""


@dataclass(frozen=True, eq=False)
class Stretch:
    """Good messages that follow one another from the first byte not yet read.

    `buffer` holds the `held` bytes that the driver had kept back, then those asked about. Message k is number
    `which[k]` of the different messages, whose frames and sizes (bytes) are `frames` and `sizes`: both only
    grow, until they are other lists.
    """

    buffer: bytes
    held: int
    which: list[int]
    frames: list[list[Frame]]
    sizes: list[int]


class Memory:
    """Decodes messages and remembers them by their bytes."""

    def __init__(self, decode: Callable[[bytes], list[Frame] | Reason]) -> None:
        self._decode = decode
        self._empty()

    def _empty(self) -> None:
        self._known: dict[bytes, int] = {}
        self._frames: list[list[Frame]] = []
        self._sizes: list[int] = []

    def stretch(self, cutter: Cutter, rest: bytes, data: bytes) -> Stretch:
        """Read good messages from `rest` and `data` on, up to the first that is none, or not yet whole."""
        if len(self._known) > MOST:
            self._empty()
        buffer = rest + data if rest else data
        pieces, tail = _pieces(cutter, buffer)
        which = self._numbers(pieces, tail, cutter.longest)
        return Stretch(buffer, len(rest), which, self._frames, self._sizes)

    def _numbers(self, pieces: list[bytes], tail: bytes, longest: int) -> list[int]:
        known = self._known
        found = [known.get(piece, -1) for piece in pieces]
        for at in [k for k, number in enumerate(found) if number < 0]:
            number = known.get(pieces[at], -1)
            if number < 0:
                message = pieces[at] + tail
                read = self._decode(message) if len(message) <= longest else None
                if not isinstance(read, list):
                    return found[:at]
                number = known[pieces[at]] = len(self._frames)
                self._frames.append(read)
                self._sizes.append(len(message))
            found[at] = number
        return found


def _pieces(cutter: Cutter, buffer: bytes) -> tuple[list[bytes], bytes]:
    """The messages that `cutter.ends` finds, and what stands behind each of them that is left out here."""
    if isinstance(cutter, Ended) and cutter.plain:
        return buffer.split(cutter.end)[:-1], cutter.end
    at, pieces = 0, []
    for stop in cutter.ends(buffer, 0):
        pieces.append(buffer[at:stop])
        at = stop
    return pieces, b""
