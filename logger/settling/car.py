# cython: annotation_typing=False, auto_pickle=False
"""The whole car: the total of all pads rests before single corners do; loads with their covariance, events.

The total (and with it every determinate figure) is not moved by sticking dampers or tyres; only the warp mode
is. So the car's rest is decided on the total alone, and the loads carry a full covariance whose sum is the
total's.
"""

from __future__ import annotations

from collections import deque
from itertools import takewhile
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from logger.model import ALL_PADS, Boarding, CarOff, CarOn, CarRest, Record, Rock, Step
from logger.settling.cells import Cell
from logger.settling.channel import Channel
from logger.settling.diagonal import Diagonal
from logger.settling.kept import Kept
from logger.settling.level import Level
from logger.settling.prior import TailPrior
from logger.settling.restate import CarRests, zero_at
from logger.settling.settings import Settling
from logger.settling.swings import rock_of, swinging

if TYPE_CHECKING:
    from logger.settling.pad import Pad

HISTORY = 900
"""Cells of the total kept to find rocks in."""
DENSE = 1.5
"""Cells of so many readings of every pad need no looking at the pads' own times."""


class Car(Kept):
    """Total, loads and events of one bay; silent while fewer than two pads are named."""

    kept = (
        *("settings", "pads", "channel", "diagonal", "rest", "_level", "_rests", "on"),
        *("_sum", "_t", "_count", "_first_ns", "_last_ns", "_history", "_origin_ns"),
    )

    def __init__(self, settings: Settling, prior: TailPrior, pads: list[Pad]) -> None:
        self.settings = settings
        self.pads = pads
        self.channel = Channel(settings, prior, len(pads))
        self.diagonal: Diagonal | None = None
        if len(pads) == 4:
            self.diagonal = Diagonal(settings, [pad.channel.noise for pad in pads])
            for i, pad in enumerate(pads):
                pad.channel.share = self.diagonal.of(i)
        self.rest: CarRest | None = None
        self._level: Level | None = None
        """The level that `rest` was made from."""
        self._rests = CarRests(pads)
        self.on: bool | None = None
        """Does a car stand on the pads; None while no capacity or zero says so."""
        self._sum = [0.0] * len(pads)
        self._t = [0.0] * len(pads)
        self._count = [0] * len(pads)
        self._first_ns = self._last_ns = 0
        self._history: deque[list[float]] = deque(maxlen=HISTORY)
        """Time and total of a cell, readings of a pad, and every pad's time, then every pad's load."""
        self._origin_ns: int | None = None
        self._taken = -1
        """Zero checks of all pads when earlier rests were last looked at."""

    def __setstate__(self, state: tuple[Any, ...]) -> None:
        super().__setstate__(state)
        self._taken = -1

    # -- cells -----------------------------------------------------------------------------------------

    def tick(self, end_ns: int) -> list[Record]:
        """Take the pads' cells of the frame that ended; a car cell is full once every pad has sent."""
        if len(self.pads) < 2:
            return []
        taken = 0
        for i in range(len(self.pads)):
            pad = self.pads[i]
            taken += pad.zero.taken
        out: list[Record] = []
        if taken != self._taken:
            self._taken = taken
            out = self._restated()
        for i in range(len(self.pads)):
            pad = self.pads[i]
            if pad.silent:
                out += self._tell(self.channel.end("silenced"))
                self._count = [0] * len(self.pads)
                return out
        self._gather()
        if all(self._count):
            out += self._full(end_ns)
        return out

    def _gather(self) -> None:
        """Add the pads' cells to the car's."""
        empty = not any(self._count)
        for i in range(len(self.pads)):
            pad = self.pads[i]
            cell = pad.cell
            if cell is None:
                continue
            if self._origin_ns is None:
                self._origin_ns = cell.first_ns
            if empty:
                empty = False
                self._first_ns = self._last_ns = cell.first_ns
            if self._count[i] == 0:
                self._sum[i] = self._t[i] = 0.0
            self._sum[i] += cell.n * cell.value
            self._t[i] += cell.n * ((cell.first_ns + cell.last_ns) * 0.5e-9 - self._origin_ns * 1e-9)
            self._count[i] += cell.n
            self._first_ns = min(self._first_ns, cell.first_ns)
            self._last_ns = max(self._last_ns, cell.last_ns)

    def finish(self) -> list[Record]:
        """End of a recording."""
        return self._tell(self.channel.end("ended"))

    def _full(self, end_ns: int) -> list[Record]:
        counts, loads, times, t, total = self._count, [], [], 0.0, 0.0
        resolution = hold_s = 0.0
        for i in range(len(counts)):
            load = self._sum[i] / counts[i]
            loads.append(load)
            total += load
            times.append(self._t[i] / counts[i])
            t += times[i]
            pad = self.pads[i]
            resolution = max(resolution, pad.channel.noise.resolution)
            hold_s = max(hold_s, pad.channel.noise.hold_s)
        t /= len(loads)
        cell = Cell(t, total, min(counts), self._first_ns, self._last_ns)
        self._count = [0] * len(loads)
        if self.diagonal is not None:
            self.diagonal.feed(cell, loads)
        self._history.append([t, total, cell.n] + times + loads)  # noqa: RUF005  C's quicker way
        self.channel.noise.resolution = resolution
        self.channel.noise.hold_s = hold_s
        self.channel.noise.copies = float(len(loads))
        return self._presence(loads, end_ns) + self._tell(self.channel.feed(cell, end_ns, loads))

    # -- presence --------------------------------------------------------------------------------------

    def _presence(self, loads: list[float], end_ns: int) -> list[Record]:
        """Car on when all pads take load after standing empty, car off when all are empty again."""
        total, loaded, empty = 0.0, True, True
        for i in range(len(loads)):
            pad = self.pads[i]
            zero = pad.zero
            if not zero.known:
                return []
            net = loads[i] - zero.zero_kg
            total += net
            loaded = loaded and net > 1.5 * zero.light_kg
            empty = empty and abs(net) < zero.light_kg
        if loaded and self.on is not True:
            self.on = True
            return [CarOn(t_mono_ns=end_ns, mass_kg=total)]
        if empty and self.on is not False:
            was, self.on = self.on, False
            return [CarOff(t_mono_ns=end_ns)] if was else []
        return []

    # -- rests -----------------------------------------------------------------------------------------

    def _tell(self, levels: list[Level]) -> list[Record]:
        out: list[Record] = []
        for level in levels:
            before = self.rest
            rest = self._rest(level)
            self.rest, self._level = rest, level
            out.append(rest)
            if level.change == "declared":
                out += self._events(before, rest)
        return out

    def _rest(self, level: Level) -> CarRest:
        """The record of a level of the total: zeros taken off, loads and covariance put together."""
        same = self.rest is not None and self.rest.t_from_mono_ns == level.from_ns
        old = self.rest if same else None
        zeros = [zero_at(pad, (level.from_ns + level.to_ns) // 2) for pad in self.pads]
        zero, var_zero = sum(z for z, _ in zeros), sum(u * u for _, u in zeros)
        loads, covariance = self._loads(level)
        for i, (z, u) in enumerate(zeros):
            loads[i] -= z
            covariance[i, i] += u * u
        u = (level.u**2 + var_zero) ** 0.5
        if old is None:
            declared, declared_u = level.declared - zero, (level.declared_u**2 + var_zero) ** 0.5
        else:
            declared, declared_u = old.declared_mass_kg, old.declared_u_kg
        offset = self.pads[0].wall_offset_ns
        rest = CarRest(
            pads=tuple(pad.name for pad in self.pads),
            t_from_mono_ns=level.from_ns,
            t_from_wall_ns=level.from_ns + offset,
            t_declared_mono_ns=level.declared_ns,
            t_to_mono_ns=level.to_ns,
            declared_mass_kg=declared,
            declared_u_kg=declared_u,
            mass_kg=level.value - zero,
            u_kg=u,
            loads_kg=tuple(loads.tolist()),
            covariance_kg2=tuple(covariance.ravel().tolist()),
            slope_kg_per_s=level.slope,
            n=level.n,
            open=level.open,
            revision=0 if old is None else old.revision + 1,
        )
        self._rests.keep(rest, zeros)
        return rest

    def _restated(self) -> list[Record]:
        """What earlier rests are by a new zero check; then the open one, so that the present comes last."""
        again = self._rests.again()
        out: list[Record] = [*again]
        if self.rest is not None:
            mine = self.rest.t_from_mono_ns
            self.rest = next((r for r in again if r.t_from_mono_ns == mine), self.rest)
        if again and self.rest is not None and self.rest.open and self._level is not None:
            self.rest = self._rest(self._level)
            out.append(self.rest)
        return out

    def _loads(self, level: Level) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Loads on the wire and their covariance, made to add up to the total and its variance."""
        assert level.parts is not None
        loads, covariance = level.parts
        covariance = covariance.copy()
        for i, pad in enumerate(self.pads):
            covariance[i, i] += pad.channel.noise.resolution**2 / 12.0
        return share_out(loads, covariance, level.value, level.u**2)

    # -- events ----------------------------------------------------------------------------------------

    def _events(self, before: CarRest | None, after: CarRest) -> list[Record]:
        if before is None or before.open:
            return []
        u = (before.u_kg**2 + after.u_kg**2) ** 0.5
        size = after.mass_kg - before.mass_kg
        out: list[Record] = [
            Step(
                pad=ALL_PADS,
                t_from_mono_ns=before.t_to_mono_ns,
                t_to_mono_ns=after.t_from_mono_ns,
                before_kg=before.mass_kg,
                after_kg=after.mass_kg,
                size_kg=size,
                u_kg=u,
            )
        ]
        s = self.settings
        boarded: list[Record] = []
        if s.person_min_kg <= abs(size) <= s.person_max_kg and self.on is not False:
            boarded = self._boarding(before, after, size, u)
        out += self._rock(before, after, s.rock_step_share * abs(size) if boarded else 0.0)
        return out + boarded

    def _boarding(self, before: CarRest, after: CarRest, size: float, u: float) -> list[Record]:
        """A person: the right size, on a car that stays on all pads, shared by at least two of them."""
        if min(before.loads_kg) <= 0 or min(after.loads_kg) <= 0:
            return []
        if len(self.pads) != 4 or max(before.mass_kg, after.mass_kg) > self.settings.person_car_kg:
            return []
        shares = sorted(abs(b - a) for a, b in zip(before.loads_kg, after.loads_kg, strict=True))
        if min(before.mass_kg, after.mass_kg) < 2.0 * abs(size) or shares[-2] < 0.1 * abs(size):
            return []
        return [Boarding(t_mono_ns=after.t_from_mono_ns, size_kg=size, u_kg=u)]

    def _rock(self, before: CarRest, after: CarRest, least_kg: float) -> list[Record]:
        """A rock on the way from one rest to the next, of at least this amplitude."""
        assert self._origin_ns is not None
        lo = (before.t_to_mono_ns - self._origin_ns) * 1e-9 - 0.5
        hi = (after.t_declared_mono_ns - self._origin_ns) * 1e-9
        cells = list(takewhile(lambda cell: cell[0] >= lo, reversed(self._history)))  # times never go back
        cells = [cell for cell in reversed(cells) if cell[0] <= hi]
        t, x = [cell[0] for cell in cells], [cell[1] for cell in cells]
        s, band = self.settings, self.channel.noise.band()
        rock = rock_of(t, x, max(s.rock_band * band, least_kg), s.rock_min_swings)
        if rock is None:
            return []
        frequency, damping = swinging(rock, *self._told_by(cells, band / s.band_sigma))
        return [
            Rock(
                t_from_mono_ns=self._origin_ns + round(rock.points[0][0] * 1e9),
                t_to_mono_ns=self._origin_ns + round(rock.points[-1][0] * 1e9),
                swings=rock.count,
                frequency_Hz=frequency,
                damping_ratio=damping,
                amplitude_kg=rock.amplitude,
            )
        ]

    def _told_by(
        self, cells: list[list[float]], noise: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
        """Times, values, noise of what a swing is told by: the total, or all pads where readings are few."""
        columns = np.array(cells).T
        if columns[2].mean() >= DENSE:
            return columns[:1], columns[1:2], noise
        pads = len(self.pads)
        return columns[3 : 3 + pads], columns[3 + pads :], noise / pads**0.5


def share_out(
    loads: NDArray[np.float64], covariance: NDArray[np.float64], total: float, variance: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Make loads add up to a total that is better known than they are, and their covariance to its variance.

    The difference goes to the loads in proportion to their covariance with the sum (the update of least
    squares); the covariance keeps the conditional part and takes the total's own variance.
    """
    one = np.ones(len(loads))
    to_sum = covariance @ one
    var_sum = float(one @ to_sum)
    if var_sum <= 0:
        gain = one / len(loads)
        rest = covariance * 0.0
    else:
        gain = to_sum / var_sum
        rest = covariance - to_sum[:, None] * to_sum / var_sum
    return loads + gain * (total - float(np.add.reduce(loads))), rest + gain[:, None] * gain * variance
