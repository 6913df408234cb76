# cython: annotation_typing=False, auto_pickle=False
"""A stream's resolution d, and how long its display shows a value, learned from how its values change."""

from __future__ import annotations

import math

from logger.settling.kept import Kept
from logger.units import LB_KG

SLOWEST_DISPLAY_NS = 2_000_000_000
"""A value that stays for longer is a load that stands, not a display that is slow."""

NO_DIGITS = 0.1
"""A step (kg) for a value that has no digits."""
OFTEN = 3
"""The smallest difference is a step of the display once it was seen so often; movement hardly shows it."""
HELD_MOST = 4.0
"""A lower quartile of more than so many times the least difference comes from movement."""
FEW_CHANGES = 4
"""Fewer differences may all be steps of the load."""


class Resolution(Kept):
    """The smallest step of a stream's values, learned as the least non-zero difference seen lately.

    Two buckets of 64 changes each are kept, so that a resolution that becomes coarser is found too. Where
    most values repeat the one before (a display that is slower than the line, or coarse), the lower quartile
    of the changes counts instead: smaller ones are chance.
    """

    kept = (
        *("value", "seen", "known", "hold_s"),
        *("_now", "_before", "_divisor", "_often", "_holds", "_changed_ns", "_changes", "_group", "_held"),
    )

    def __init__(self) -> None:
        self.value = 0.0
        """0.0 while no two values have differed."""
        self.seen = 0
        """Samples taken since the last group of changes was judged."""
        self.known = False
        """Have enough differences been seen?"""
        self._now = self._before = float("inf")
        self._divisor = 0.0
        """What divides all differences; counts until the smallest one has come OFTEN."""
        self._often = 0
        self.hold_s = 0.0
        """How long a value is shown before the next, typically; 0 while unknown."""
        self._holds: list[int] = []
        self._changed_ns = 0
        self._changes = 0
        self._group: list[float] = []
        self._held = 0.0

    def see(self, step: float, size: float, t_ns: int) -> None:
        """Take the absolute difference (> 0) of two successive values of this size, the later at t."""
        if step < 1e-9 * size:
            return  # the same reading, written differently
        if t_ns - self._changed_ns < SLOWEST_DISPLAY_NS:
            self._holds.append(t_ns - self._changed_ns)
        self._changed_ns = t_ns
        if self._often < OFTEN:
            self._often = 1 if step < 0.95 * self._now else self._often + (step < 1.05 * self._now)
            self._divisor = common(step, self._divisor)
        self._now = min(self._now, step)
        self._settle()
        self._group.append(step)
        if len(self._group) >= 16:
            self._judge()

    def vague(self) -> bool:
        """So few differences that they may all be steps of the load."""
        return not self.known and len(self._group) < FEW_CHANGES

    def _judge(self) -> None:
        """Sixteen more changes are in: do the values repeat, and is the bucket full?"""
        self.known = True
        self.hold_s = middle(self._holds) * 1e-9 if self._holds else 0.0
        self._holds.clear()
        repeats = self.seen > 3 * len(self._group)
        self._held = sorted(self._group)[4] if repeats else 0.0
        self._changes += len(self._group)
        self._group.clear()
        self.seen = 0
        if self._changes >= 64:
            self._before, self._now, self._changes = self._now, float("inf"), 0
        self._settle()

    def _settle(self) -> None:
        """Say what follows."""
        least = min(self._now, self._before)
        if self._often < OFTEN:
            least = min(self._divisor, least)
        self.value = self._held if least < self._held <= HELD_MOST * least else least


def middle(values: list[float] | list[int]) -> float:
    """Median of some values, at least one."""
    ranked = sorted(values)
    half = len(ranked) // 2
    return ranked[half] if len(ranked) % 2 else (ranked[half - 1] + ranked[half]) / 2.0


def common(a: float, b: float) -> float:
    """Largest step that both are nearly multiples of; 0 is a multiple of any.

    A remainder below 6 % is none, because a converted unit is rounded again: of differences of more than 16
    steps the answer may be too large until a smaller one is seen.
    """
    a, b = max(a, b), min(a, b)
    while b > 1e-9 * a:
        rest = abs(a - round(a / b) * b)
        a, b = b, rest if rest > 0.06 * b else 0.0
    return a


def digits(x: float) -> float:
    """Guess the step of a value (kg) that never changed: no finer than pads are (1e-4 of it), and the largest
    step in its last decimal, as a kilogram or pound display counts, that it is a multiple of."""
    if x == 0.0 or not math.isfinite(x):
        return NO_DIGITS
    return max(1e-4 * abs(x), *(_last_step(abs(x) / unit_kg) * unit_kg for unit_kg in (1.0, LB_KG)))


def _last_step(shown: float) -> float:
    """Largest of 5, 2 and 1 in the last decimal (one to three) of a displayed value; 0 if it has more, or if
    it is so large that its last decimal does not matter."""
    for decimals in (1, 2, 3) if shown < 1e5 else ():
        counts = round(shown * 10**decimals)
        if abs(shown * 10**decimals - counts) < 1e-4:
            return next(step for step in (5, 2, 1) if counts % step == 0) / 10**decimals
    return 0.0
