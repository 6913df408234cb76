# cython: annotation_typing=False, auto_pickle=False, boundscheck=False, initializedcheck=False
"""One stream of cells (a pad's, or the car's total): when does it rest, at what value, how sure is that.

Two states. *Seeking*: after each cell the tail fit runs over what came since the last movement; a rest is
declared once the settled value is known well enough. *Resting*: each cell is held against the level; a
jump or a cumulative sum closes the rest at the first evidence of movement, and the fit is refined at a
modest pace. Bounded work and memory a cell.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace

from logger.settling.cells import CAPACITY, Cell, Cells, Trail
from logger.settling.diagonal import Share
from logger.settling.kept import Kept
from logger.settling.late import another, late_end, late_fit, late_s
from logger.settling.level import Level, foreseen, found, joined
from logger.settling.noise import SEEK_CELLS, NoiseLearner
from logger.settling.prior import TailPrior, stirred
from logger.settling.settings import Settling
from logger.settling.sway import beyond_noise, breath_s, sway_cells, sways, swung_back
from logger.settling.tail import Estimate, Tails, estimate
from logger.settling.watch import Watch


class Channel(Kept):
    """Rest detection for one stream of cells."""

    kept = (
        *("settings", "prior", "cells", "noise", "level", "last", "share", "_watch", "_trail", "_owes"),
        *("knock", "knock_ns", "_peak", "_peak_ns", "_stirred", "_lesson", "_late", "_wide", "_until_fit"),
        *("_told_s", "_samples", "_tried", "_look_s", "_before"),
    )

    def __init__(self, settings: Settling, prior: TailPrior, parts: int = 0) -> None:
        """Take the constants; `parts` columns travel with each cell (the pads' shares of a total)."""
        self.settings = settings
        self.prior = prior
        self.cells = Cells(parts)
        self.noise = NoiseLearner(settings, self.cells)
        self.level: Level | None = None
        self.last: Level | None = None
        """The rest closed last; may be reopened."""
        self.knock, self.knock_ns = 0.0, 0
        """Largest deviation in the disturbance last bridged, and when that was."""
        self.share: Share | None = None
        """What it shows together with the three other pads under a car; None where there are no three."""
        self._watch = Watch(settings, self.cells, self.noise)
        self._trail = Trail()
        self._peak, self._peak_ns = 0.0, 0
        self._stirred = 0
        """Which of the cells behind, in the movement before this rest, is the latest that was movement."""
        self._lesson: Estimate | None = None
        """Fit of a whole rest; teaches once the next rest shows that it ended by a movement."""
        self._before: Level | None = None
        """The rest as it was before the disturbance last bridged; None if none was."""
        self._late: tuple[Level, Estimate] | None = None
        """A level seen standing that was not sure enough to tell yet."""
        self._wide = False
        """Is the rest (or the fit under way) one of a swaying load?"""
        self._look_s = 0.0
        """How far back (s) that load is looked at, longer than cells of it are held."""
        self._until_fit = 0
        self._told_s = 0.0
        self._samples = 0
        self._tried = 0
        self._owes = False
        """Are the parts of `level` yet to be worked out? Told levels have them."""

    def feed(self, cell: Cell, end_ns: int, parts: Sequence[float] = ()) -> list[Level]:
        """Take the next cell, which ended at `end_ns`, and say what it did to the rest."""
        if self._owes and self.cells.n == CAPACITY:
            self._pay()  # the cells it is owed from are merged now
        self._watch.moved_up(self.cells.append(cell, parts))
        self._trail.append(cell)
        if self.level is not None:
            return self._rest(cell)
        if self.last is not None and abs(cell.value - self.last.value) > self._peak:
            self._peak, self._peak_ns = abs(cell.value - self.last.value), cell.first_ns
        return self._seek(end_ns)

    def end(self, why: str) -> list[Level]:
        """No more samples ("silenced": for too long, "ended": ever): close the rest at its last one."""
        if self.level is not None:
            return self._close(self.cells.n, why)
        return self._tell_late(self.cells.last_ns, why) if self._late is not None else []

    def break_off(self) -> list[Level]:
        """What comes next has nothing to do with what was (overload, unit change): close and forget."""
        levels = self.end("closed")
        self.cells.n = 0
        self._trail = Trail()
        if self.share is not None:
            self.share.forget()
        self.last = self._late = None
        return levels

    def _least(self) -> int:
        """Fewest cells that make a rest: min_rest_s and min_rest_samples."""
        by_time = int(math.ceil(self.settings.min_rest_s / self.cells.step_s() - 1e-6)) + 1  # noqa: RUF046  C's are floats
        by_count = int(math.ceil(self.settings.min_rest_samples / max(self.cells.mean_n, 1e-6)))  # noqa: RUF046
        return max(by_time, by_count, 3)

    def _seek(self, end_ns: int) -> list[Level]:
        cells = self.cells
        if cells.n > SEEK_CELLS:
            self._drop(cells.n - SEEK_CELLS)
        least = self._least()
        if cells.n < least:
            return []
        if self._late is not None and self._watch.left(self._late[0]):
            return self._tell_late(end_ns, "closed")
        self._wide = False
        if self.noise.restless(least):
            return self._seek_sway(end_ns)
        if cells.n & 1 and cells.t_of[cells.n - 1] - cells.t_of[cells.n - 2] < 0.15:
            return []  # every other cell will do
        fit = self._fit_alone(cells.n)
        if fit.count >= least and self._stands(fit):
            return self._standing(self._refined(fit, cells.n), end_ns)
        return self._seek_sway(end_ns)

    def _standing(self, fit: Estimate, end_ns: int) -> list[Level]:
        """The load stands still by this fit: declare it once that is sure enough."""
        s = self.settings
        near = abs(fit.value - fit.now) <= s.reach_band * self.noise.band()
        patient = s.risk + max(fit.span_s - s.patience_s, 0.0) * s.risk_per_s
        sure = fit.risk <= min(patient, s.risk_most) or fit.span_s >= s.creep_rest_s
        swayed = swung_back(self.last, self._peak, self.noise, self.cells.last_ns)
        if near and sure:
            breathes = self._declare_breath(end_ns)
            if breathes or fit.span_s >= s.sway_rest_s or not swayed:
                return breathes or self._declare(fit, end_ns)
        if fit.span_s >= late_s(self.noise) and not swayed:
            told = late_fit(fit, near, self.cells, self.noise)
            if told is not None:
                level = self._level(told, end_ns)
                if self._late is not None and another(level, self._late[0], self.noise):
                    return self._tell_late(end_ns, "closed")
                self._late = (level, fit)
            elif self._late is not None and end_ns - self._late[0].to_ns > s.late_kept_s * 1e9:
                self._late = None
        return [] if fit.span_s >= s.sway_rest_s else self._seek_sway(end_ns)

    def _stands(self, fit: Estimate) -> bool:
        """Does the load stand still by this fit, apart from what it may still have to go?"""
        s, noise = self.settings, self.noise
        strange = noise.variance is None and noise.sigma() > s.likely_sigma_d * noise.resolution
        few = fit.samples < s.unknown_rest_samples or fit.count < s.unknown_rest_cells
        if strange and (few or fit.span_s < s.unknown_rest_s):
            return False  # as likely a swing as noise
        if fit.span_s < s.hold_values * noise.hold_s:
            return False  # a slow display stands between two values
        creeps = abs(fit.slope) * s.creep_horizon_s <= 1.2 * noise.band()
        still = self._cell_sd(fit) <= s.wobble_band * noise.band()
        return bool(still and creeps and self._goes_on(fit))

    def _goes_on(self, fit: Estimate) -> bool:
        """Does the newest cell, too, lie where the fit has it?"""
        s, off = self.settings, abs(self.cells.newest() - fit.now)
        return bool(off <= s.newest_sigma * self._cell_sd(fit) + s.newest_d * self.noise.resolution)

    def _cell_sd(self, fit: Estimate) -> float:
        return math.sqrt(fit.variance / self.cells.mean_n)

    def _seek_sway(self, end_ns: int) -> list[Level]:
        """Somebody breathes, the wind blows: a load that sways. Twice a second only: it takes seconds."""
        noise = self.noise
        if noise.variance is None or end_ns // 500_000_000 == self._tried // 500_000_000:
            return []
        self._tried = end_ns
        noise.grow()
        self._look_s = 0.0
        return self._declare_sway(end_ns) if sways(self.cells, noise.sway(), self.settings) else []

    def _declare_breath(self, end_ns: int) -> list[Level]:
        """What stands again where it stood before, and went to and fro between, is one rest of a sway."""
        self._look_s = breath_s(self._trail, self.last, self._peak, self.noise, end_ns)
        return self._declare_sway(end_ns) if self._look_s > 0 else []

    def _declare_sway(self, end_ns: int) -> list[Level]:
        """Declare a rest of a load that sways, if it does by a fit of that."""
        s, self._wide = self.settings, True
        fit = self._fit(self.cells.n)
        known = fit.span_s >= s.wobble_rest_s and fit.risk <= s.wobble_risk and self._goes_on(fit)
        self._wide = known and beyond_noise(fit, self._cell_sd(fit), self.noise)
        return self._declare(fit, end_ns) if self._wide else []

    def _tell_late(self, end_ns: int, change: str) -> list[Level]:
        """A level that ended before it could be told with confidence is told when it ends."""
        assert self._late is not None
        (late, fit), self._late = self._late, None
        if change == "closed":
            late = replace(late, to_ns=late_end(late, self.cells, self.settings))
        late = late if late.parts else self._with_parts(late)
        self._watch.reset()
        if not self._wide:
            self.noise.learn(fit)
        old = self.last
        if old is not None and self._watch.same(old, late.value, late.u, late.from_ns, self._wide):
            self.knock, self.knock_ns = self._peak, self._peak_ns
            declared = replace(old, change="reopened", to_ns=late.to_ns, n=old.n + late.n)
        else:
            declared = replace(late, declared_ns=end_ns)
        self.last = replace(declared, change=change)
        self._drop(self.cells.index_after(late.to_ns))
        self._peak = 0.0
        return [declared, self.last]

    def _fit(self, n: int) -> Estimate:
        """Fit the oldest n cells held, together with those of the other pads where that tells more."""
        return self._refined(self._fit_alone(n), n)

    def _fit_alone(self, n: int) -> Estimate:
        cells, learned, trail = self.cells, self.noise, self._trail
        if self.level is None:  # which movements lie behind, how large and how long ago?
            trail.look_back(cells.newest())
            self._stirred = stirred(trail.off[: trail.count], learned.band())
        if self._wide:
            reach = learned.sway()
            t, x, w = sway_cells(cells, trail, n, self._look_s)
            fit = estimate(t, x, w, learned.for_sway(), self._tails(n), 2.0 * reach, reach)
            fit.count, fit.samples = min(fit.count, n), min(fit.samples, float(np.add.reduce(cells.w[:n])))
        else:
            t, x, w = cells.t_of[:n], cells.x_of[:n], cells.w_of[:n]
            fit = estimate(t, x, w, learned.for_fit(), self._tails(n), learned.band(), self._asked())
        learned.bound(fit)
        return fit

    def _refined(self, fit: Estimate, n: int) -> Estimate:
        if self.share is None or self._wide:
            return fit
        cells = self.cells
        return self.share.refine(fit, int(cells.first_of[0]), int(cells.last_of[n - 1]), self._asked())

    def _asked(self) -> float:
        """The error that what is to be told must not have; 0 once it is: nobody asks for the risk then."""
        return self.noise.tolerance() if self.level is None else 0.0

    def _tails(self, n: int) -> Tails:
        """What tails may have to go at cell n − 1, for all we expect."""
        trail, now_s = self._trail, float(self.cells.t_of[n - 1])
        behind, behind_s = trail.off[: trail.count], trail.off_s[: trail.count]
        return self.prior.tails(behind, behind_s, now_s, self._stirred, self.noise.band())

    def _learn_tail(self, fit: Estimate) -> None:
        """Teach the bay's expectation of tails, unless the rest before broke off by its own tail."""
        lesson, self._lesson = self._lesson, None
        apart = self.settings.tail_apart_bands * self.noise.band()
        if lesson is not None and abs(lesson.value - fit.value) > apart:
            self.prior.learn(lesson)
            if self.share is not None:
                self.share.learn()

    def _declare(self, fit: Estimate, end_ns: int) -> list[Level]:
        cells, old, self._late = self.cells, self.last, None
        start = cells.n - fit.count
        self._learn_tail(fit)
        if old is not None and self._watch.same(
            old, fit.value, fit.u, int(cells.first_of[start]), self._wide
        ):
            self.knock, self.knock_ns, self._before = self._peak, self._peak_ns, old
            level = replace(old, change="reopened", to_ns=cells.last_ns)
            self._samples = old.n + int(fit.samples)
            self._drop(start)
        else:
            self._before = None
            self._drop(start)
            self._samples = int(fit.samples)
            level = self._with_parts(self._level(fit, end_ns))
        self.last = None
        self._watch.reset()
        self.level = level
        self._told_s = float(cells.t_of[cells.n - 1])
        self._settle(fit)
        return [level]

    def _level(self, fit: Estimate, end_ns: int) -> Level:
        return found(fit, self.cells, self._cell_sd(fit), end_ns)

    def _settle(self, fit: Estimate) -> None:
        """Take level and scatter to watch from a fresh fit; the next fit comes after a pause that grows."""
        self._watch.level = fit.value if self._wide else fit.now
        self._watch.sd = max(self._cell_sd(fit), math.sqrt(self.noise.rounding))
        self._watch.wander = math.sqrt(fit.wander)
        span = fit.span_s
        pause_s = 0.2 if span < 3 else 1.0 if span < 20 else 3.0 if span < 60 else 10.0
        self._until_fit = max(int(pause_s / self.settings.cell_s + 1e-9), 1)
        if not self._wide:
            self.noise.learn(fit)

    def _rest(self, cell: Cell) -> list[Level]:
        self._samples += cell.n
        start = self._watch.take()
        if start is not None:
            return self._moved(start)
        self._until_fit -= 1
        if self._until_fit > 0 or self._watch.off:
            return []
        return self._refine()

    def _refine(self) -> list[Level]:
        fit = self._fit(self.cells.n)
        ramp = self._watch.ramp(self._wide)
        if ramp is not None:
            return self._moved(ramp)
        parted = self._apart(fit)
        self._settle(fit)
        if parted:
            return parted
        now = float(self.cells.t_of[self.cells.n - 1])
        pace = self.settings.refine_every_s * (1.0 if fit.span_s < 10 else 5.0)
        self.level = self._restated(fit, "refined", self.cells.n)
        self._owes = True
        if now - self._told_s < pace:
            return []
        self._told_s = now
        self._pay()
        return [self.level]

    def _apart(self, fit: Estimate) -> list[Level]:
        """What was taken for the rest before, after a knock, is another: close that one, declare this."""
        old = self._before
        if old is None or self._wide or not self._watch.apart(old, fit.value, fit.u):
            return []
        self._before = None
        self._samples = int(fit.samples)
        self.level = self._with_parts(self._level(fit, self.cells.last_ns))
        return [old, self.level]

    def _pay(self) -> None:
        assert self.level is not None
        self.level, self._owes = self._with_parts(self.level), False

    def _with_parts(self, level: Level) -> Level:
        """Work out what the parts of a level are; its cells must still be held."""
        parts = self.cells.part_means(level.from_ns, level.to_ns)
        return level if parts is None else replace(level, parts=parts)

    def _restated(self, fit: Estimate, change: str, n: int) -> Level:
        assert self.level is not None
        cells, to_ns = self.cells, int(self.cells.last_of[n - 1])
        fall, ctt = cells.slope(n)
        value, u = fit.value, fit.u
        if not self._wide:
            value = foreseen(fit, self.settings.reach_band * self.noise.band())
        value, u = (value, u) if self._before is None else joined(self._before, value, u)
        level = replace(self.level, change=change, to_ns=to_ns, value=value, u=u, slope=fall)
        return replace(level, u_slope=math.sqrt(fit.variance / ctt), n=self._samples, wobble=self._watch.sd)

    def _moved(self, start: int) -> list[Level]:
        """Movement began with cell `start`, but not before the rest was declared: close there, seek on."""
        assert self.level is not None
        told = self.cells.index_after(self.level.declared_ns)
        return self._close(max(start, min(told, self.cells.n - 1), 1), "closed")

    def _close(self, end: int, change: str) -> list[Level]:
        assert self.level is not None
        cells, parted = self.cells, []
        last = self._watch.undisturbed(end) if change == "closed" or self._watch.off else end
        if last >= 3:
            fit = self._fit(last)
            parted = self._apart(fit)
            self.level = self._restated(fit, change, end)
            self._pay()
            closed = self.level
            self._keep_lesson(fit)
            if self.share is not None:
                self.share.ended(int(cells.first_of[0]), closed.to_ns, teaches=self._lesson is not None)
        else:
            if self._owes:
                self._pay()
            closed = replace(self.level, change=change, to_ns=int(cells.last_of[end - 1]))
        after, self._peak, self._peak_ns = cells.behind(end, closed.value)
        closed = replace(closed, n=closed.n - after)
        self.level = None
        self.last = closed
        self._watch.reset()
        self._drop(end)
        return [*parted, closed]

    def _keep_lesson(self, fit: Estimate) -> None:
        """Keep what this rest shows of tails, if it was long and the movement before it large."""
        s, band = self.settings, self.noise.band()
        if self._wide or fit.span_s < s.tail_learn_s or self._trail.farthest() < s.tail_learn_bands * band:
            return
        self._lesson = fit

    def _drop(self, count: int) -> None:
        if count > 0 and self._late is not None and self._late[0].parts is None:
            self._late = self._with_parts(self._late[0]), self._late[1]
        self.cells.drop(count)
        self._watch.moved_up(count)
