"""Messages that are several in a row, or in turn: told by their own checks and ends, a counter, a sync."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

from drivers.learn.cuts import Cut
from drivers.learn.find_check import Found, find_check

MANY = 100
"""Messages that tell enough of all."""
SHORTEST = 4
"""The shortest message with a check that is thought of."""
ENDS = frozenset(b"\x01\x02\x03\x04\n\r")
"""Control characters that begin or end a message: SOH, STX, ETX, EOT, LF, CR (ISO 646)."""
TEXT = ENDS | frozenset(range(0x20, 0x7F))
DULL = frozenset(b"\x00\xff 0")
"""Bytes that fill numbers up, and are no sync's."""
SEVERAL = 0.9
"""Share of parts that must pass a check of their own, or count on from the part before."""
COUNTED = 12
"""Different numbers that a counter takes at least."""


def several(messages: list[bytes], check: Found | None) -> bool:
    """Tell whether messages (of their commonest size) are several each, by their checks or their ends."""
    size = Counter(map(len, messages)).most_common(1)[0][0] if messages else 0
    messages = [message for message in messages if len(message) == size]
    for parts in range(2, size // SHORTEST + 1):
        if size % parts:
            continue
        one = size // parts
        some = messages[:: max(len(messages) // MANY, 1)]
        if _ended_alike(some, one) or (check is None and (in_turn(some) or _counts_on(messages, one))):
            return True
        within = [message[n : n + one] for message in some for n in range(0, size, one)]
        again = check is not None and check.at == -check.size and check.first < one + check.at
        if again and sum(map(check.check().passes, within)) > SEVERAL * len(within):  # type: ignore[union-attr]  # again
            return True
        found = find_check(within, Cut(kind="fixed", size=one), anywhere=False)
        if found is not None and found.at == -found.size and found.passing > SEVERAL * found.of:
            return True
    return False


def _ended_alike(messages: list[bytes], one: int) -> bool:
    """Tell whether text has the same end or start of a message at the same place of every part."""
    if not TEXT.issuperset(b"".join(messages)):
        return False
    columns = [{byte for message in messages for byte in message[n::one]} for n in range(one)]
    return any(len(column) == 1 and ENDS.issuperset(column) for column in columns)


def in_turn(messages: list[bytes]) -> bool:
    """Tell whether binary messages hold the same sync several times: they are several in turn."""
    size = Counter(map(len, messages)).most_common(1)[0][0] if messages else 0
    some = [message for message in messages if len(message) == size]
    some = some[:: max(len(some) // MANY, 1)]
    if TEXT.issuperset(b"".join(some)):
        return False
    parts = [parts for parts in range(2, size // SHORTEST + 1) if size % parts == 0]
    return any(_begun_alike(some, size // n) for n in parts)


def _counts_on(messages: list[bytes], one: int) -> bool:
    """Tell whether a byte counts on from part to part of binary messages: they are several in a row."""
    if TEXT.issuperset(b"".join(messages[:MANY])):
        return False
    for n in range(one):
        column = [byte for message in messages for byte in message[n::one]]
        steps = Counter((b - a) % 256 for a, b in pairwise(column))
        step, count = steps.most_common(1)[0]
        if step and count > SEVERAL * steps.total() and len(set(column)) > COUNTED:
            return True
    return False


def _begun_alike(messages: list[bytes], one: int) -> bool:
    """Tell whether bytes of a sync stand at the same place of every part, and never change."""
    columns = [{byte for message in messages for byte in message[n::one]} for n in range(one)]
    fixed = [len(column) == 1 and not column <= DULL for column in columns]
    return any(a and b for a, b in pairwise([*fixed, fixed[0]]))
