"""How a stream may be cut into messages: one hypothesis, what it yields, and how a layout says it."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from drivers import escapes
from drivers.wire import to_text

FEW_CHUNKS = 12
"""Chunks that begin within messages below which nothing is concluded from where they do."""
EQUAL = 0.97
"""Share of chunks of one size from which on they need not be messages."""
SPLIT, ASIDE = 0.25, 0.5
"""Where a cut is wrong: share of chunks that begin with a message, at most, and elsewhere, at least."""


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One message found: where it stood in the stream, and its bytes without escapes."""

    begin: int
    stop: int
    message: bytes


def misplaced(pieces: Sequence[Piece], starts: Sequence[int]) -> int:
    """How many last bytes of messages belong to the next: most chunks begin there, and not where messages do.

    `starts` are the offsets of chunks, rising; 0 when they say nothing, as where all are of one size: that
    may be what the recorder asked for.
    """
    sizes = Counter(b - a for a, b in pairwise(starts))
    if max(sizes.values(), default=0) > EQUAL * sizes.total():
        return 0
    begins = [piece.begin for piece in pieces]
    ahead: Counter[int] = Counter()
    behind: Counter[int] = Counter()
    for start in starts:
        number = bisect_right(begins, start) - 1
        if number >= 0 and start < pieces[number].stop:
            ahead[start - begins[number]] += 1
            behind[pieces[number].stop - start] += start > begins[number]
    whole, kept = ahead.total(), ahead.pop(0, 0)
    most = max((count for counted in (ahead, behind) for count in counted.values()), default=0)
    wrong = whole >= FEW_CHUNKS and kept < SPLIT * whole and most > ASIDE * whole
    return behind.most_common(1)[0][0] if wrong else 0


@dataclass(frozen=True, kw_only=True)
class Cut:
    """A way to cut. `length` is (at, size, coding, plus) of messages that tell their length.

    `sizes` are the lengths that came where no start tells where a message begins.
    """

    kind: str
    start: bytes = b""
    end: bytes = b""
    trail: int = 0
    size: int = 0
    length: tuple[int, int, str, int] | None = None
    sizes: tuple[int, ...] = ()
    hex: bool = False
    step: tuple[bytes, int] | tuple[()] = ()
    """Bytes that stand once in each message that has no start, and how far behind them it begins."""

    @property
    def unwraps(self) -> bool:
        """True when a message is carried in escapes or hexadecimal characters."""
        return self.kind in escapes.UNWRAP or self.hex

    @property
    def head(self) -> int:
        """Bytes of a message before its body."""
        return 0 if self.unwraps else len(self.start)

    @property
    def tail(self) -> int:
        """Bytes of a message after its body."""
        return 0 if self.unwraps else self.trail + len(self.end)

    def pieces(self, data: bytes) -> list[Piece]:
        """Cut a stream; what is no message is left out."""
        if self.kind == "fixed":
            spans = _fixed(data, self.start, self.size) if self.start else self._stepped(data)
        elif self.length is not None:
            spans = _told(data, self.start, self.length) if self.start else self._linked(data, self.length)
        elif self.kind == "dle":
            spans = [match.span() for match in _DLE.finditer(data)]
        elif self.kind == "marked":
            spans = _marked(data, self)
        else:
            spans = _ended(data, self.end or escapes.ENDS[self.kind], lead=not self.end)
        return [piece for span in spans if (piece := self._piece(data, *span)) is not None]

    def _stepped(self, data: bytes) -> Spans:
        if not self.step:
            return []
        word, shift = self.step
        places = filled([at for at, _ in _fixed(data, word, self.size)], self.size)
        spans = [(at + shift, at + shift + self.size) for at in places]
        return [(begin, stop) for begin, stop in spans if stop <= len(data)]

    def _linked(self, data: bytes, length: tuple[int, int, str, int]) -> Spans:
        """Messages that tell their length and lead to another one, or end with the stream."""
        spans: Spans = []
        at, end = 0, len(data)
        while at < end:
            stop = at + told_size(data, at, length)
            good = stop - at in self.sizes and stop <= end
            if good and (stop == end or told_size(data, stop, length) in self.sizes):
                spans.append((at, stop))
                at = stop
            else:
                at += 1
        return spans

    def _piece(self, data: bytes, begin: int, stop: int) -> Piece | None:
        raw = data[begin:stop]
        try:
            if self.hex:
                raw = escapes.from_hex(len(self.start), self.trail + len(self.end))(raw)
            elif self.unwraps:
                raw = escapes.UNWRAP[self.kind](raw)
        except ValueError:
            return None
        return Piece(begin=begin, stop=stop, message=raw) if len(raw) > self.head + self.tail else None

    def lines(self, size: int | None, longest: int) -> list[str]:
        """Write [frame]; `size` when all messages have one, `longest` of those seen on the wire."""
        out = ["[frame]", f'kind = "{self.kind}"']
        if self.start:
            out.append(f'start = "{quoted(self.start)}"')
        if self.end:
            out.append(f'end = "{quoted(self.end)}"')
        if self.trail:
            out.append(f"trail = {self.trail}")
        if self.hex:
            out.append("hex = true")
        if self.length is not None:
            at, width, coding, plus = self.length
            how = 'coding = "binary", order = "little"' if coding == "little" else f'coding = "{coding}"'
            out.append(f"length = {{ at = {at}, size = {width}, {how}, plus = {plus} }}")
        elif size is not None:
            out.append(f"size = {size}")
        if self.kind != "fixed" and (size is None or self.length is not None):
            out.append(f"max = {max(2 * longest, 32)}")
        return out

    def told(self) -> str:
        """Say it in words."""
        words = {"line": "lines", "marked": "marked messages", "length": "messages that tell their length"}
        text = words.get(self.kind, f"{self.kind} messages")
        if self.size:
            text = f"messages of {self.size} bytes"
        if self.start:
            text += f" from {to_text(self.start)}"
        if self.length and not self.start:
            text += f" at byte {self.length[0]}"
        if self.end:
            text += f" to {to_text(self.end)}"
        if self.trail:
            text += f" with {self.trail} more"
        return text + (", in hexadecimal characters" if self.hex else "")


def quoted(data: bytes) -> str:
    """Bytes as the inside of a TOML text in double quotes."""
    return to_text(data).replace("\\", "\\\\").replace('"', '\\"')


def with_hex(cut: Cut) -> Cut:
    """The same, its messages in hexadecimal characters."""
    return replace(cut, hex=True)


_DLE = re.compile(rb"\x10\x02(?:[^\x10]|\x10\x10){1,200}?\x10\x03", re.DOTALL)
Spans = list[tuple[int, int]]


def _ended(data: bytes, end: bytes, *, lead: bool) -> Spans:
    """Messages up to an end; ends that stand before one belong to it where `lead`."""
    spans = []
    at = begin = 0
    while (found := data.find(end, at)) >= 0:
        at_end = found + len(end)
        if found > at:
            spans.append((begin, at_end))
            begin = at_end
        elif not lead:
            begin = at_end
        at = at_end
    return spans


def _marked(data: bytes, cut: Cut) -> Spans:
    inner = b"[^%b]{1,400}?" % re.escape(cut.start[:1])
    found = re.finditer(re.escape(cut.start) + inner + re.escape(cut.end), data, re.DOTALL)
    spans: Spans = []
    for match in found:
        begin, stop = match.start(), match.end() + cut.trail
        if stop <= len(data) and (not spans or begin >= spans[-1][1]):
            spans.append((begin, stop))
    return spans


def _fixed(data: bytes, start: bytes, size: int) -> Spans:
    """Messages of one size that follow one another, or stand before another start."""
    spans: Spans = []
    at = data.find(start)
    while at >= 0 and at + size <= len(data):
        follows = at + size == len(data) or data.startswith(start, at + size)
        if follows or (spans and spans[-1][1] == at):
            spans.append((at, at + size))
            at += size
            if data.startswith(start, at):
                continue
        else:
            at += 1
        at = data.find(start, at)
    return spans


FILLED = 64
"""Messages without the word that are thought between two with it."""


def filled(places: list[int], size: int) -> list[int]:
    """Places of a word, and those between where it changed for a while, as a claim does."""
    between = [at for a, b in pairwise(places) if (b - a) % size == 0 for at in range(a, b, size)[:FILLED]]
    gaps = [a for a, b in pairwise(places) if (b - a) % size]
    return sorted({*between, *gaps, *places[-1:]})


def _told(data: bytes, start: bytes, length: tuple[int, int, str, int]) -> Spans:
    spans: Spans = []
    at = data.find(start)
    while at >= 0:
        size = told_size(data, at, length)
        if size > len(start) and (at + size == len(data) or data.startswith(start, at + size)):
            spans.append((at, at + size))
            at = data.find(start, at + size)
        else:
            at = data.find(start, at + 1)
    return spans


def told_size(data: bytes, at: int, length: tuple[int, int, str, int]) -> int:
    """Size that the message at `at` tells, 0 when it tells none."""
    place, size, coding, plus = length
    told = data[at + place : at + place + size]
    if len(told) < size:
        return 0
    if coding in ("binary", "little"):
        return int.from_bytes(told, "little" if coding == "little" else "big") + plus
    if not told.isalnum():
        return 0
    try:
        return int(told, 16 if coding == "hex" else 10) + plus
    except ValueError:
        return 0
