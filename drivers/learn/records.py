"""Records of several lines: which line begins one is told by blank lines, rules, or where chunks begin.

A record cut one line too late would give each load the name of the next pad, so without one of these nothing
is taken.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from itertools import accumulate

from drivers.learn.cuts import Cut
from drivers.learn.periodic import KEPT_TO, LEAST
from drivers.learn.recording import Recording

MOST_LINES = 6
"""Lines of the longest record thought of."""
REGULAR = 0.85
"""Share of lines whose kind comes again a record later; others may be chatter or damaged."""
ALIKE = 0.97
"""Share of records that have the same first and last characters; others may be damaged."""
RULES = b" -=*#_"
"""What a line between records is made of, if of anything."""
_WORD, _NUMBER, _BLANK = re.compile(rb"[A-Za-z]+"), re.compile(rb"[-+]? *\d+(?:[.,]\d+)?"), re.compile(rb" +")


def records(recording: Recording, end: bytes) -> Iterator[Cut]:
    """Yield the cut into records of lines that end with `end`, when it is sure which line begins one."""
    lines = recording.data.split(end)[:-1]
    kinds = [_kind(line) for line in lines]
    count = _period(kinds)
    if not count:
        return
    begins = [0, *accumulate(len(line) + len(end) for line in lines)]
    cycle = _cycle(recording, lines, begins, kinds, count)
    starts = [n for n in range(len(kinds) - count) if tuple(kinds[n : n + count]) == cycle]
    found = [recording.data[begins[n] : begins[n + count]] for n in starts]
    if cycle and len(found) >= LEAST and (tail := _tail(found, end)):
        head = _common(found)
        inside = head and sum(head[:1] in record[len(head) :] for record in found) > (1 - ALIKE) * len(found)
        yield Cut(kind="line", end=tail) if not head or inside else Cut(kind="marked", start=head, end=tail)


def _kind(line: bytes) -> bytes:
    return _BLANK.sub(b"", _WORD.sub(b"a", _NUMBER.sub(b"0", line)))


def _period(kinds: list[bytes]) -> int:
    """Lines of a record, 0 when there are none of several."""
    for count in range(1, MOST_LINES + 1):
        again = sum(map(bytes.__eq__, kinds, kinds[count:]))
        if len(kinds) > LEAST * count and again > REGULAR * (len(kinds) - count):
            return count if count > 1 else 0
    return 0


def _cycle(
    recording: Recording, lines: list[bytes], begins: list[int], kinds: list[bytes], count: int
) -> tuple[bytes, ...]:
    """Kinds of a record's lines from its first; empty when nothing tells which that is."""
    behind = [n for n in range(1, len(lines)) if not lines[n - 1].strip(RULES)]
    number = {begin: n for n, begin in enumerate(begins[:-1])}
    begun = [number[start] for start in recording.starts if start in number]
    for told in (behind, begun):
        found = Counter(tuple(kinds[n : n + count]) for n in told)
        if found.total() >= LEAST:
            cycle, times = found.most_common(1)[0]
            return cycle if times > max(KEPT_TO, 1.5 / count) * found.total() else ()
    return ()


def _common(found: list[bytes]) -> bytes:
    """What nearly all begin with, without the digits or sign of a number."""
    return re.sub(rb"[-+ ]*[0-9.]*\Z", b"", _shared(found))


def _tail(found: list[bytes], end: bytes) -> bytes:
    """The shortest end of nearly all records that stands nowhere else in one; b"" when there is none."""
    common = _shared([text[::-1] for text in found])[::-1]
    for size in range(len(end), len(common) + 1):
        tail = common[len(common) - size :]
        if sum(text.find(tail) == len(text) - size for text in found) > ALIKE * len(found):
            return tail
    return b""


def _shared(found: list[bytes]) -> bytes:
    """The longest beginning that nearly all share."""
    best = b""
    for size in range(1, min(map(len, found))):
        text, times = Counter(text[:size] for text in found).most_common(1)[0]
        if times < ALIKE * len(found):
            break
        best = text
    return best
