"""From samples to cells: refuses what is no reading, picks out single wild values, learns the resolution.

Everything here is per pad and per sample, so it is kept short; what is excluded is counted with its reason.
"""

from __future__ import annotations

from collections import Counter
from math import isfinite
from statistics import median

from drivers.api import FLAG_OVERLOAD, FLAG_UNDERLOAD
from logger.settling.cells import Cell
from logger.settling.settings import Settling

SAME = 1e-9
"""Values that differ by no more than this share are the same reading, written differently."""
CellPart = tuple[int, float, float, float, int, float, float, int, float, int]
"""A cell's readings: count, first, sum beyond the first, times (s) beyond its time, its time (ns), the last
but one, the last, its time (ns), the least change and the number of changes."""
HELD = 1
"""This value may be wild; it waits for the next one."""
WILD = 2
"""The value that waited was wild."""
OVERLOADED = FLAG_OVERLOAD | FLAG_UNDERLOAD


class Resolution:
    """The smallest step of a stream's values, learned as the least non-zero difference seen lately.

    Two buckets of 64 changes each are kept, so that a resolution that becomes coarser is found too. Where
    most values repeat the one before (a display that is slower than the line, or coarse), the lower quartile
    of the cells' least changes counts instead: smaller ones are chance.
    """

    def __init__(self) -> None:
        self.value = 0.0
        """0.0 while no two values have differed."""
        self._now = self._before = float("inf")
        self._bucket = 0
        self._group: list[float] = []
        self._samples = self._changes = 0
        self._held = 0.0

    def see(self, least: float, changes: int, samples: int) -> None:
        """Take a cell: its least non-zero change, how many there were, in how many samples."""
        self._samples += samples
        if not changes:
            return
        self._changes += changes
        self._bucket += changes
        self._group.append(least)
        self._now = min(self._now, least)
        if len(self._group) >= 16:
            repeats = self._samples > 3 * self._changes
            self._held = sorted(self._group)[4] if repeats else 0.0
            self._group.clear()
            self._samples = self._changes = 0
        self.value = max(min(self._now, self._before), self._held)
        if self._bucket >= 64:
            self._before, self._now, self._bucket = self._now, float("inf"), 0


class Intake:
    """One pad's samples on their way into cells."""

    def __init__(self, settings: Settling) -> None:
        self.settings = settings
        self.excluded: Counter[str] = Counter()
        """Samples left out, by reason: missing, not_finite, stale, overload, wild."""
        self.resolution = Resolution()
        self.stated_d: float | None = None
        self.held: float | None = None
        """A value that may be wild, kept back until the next one is known."""
        self.held_ns = -1
        self.last_ns = -1
        self.interval_s = 0.0
        """Typical time between samples, 0 while unknown."""
        self.jump = float("inf")
        """Differences up to this are never wild."""
        self.learning = True
        """Is the noise of the first samples still to be seen?"""
        self.last = float("nan")
        """The reading accepted last."""
        self.count = 0
        """Readings in the running cell."""
        self._start: list[float] = []
        self._before = float("nan")
        self._base = self._sum = self._t_sum = 0.0
        self._first_ns = 0
        self._closed_ns = -1
        self._least, self._changes = float("inf"), 0

    def refuse(self, mass_kg: float | None, t_ns: int, flags: int) -> str:
        """Say why a sample is no reading, "" if it is one; counts it."""
        if flags & OVERLOADED:
            reason = "overload"
        elif mass_kg is None:
            reason = "missing"
        elif not isfinite(mass_kg):
            reason = "not_finite"
        elif t_ns < max(self.last_ns, self.held_ns):
            reason = "stale"
        else:
            return ""
        self.excluded[reason] += 1
        return reason

    def add(self, x: float, t_ns: int) -> int:
        """Take a good reading; returns HELD if it is kept back, plus WILD if the one kept back was wild."""
        result = WILD if self.held is not None and self._resolve(x) else 0
        step = x - self.last
        if step > self.jump or step < -self.jump:
            self.held, self.held_ns = x, t_ns
            return result | HELD
        self._accept(x, t_ns)
        return result

    def _resolve(self, x: float) -> bool:
        """Judge the value kept back, now that its successor is known."""
        held, self.held = self.held, None
        assert held is not None
        off = min(abs(held - self.last), abs(held - x))
        calm = max(abs(x - self.last), abs(self.last - self._before))
        same_side = (held > self.last) == (held > x)
        if same_side and off > 4.0 * calm:
            self.excluded["wild"] += 1
            return True
        self._accept(held, self.held_ns)
        return False

    def drop_held(self) -> None:
        """The stream stops here: a jump nobody confirmed is left out as wild."""
        if self.held is not None:
            self.held = None
            self.excluded["wild"] += 1

    def _accept(self, x: float, t_ns: int) -> None:
        step = abs(x - self.last)
        if step >= SAME * abs(x) and step > 0.0:  # less is the same reading, written differently
            self._changes += 1
            self._least = min(self._least, step)
        if self.learning:
            self._learn_jump(x)
        self._before, self.last, self.last_ns = self.last, x, t_ns
        if self.count == 0:
            self._base, self._sum, self._t_sum, self._first_ns = x, 0.0, 0.0, t_ns
        else:
            self._sum += x - self._base
            self._t_sum += (t_ns - self._first_ns) * 1e-9
        self.count += 1

    def take_cell(self, part: CellPart) -> None:
        """Take a whole cell's readings at once, summed up in the same order; none of them may be wild."""
        self.count, self._base, self._sum, self._t_sum, self._first_ns = part[:5]
        self._before, self.last, self.last_ns, self._least, self._changes = part[5:]

    def _learn_jump(self, x: float) -> None:
        """Until the noise is known: eight times the median difference of the first samples."""
        self._start.append(x)
        self.learning = len(self._start) < 12
        if len(self._start) >= 4:
            steps = [abs(b - a) for a, b in zip(self._start, self._start[1:], strict=False)]
            self.know_noise(1.5 * median(steps), self.resolution.value)

    def know_noise(self, sigma: float, resolution: float) -> None:
        """Set the jump above which a value may be wild."""
        self.jump = self.settings.wild_sigma * sigma + 3.0 * resolution or float("inf")

    @property
    def d(self) -> float:
        """The stream's stated resolution, else the one learned; before any change, what the digits
        suggest."""
        if self.stated_d is not None:
            return self.stated_d
        return self.resolution.value or _digits(self.last)

    def cell(self, origin_ns: int) -> Cell | None:
        """Close the running cell; None if it is empty. Its time is in seconds from `origin_ns`."""
        n = self.count
        if n == 0:
            return None
        self.count = 0
        self.resolution.see(self._least, self._changes, n)
        self._least, self._changes = float("inf"), 0
        gone = (self.last_ns - self._closed_ns) * 1e-9
        if self._closed_ns >= 0 and gone < 5.0:
            gone /= n
            self.interval_s += (gone - self.interval_s) * 0.3 if self.interval_s else gone
        self._closed_ns = self.last_ns
        t = (self._first_ns - origin_ns) * 1e-9 + self._t_sum / n
        return Cell(t, self._base + self._sum / n, n, self._first_ns, self.last_ns)


def _digits(x: float) -> float:
    """Guess the step of a value that never changed: its last decimal, and no finer than pads are (1e-4 of
    it)."""
    if not isfinite(x):
        return 0.0
    decimals = len(repr(x).partition(".")[2]) if "e" not in repr(x) else 6
    return float(max(10.0**-decimals, 1e-4 * abs(x)))
