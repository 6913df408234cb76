"""Reading codes: status, sign and unit by word, letter or bit.

A code's meaning is written in words: the flags of drivers.api ("steady", "moving", "overload", "underload",
"low_battery", "at_zero", "net"), "minus" and "plus", "void" (underload, and the number sent is none, as it
always is with overload), "absent" (this pad has nothing to say: no frame), or a unit. Several are separated
by blanks; no word at all means that the code is known and says nothing.
"""

from __future__ import annotations

from collections.abc import Callable

from msgspec import Struct

from drivers import api
from drivers.wire import UNITS

FLAGS = {
    "steady": api.FLAG_STEADY,
    "moving": api.FLAG_MOVING,
    "overload": api.FLAG_OVERLOAD,
    "underload": api.FLAG_UNDERLOAD,
    "low_battery": api.FLAG_LOW_BATTERY,
    "at_zero": api.FLAG_AT_ZERO,
    "net": api.FLAG_NET,
}
WORDS = (*FLAGS, "plus", "minus", "absent", "void", *UNITS)
"""All words that a code may mean."""


class Meaning(Struct, frozen=True):
    """What one code says: flags to set, a minus sign, a unit ("" when none), no pad there, no number."""

    flags: int = 0
    minus: bool = False
    unit: str = ""
    absent: bool = False
    void: bool = False

    def __or__(self, other: Meaning) -> Meaning:
        """Both meanings together."""
        return Meaning(
            self.flags | other.flags,
            self.minus or other.minus,
            other.unit or self.unit,
            self.absent or other.absent,
            self.void or other.void,
        )


Look = Callable[[bytes], "Meaning | None"]


def meaning(words: str) -> Meaning:
    """Read a meaning from its words; ValueError names the first word that is none."""
    found = Meaning()
    for word in words.split():
        if word in FLAGS:
            found |= Meaning(flags=FLAGS[word], void=word == "overload")
        elif word in UNITS:
            found |= Meaning(unit=word)
        elif word == "void":
            found |= Meaning(flags=api.FLAG_UNDERLOAD, void=True)
        elif word in ("plus", "minus", "absent"):
            found |= Meaning(minus=word == "minus", absent=word == "absent")
        else:
            raise ValueError(word)
    return found


def by_map(table: dict[bytes, Meaning], other: Meaning | None) -> Look:
    """Look a code up as sent, then without blanks around; `other` stands for all that is not listed."""
    known = dict(table)

    def look(part: bytes) -> Meaning | None:
        found = known.get(part)
        return found if found is not None else known.get(part.strip(b" "), other)

    return look


def by_bits(
    set_and_clear: dict[int, tuple[Meaning, Meaning]], must: dict[int, bool], number: Callable[[bytes], int]
) -> Look:
    """Look bits up: each has a meaning when set and one when clear; `must` are bits of fixed value.

    `number` turns the field into an integer and may raise ValueError. Answers are kept, 256 at most.
    """
    kept: dict[bytes, Meaning | None] = {}

    def look(part: bytes) -> Meaning | None:
        if part in kept:
            return kept[part]
        try:
            found = _by_bits(number(part))
        except ValueError:
            found = None
        if len(kept) < 256:
            kept[part] = found
        return found

    def _by_bits(bits: int) -> Meaning | None:
        if any(bool(bits >> bit & 1) != value for bit, value in must.items()):
            return None
        found = Meaning()
        for bit, (on, off) in set_and_clear.items():
            found |= on if bits >> bit & 1 else off
        return found

    return look
