"""Messages that tell their length and have no start: each leads to the next one, from the first to the last.

Any number leads somewhere. What tells a length from one is that hardly any step fails and that few lengths
come; where in the chain a message begins is told by chunks, or by a check that is the last thing in one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

from drivers.learn.cuts import Cut, Piece, told_size
from drivers.learn.periodic import KEPT_TO, LEAST, LONGEST
from drivers.learn.recording import Recording

LOOKED_AT, WHOLE = 1 << 12, 1 << 16
"""Bytes in which chains are looked for at first, and in which their lengths are then counted."""
DEEPEST, BEYOND = 2, 6
"""Bytes that stand before a length at most, and those behind it that it does not count (a check)."""
MOST, BEGUN = 3, 8
"""Cuts that are tried, and chunks from whose beginnings chains are followed."""
CODINGS = ((1, "binary"), (2, "binary"), (2, "little"), (2, "text"), (2, "hex"))
SHORTEST = 4
"""The shortest message thought of."""
SIZES, COMMON = 12, 0.97
"""Lengths that come at most, and the share of messages that have one of them; others are damaged."""
RARE = 0.02
"""Share of messages that a second length has at least: of one length alone any byte may be the start."""
LEADS, UNBROKEN = 0.9, 0.2
"""Share of the bytes that must stand in messages which follow one another, and that of one such chain, where
damage may break them."""


def chained(recording: Recording) -> tuple[list[Cut], list[Cut]]:
    """Cuts into messages that tell their length and have no start: those that chunks keep to, and others."""
    data = recording.data
    found: list[tuple[bool, int, int, Cut]] = []
    for at in range(DEEPEST + 1):
        for size, coding in CODINGS:
            for cut in dict.fromkeys(_cuts(recording, at, size, coding)):
                pieces = cut.pieces(data)
                covered = sum(piece.stop - piece.begin for piece in pieces) / len(data)
                if len(pieces) >= LEAST and covered > LEADS and not _started(pieces, at):
                    found.append((keeps_to(cut, recording), -len(cut.sizes), -at, cut))
    found.sort(key=lambda item: item[:3], reverse=True)
    sure = [cut for kept, _, _, cut in found if kept]
    return sure[:MOST], [cut for _, _, _, cut in found if cut not in sure][:MOST]


def _started(pieces: list[Piece], at: int) -> bool:
    """Tell whether what stands before the length hardly ever changes: then it is a start."""
    heads = Counter(piece.message[:at] for piece in pieces)
    return at > 0 and heads.most_common(1)[0][1] > COMMON * len(pieces)


def keeps_to(cut: Cut, recording: Recording) -> bool:
    """Tell whether most chunks begin where messages do, and where not all are of one size."""
    begun = {piece.begin for piece in cut.pieces(recording.data)}
    sizes = Counter(b - a for a, b in pairwise(recording.starts))
    several = max(sizes.values(), default=0) <= COMMON * sizes.total()
    return several and sum(start in begun for start in recording.starts) > KEPT_TO * len(recording.starts)


def _cuts(recording: Recording, at: int, size: int, coding: str) -> Iterator[Cut]:
    """Ways to take one number for a length, by what it does not count and by where the chain begins."""
    whole = recording.data[:WHOLE]
    told = [told_size(whole, n, (at, size, coding, 0)) for n in range(len(whole))]
    begun = [start for start in recording.starts[1 : BEGUN + 1] if start < LOOKED_AT]
    for plus in range(at + size + BEYOND + 1):
        some = [number + plus if number else 0 for number in told[:LOOKED_AT]]
        sizes = [number + plus if number else 0 for number in told]
        for begin in {*begun, _longest(some)}:
            if _follow(some, begin)[1] > UNBROKEN * len(some):
                common = _few(_follow(sizes, begin)[0])
                if common:
                    yield Cut(kind="length", length=(at, size, coding, plus), sizes=common)


def _longest(sizes: list[int]) -> int:
    """Where the chain of most messages begins."""
    steps = [0] * (len(sizes) + LONGEST + 1)
    for n in range(len(sizes) - 1, -1, -1):
        if SHORTEST <= sizes[n] <= LONGEST:
            steps[n] = 1 + steps[n + sizes[n]]
    return max(range(len(sizes)), key=steps.__getitem__)


def _follow(sizes: list[int], begin: int) -> tuple[Counter[int], int]:
    """Count the lengths in a chain up to where it breaks, and its bytes."""
    counted: Counter[int] = Counter()
    at, end = begin, len(sizes)
    while at < end and SHORTEST <= sizes[at] <= LONGEST:
        counted[sizes[at]] += 1
        at += sizes[at]
    return counted, at - begin


def _few(counted: Counter[int]) -> tuple[int, ...]:
    """The lengths that came; none where any number leads on, or where there is but one."""
    common = counted.most_common(SIZES)
    several = len(common) > 1 and common[1][1] > RARE * counted.total()
    whole = sum(count for _, count in common) > COMMON * counted.total()
    return tuple(sorted(size for size, _ in common)) if several and whole else ()
