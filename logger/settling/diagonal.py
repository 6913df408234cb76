# cython: annotation_typing=False, auto_pickle=False, boundscheck=False, wraparound=False
"""What four pads show together: under a car it is the diagonal that has a tail.

Total, front and left share are determinate, they settle with the last swing. What creeps and sticks moves
load from one diagonal to the other. So a pad's reading is taken apart into its share of the diagonal, whose
noise is half a pad's and whose tail all four show, and the rest, which has hardly any tail. Both are fitted
by themselves, each with an expectation of tails of its own; where the rest turns out to have tails as well
(the pads do not stand under one car), each pad is looked at alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.settling.cells import CAPACITY, Cell, Cells
from logger.settling.kept import Kept
from logger.settling.noise import NoiseLearner
from logger.settling.prior import TailPrior, stirred
from logger.settling.settings import Settling
from logger.settling.sums import Curves
from logger.settling.tail import Estimate, Noise, estimate, together

PATTERNS = np.array(((1.0, -1.0, -1.0, 1.0), (1.0, 1.0, -1.0, -1.0), (1.0, -1.0, 1.0, -1.0)))
"""The three ways to pair four pads; one pairs the diagonals. The first fits pads named row by row."""
_SIGNS: list[list[float]] = PATTERNS.tolist()
LEAST_CELLS = 5
"""Fewest joint cells that are fitted."""


class Diagonal(Kept):
    """Joint cells of four pads, and the tail they share."""

    kept = ("settings", "swung", "apart", "_noises", "_cells", "_pattern", "_moved")

    def __init__(self, settings: Settling, noises: Sequence[NoiseLearner]) -> None:
        """Take the constants and what is learned of each pad's noise, in the order of the pads."""
        self.settings = settings
        self.swung, self.apart = TailPrior(settings), TailPrior(settings)
        """What is expected of tails in the diagonal, and in what a pad reads beside it."""
        self._noises = list(noises)
        self._cells = Cells(4)
        self._pattern = 0
        self._moved = np.zeros(len(PATTERNS))
        """Rests of pads in which each pattern moved, lately; where several did, each counts in part."""
        self._begin()

    def _begin(self) -> None:
        """Make what is worked out anew whenever it is needed."""
        self._late_ns = round(self.settings.joint_late_s * 1e9)
        self._fits: dict[tuple[int, int], Estimate] = {}
        self._warped = 0
        """How many of the oldest joint cells `_warp` is up to date for."""
        self._curves, self._curves_n = Curves(), 0
        """Curves of the joint cells' ages, and the number of the newest."""
        self._warp, self._rest, self._off = np.zeros(CAPACITY), np.zeros(CAPACITY), np.zeros(CAPACITY)

    def __setstate__(self, state: tuple[Any, ...]) -> None:
        super().__setstate__(state)
        self._begin()

    def feed(self, cell: Cell, loads: Sequence[float]) -> None:
        """Take a frame in which all four have sent."""
        self._cells.append(cell, loads)
        self._renew()

    def forget(self) -> None:
        """What comes next has nothing to do with what was."""
        self._cells.n = 0
        self._renew()

    def _renew(self) -> None:
        self._fits.clear()
        self._warped = self._curves_n = 0

    def of(self, pad: int) -> Share:
        """One pad's part in it."""
        return Share(self, pad)

    def sign(self, pad: int) -> float:
        """+1 or −1: how a pad's reading goes with the diagonal."""
        return _SIGNS[self._pattern][pad]

    def stretch(self, from_ns: int, to_ns: int) -> tuple[int, int] | None:
        """Joint cells of this time, first and after the last; None where they are missing."""
        cells = self._cells
        n = lo = cells.index_after(to_ns)
        while lo > 0 and cells.first_of[lo - 1] >= from_ns:
            lo -= 1
        whole = n - lo >= LEAST_CELLS and to_ns - cells.last_of[n - 1] <= self._late_ns
        return (lo, n) if whole else None

    def shared(self, lo: int, n: int) -> Estimate:
        """What the diagonal settles to, by the joint cells lo … n − 1."""
        found = self._fits.get((lo, n))
        if found is None:
            parts, off, last = self._cells.parts_of, self._off, n - 1
            for i in range(n):
                most = 0.0
                for k in range(4):
                    most = max(most, abs(parts[i, k] - parts[last, k]))
                off[i] = most
            self._find_warp(n)
            band = 0.0
            for each in self._noises:
                band = max(band, each.band())
            band /= 2.0
            found = self._fit(lo, n, self._warp, self.swung, self._quiet(), band)
            self._fits[lo, n] = found
        return found

    def beside(self, pad: int, lo: int, n: int) -> Estimate:
        """What a pad reads without the diagonal settles to, by the same cells."""
        learned = self._noises[pad]
        noise, band = learned.for_fit(), learned.band()
        noise.variance, noise.copies = 0.75 * noise.variance, 0.75  # (3/4)² + 3·(1/4)² of one pad's
        self._find_warp(n)
        parts, warp, rest, off, sign = self._cells.parts_of, self._warp, self._rest, self._off, self.sign(pad)
        last = parts[n - 1, pad]
        for i in range(n):
            rest[i] = parts[i, pad] - sign * warp[i]
            off[i] = abs(parts[i, pad] - last)
        return self._fit(lo, n, rest, self.apart, noise, band)

    def _find_warp(self, n: int) -> None:
        """Put the diagonal in the oldest n joint cells into `_warp`."""
        parts, warp, signs = self._cells.parts_of, self._warp, _SIGNS[self._pattern]
        a, b, c, d = signs[0], signs[1], signs[2], signs[3]
        for i in range(self._warped, n):
            warp[i] = ((parts[i, 0] * a + parts[i, 2] * c) + (parts[i, 1] * b + parts[i, 3] * d)) / 4.0
        self._warped = max(self._warped, n)

    def band(self, pad: int) -> float:
        """What counts as standing still for this pad (kg)."""
        return self._noises[pad].band()

    def _fit(
        self,
        lo: int,
        n: int,
        x: NDArray[np.float64],
        prior: TailPrior,
        noise: Noise,
        band: float,
    ) -> Estimate:
        """Fit the joint cells lo … n − 1 of x; in `_off` stands how far off each cell was."""
        cells, off = self._cells, self._off[:n]
        now_s = float(cells.t_of[n - 1])
        tails = prior.tails(off, cells.t_of[:n], now_s, stirred(off, band), band)
        if n != self._curves_n:
            self._curves_n, self._curves.have = n, 0
        return estimate(cells.t_of[lo:n], x[lo:n], cells.w_of[lo:n], noise, tails, band, 0.0, self._curves)

    def _quiet(self) -> Noise:
        """Noise of the diagonal: the mean of four independent readings, two of them turned over."""
        variance = eta = step = 0.0
        for learner in self._noises:
            each = learner.for_fit()
            variance += each.variance
            eta += each.eta
            step = max(step, each.step)
        noise = self._noises[0].for_fit()
        noise.variance, noise.eta = variance / 16.0, eta / 4.0
        noise.step, noise.copies = step / 4.0, 4.0
        return noise

    # -- learning --------------------------------------------------------------------------------------

    def learn(self, beside: Estimate, shared: Estimate) -> None:
        """Take both fits of a whole rest."""
        self.apart.learn(beside)
        self.swung.learn(shared)

    def pair(self, lo: int, n: int) -> None:
        """Learn from a rest of these cells which pads are diagonal: the pairs between which load went on
        moving while the car stood."""
        third = (n - lo) // 3
        if third < LEAST_CELLS:
            return
        parts, weights = self._cells.parts, self._cells.w
        gone = np.add.reduce(parts[n - third : n]) / third - np.add.reduce(parts[lo : lo + third]) / third
        weight = float(np.add.reduce(weights[lo:n])) / (n - lo)
        noise = 16.0 * self._quiet().variance * 2.0 / (third * weight)
        squares = (PATTERNS @ gone) ** 2
        s = self.settings
        if np.maximum.reduce(squares) < s.pairing_sigma**2 * max(noise, 1e-18):
            return
        self._moved = (1.0 - 1.0 / s.pairing_memory_rests) * self._moved + squares / np.add.reduce(squares)
        best, now = int(np.argmax(self._moved)), self._moved[self._pattern]
        if self._moved[best] > 2.0 * now + s.pairing_rests:
            self._pattern = best
            self._renew()
            self.swung, self.apart = TailPrior(self.settings), TailPrior(self.settings)


class Share(Kept):
    """One pad's part in the diagonal."""

    kept = ("_all", "_pad", "_lesson")

    def __init__(self, diagonal: Diagonal, pad: int) -> None:
        self._all = diagonal
        self._pad = pad
        self._lesson: tuple[Estimate, Estimate] | None = None

    def refine(self, own: Estimate, from_ns: int, to_ns: int, tolerance: float) -> Estimate:
        """The better estimate of what this pad settles to, by the joint cells of its own cells' time.

        `own` is its estimate by itself, `tolerance` as in that. It stays where joint cells are missing, where
        too little of its time stands still jointly, where the two do not even agree on what it reads now, and
        as long as what is beside the diagonal is known to have tails oftener than the diagonal. What it says
        is no surer than the pad itself unless the diagonal plainly shows a tail: four that agree there is
        none were wrong oftener than they knew.
        """
        diagonal = self._all
        if diagonal.apart.log_prior[0] < diagonal.swung.log_prior[0]:
            return own
        stretch = diagonal.stretch(from_ns, to_ns)
        if stretch is None:
            return own
        lo, n = stretch
        beside, shared = diagonal.beside(self._pad, lo, n), diagonal.shared(lo, n)
        if min(beside.span_s, shared.span_s) < diagonal.settings.joint_span * own.span_s:
            return own
        joint = together(own, beside, shared, diagonal.sign(self._pad), tolerance)
        if shared.weights()[0] > diagonal.settings.plain_tail:
            joint.risk = max(joint.risk, own.risk)
        return joint if abs(joint.now - own.now) <= diagonal.band(self._pad) else own

    def forget(self) -> None:
        """What this pad reads next has nothing to do with what was (overload, unit change)."""
        self._all.forget()

    def ended(self, from_ns: int, to_ns: int, teaches: bool) -> None:
        """A rest of this pad's cells of this time is over; it may teach of tails once the next has come."""
        self._lesson = None
        stretch = self._all.stretch(from_ns, to_ns)
        if stretch is None:
            return
        lo, n = stretch
        if teaches:
            self._lesson = self._all.beside(self._pad, lo, n), self._all.shared(lo, n)
        self._all.pair(lo, n)

    def learn(self) -> None:
        """The rest ended by a movement: take what it shows of tails."""
        if self._lesson is not None:
            beside, shared = self._lesson
            self._all.learn(beside, shared)
