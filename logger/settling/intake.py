# cython: annotation_typing=False, auto_pickle=False
"""From samples to cells: refuses what is no reading, picks out single wild values, gathers cells.

Everything here is per pad and per sample, so it is kept short; what is excluded is counted with its reason.
"""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
from numpy.typing import NDArray

from drivers.api import FLAG_OVERLOAD, FLAG_UNDERLOAD
from logger.settling.cells import Cell
from logger.settling.kept import Kept
from logger.settling.resolution import Resolution, digits, middle
from logger.settling.settings import Settling

Array = NDArray[np.float64]
Times = NDArray[np.int64]
HELD = 1
"""This value may be wild; it waits for the next one."""
WILD = 2
"""The value that waited was wild."""
LARGEST = 1e60
"""Beyond this no arithmetic holds (squares of squares are finite below it), in any unit."""
OVERLOADED = FLAG_OVERLOAD | FLAG_UNDERLOAD


class Readings:
    """One pad's ordinary readings: values, times (ns), wall less monotonic time (ns)."""

    def __init__(self, x: Array, t_ns: Times, wall_offset_ns: Times) -> None:
        self.x = x
        self.t_ns = t_ns
        self.wall_offset_ns = wall_offset_ns


class Intake(Kept):
    """One pad's samples on their way into cells."""

    kept = (
        *("settings", "excluded", "resolution", "stated_d", "kin_d", "holds", "held", "held_ns", "last_ns"),
        *("interval_s", "jump", "_digits", "_start", "_last", "_before"),
        *("_n", "_base", "_sum", "_t_sum", "_first_ns", "_end_ns"),
    )

    def __init__(self, settings: Settling) -> None:
        self.settings = settings
        self.excluded: Counter[str] = Counter()
        """Samples left out, by reason: missing, not_finite, stale, overload, wild."""
        self.resolution = Resolution()
        self.stated_d: float | None = None
        self.kin_d = 0.0
        """Resolution of the bay's other pads; 0 while none is known."""
        self.holds = False
        """Is a value that may be wild kept back until the next one is known?"""
        self.held = 0.0
        self.held_ns = -1
        self.last_ns = -1
        self.interval_s = 0.0
        """Typical time between samples, 0 while unknown."""
        self.jump = float("inf")
        """Differences up to this are never wild."""
        self._digits = float("inf")
        """Finest step that the digits of the first values suggest."""
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
        elif not -LARGEST < mass_kg < LARGEST:
            reason = "not_finite"
        elif t_ns < max(self.last_ns, self.held_ns):
            reason = "stale"
        else:
            return ""
        self.excluded[reason] += 1
        return reason

    def add(self, x: float, t_ns: int) -> int:
        """Take a good reading; returns HELD if it is kept back, plus WILD if the one kept back was wild."""
        result = WILD if self.holds and self._resolve(x) else 0
        step = x - self._last
        if step > self.jump or step < -self.jump:
            self.holds, self.held, self.held_ns = True, x, t_ns
            return result | HELD
        self._accept(x, t_ns)
        return result

    def add_many(self, readings: Readings, lo: int, hi: int) -> None:
        """Take good readings, those from `lo` to before `hi`."""
        for i in range(lo, hi):
            self.add(float(readings.x[i]), int(readings.t_ns[i]))

    def _resolve(self, x: float) -> bool:
        """Judge the value kept back, now that its successor is known."""
        self.holds, held = False, self.held
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
        if self.holds:
            self.holds = False
            self.excluded["wild"] += 1

    def _accept(self, x: float, t_ns: int) -> None:
        step = x - self._last
        self.resolution.seen += 1
        if step != 0.0:
            if self.resolution.vague():
                self._digits = min(self._digits, digits(x))
            if math.isfinite(step):
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
            self.know_noise(1.5 * middle(steps), self.resolution.value)

    def know_noise(self, sigma: float, resolution: float) -> None:
        """Set the jump above which a value may be wild."""
        jump = self.settings.wild_sigma * sigma + 3.0 * resolution
        self.jump = jump if jump > 0 else float("inf")

    @property
    def d(self) -> float:
        """The resolution: what the stream states or, where its display turns out to step by more, what is
        learned; its kin's until that is known; before the first few changes, no more than the digits suggest.
        """
        own = self.resolution.value
        if self.stated_d is not None:
            return max(self.stated_d, own if self.resolution.known else self.kin_d)
        if own and self.resolution.vague():
            own = min(own, self._digits)
        if self.kin_d and not self.resolution.known:
            return min(own, self.kin_d) or self.kin_d
        return own or self._digits

    def cell(self, origin_ns: int) -> Cell | None:
        """Close the running cell; None if it is empty. Its time is in seconds from `origin_ns`."""
        n = self._n
        if n == 0:
            return None
        self._n = 0
        t = (self._first_ns - origin_ns) * 1e-9 + self._t_sum / n
        return Cell(t, self._base + self._sum / n, n, self._first_ns, self._end_ns)
