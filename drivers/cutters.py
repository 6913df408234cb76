"""Where a message ends, for each way of framing: pure, bounded, by no more than a fixed look-ahead."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Protocol

from drivers.api import Reason

Cut = tuple[int, "Reason | None"]

MORE: Cut = (-1, None)
"""Answer of a cutter that needs more bytes to tell."""


class Cutter(Protocol):
    """Finds where the piece that begins at `at` ends, and what is wrong with it (None: a whole message)."""

    start: bytes
    longest: int

    def cut(self, buffer: bytes, at: int) -> Cut:
        """Return the piece's end and fault, or MORE."""
        ...

    def ends(self, buffer: bytes, at: int) -> Iterator[int]:
        """Yield the ends of messages without fault that follow one another from `at`; a short cut for `cut`.

        It may stop early, and changes nothing that `cut` remembers.
        """
        ...

    def begin(self, clean: bool) -> None:
        """Take up a stream anew; `clean` when its next byte is known to begin a message."""
        ...


class Ended:
    """Messages that end with fixed bytes and have no start: lines, SLIP, COBS.

    Bytes before the first end may be the tail of a message, and "12.5" is the tail of "112.5": unless
    `tail_safe`, they are refused. Leading ends (`lead`) belong to the message that follows, as in SLIP.
    """

    start = b""

    def __init__(self, end: bytes, longest: int, *, tail_safe: bool, lead: bool = False) -> None:
        self.longest = longest
        self.end, self._tail_safe, self._lead = end, tail_safe, lead
        self._broken: Reason | None = None
        self._overlaps = any(end.startswith(end[k:]) for k in range(1, len(end)))
        self.begin(clean=False)

    def begin(self, clean: bool) -> None:
        """Take up a stream anew."""
        self._broken = None if clean or self._tail_safe else Reason.TRUNCATED

    @property
    def plain(self) -> bool:
        """Whether messages are now what stands between ends, those that are empty or too long left aside."""
        return self._broken is None and not self._lead and not self._overlaps

    def ends(self, buffer: bytes, at: int) -> Iterator[int]:
        """Yield ends of messages one after another."""
        if self._broken is not None:
            return
        end, longest, lead = self.end, self.longest, self._lead
        size, find = len(end), buffer.find
        first = self._behind_lead(buffer, at) if lead else at
        while (found := find(end, first, at + longest)) > first:
            at = found + size
            yield at
            first = self._behind_lead(buffer, at) if lead else at

    def _behind_lead(self, buffer: bytes, at: int) -> int:
        first = at
        while buffer.startswith(self.end, first) and first - at < self.longest:
            first += len(self.end)
        return first

    def cut(self, buffer: bytes, at: int) -> Cut:
        """Find the end within the longest message; beyond it, all is refused up to the next end."""
        first = self._behind_lead(buffer, at) if self._lead else at
        found = buffer.find(self.end, first, at + self.longest)
        if found >= 0:
            broken, self._broken = self._broken, None
            return found + len(self.end), broken
        if len(buffer) - at >= self.longest:
            self._broken = Reason.OVERLONG
            # an end across the cut stays whole, or lines as long as `longest` never get in step again
            return at + next_start(buffer[at : at + self.longest], self.end), Reason.OVERLONG
        return MORE


class Marked:
    """Messages between a start and an end that stand nowhere inside, with `trail` bytes after the end.

    A message that began inside another is refused as well unless `sized`: its start may be a damaged byte,
    and "2.5" is the tail of "112.5".
    """

    def __init__(self, start: bytes, end: bytes, trail: int, longest: int, *, sized: bool) -> None:
        self.start, self.longest = start, longest
        self._end, self._trail, self._sized = end, trail, sized
        self._inside = False
        inner = b"[^%b]{0,%d}" % (re.escape(start[:1] + end[:1]), longest - len(start) - len(end) - trail)
        plain = re.escape(start) + inner + re.escape(end) + b".{%d}" % trail
        self._plain = re.compile(plain, re.DOTALL).match

    def begin(self, clean: bool) -> None:  # noqa: ARG002 - a start tells where a message begins
        """Take up a stream anew."""
        self._inside = False

    def ends(self, buffer: bytes, at: int) -> Iterator[int]:
        """Yield ends of messages one after another."""
        match = self._plain
        while not self._inside and (found := match(buffer, at)):
            at = found.end()
            yield at

    def cut(self, buffer: bytes, at: int) -> Cut:
        """Find noise up to a start, or the message with its trail."""
        plain = None if self._inside else self._plain(buffer, at)
        if plain is not None:
            return plain.end(), None
        if not buffer.startswith(self.start, at):
            self._inside = False
            return noise(buffer, at, self.start, self.longest)
        body = at + len(self.start)
        stop = buffer.find(self._end, body, at + self.longest - self._trail)
        again = buffer.find(self.start, body, stop if stop >= 0 else at + self.longest)
        if again >= 0:
            self._inside = not self._sized
            return again, Reason.TRUNCATED
        if stop < 0:
            return (at + self.longest, Reason.OVERLONG) if len(buffer) - at >= self.longest else MORE
        stop += len(self._end) + self._trail
        if len(buffer) < stop:
            return MORE
        inside, self._inside = self._inside, False
        return stop, Reason.TRUNCATED if inside else None


class Stuffed:
    """Messages from DLE STX to DLE ETX in which every other DLE is doubled."""

    def __init__(self, start: bytes, end: bytes, longest: int) -> None:
        self.start, self.longest = start, longest
        mark = re.escape(start[:1])
        whole = re.escape(start) + rb"(?:[^%b]|%b%b)*" % (mark, mark, mark)
        self._inner, self._end = re.compile(whole, re.DOTALL).match, end

    def begin(self, clean: bool) -> None:
        """Nothing is remembered between messages."""

    def ends(self, buffer: bytes, at: int) -> Iterator[int]:
        """Yield ends of messages one after another."""
        end, size, longest, match = self._end, len(self._end), self.longest, self._inner
        while found := match(buffer, at, at + longest):
            stop = found.end() + size
            if stop > at + longest or not buffer.startswith(end, stop - size):
                return
            at = stop
            yield at

    def cut(self, buffer: bytes, at: int) -> Cut:
        """Find noise up to a start, or the message up to its end or to a DLE that should not stand there."""
        found = self._inner(buffer, at, at + self.longest)
        if found is None:
            return noise(buffer, at, self.start, self.longest)
        stop = found.end()
        if buffer.startswith(self._end, stop) and stop + len(self._end) <= at + self.longest:
            return stop + len(self._end), None
        if stop + len(self._end) > at + self.longest:
            return at + self.longest, Reason.OVERLONG
        return (stop, Reason.TRUNCATED) if len(buffer) >= stop + len(self._end) else MORE


class Sized:
    """Messages of one size, after a start where there is one."""

    def __init__(self, start: bytes, size: int) -> None:
        self.start, self.longest = start, size

    def begin(self, clean: bool) -> None:
        """Nothing is remembered between messages."""

    def ends(self, buffer: bytes, at: int) -> Iterator[int]:
        """Yield ends of messages one after another."""
        start, size = self.start, self.longest
        last = len(buffer) - size
        while at <= last and buffer.startswith(start, at):
            at += size
            yield at

    def cut(self, buffer: bytes, at: int) -> Cut:
        """Find noise up to a start, or the next `size` bytes."""
        if self.start and not buffer.startswith(self.start, at):
            return noise(buffer, at, self.start, self.longest)
        return (at + self.longest, None) if len(buffer) - at >= self.longest else MORE


class Told:
    """Messages that tell their length: a number in their head plus a constant is the whole length."""

    def __init__(
        self, start: bytes, longest: int, shortest: int, head: int, length: Callable[[bytes, int], int]
    ) -> None:
        self.start, self.longest = start, longest
        self._shortest, self._head, self._length = shortest, head, length

    def begin(self, clean: bool) -> None:
        """Nothing is remembered between messages."""

    def ends(self, buffer: bytes, at: int) -> Iterator[int]:
        """Yield ends of messages one after another."""
        start, cut = self.start, self.cut
        while buffer.startswith(start, at):
            stop, fault = cut(buffer, at)
            if stop < 0 or fault is not None:
                return
            at = stop
            yield at

    def cut(self, buffer: bytes, at: int) -> Cut:
        """Find noise up to a start, or as many bytes as the message tells."""
        if self.start and not buffer.startswith(self.start, at):
            return noise(buffer, at, self.start, self.longest)
        if len(buffer) - at < self._head:
            return MORE
        try:
            size = self._length(buffer, at)
        except ValueError:
            size = 0
        if not self._shortest <= size <= self.longest:
            return at + 1, Reason.OVERLONG if size > self.longest else Reason.TRUNCATED
        return (at + size, None) if len(buffer) - at >= size else MORE


def noise(buffer: bytes, at: int, start: bytes, longest: int) -> Cut:
    """Cut noise up to the next start, at most `longest` bytes at a time."""
    window = at + longest + len(start) - 1
    found = buffer.find(start, at, window)
    if found >= 0:
        return found, Reason.NOISE
    return (at + longest, Reason.NOISE) if len(buffer) >= window else MORE


def next_start(raw: bytes, start: bytes) -> int:
    """Where (≥ 1) the next start in a refused message stands, or its beginning at the end, or the length."""
    found = raw.find(start, 1)
    if found >= 0:
        return found
    for part in range(len(start) - 1, 0, -1):
        if len(raw) > part and raw.endswith(start[:part]):
            return len(raw) - part
    return len(raw)
