# cython: annotation_typing=False, auto_pickle=False
"""The watch over a rest: is the newest cell still at the level, and do the newest few stand elsewhere?"""

from __future__ import annotations

import math
from typing import Any

from logger.settling.cells import Cells
from logger.settling.kept import Kept
from logger.settling.level import Level
from logger.settling.noise import NoiseLearner
from logger.settling.settings import Settling


class Watch(Kept):
    """Holds each cell against a level that follows slowly; says where movement began."""

    kept = (
        *("settings", "cells", "noise", "level", "sd", "wander", "off"),
        *("_up", "_down", "_up_from", "_down_from"),
    )

    def __init__(self, settings: Settling, cells: Cells, noise: NoiseLearner) -> None:
        self.settings = settings
        self.cells = cells
        self.noise = noise
        self.level = 0.0
        self.sd = 0.0
        """Scatter of one cell."""
        self.wander = 0.0
        """How far the load wanders from second to second beyond that: as far again is no movement."""
        self.off = 0
        """How many cells in a row were off."""
        self._up = self._down = 0.0
        self._up_from = self._down_from = 0
        self._begin()

    def _begin(self) -> None:
        """Have constants at hand that are asked for at every cell."""
        s = self.settings
        self._close_sigma, self._close_d = s.close_sigma, s.close_d
        self._watch_s, self._most = s.watch_s, 1.0 / s.watch_cells
        self._slack, self._alarm = s.cusum_slack, s.cusum_limit

    def __setstate__(self, state: tuple[Any, ...]) -> None:
        super().__setstate__(state)
        self._begin()

    def reset(self) -> None:
        """A rest begins or ends."""
        self.off = 0
        self._up = self._down = 0.0

    def moved_up(self, places: int) -> None:
        """The cells have lost this many places at the front."""
        self._up_from = max(self._up_from - places, 0)
        self._down_from = max(self._down_from - places, 0)

    def limit(self) -> float:
        """How far off the level a cell must be to be evidence of movement."""
        sd = max(self.sd, 1e-15)
        far = self._close_sigma * math.sqrt(sd * sd + self.wander * self.wander)
        return max(far, self._close_d * self.noise.resolution)

    def take(self) -> int | None:
        """Judge the newest cell; return the index of the cell with which movement began, None if none did."""
        cells = self.cells
        n = cells.n
        r = cells.newest() - self.level
        sd, limit = max(self.sd, 1e-15), self.limit()
        self.off = self.off + 1 if abs(r) > limit else 0
        if self.off >= 2 or (self.off and cells.w_of[n - 1] >= 3 and abs(r) > 1.5 * limit):
            return n - self.off
        start = self._cusum(r / sd)
        if start is not None and self._shifted(start):
            return start
        if not self.off:
            gone = cells.t_of[n - 1] - cells.t_of[n - 2]
            self.level += r * min(gone / self._watch_s, self._most)
        return None

    def undisturbed(self, n: int) -> int:
        """How many of the oldest n cells movement had not touched yet: it may begin gently, or within a cell,
        and pause as hands do."""
        cells, limit, last = self.cells, self.limit(), n
        for i in range(n - 1, 2, -1):
            if cells.t_of[n - 1] - cells.t_of[i] > self.settings.reopen_s:
                break
            if abs(cells.x_of[i] - self.level) > limit:
                last = i
        return last - (1 if last > 6 else 0)

    def _cusum(self, z: float) -> int | None:
        """Two-sided cumulative sum; the index from which it rose, once it alarms."""
        slack, here = self._slack, self.cells.n - 1
        if self._up <= 0:
            self._up_from = here
        if self._down <= 0:
            self._down_from = here
        z = min(max(z, -4.0), 4.0)
        self._up = max(self._up + z - slack, 0.0)
        self._down = max(self._down - z - slack, 0.0)
        if max(self._up, self._down) <= self._alarm:
            return None
        start = self._up_from if self._up > self._down else self._down_from
        self._up = self._down = 0.0
        return start

    def _shifted(self, start: int) -> bool:
        """Do the cells from `start` on stand at another level than those before?"""
        n = self.cells.n
        if start < 3 or n - start < 2:
            return False
        far = self.limit()
        m0, w0 = self.cells.mean(max(start - self.settings.shift_cells, 0), start, far)
        m1, w1 = self.cells.mean(start, n, far)
        if w0 == 0 or w1 == 0:
            return False
        eta = self.noise.eta
        per = self.sd * self.sd * self.cells.mean_n * (2.0 - eta) / eta
        se = math.sqrt(per * (1.0 / w0 + 1.0 / w1))
        return bool(
            abs(m1 - m0)
            > max(1.2 * self.noise.resolution, 0.4 * self.noise.band(), 4.5 * se, 3.0 * self.wander)
        )

    def left(self, late: Level) -> bool:
        """Has the load moved on from a level that was not yet sure enough to tell?"""
        s, cells = self.settings, self.cells
        limit = max(s.late_bands * self.noise.band(), s.close_sigma * late.wobble)
        self.off = self.off + 1 if abs(cells.newest() - late.value) > limit else 0
        return self.off >= 2 or bool(self.off and cells.w_of[cells.n - 1] >= 3)

    def same(self, old: Level, value: float, u: float, from_ns: int, wide: bool) -> bool:
        """Is what stands since `from_ns` the rest closed last, after a knock or a radio gap?

        `wide` says that it sways.
        """
        s = self.settings
        limit_s = s.reopen_silent_s if old.change == "silenced" else s.reopen_s
        limit_s = max(limit_s, s.reopen_cells * self.cells.step_s())
        if wide:
            limit_s = max(limit_s, s.wobble_rest_s)
        near = min(self._sure(old, u), s.same_tolerances * self.noise.band())
        near = max(0.6 * self.noise.resolution, near)
        return bool((from_ns - old.to_ns) * 1e-9 <= limit_s and abs(value - old.value) <= near)

    def apart(self, old: Level, value: float, u: float) -> bool:
        """Is what was taken for the rest before, after a knock, known by now to be another level?

        What crept before may have gone on creeping; after creep_rest_s it is one rest, whatever it did.
        """
        first_ns, last_ns = int(self.cells.first_of[0]), self.cells.last_ns
        if (last_ns - first_ns) * 1e-9 > self.settings.creep_rest_s:
            return False
        gone_s = 0.5e-9 * (first_ns + last_ns - old.from_ns - old.to_ns)
        crept = abs(old.slope) * gone_s if abs(old.slope) > 3.0 * old.u_slope else 0.0
        return bool(abs(value - old.value) > max(self._sure(old, u), self.noise.tolerance()) + crept)

    def _sure(self, old: Level, u: float) -> float:
        """How far two levels may lie apart and be the same: three times what their fits claim."""
        claimed = (u * u + old.u * old.u) / self.settings.modest
        return 3.0 * math.sqrt(claimed + self.wander * self.wander)

    def ramp(self, wide: bool) -> int | None:
        """Index where a steady ramp faster than creep began, or None; `wide` says that the load sways."""
        s, band = self.settings, self.noise.band()
        if wide:
            return self._falls(s.wobble_slow_s, 2.0 * self.noise.sway())
        found = self._falls(s.creep_horizon_s, band)
        return self._falls(2.0 * s.creep_horizon_s, 2.0 * band) if found is None else found

    def _falls(self, look_s: float, far: float) -> int | None:
        """Does the load fall by so much in all of this time?"""
        cells = self.cells
        n, lo = cells.n, cells.since(look_s)
        short = cells.t_of[n - 1] - cells.t_of[lo] < 0.9 * look_s
        if n - lo < 8 or (short and look_s > self.settings.creep_horizon_s):
            return None
        half = (lo + n) // 2
        blow = self.limit()
        fall = (cells.middle(half, n, blow) - cells.middle(lo, half, blow)) * 2.0
        eta = self.noise.eta
        se = 2.0 * self.sd * math.sqrt(4.0 / (n - lo) * (2.0 - eta) / eta)
        limit = max(far, 5.0 * se, 4.0 * self.wander)
        return lo if abs(fall) > limit else None
