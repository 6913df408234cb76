"""Which bytes a layout does not tell apart when it takes a message to pieces, and which pieces it then reads.

Two messages of one size whose bytes are alike, one by one, are cut alike: a counter in each line, or another
number in the same place, makes no other shape. So what the shape of one message tells holds for all of it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from importlib import import_module
from typing import Any

Spans = Callable[[bytes], list[tuple[int, int, str]]]

_WORD = frozenset(b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_")
_CATEGORIES = {"DIGIT": frozenset(b"0123456789"), "SPACE": frozenset(b" \t\n\r\f\v"), "WORD": _WORD}


@dataclass(frozen=True)
class Alike:
    """`classes` puts a number in place of each byte value, the same for those not told apart; `spans` says
    which bytes of a good message its frames are made of: begin, end and name."""

    classes: bytes
    spans: Spans


def classes(sets: Iterable[Iterable[int]]) -> bytes:
    """The classes of those who only ask whether a byte is in one of these sets."""
    held = [frozenset(each) for each in sets]
    marks = [tuple(byte in each for each in held) for byte in range(256)]
    number = {mark: k for k, mark in enumerate(dict.fromkeys(marks))}
    return bytes(number[mark] for mark in marks)


def told_apart(pattern: re.Pattern[bytes]) -> list[Iterable[int]] | None:
    """The sets of bytes that a pattern asks for; None where it asks for more than sets."""
    if pattern.flags & ~re.DOTALL:
        return None
    try:  # Python's own parser, which it does not promise to keep: without it only time is lost
        return list(_sets(import_module("re._parser").parse(pattern.pattern, pattern.flags)))
    except (ImportError, AttributeError, TypeError, ValueError, KeyError):
        return None


def _sets(parsed: Any) -> Iterator[Iterable[int]]:
    for kind, value in parsed:
        match str(kind):
            case "IN":
                yield from _sets(value)
            case "LITERAL" | "NOT_LITERAL":
                yield {value}
            case "RANGE":
                yield range(value[0], value[1] + 1)
            case "CATEGORY":
                yield _CATEGORIES[str(value).rpartition("_")[2]]
            case "ANY":
                yield b"\n"
            case "AT":
                yield from (b"\n", _WORD)
            case "NEGATE":
                pass
            case _:
                for part in _parts(str(kind), value):
                    yield from _sets(part)


def _parts(kind: str, value: Any) -> list[Any]:
    """What stands inside such a part of a pattern."""
    if kind in ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT"):
        return [value[2]]
    if kind == "SUBPATTERN" and not value[1] and not value[2]:  # no flags of its own
        return [value[3]]
    if kind == "BRANCH":
        return list(value[1])
    if kind in ("ASSERT", "ASSERT_NOT"):
        return [value[1]]
    if kind == "ATOMIC_GROUP":
        return [value]
    raise ValueError(f"{kind} asks for more")
