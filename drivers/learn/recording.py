"""What learning is given: bytes with the times at which they came, and what stood on the pad when."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from drivers.wire import KG_PER

HELD_EVERY = 5
"""One whole second in five is held back: enough to prove with, and every known load keeps most of its."""
FOLDS = (3, 1, 4)
"""Which of five seconds is held back; the others are tried when what is held back alone showed a sign."""


@dataclass(frozen=True, kw_only=True)
class Known:
    """A known load: `value` in `unit` stood on the pads from `from_s` to `to_s`; `text` as it was given."""

    value: Fraction
    unit: str
    from_s: float
    to_s: float
    text: str

    @cached_property
    def mass_kg(self) -> float:
        """The load in kg."""
        return float(self.value * KG_PER[self.unit])

    @property
    def half_digit_kg(self) -> float:
        """Half a unit in the last place given (kg): how far the load may be off as written; 0 for zero."""
        if self.value == 0:
            return 0.0
        digits = self.text.partition(".")[2]
        places = len(re.match(r"\d*", digits)[0]) if digits else 0  # type: ignore[index]  # matches always
        return float(Fraction(1, 2 * 10**places) * KG_PER[self.unit])

    def holds(self, t_s: float) -> bool:
        """Tell whether a time lies within."""
        return self.from_s <= t_s <= self.to_s


_KNOWN = re.compile(r"\s*([+-]?\d+(?:\.\d+)?)\s*([A-Za-z]*)\s*@\s*(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*")


def parse_known(text: str) -> Known:
    """Read "84.2kg@12:20": the load, its unit (kg when none), from and to in seconds.

    ValueError says what was wrong.
    """
    found = _KNOWN.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is no known load; write LOAD@FROM:TO in seconds, like 84.2kg@12:20")
    value, unit, begin, end = found.groups()
    unit = unit or "kg"
    if unit not in KG_PER:
        raise ValueError(f"{text!r}: the unit {unit!r} is not one of {', '.join(KG_PER)}")
    if float(begin) >= float(end):
        raise ValueError(f"{text!r}: it ends before it begins")
    return Known(value=Fraction(value), unit=unit, from_s=float(begin), to_s=float(end), text=text.strip())


class Recording:
    """Bytes and when each came (s); times never go back."""

    def __init__(self, chunks: Iterable[tuple[float, bytes]]) -> None:
        self.starts: list[int] = []
        self.times_s: list[float] = []
        parts: list[bytes] = []
        size = 0
        for t_s, data in chunks:
            if data:
                self.starts.append(size)
                self.times_s.append(t_s)
                parts.append(data)
                size += len(data)
        self.data = b"".join(parts)

    def chunks(self) -> list[tuple[float, bytes]]:
        """The chunks as they came."""
        ends = [*self.starts[1:], len(self.data)]
        return [
            (t_s, self.data[begin:end])
            for t_s, begin, end in zip(self.times_s, self.starts, ends, strict=True)
        ]

    def time_at(self, offset: int) -> float:
        """When the byte at an offset came."""
        return self.times_s[max(bisect_right(self.starts, offset) - 1, 0)]

    @property
    def duration_s(self) -> float:
        """From the first chunk to the last."""
        return self.times_s[-1] - self.times_s[0] if self.times_s else 0.0


def held_back(recording: Recording, fold: int) -> frozenset[int]:
    """Seconds that are kept from learning, to prove the layout with; other folds keep others."""
    if not recording.times_s:
        return frozenset()
    seconds = range(int(recording.times_s[0]), int(recording.times_s[-1]) + 1)
    return frozenset(second for second in seconds if second % HELD_EVERY == fold)
