# cython: annotation_typing=False, auto_pickle=False, boundscheck=False, initializedcheck=False
"""The newest cells of one stream, bounded: old ones of a long rest are merged in pairs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
CAPACITY = 256
"""Cells held; a fit never sees more."""
TRAIL = 200
"""Cells remembered: 20 s at 10 Hz, twice the longest tail."""


class Cell:
    """Samples of one pad gathered over cell_s: mean time (s), mean value, count, first and last time (ns)."""

    def __init__(self, t_s: float, value: float, n: int, first_ns: int, last_ns: int) -> None:
        self.t_s = t_s
        self.value = value
        self.n = n
        self.first_ns = first_ns
        self.last_ns = last_ns

    def __reduce__(self) -> tuple[Any, ...]:
        """What a bay's state keeps of it, compiled or not."""
        return Cell, (self.t_s, self.value, self.n, self.first_ns, self.last_ns)


class Cells:
    """Columns of cells, oldest first; `parts` columns travel along (the pads' shares of a total)."""

    def __init__(self, parts: int = 0) -> None:
        self.n = 0
        self.taken = 0
        """Cells ever taken."""
        self.t = np.zeros(CAPACITY)
        self.x = np.zeros(CAPACITY)
        self.w = np.zeros(CAPACITY)
        """Samples in each cell."""
        self.first = np.zeros(CAPACITY, dtype=np.int64)
        self.last = np.zeros(CAPACITY, dtype=np.int64)
        self.parts = np.zeros((CAPACITY, parts))
        self.mean_n = 1.0
        """Samples in a cell, lately."""
        self._columns: tuple[NDArray[Any], ...] = (self.t, self.x, self.w, self.first, self.last, self.parts)
        self._look()

    def _look(self) -> None:
        """Look at the columns cell by cell, too: `t_of[i]` is `t[i]`, in less time."""
        self.t_of, self.x_of, self.w_of, self.first_of, self.last_of, self.parts_of = self._columns

    def __reduce__(self) -> tuple[Any, ...]:
        """What a bay's state keeps of it, compiled or not."""
        return Cells, (self.parts.shape[1],), (self.n, self.taken, self.mean_n, self._columns)

    def __setstate__(self, state: tuple[Any, ...]) -> None:
        self.n, self.taken, self.mean_n, self._columns = state
        self.t, self.x, self.w, self.first, self.last, self.parts = self._columns
        self._look()

    @property
    def last_ns(self) -> int:
        """Time of the newest sample."""
        return int(self.last_of[self.n - 1])

    def append(self, cell: Cell, parts: Sequence[float] = ()) -> int:
        """Take a cell; return by how many places the older ones moved to make room."""
        moved = self._merge() if self.n == CAPACITY else 0
        i = self.n
        self.t_of[i], self.x_of[i], self.w_of[i] = cell.t_s, cell.value, cell.n
        self.first_of[i], self.last_of[i] = cell.first_ns, cell.last_ns
        for k in range(len(parts)):
            self.parts_of[i, k] = parts[k]
        self.n = i + 1
        self.taken += 1
        self.mean_n += (cell.n - self.mean_n) * 0.05
        return moved

    def drop(self, count: int) -> None:
        """Forget the oldest."""
        if count <= 0:
            return
        keep = self.n - count
        for i in range(keep):
            j = i + count
            self.t_of[i], self.x_of[i], self.w_of[i] = self.t_of[j], self.x_of[j], self.w_of[j]
            self.first_of[i], self.last_of[i] = self.first_of[j], self.last_of[j]
        if self.parts_of.shape[1]:
            self.parts[:keep] = self.parts[count : self.n].copy()
        self.n = keep

    def index_after(self, t_ns: int) -> int:
        """How many cells ended up to this time."""
        count = self.n
        while count > 0 and self.last_of[count - 1] > t_ns:
            count -= 1
        return count

    def since(self, age_s: float) -> int:
        """Index of the first cell not older than this."""
        at, oldest_s = self.n - 1, self.t_of[self.n - 1] - age_s
        while at > 0 and self.t_of[at - 1] >= oldest_s:
            at -= 1
        return int(at)

    def newest(self) -> float:
        """Value of the newest cell."""
        return float(self.x_of[self.n - 1])

    def spread(self, lo: int, hi: int) -> float:
        """Largest less smallest value of a stretch that is not empty."""
        least = most = float(self.x_of[lo])
        for i in range(lo + 1, hi):
            here = float(self.x_of[i])
            least = min(least, here)
            most = max(most, here)
        return most - least

    def step_s(self) -> float:
        """Time between cells, lately."""
        back = min(self.n - 1, 8)
        gone = float(self.t_of[self.n - 1]) - float(self.t_of[self.n - 1 - back])
        return max(gone / max(back, 1), 1e-3)

    def middle(self, lo: int, hi: int, far: float) -> float:
        """Mean of a stretch that is not empty, every cell alike but those that are blows (see `blow`)."""
        total, count = 0.0, 0
        for i in range(lo, hi):
            if not self.blow(i, far):
                total += float(self.x_of[i])
                count += 1
        return total / count if count else float(self.x_of[lo])

    def mean(self, lo: int, hi: int, far: float) -> tuple[float, float]:
        """Weighted mean of a stretch but for blows, and its weight; 0 where all are."""
        weight = total = 0.0
        for i in range(lo, hi):
            if not self.blow(i, far):
                here = float(self.w_of[i])
                weight += here
                total += here * float(self.x_of[i])
        return total / max(weight, 1e-300), weight

    def blow(self, i: int, far: float) -> bool:
        """Is a cell alone so far off both its neighbours, to one side? The first and the newest are not."""
        if not 0 < i < self.n - 1:
            return False
        before = float(self.x_of[i]) - float(self.x_of[i - 1])
        after = float(self.x_of[i]) - float(self.x_of[i + 1])
        return (before > far and after > far) or (before < -far and after < -far)

    def behind(self, lo: int, value: float) -> tuple[int, float, int]:
        """How many samples the cells from `lo` on have, how far off a value they get, and when (ns)."""
        samples, most, when = 0.0, 0.0, 0
        for i in range(lo, self.n):
            samples += float(self.w_of[i])
            off = abs(float(self.x_of[i]) - value)
            if off > most:
                most, when = off, int(self.first_of[i])
        return int(samples), most, when

    def slope(self, n: int) -> tuple[float, float]:
        """Weighted least-squares slope of the oldest n cells in time, and the sum of squares it rests on."""
        last_s, last = float(self.t_of[n - 1]), float(self.x_of[n - 1])
        total = middle = 0.0
        for i in range(n):
            weight = float(self.w_of[i])
            total += weight
            middle += weight * (last_s - float(self.t_of[i]))
        middle /= total
        ctt = product = 0.0
        for i in range(n):
            age = last_s - float(self.t_of[i]) - middle
            lever = float(self.w_of[i]) * age
            ctt += lever * age
            product += lever * (float(self.x_of[i]) - last)
        ctt = max(ctt, 1e-300)
        return -product / ctt, ctt

    def part_means(self, from_ns: int, to_ns: int) -> tuple[Array, Array] | None:
        """Mean of every part over the same cells of a rest, and the covariance of these means.

        One set of weights for all parts: whatever combination of them stands still (total, moments) then
        stands still in the means too, however far the single parts wander along the warp mode. None when
        there are no parts, or the rest's cells are no longer held.
        """
        if not self.parts_of.shape[1]:
            return None
        lo = hi = self.index_after(to_ns)
        while lo > 0 and self.first_of[lo - 1] >= from_ns:
            lo -= 1
        if lo == hi:
            return None
        parts, weights = self.parts[lo:hi], self.w[lo:hi]
        means: Array = weights @ parts / np.add.reduce(weights)
        off = parts - means
        count = len(off)
        spread = off.T @ off / max(count - 1, 1)
        power = float(np.add.reduce(off[:-1] ** 2, axis=None))
        lag = float(np.add.reduce(off[1:] * off[:-1], axis=None)) / power if power > 0 and count > 3 else 0.0
        lag = min(max(lag, 0.0), 0.95)
        return means, spread / max(count * (1 - lag) / (1 + lag), 1.0)

    def _merge(self) -> int:
        """Merge the older half in pairs."""
        half = CAPACITY // 2
        quarter = half // 2
        t, x, parts = self.t_of, self.x_of, self.parts_of
        for i in range(quarter):
            j = 2 * i
            a, b = self.w_of[j], self.w_of[j + 1]
            t[i], x[i] = (t[j] * a + t[j + 1] * b) / (a + b), (x[j] * a + x[j + 1] * b) / (a + b)
            for k in range(parts.shape[1]):
                parts[i, k] = (parts[j, k] * a + parts[j + 1, k] * b) / (a + b)
            self.w_of[i] = a + b
            self.first_of[i], self.last_of[i] = self.first_of[j], self.last_of[j + 1]
        for column in self._columns:
            column[quarter : CAPACITY - quarter] = column[half:].copy()
        self.n = CAPACITY - quarter
        return quarter


class Trail:
    """Where a stream was lately: what moved before a rest says how large a tail may be, long after."""

    def __init__(self) -> None:
        self._n = 0
        self._t, self._x = np.zeros(2 * TRAIL), np.zeros(2 * TRAIL)
        self.count = 0
        """How many cells lay behind when last looked back; 0 before."""
        self._off, self._off_s = np.zeros(TRAIL), np.zeros(TRAIL)
        self._look()

    def _look(self) -> None:
        """Look at the columns cell by cell, too."""
        self._t_of, self._x_of = self._t, self._x
        self.off, self.off_s = self._off, self._off_s
        """How far off these cells lay, and their times (s), oldest first."""

    def __reduce__(self) -> tuple[Any, ...]:
        """What a bay's state keeps of it, compiled or not."""
        return Trail, (), (self._n, self._t, self._x, self.count, self._off, self._off_s)

    def __setstate__(self, state: tuple[Any, ...]) -> None:
        self._n, self._t, self._x, self.count, self._off, self._off_s = state
        self._look()

    def append(self, cell: Cell) -> None:
        """Take the newest cell."""
        if self._n == 2 * TRAIL:
            self._t[:TRAIL], self._x[:TRAIL] = self._t[TRAIL:].copy(), self._x[TRAIL:].copy()
            self._n = TRAIL
        self._t_of[self._n], self._x_of[self._n] = cell.t_s, cell.value
        self._n += 1

    def lately(self, age_s: float, less: int = 0) -> tuple[Array, Array]:
        """Times (s) and values of the cells of that time, oldest first; without so many of the newest."""
        n = self._n - less
        lo, oldest_s = n - 1, self._t_of[n - 1] - age_s
        while lo > max(self._n - TRAIL, 0) and self._t_of[lo - 1] >= oldest_s:
            lo -= 1
        return self._t[lo:n], self._x[lo:n]

    def look_back(self, here: float) -> None:
        """Remember how far from `here` the stream was, and when."""
        lo = max(self._n - TRAIL, 0)
        self.count = self._n - lo
        for i in range(self.count):
            self.off[i] = abs(self._x_of[lo + i] - here)
            self.off_s[i] = self._t_of[lo + i]

    def farthest(self) -> float:
        """The largest of these deviations, 0 for none."""
        most = 0.0
        for i in range(self.count):
            most = max(most, float(self.off[i]))
        return most
