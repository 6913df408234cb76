"""One stream of cells (a pad's, or the car's total): when does it rest, at what value, how sure is that.

Two states. *Seeking*: after each cell the tail fit runs over what came since the last movement; a rest is
declared once the settled value is known well enough. *Resting*: each cell is held against the level; a
jump or a cumulative sum closes the rest at the first evidence of movement, and the fit is refined at a
modest pace. Bounded work and memory a cell: old cells of a long rest are merged in pairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.settling.prior import TailPrior
from logger.settling.settings import Settling
from logger.settling.tail import ENOUGH_CELLS, Estimate, Noise, Tails, estimate

CAPACITY = 256
"""Cells held; a fit never sees more."""
CALM_CELLS = 12
"""Cells in a stretch that may show the noise before any rest was seen."""
SEEK_CELLS = 160
"""Cells kept while seeking."""


class Cell(NamedTuple):
    """Samples of one pad gathered over cell_s: mean time (s), mean value, count, first and last time (ns)."""

    t_s: float
    value: float
    n: int
    first_ns: int
    last_ns: int


@dataclass(frozen=True, slots=True)
class Level:
    """A rest as the channel sees it (values as on the wire); `change` says what happened to it."""

    change: str
    """declared, refined, closed (movement), silenced (no samples), ended (recording ends) or reopened."""
    from_ns: int
    declared_ns: int
    to_ns: int
    declared: float
    declared_u: float
    value: float
    u: float
    slope: float
    u_slope: float
    n: int
    wobble: float
    """Residual standard deviation of one cell."""

    @property
    def open(self) -> bool:
        """True while the rest lasts."""
        return self.change not in ("closed", "silenced", "ended")


class Channel:
    """Rest detection for one stream of cells."""

    def __init__(self, settings: Settling, prior: TailPrior, parts: int = 0) -> None:
        """Take the constants; `parts` columns travel with each cell (the pads' shares of a total)."""
        self.settings = settings
        self.prior = prior
        self.level: Level | None = None
        self.last: Level | None = None
        """The rest closed last; may be reopened."""
        self.resolution = 0.0
        self.floor_factor = 1.0
        """How many independent roundings add up in a value (the total of four pads: 4)."""
        self.variance: float | None = None
        """Learned variance of one sample in quiet rests."""
        self._eta = 1.0
        self._t = np.zeros(CAPACITY)
        self._x = np.zeros(CAPACITY)
        self._w = np.zeros(CAPACITY)
        self._first = np.zeros(CAPACITY, dtype=np.int64)
        self._last = np.zeros(CAPACITY, dtype=np.int64)
        self._parts = np.zeros((CAPACITY, parts))
        self._columns = (self._t, self._x, self._w, self._first, self._last, self._parts)
        self._n = 0
        self.knock = 0.0
        """Largest deviation in the disturbance last bridged."""
        self._peak = 0.0
        self._mean_n = 1.0
        self._behind = np.zeros(1)
        """Deviations from the level in the movement before this rest, and their times (s)."""
        self._behind_s = np.zeros(1)
        self._stirred = 0
        """Which of these is the latest that counts as movement."""
        self._late: Level | None = None
        """A level seen standing that was not sure enough to tell yet."""
        self._late_fit: Estimate | None = None
        self._watch = 0.0
        self._sd = 0.0
        self._up = self._down = 0.0
        self._up_from = self._down_from = 0
        self._off = 0
        self._until_fit = 0
        self._told_s = 0.0
        self._samples = 0
        self._wide = False
        """Is the rest (or the fit under way) one of a swaying load?"""
        self._tried = 0

    # -- feeding ---------------------------------------------------------------------------------------

    def feed(self, cell: Cell, end_ns: int, parts: Sequence[float] = ()) -> list[Level]:
        """Take the next cell, which ended at `end_ns`, and say what it did to the rest."""
        if self._n == CAPACITY:
            self._make_room()
        i = self._n
        self._t[i], self._x[i], self._w[i] = cell.t_s, cell.value, cell.n
        self._first[i], self._last[i] = cell.first_ns, cell.last_ns
        if parts:
            self._parts[i] = parts
        self._n = i + 1
        self._mean_n += (cell.n - self._mean_n) * 0.05
        if self.level is not None:
            return self._rest(cell)
        if self.last is not None:
            self._peak = max(self._peak, abs(cell.value - self.last.value))
        return self._seek(end_ns)

    def silence(self) -> list[Level]:
        """No samples for too long: close the rest at its last sample."""
        if self.level is not None:
            return self._close(self._n, "silenced")
        return self._tell_late(self._last_ns(), "silenced") if self._late is not None else []

    def break_off(self) -> list[Level]:
        """What comes next has nothing to do with what was (overload, unit change): close and forget."""
        levels = self._close(self._n, "closed") if self.level is not None else []
        self._n = 0
        self.last = self._late = None
        return levels

    def finish(self) -> list[Level]:
        """Close what is open at the end of a recording."""
        if self.level is not None:
            return self._close(self._n, "ended")
        return self._tell_late(self._last_ns(), "ended") if self._late is not None else []

    def _last_ns(self) -> int:
        return int(self._last[self._n - 1])

    # -- noise -----------------------------------------------------------------------------------------

    def band(self) -> float:
        """What cannot be told from standing still by one cell: max(d, band_sigma · sigma)."""
        return float(max(self.resolution, self.settings.band_sigma * self._sigma()))

    def noise(self) -> Noise:
        """Assemble what a fit needs; before noise is learned, the median step between cells stands in."""
        known = self.variance is not None
        return Noise(
            variance=self.variance if self.variance is not None else self._white(),
            weight=12.0 if known else 4.0,
            eta=self._eta,
            step=self.resolution,
            copies=self.floor_factor,
            distrust=self.settings.distrust,
            horizon=self.settings.fit_bands,
            tolerance=self._tolerance(),
        )

    def _tolerance(self) -> float:
        """An error beyond this is a wrong reading: one d, or about the noise where that is far coarser."""
        sigma, d = self._sigma(), self.resolution
        return max(d, self.settings.tolerance_sigma * sigma, 2.0 * (sigma - d))

    def _sigma(self) -> float:
        """Noise of one cell; before it is learned, what a stretch of some seconds shows, or few d."""
        if self.variance is not None:
            return float((self.variance / self._mean_n) ** 0.5)
        sigma = float((self._white() / self._mean_n) ** 0.5)
        likely = self.settings.likely_sigma_d * self.resolution
        span_s = float(self._t[self._n - 1] - self._t[0]) if self._n else 0.0
        return min(sigma, likely) if 0 < likely and span_s < self.settings.unknown_rest_s else sigma

    def _white(self) -> float:
        """Variance of one sample without a rest: the calmest stretch of a dozen cells.

        From first differences while nothing is known; from second ones, which are blind to slopes, after.
        """
        order = 1 if self.variance is None else 2
        n = self._n
        count = min(n - order, SEEK_CELLS) // CALM_CELLS * CALM_CELLS or n - order
        if count < 2:
            return 0.0
        bend = np.diff(self._x[n - order - count : n], order)
        square = bend * bend * (self._mean_n / (2.0 if order == 1 else 6.0))
        calm = square.reshape(-1, min(CALM_CELLS, count)).mean(axis=1)
        shown = calm[calm > 0]  # a stretch of one value repeated shows the display, not the noise,
        if len(shown) < 0.67 * len(calm):  # unless that is the rule
            return 0.0
        return float(shown.min())

    def _learn(self, fit: Estimate) -> None:
        """Learn noise from a quiet stretch: fast downwards, slowly upwards."""
        if fit.count < 8 or self._wide or (fit.changes < 6 and self.variance is not None):
            return
        scatter = fit.scatter if fit.count >= ENOUGH_CELLS else fit.variance
        eta = max(min(fit.eta, 1.0), 0.05)
        if self.variance is None:
            self.variance, self._eta = scatter, eta
            return
        if scatter < self.variance or fit.eta > 0.5:  # a slow wander is no noise
            self.variance += (scatter - self.variance) * (0.1 if scatter < self.variance else 0.04)
        self._eta += (eta - self._eta) * 0.05

    def _learn_tail(self, fit: Estimate) -> None:
        """Teach the bay's expectation of tails, after a rest that was long and a movement that was large."""
        s = self.settings
        if (
            not self._wide
            and fit.span_s >= s.tail_learn_s
            and self._behind.max() >= s.tail_learn_bands * self.band()
        ):
            self.prior.learn(fit, self._behind, self._t[self._n - 1] - self._behind_s, self.band())

    # -- seeking ---------------------------------------------------------------------------------------

    def _least(self) -> int:
        """Fewest cells that make a rest: min_rest_s and min_rest_samples."""
        n = self._n
        step = max((self._t[n - 1] - self._t[max(n - 9, 0)]) / max(min(n - 1, 8), 1), 1e-3)
        by_time = int(np.ceil(self.settings.min_rest_s / step - 1e-6)) + 1
        by_count = int(np.ceil(self.settings.min_rest_samples / max(self._mean_n, 1e-6)))
        return max(by_time, by_count, 3)

    def _seek(self, end_ns: int) -> list[Level]:
        if self._n > SEEK_CELLS:
            self._drop(self._n - SEEK_CELLS)
        least = self._least()
        if self._n < least:
            return []
        if self._late is not None and self._left_behind():
            return self._tell_late(end_ns, "closed")
        self._wide = False
        if self._restless(least):
            return self._seek_wobble(end_ns) if self._due(end_ns) else []
        if self._n & 1 and self._t[self._n - 1] - self._t[self._n - 2] < 0.15:
            return []  # every other cell will do
        fit = self._fit(self._n)
        if fit.count >= least and self._quiet(fit):
            s = self.settings
            if fit.risk <= min(s.risk + max(fit.span_s - s.patience_s, 0.0) * s.risk_per_s, s.risk_most):
                return self._declare(fit, end_ns)
            if fit.span_s >= s.late_rest_s and fit.risk <= s.late_risk:
                self._late = self._level(fit, end_ns)
                self._late_fit = fit
        return self._seek_wobble(end_ns) if self._due(end_ns) else []

    def _left_behind(self) -> bool:
        """Has the load moved on from a level that was not yet sure enough to tell?"""
        assert self._late is not None
        off = abs(self._x[self._n - 1] - self._late.value)
        limit = max(self.settings.late_bands * self.band(), self.settings.close_sigma * self._late.wobble)
        self._off = self._off + 1 if off > limit else 0
        return self._off >= 2 or bool(self._off and self._w[self._n - 1] >= 3)

    def _tell_late(self, end_ns: int, change: str) -> list[Level]:
        """A level that ended before it could be told with confidence is told when it ends."""
        assert self._late is not None
        late, self._late, self._off = self._late, None, 0
        if self._late_fit is not None:
            self._learn(self._late_fit)
        old = self.last
        if old is not None and self._same(old, late.value, late.u, late.from_ns):
            declared = replace(old, change="reopened", to_ns=late.to_ns, n=old.n + late.n)
        else:
            declared = replace(late, declared_ns=end_ns)
        self.last = replace(declared, change=change)
        self._drop(int(np.searchsorted(self._last[: self._n], late.to_ns, side="right")))
        self._peak = 0.0
        return [declared, self.last]

    def _restless(self, least: int) -> bool:
        """Are the newest cells too far apart to lie within a band? Spares most fits while things move."""
        if self.variance is None:
            return False
        recent = self._x[self._n - least : self._n]
        rounding = self.resolution**2 / 12.0 * self.floor_factor
        slack = 2.5 * (max(self.variance, rounding) / self._mean_n) ** 0.5
        return float(recent.max() - recent.min()) > 2.0 * (self.band() + slack)

    def _due(self, end_ns: int) -> bool:
        """Is it time to try for a wobbling rest? Twice a second is enough for what takes seconds."""
        wait = round(0.5e9)
        if self.variance is None or end_ns // wait == self._tried // wait:
            return False
        self._tried = end_ns
        calm = self._white() if self._n > SEEK_CELLS - CALM_CELLS else 0.0
        if calm > 4.0 * self.variance:
            self.variance = calm  # not one quiet stretch in a quarter of a minute: the noise has grown
        return True

    def _seek_wobble(self, end_ns: int) -> list[Level]:
        """Somebody breathes aboard, the wind blows: a load that sways within a few bands for some seconds."""
        s = self.settings
        reach = s.wobble_bands * self.band()
        lo = int(np.searchsorted(self._t[: self._n], self._t[self._n - 1] - s.wobble_rest_s))
        recent = self._x[lo : self._n]
        if lo == 0 or float(recent.max() - recent.min()) > 2.0 * reach:
            return []
        self._wide = True
        fit = self._fit(self._n)
        sways = (
            fit.crossings >= 2 and fit.eta < 0.5 and (fit.variance / self._mean_n) ** 0.5 > 0.4 * self.band()
        )
        if sways and fit.span_s >= s.wobble_rest_s and fit.risk <= s.wobble_risk:
            return self._declare(fit, end_ns)
        self._wide = False
        return []

    def _fit(self, n: int) -> Estimate:
        if self.level is None:
            self._look_back()
        noise = self.noise()
        band = self.band()
        if self._wide:
            noise, band = self._widened(noise, band)
        fit = estimate(self._t[:n], self._x[:n], self._w[:n], noise, self._tails(n), band)
        if self.variance is not None and fit.scatter < 0.25 * self.variance and fit.changes >= 6:
            self.variance = max(fit.scatter, self.resolution**2 / 12.0 * self.floor_factor)
        return fit

    def _widened(self, noise: Noise, band: float) -> tuple[Noise, float]:
        """Noise and band of a load that sways."""
        reach = self.settings.wobble_bands * band
        sway = (0.4 * reach) ** 2 * self._mean_n
        return replace(noise, variance=sway, weight=4.0, tolerance=reach), 2.0 * reach

    def _tails(self, n: int) -> Tails:
        """What tails may have to go at cell n − 1, for all we expect."""
        age = self._t[n - 1] - self._behind_s
        spread = self.prior.spread(self._behind, age, float(age[self._stirred]), self.band())
        return Tails(self.prior.tails_s, self.prior.log_prior, spread)

    def _look_back(self) -> None:
        """Which movements lie behind, how large and how long ago?"""
        n = self._n
        self._behind = np.abs(self._x[:n] - self._x[n - 1])
        self._behind_s = self._t[:n].copy()
        if self.last is not None:
            self._behind[0] = max(self._behind[0], abs(self.last.value - float(self._x[n - 1])))
        moving = np.flatnonzero(
            self._behind > 2.0 * self.band()
        )
        self._stirred = int(moving[-1]) if len(moving) else 0

    def _quiet(self, fit: Estimate) -> bool:
        """Does the load stand still by this fit, apart from what it may still have to go?"""
        s = self.settings
        sigma = self._sigma()
        if self.variance is None and sigma > s.likely_sigma_d * self.resolution:
            if fit.span_s < s.unknown_rest_s or fit.samples < s.unknown_rest_samples:
                return False  # as likely a swing as noise
        band = self.band()
        sd = (fit.variance / self._mean_n) ** 0.5
        last = abs(self._x[self._n - 1] - fit.now)
        return bool(
            sd <= s.wobble_band * band
            and abs(fit.value - fit.now) <= s.reach_band * band
            and abs(fit.slope) * s.creep_horizon_s <= 1.2 * band
            and last <= 4.0 * sd + self.resolution
        )

    def _declare(self, fit: Estimate, end_ns: int) -> list[Level]:
        start = self._n - fit.count
        old = self.last
        if old is not None and self._same(old, fit.value, fit.u, int(self._first[start])):
            self.knock = self._peak
            level = replace(old, change="reopened", to_ns=int(self._last[self._n - 1]))
            self._samples = old.n + int(fit.samples)
        else:
            self._drop(start)
            self._samples = int(fit.samples)
            level = self._level(fit, end_ns)
        self.last = self._late = None
        self._off = 0
        self.level = level
        self._told_s = float(self._t[self._n - 1])
        self._settle_watch(fit)
        return [level]

    def _level(self, fit: Estimate, end_ns: int) -> Level:
        """A rest as this fit of the cells held shows it."""
        return Level(
            change="declared",
            from_ns=int(self._first[self._n - fit.count]),
            declared_ns=end_ns,
            to_ns=int(self._last[self._n - 1]),
            declared=fit.value,
            declared_u=fit.u,
            value=fit.value,
            u=fit.u,
            slope=fit.slope,
            u_slope=fit.u_slope,
            n=int(fit.samples),
            wobble=float((fit.variance / self._mean_n) ** 0.5),
        )

    def _same(self, old: Level, value: float, u: float, from_ns: int) -> bool:
        """Is this the rest closed last, after a knock or a radio gap?"""
        limit_s = self.settings.reopen_silent_s if old.change == "silenced" else self.settings.reopen_s
        near = max(0.6 * self.resolution, 3.0 * (u**2 + old.u**2) ** 0.5)
        return (from_ns - old.to_ns) * 1e-9 <= limit_s and abs(value - old.value) <= near

    # -- resting ---------------------------------------------------------------------------------------

    def _settle_watch(self, fit: Estimate) -> None:
        """Take level and scatter to watch from a fresh fit; the next fit comes after a pause that grows."""
        self._watch = fit.value if self._wide else fit.now
        rounding = self.resolution**2 / 12.0 * self.floor_factor
        self._sd = float(np.sqrt(max(fit.variance / self._mean_n, rounding)))
        span = fit.span_s
        step = self.settings.cell_s
        self._until_fit = 2 if span < 3 else int((1.0 if span < 20 else 3.0 if span < 60 else 10.0) / step)
        self._learn(fit)

    def _rest(self, cell: Cell) -> list[Level]:
        assert self.level is not None
        self._samples += cell.n
        r = cell.value - self._watch
        sd = max(self._sd, 1e-15)
        limit = max(self.settings.close_sigma * sd, self.settings.close_d * self.resolution)
        self._off = self._off + 1 if abs(r) > limit else 0
        if self._off >= 2 or (self._off and cell.n >= 3 and abs(r) > 1.5 * limit):
            return self._moved(self._n - self._off)
        z = r / sd
        if self._cusum(z):
            start = self._up_from if self._up > self._down else self._down_from
            self._up = self._down = 0.0
            if self._shifted(start):
                return self._moved(start)
        if not self._off:
            gone = self._t[self._n - 1] - self._t[self._n - 2]
            self._watch += r * min(gone / self.settings.watch_s, 1.0 / self.settings.watch_cells)
        self._until_fit -= 1
        if self._until_fit > 0 or self._off:
            return []
        return self._refine()

    def _cusum(self, z: float) -> bool:
        slack, here = self.settings.cusum_slack, self._n - 1
        if self._up <= 0:
            self._up_from = here
        if self._down <= 0:
            self._down_from = here
        z = min(max(z, -4.0), 4.0)
        self._up = max(self._up + z - slack, 0.0)
        self._down = max(self._down - z - slack, 0.0)
        return max(self._up, self._down) > self.settings.cusum_limit

    def _shifted(self, start: int) -> bool:
        """Do the cells from `start` on stand at another level than those before?"""
        n = self._n
        before = slice(max(start - 40, 0), start)
        if start < 3 or n - start < 2:
            return False
        w0, w1 = self._w[before].sum(), self._w[start:n].sum()
        m0 = float((self._w[before] * self._x[before]).sum() / w0)
        m1 = float((self._w[start:n] * self._x[start:n]).sum() / w1)
        eta = self._eta
        per = self._sd**2 * self._mean_n * (2.0 - eta) / eta
        se = (per * (1.0 / w0 + 1.0 / w1)) ** 0.5
        return abs(m1 - m0) > max(1.2 * self.resolution, 0.4 * self.band(), 4.5 * se)

    def _refine(self) -> list[Level]:
        assert self.level is not None
        fit = self._fit(self._n)
        ramp = self._ramp()
        if ramp is not None:
            return self._moved(ramp)
        self._settle_watch(fit)
        now = float(self._t[self._n - 1])
        pace = self.settings.refine_every_s * (1.0 if fit.span_s < 10 else 5.0)
        self.level = self._restated(fit, "refined", self._n)
        if now - self._told_s < pace:
            return []
        self._told_s = now
        return [self.level]

    def _ramp(self) -> int | None:
        """Index where a steady ramp faster than creep began, or None."""
        horizon = self.settings.creep_horizon_s
        n = self._n
        lo = int(np.searchsorted(self._t[:n], self._t[n - 1] - horizon))
        if n - lo < 8:
            return None
        half = (lo + n) // 2
        fall = float(self._x[half:n].mean() - self._x[lo:half].mean()) * 2.0
        se = 2.0 * self._sd * (4.0 / (n - lo)) ** 0.5
        return lo if abs(fall) > max(self._sway() * self.band(), 5.0 * se) else None

    def _sway(self) -> float:
        """How far, in bands, the load may go within the creep horizon and still be at rest."""
        return 2.0 * self.settings.wobble_bands if self._wide else 1.0

    def _restated(self, fit: Estimate, change: str, n: int) -> Level:
        assert self.level is not None
        return replace(
            self.level,
            change=change,
            to_ns=int(self._last[n - 1]),
            value=fit.value,
            u=fit.u,
            slope=fit.slope,
            u_slope=fit.u_slope,
            n=self._samples,
            wobble=self._sd,
        )

    def _moved(self, start: int) -> list[Level]:
        """Movement began with cell `start`: close there, and seek on from it."""
        assert self.level is not None
        told = int(np.searchsorted(self._last[: self._n], self.level.declared_ns, side="right"))
        return self._close(max(start, min(told, self._n - 1), 1), "closed")

    def _close(self, end: int, change: str) -> list[Level]:
        assert self.level is not None
        guard = end - 1 if change == "closed" and end > 6 else end
        if guard >= 3:
            fit = self._fit(guard)
            closed = self._restated(fit, change, end)
            self._learn_tail(fit)
        else:
            closed = replace(self.level, change=change, to_ns=int(self._last[end - 1]))
        lost = int(self._w[end : self._n].sum())
        closed = replace(closed, n=closed.n - lost, slope=closed.slope)
        self.level = None
        self.last = closed
        self._peak = float(np.abs(self._x[end : self._n] - closed.value).max(initial=0.0))
        self._off = 0
        self._up = self._down = 0.0
        self._drop(end)
        return [closed]

    def part_means(self, from_ns: int, to_ns: int) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
        """Mean of every part over the same cells of a rest, and the covariance of these means.

        One set of weights for all parts: whatever combination of them stands still (total, moments) then
        stands still in the means too, however far the single parts wander along the warp mode. None when
        the rest's cells are no longer held.
        """
        n = self._n
        inside = (self._first[:n] >= from_ns) & (self._last[:n] <= to_ns)
        parts, weights = self._parts[:n][inside], self._w[:n][inside]
        if weights.sum() <= 0:
            return None
        means: NDArray[np.float64] = weights @ parts / weights.sum()
        off = parts - means
        count = len(off)
        spread = off.T @ off / max(count - 1, 1)
        power = float((off[:-1] ** 2).sum())
        lag = float((off[1:] * off[:-1]).sum()) / power if power > 0 and count > 3 else 0.0
        lag = min(max(lag, 0.0), 0.95)
        return means, spread / max(count * (1 - lag) / (1 + lag), 1.0)

    # -- cells -----------------------------------------------------------------------------------------

    def _drop(self, count: int) -> None:
        """Forget the oldest cells."""
        if count <= 0:
            return
        keep = self._n - count
        for a in self._columns:
            a[:keep] = a[count : self._n].copy()
        self._n = keep
        self._up_from = max(self._up_from - count, 0)
        self._down_from = max(self._down_from - count, 0)

    def _make_room(self) -> None:
        """Merge the older half in pairs, so that a long rest keeps a bounded number of cells."""
        half = CAPACITY // 2
        w = self._w[:half].reshape(-1, 2)
        sums = w.sum(axis=1)
        for a in (self._t, self._x):
            a[: half // 2] = (a[:half].reshape(-1, 2) * w).sum(axis=1) / sums
        parts = self._parts[:half].reshape(half // 2, 2, -1)
        self._parts[: half // 2] = (parts * w[:, :, None]).sum(axis=1) / sums[:, None]
        self._first[: half // 2] = self._first[:half:2]
        self._last[: half // 2] = self._last[1:half:2]
        self._w[: half // 2] = sums
        for a in self._columns:
            a[half // 2 : CAPACITY - half // 2] = a[half:].copy()
        self._n = CAPACITY - half // 2
        self._up_from = max(self._up_from - half // 2, 0)
        self._down_from = max(self._down_from - half // 2, 0)
