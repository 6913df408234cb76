# cython: annotation_typing=False, boundscheck=False, wraparound=False, initializedcheck=False
"""The sums of a tail fit: which cells count and how much, the curves through them, what those leave.

Plain loops over plain numbers, because that is what can be compiled as it stands (`sums.pxd` names the
types; this file is what runs where nothing was compiled, with the same result to the last bit). So there
are no powers (they are functions), no negative indices (they are not checked) and no early rounding.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    Numbers = array[float]
Array = NDArray[np.float64]

LONG_AGO = 14.0
"""Ages beyond so many time constants tell nothing of a tail: it would have been a million times larger."""
LONGEST_AGO = 30.0
"""What is older has faded as if it were so many time constants old: to nothing."""
WANDER_S = 4.0
"""Shortest stretch that shows how a load wanders from second to second."""
ENOUGH_CELLS = 15
"""Cells whose scatter is known to about a factor of two (χ² with a dozen degrees of freedom)."""
LEAST = 3
"""Fewest cells that are fitted."""


class Curves:
    """What tails of some time constants were at the ages of cells, newest first; one for all that is read
    of these cells."""

    def __init__(self) -> None:
        self.have = 0
        """For how many cells they are worked out."""
        self.room = 0
        self.values = zeros(0)
        """By time constant, `room` for each."""

    def reach(self, times_s: Sequence[float], age: Numbers, use: int, room: int) -> None:
        """Work out what is missing for so many cells of these ages (s)."""
        kinds, have, long_ago = len(times_s), self.have, LONG_AGO
        if self.room != room or len(self.values) < kinds * room:
            self.room, self.values, have = room, zeros(kinds * room), 0
        values = self.values
        for k in range(kinds):
            at, tau = k * room, times_s[k]
            for i in range(have, use):
                past = age[i] / tau
                curve = 0.0
                if past <= long_ago:
                    curve = math.exp(past)
                values[at + i] = curve
        self.have = max(have, use)


class Sums:
    """The numbers of one fit, newest cell first; made once and used for many, as making arrays costs time.

    Level and fast tail are fitted, and beside them each slow tail by itself: how much of the fast curve its
    own holds (`lean`), the sum of squares of what that leaves (`squares`), its size now (`size`), by how
    much a size of 1 lowers the settled value (`pull`) and raises the newest (`front`).
    """

    def __init__(self) -> None:
        self.count = 0
        """How many newest cells lie within the band."""
        self.use = 0
        """How many are fitted."""
        self.per_cell = 0.0
        """Samples in a cell, lately."""
        self.samples = 0.0
        """Samples of the newest cells."""
        self.span_s = self.oldest_s = 0.0
        """Age of the oldest cell within the band, and of the oldest that is fitted."""
        self.weight_sum = 0.0
        self.steady = 0.0
        """The settled value without a slow tail, from the newest cell."""
        self.touch = 0.0
        """What the fast tail still has to go."""
        self.loose = 0.0
        """How loosely the fast tail leaves the level."""
        self.variance = 0.0
        """Residual variance of one sample …"""
        self.scatter = 0.0
        """… and without what was known before; inf if the cells are few."""
        self.eta = 0.0
        self.crossings = 0
        self.fall = 0.0
        self.lever = 0.0
        """Slope of the newest cells (per second), and the sum of squares it rests on."""
        self.wander = 0.0
        self.swings = 0.0
        """Variance of a wander beyond noise, and how often it swung."""
        self.slow = 0
        """How many slow tails are looked at."""
        self.mean = self.mixed = self.to_go = 0.0
        """Mean of all kinds' settled values from the newest cell, its variance, and how far from settled the
        newest is."""
        self.own = Curves()
        """Curves of a fit that shares them with no other."""
        self._room = 0
        self._make_tails(4, 16)
        self._make(256)

    def _make(self, room: int) -> None:
        self._room = room
        self._age, self._y, self._weight = zeros(room), zeros(room), zeros(room)
        self._left, self._curves = zeros(room), zeros(0)

    def _make_tails(self, slow: int, kinds: int) -> None:
        self.lean, self.squares, self.size = zeros(slow), zeros(slow), zeros(slow)
        self.pull, self.front = zeros(slow), zeros(slow)
        self.known, self.told = zeros(slow), zeros(slow)
        self.log_p, self.values, self.ahead = zeros(kinds), zeros(kinds), zeros(kinds)
        """Room for what is worked out of every slow tail, and of every kind: no tail, or one of some size."""

    def make_room(self, slow: int, sizes: int) -> None:
        """Have room for so many slow tails of so many sizes."""
        if len(self.size) < slow or len(self.log_p) < slow * sizes + 1:
            self._make_tails(slow, slow * sizes + 1)

    def near(
        self, t: Array, x: Array, w: Array, least: float, distrust: float, horizon: float, band: float
    ) -> None:
        """Take the cells to use with their weights, and find how many newest lie within the band.

        `t` (s), `x` and `w` (samples) are oldest first, `least` is the variance of a sample. A cell that lay
        `off` outside what noise explains, or is older than one that did, weighs as if its noise were
        `distrust` · off more; beyond `horizon` bands it is left out.
        """
        n = len(t)
        if n > self._room:
            self._make(n)
        age, y, weight = self._age, self._y, self._weight
        last_s, last = float(t[n - 1]), float(x[n - 1])
        lately = min(n, 10)
        total = 0.0
        for i in range(lately):
            total += float(w[n - 1 - i])
        self.per_cell = total / lately
        middle = _middle(x, n, self._left) - last
        slack = 2.5 * math.sqrt(least / self.per_cell)
        far = horizon * band
        doubt = distrust * distrust / least
        off, count, use, samples = 0.0, 0, 0, 0.0
        for i in range(n):
            here = float(x[n - 1 - i]) - last
            off = max(off, abs(here - middle) - slack)
            if off > far and i >= LEAST:
                break
            weigh = float(w[n - 1 - i])
            if off <= band or i < LEAST:
                count = i + 1
                samples += weigh
            age[i] = last_s - float(t[n - 1 - i])
            y[i] = here
            weight[i] = weigh / (1.0 + weigh * off * off * doubt)
            use = i + 1
        self.count, self.use, self.samples = count, use, samples
        self.span_s, self.oldest_s = age[count - 1], age[use - 1]

    def fit(self, times_s: Sequence[float], soft: float, known: Curves) -> None:
        """Weighted least squares by time constants (s; the fast one first, held softly by its prior).

        `known` are their curves, as far as they are worked out for these cells.
        """
        kinds, use = len(times_s), self.use
        if len(self._curves) < kinds * self._room:
            self._curves = zeros(kinds * self._room)
        curves, room, age, weight, y = self._curves, self._room, self._age, self._weight, self._y
        known.reach(times_s, age, use, room)
        values = known.values
        total = mean = 0.0
        for i in range(use):
            total += weight[i]
            mean += weight[i] * y[i]
        mean /= total
        self.weight_sum, self.slow = total, kinds - 1
        f0 = ff = fy = 0.0
        for k in range(kinds):
            at = k * room
            level = 0.0
            for i in range(use):
                level += weight[i] * values[at + i]
            level /= total
            own = fast = product = 0.0
            for i in range(use):
                curve = values[at + i] - level
                curves[at + i] = curve
                heavy = weight[i] * curve
                own += heavy * curve
                fast += heavy * curves[i]
                product += heavy * (y[i] - mean)
            if k == 0:
                f0, ff, fy = level, own, product
                self.touch = fy / (ff + soft)
                self.steady = mean - self.touch * f0
                self.loose = f0 * f0 / (ff + soft)
                continue
            held = fast / (ff + soft)
            square = max(own - held * (2.0 * fast - held * ff), 1e-300)
            self.lean[k - 1] = held
            self.squares[k - 1] = square
            self.size[k - 1] = (product - self.touch * fast - held * (fy - self.touch * ff)) / square
            self.pull[k - 1] = level - held * f0
            self.front[k - 1] = 1.0 - held
        self._residuals(mean)

    def _residuals(self, mean: float) -> None:
        """What the slow tail that explains most leaves of the newest cells."""
        best, most = 0, -1.0
        for k in range(self.slow):
            size, square = self.size[k], self.squares[k]
            if size * size * square > most:
                best, most = k, size * size * square
        size, lean = self.size[best], self.lean[best]
        touch, at = self.touch - size * lean, (best + 1) * self._room
        left, y, curves = self._left, self._y, self._curves
        for i in range(self.count):
            left[i] = (y[i] - mean) - touch * curves[i] - size * curves[at + i]

    def scatters(self, known: float, worth: float, eta: float) -> None:
        """Residual variance of one sample, with and without what was known, its von Neumann ratio, crossings.

        `known` is the variance known before, `worth` so many cells, `eta` what the ratio was. κ = (2 − η)/η
        is how much more a mean varies than with white noise; a swing that crosses its mean m times averages
        out at least as well as m + 1 independent readings.
        """
        count, left, weight = self.count, self._left, self._weight
        newest, rough, crossings = weight[0] * (left[0] * left[0]), 0.0, 0
        for i in range(1, count):
            here, before, w1, w0 = left[i], left[i - 1], weight[i], weight[i - 1]
            newest += w1 * (here * here)
            step = here - before
            rough += step * step * (w0 * w1 / (w0 + w1))
            if here * before < 0:
                crossings += 1
        self.crossings = crossings
        self.variance = (newest + worth * known) / (max(count - 2.0, 1.0) + worth)
        self.scatter = newest / max(count - 3.0, 1.0) if count >= ENOUGH_CELLS else float("inf")
        raw = eta
        if newest > 0:
            raw = min(rough / max(count - 1.0, 1.0) / max(newest / max(count - 2.0, 1.0), 1e-300), 1.0)
        self.eta = max((raw * count + eta * 20.0) / (count + 20.0), 0.02)

    def slopes(self) -> None:
        """Weighted least-squares slope of the newest cells in time, and the sum of squares it rests on."""
        count, age, weight, y = self.count, self._age, self._weight, self._y
        total = middle = 0.0
        for i in range(count):
            total += weight[i]
            middle += weight[i] * age[i]
        middle /= total
        lever = product = 0.0
        for i in range(count):
            centred = age[i] - middle
            lever += weight[i] * centred * centred
            product += weight[i] * centred * y[i]
        self.lever = max(lever, 1e-300)
        self.fall = -product / self.lever

    def changes(self) -> int:
        """How many of the newest cells differ from the one before."""
        found, y = 0, self._y
        for i in range(1, self.count):
            if y[i] != y[i - 1]:
                found += 1
        return found

    def wanders(self, white: float) -> None:
        """Variance of what the load wanders from second to second beyond noise, and how often it swung (≥ 1).

        A wander does not average out by waiting, unless it swings to and fro. `white` is the variance of one
        cell; below four seconds no wander is seen.
        """
        count, age, left, means = self.count, self._age, self._left, self._curves
        self.wander, self.swings = 0.0, 1.0
        if age[count - 1] < WANDER_S:
            return
        seconds, within, total, second = 0, 0, 0.0, 0
        for i in range(count):
            now = int(age[i] + 1e-6)
            if now != second and within:
                means[seconds] = total / within
                seconds += 1
                within, total = 0, 0.0
            second = now
            within += 1
            total += left[i]
        means[seconds] = total / within
        seconds += 1
        middle = 0.0
        for i in range(seconds):
            middle += means[i]
        middle /= seconds
        square, crossings = 0.0, 0
        for i in range(seconds):
            means[i] -= middle
            square += means[i] * means[i]
            if i > 0 and means[i] * means[i - 1] < 0:
                crossings += 1
        more = square / seconds - 1.5 * white * seconds / count
        self.wander, self.swings = max(more, 0.0), max(0.5 * crossings, 1.0)


def zeros(size: int) -> Numbers:
    """Room for so many numbers."""
    return array("d", bytes(8 * size))


def _middle(x: Array, n: int, ranked: Numbers) -> float:
    """Median of the newest five values (of all, where they are fewer), which `ranked` has room for."""
    count = min(n, 5)
    for i in range(count):
        here, at = float(x[n - 1 - i]), i
        while at > 0 and ranked[at - 1] > here:
            ranked[at] = ranked[at - 1]
            at -= 1
        ranked[at] = here
    return (ranked[(count - 1) // 2] + ranked[count // 2]) / 2.0


def risk_of(limit: float, kinds: Numbers, more: float, never: float) -> float:
    """Probability that a mixture of normal errors exceeds ±limit.

    `kinds` are, one after the other, the probability, offset and own variance of each; `more` is added to the
    variances. What is less probable than `never` is left out.
    """
    risk = 0.0
    for i in range(0, len(kinds), 3):
        q, o, v = kinds[i], kinds[i + 1], kinds[i + 2]
        if q > never:
            scale = 1.0 / max(math.sqrt(2.0 * (v + more)), 1e-300)
            risk += q * 0.5 * (math.erfc((limit - o) * scale) + math.erfc((limit + o) * scale))
    return risk


def spreads(
    found: Numbers,
    behind: Array,
    behind_s: Array,
    now_s: float,
    times_s: Numbers,
    sizes: list[float],
    least: float,
    still_s: float,
    floor: float,
) -> None:
    """Put into `found` what tails of each size (outermost) and time constant may have to go at `now_s`, after
    deviations at `behind_s`.

    A tail is a share of the movement that caused it; any touch may leave `least`, which has faded for
    `still_s`. From the newest on, only what could be more than is already found is looked at.
    """
    kinds, enough = len(times_s), 0.0
    for k in range(kinds):
        found[k] = 0.0
    for i in range(len(behind) - 1, -1, -1):
        off = float(behind[i])
        if off <= enough:
            continue
        age, enough = now_s - float(behind_s[i]), float("inf")
        for k in range(kinds):
            tau, most = times_s[k], found[k]
            fade = math.exp(-min(age / tau, LONGEST_AGO))
            if off * fade > most:
                most = off * fade
                found[k] = most
            enough = min(enough, most / fade)
    for k in range(kinds):
        tau, most = times_s[k], found[k]
        left = least * math.exp(-min(still_s / tau, LONGEST_AGO))
        for i in range(len(sizes)):
            size = sizes[i]
            caused = size * most
            found[i * kinds + k] = max(math.sqrt(caused * caused + left * left), floor)


def latest_beyond(values: Array, limit: float) -> int:
    """Index of the last of these values that is above the limit; 0 for none."""
    for i in range(len(values) - 1, 0, -1):
        if values[i] > limit:
            return i
    return 0
