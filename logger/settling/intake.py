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

HELD = 1
"""This value may be wild; it waits for the next one."""
WILD = 2
"""The value that waited was wild."""
SLOWEST_DISPLAY_NS = 2_000_000_000
"""A value that stays for longer is a load that stands, not a display that is slow."""
OVERLOADED = FLAG_OVERLOAD | FLAG_UNDERLOAD


class Resolution:
    """The smallest step of a stream's values, learned as the least non-zero difference seen lately.

    Two buckets of 64 changes each are kept, so that a resolution that becomes coarser is found too. Where
    most values repeat the one before (a display that is slower than the line, or coarse), the lower quartile
    of the changes counts instead: smaller ones are chance.
    """

    def __init__(self) -> None:
        self.value = 0.0
        """0.0 while no two values have differed."""
        self.seen = 0
        """Samples taken since the last group of changes was judged."""
        self.known = False
        """Have enough differences been seen? Until then the value is what divides all of them."""
        self._now = self._before = float("inf")
        self._divisor = 0.0
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
        if step < self._now:
            self._now = step
            self.value = max(min(self._now, self._before), self._held)
        if not self.known:
            self._divisor = _common(step, self._divisor)
            self.value = min(self._divisor, self._now)
        self._group.append(step)
        if len(self._group) >= 16:
            self._judge()

    def _judge(self) -> None:
        """Sixteen more changes are in: do the values repeat, and is the bucket full?"""
        self.known = True
        self.hold_s = median(self._holds) * 1e-9 if self._holds else 0.0
        self._holds.clear()
        repeats = self.seen > 3 * len(self._group)
        self._held = sorted(self._group)[4] if repeats else 0.0
        self._changes += len(self._group)
        self._group.clear()
        self.seen = 0
        if self._changes >= 64:
            self._before, self._now, self._changes = self._now, float("inf"), 0
        self.value = max(min(self._now, self._before), self._held)


class Intake:
    """One pad's samples on their way into cells."""

    def __init__(self, settings: Settling) -> None:
        self.settings = settings
        self.excluded: Counter[str] = Counter()
        """Samples left out, by reason: missing, not_finite, stale, overload, wild."""
        self.resolution = Resolution()
        self.stated_d: float | None = None
        self.kin_d = 0.0
        """Resolution of the bay's other pads; 0 while none is known."""
        self.held: float | None = None
        """A value that may be wild, kept back until the next one is known."""
        self.held_ns = -1
        self.last_ns = -1
        self.interval_s = 0.0
        """Typical time between samples, 0 while unknown."""
        self.jump = float("inf")
        """Differences up to this are never wild."""
        self._start: list[float] = []
        self._last = float("nan")
        self._before = float("nan")
        self._n = 0
        self._base = self._sum = self._t_sum = 0.0
        self._first_ns = self._end_ns = 0

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
        step = x - self._last
        if step > self.jump or step < -self.jump:
            self.held, self.held_ns = x, t_ns
            return result | HELD
        self._accept(x, t_ns)
        return result

    def _resolve(self, x: float) -> bool:
        """Judge the value kept back, now that its successor is known."""
        held, self.held = self.held, None
        assert held is not None
        off = min(abs(held - self._last), abs(held - x))
        calm = max(abs(x - self._last), abs(self._last - self._before))
        same_side = (held > self._last) == (held > x)
        if same_side and off > max(4.0 * calm, 2.0 * self.jump):  # a hand's touch is off by less
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
        step = x - self._last
        self.resolution.seen += 1
        if step != 0.0 and isfinite(step):
            self.resolution.see(abs(step), abs(x), t_ns)
        if len(self._start) < 12:
            self._learn_jump(x)
        gone = (t_ns - self.last_ns) * 1e-9
        if self.last_ns >= 0 and gone < 5.0:
            self.interval_s += (gone - self.interval_s) * 0.1 if self.interval_s else gone
        self._before, self._last, self.last_ns = self._last, x, t_ns
        if self._n == 0:
            self._base, self._sum, self._t_sum, self._first_ns = x, 0.0, 0.0, t_ns
        else:
            self._sum += x - self._base
            self._t_sum += (t_ns - self._first_ns) * 1e-9
        self._n += 1
        self._end_ns = t_ns

    def _learn_jump(self, x: float) -> None:
        """Until the noise is known: eight times the median difference of the first samples."""
        self._start.append(x)
        if len(self._start) >= 4:
            steps = [abs(b - a) for a, b in zip(self._start, self._start[1:], strict=False)]
            self.know_noise(1.5 * median(steps), self.resolution.value)

    def know_noise(self, sigma: float, resolution: float) -> None:
        """Set the jump above which a value may be wild."""
        self.jump = self.settings.wild_sigma * sigma + 3.0 * resolution or float("inf")

    @property
    def d(self) -> float:
        """The stream's stated resolution, else the one learned, its kin's until then; before any change, what
        the digits suggest."""
        if self.stated_d is not None:
            return self.stated_d
        own = self.resolution.value
        if self.kin_d and not self.resolution.known:
            return min(own, self.kin_d) or self.kin_d
        return own or _digits(self._last)

    def cell(self, origin_ns: int) -> Cell | None:
        """Close the running cell; None if it is empty. Its time is in seconds from `origin_ns`."""
        n = self._n
        if n == 0:
            return None
        self._n = 0
        t = (self._first_ns - origin_ns) * 1e-9 + self._t_sum / n
        return Cell(t, self._base + self._sum / n, n, self._first_ns, self._end_ns)


def _common(a: float, b: float) -> float:
    """Largest step that both are nearly multiples of (a converted unit is rounded again)."""
    a, b = max(a, b), min(a, b)
    while b > 1e-9 * a:
        rest = abs(a - round(a / b) * b)
        a, b = b, rest if rest > 0.06 * b else 0.0
    return a


def _digits(x: float) -> float:
    """Guess the step of a value that never changed: its last decimal, and no finer than pads are (1e-4 of
    it)."""
    if not isfinite(x):
        return 0.0
    decimals = len(repr(x).partition(".")[2]) if "e" not in repr(x) else 6
    return float(max(10.0**-decimals, 1e-4 * abs(x)))
