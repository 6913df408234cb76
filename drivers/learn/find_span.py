"""Finding a XOR or sum over any part of a message: tried when no usual place holds a check."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate
from operator import add, xor

ROWS = 30
"""Messages looked at: by chance a byte agrees once in 256."""
QUICK = 6
"""Messages looked at first; most places fail at once."""
AGREEING = 0.75
"""Share of messages that must agree; the others may be damaged."""
DISTINCT = 6
"""Different check values needed."""
NUMERIC = frozenset(b"0123456789 +-.,")
"""A byte that is always one of these belongs to a number: equal numbers cancel in sums."""
KINDS = {"xor": xor, "sum": add}


@dataclass(frozen=True, kw_only=True)
class Spot:
    """A check found: `kind` over bytes `first` to `stop` and `init` gives what stands at `at`."""

    kind: str
    coding: str
    at: int
    size: int
    first: int
    stop: int
    init: int


def spots(messages: Sequence[bytes], head: int, tail: int) -> Iterator[Spot]:
    """Yield checks of messages of one size, the longest spans first."""
    size = len(messages[0])
    distinct = list(dict.fromkeys(messages))
    rows = distinct[:: max(len(distinct) // ROWS, 1)][:ROWS]
    varying = [n for n in range(head, size - tail) if len({row[n] for row in rows}) > 1]
    if len(rows) < 2 * DISTINCT or size > 80:
        return
    before = {kind: [list(accumulate(row, fold, initial=0)) for row in rows] for kind, fold in KINDS.items()}
    for coding, width in (("binary", 1), ("hex", 2)):
        for at in range(head, size - tail - width + 1):
            sent = _sent(rows, at, coding)
            if sent is None or not set(varying) & set(range(at, at + width)):
                continue
            for kind, sums in before.items():
                yield from _spans(sums, sent, kind, coding, (at, width), varying, (head, size - tail))


def _sent(rows: list[bytes], at: int, coding: str) -> list[int] | None:
    """The numbers at a place, None when they are none or hardly vary."""
    if coding == "binary":
        found = [row[at] for row in rows]
        digits = sum(byte in NUMERIC for byte in found) > 0.9 * len(found)  # others are damaged
        return found if len(set(found)) >= DISTINCT and not digits else None
    found = []
    for row in rows:
        pair = row[at : at + 2]
        try:
            found.append(int(pair, 16) if pair.isalnum() else -1)
        except ValueError:
            found.append(-1)
    letters = any(row[at : at + 2].isalnum() and not row[at : at + 2].isdigit() for row in rows)
    good = letters and len(set(found)) >= DISTINCT and found.count(-1) < (1 - AGREEING) * len(found)
    return found if good else None


def _spans(
    sums: list[list[int]],
    sent: list[int],
    kind: str,
    coding: str,
    place: tuple[int, int],
    varying: list[int],
    inside: tuple[int, int],
) -> Iterator[Spot]:
    at, width = place
    lows = [at + width, *range(inside[0], at)]
    for first in lows:
        last = inside[1] if first > at else at
        for stop in range(last, first + 1, -1):
            if bisect_left(varying, stop) - bisect_left(varying, first) < 2:
                break
            init, count = _init(sums, sent, kind, first, stop)
            if count and _whole(sums, sent, kind, (first, stop), varying, count):
                yield Spot(kind=kind, coding=coding, at=at, size=width, first=first, stop=stop, init=init)
                return


def _init(sums: list[list[int]], sent: list[int], kind: str, first: int, stop: int) -> tuple[int, int]:
    """The number that most messages agree the check begins at, and how many do; 0 when too few."""
    for few in (QUICK, len(sums)):
        if kind == "xor":
            begun = [
                (value ^ row[stop] ^ row[first]) & 0xFF for row, value in zip(sums[:few], sent, strict=False)
            ]
        else:
            begun = [
                (value - row[stop] + row[first]) & 0xFF for row, value in zip(sums[:few], sent, strict=False)
            ]
        init, count = Counter(begun).most_common(1)[0]
        if count < AGREEING * len(begun) - 1:
            return 0, 0
    return init, count if count >= AGREEING * len(sums) else 0


def _whole(
    sums: list[list[int]],
    sent: list[int],
    kind: str,
    span: tuple[int, int],
    varying: list[int],
    count: int,
) -> bool:
    """Tell whether all bytes that vary in a span are needed: without one it holds in fewer than `count`."""
    first, stop = span
    inner = [n for n in varying if first <= n < stop]
    return all(
        _init(sums, sent, kind, low, high)[1] < count
        for low, high in ((inner[0] + 1, stop), (first, inner[-1]))
    )
